"""WFDB annotation files: <record>.<extension>, as somebody or some program marked it.

The bytes are taken apart here: the wfdb library (4.3.1) never returns from a file whose first
notes it does not know, and does not notice that the end of a truncated file is missing.

Source: annot(5) of the WFDB Applications Guide, for the layout and the types; ecgcodes.h of the
WFDB library for the symbols.
"""

import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from icpcohort.recordings.annotations import Annotation, decoded, in_order
from icpcohort.recordings.chunks import RecordingError
from icpcohort.recordings.wfdb_headers import read_record

MAX_BYTES = 100_000_000
# Symbols of the annotation types from 0 on; a space where a type has none.
SYMBOLS = ' NLRaVFJASEj/Q~ | sT*D"=pB^t+u?![]en@xf()r'
_NOTE, _SKIP, _NUM, _SUB, _CHANNEL, _AUX = 22, 59, 60, 61, 62, 63
_RESOLUTION = re.compile(r"## time resolution: (\d{1,12}(?:\.\d{0,12})?)", re.ASCII)
_DEFINITION = re.compile(r"(\d{1,2}) (\S+)(?: .*)?", re.ASCII)
_BEGIN_DEFINITIONS, _END_DEFINITIONS = "## annotation type definitions", "## end of definitions"


def files_of(path: Path, *, extensions: Sequence[str]) -> list[Path]:
    """Return the annotation files of a record that are there, in the order of `extensions`."""
    named = [path.with_suffix(f".{extension}") for extension in extensions]
    return [file for file in named if file.is_file()]


def read(path: Path, *, extensions: Sequence[str]) -> list[Annotation]:
    """Return the annotations of a record from its annotation files.

    The text is the note of the annotation, else the symbol of its type. Our own convention for
    intervals, since the format has moments only: a note `(text` opens one and `text)` closes
    the last one of that text. An interval that is not closed has no end; a `text)` without its
    opening, and everything else, is a moment.

    Parameters
    ----------
    path : header of the record; the annotation files lie beside it

    Raises
    ------
    RecordingError
        `truncated` or `bad_annotations`, or what is wrong with the header.
    """
    fs_hz = read_record(path).fs_hz
    annotations: list[Annotation] = []
    for file in files_of(path, extensions=extensions):
        annotations += in_order(_intervals(_marks(file, fs_hz=fs_hz)), where=file.name)
    return in_order(annotations, where=path.name)


def _intervals(marks: list[tuple[float, str]]) -> list[Annotation]:
    annotations: list[Annotation] = []
    opened: dict[str, list[int]] = {}
    for t_s, text in marks:
        if text.startswith("(") and not text.endswith(")") and text != "(":
            opened.setdefault(text[1:], []).append(len(annotations))
            annotations.append(Annotation(t_s, None, text[1:]))
        elif text.endswith(")") and opened.get(text[:-1]):
            place = opened[text[:-1]].pop()
            annotations[place] = Annotation(annotations[place].start_s, t_s, text[:-1])
        else:
            annotations.append(Annotation(t_s, t_s, text))
    return annotations


def _marks(path: Path, *, fs_hz: float) -> list[tuple[float, str]]:
    """Return time [s] and text of each annotation; notes about the file itself are left out.

    Source: annot(5): such notes stand at sample 0 and state the time resolution, which is the
    sampling rate of the record unless stated, and types beyond the standard ones.
    """
    symbols = {i: symbol for i, symbol in enumerate(SYMBOLS) if symbol != " "}
    marks, defining, previous = [], False, 0
    for sample, kind, note in _annotations(path):
        if sample < previous:
            raise RecordingError(
                "bad_annotations",
                f"{path.name}: sample {sample} follows sample {previous}; annotations must be "
                "in the order of time, correct the file",
            )
        previous = sample
        if sample == 0 and kind == _NOTE and (defining or note.startswith("## ")):
            defining = note == _BEGIN_DEFINITIONS or (defining and note != _END_DEFINITIONS)
            if resolution := _RESOLUTION.fullmatch(note):
                fs_hz = float(resolution[1])
            if defining and (definition := _DEFINITION.fullmatch(note)):
                symbols[int(definition[1])] = definition[2]
        else:
            marks.append((sample, note or symbols.get(kind, f"[{kind}]")))
    if not fs_hz > 0:
        raise RecordingError(
            "bad_annotations", f"{path.name}: a time resolution of 0 Hz; correct the file"
        )
    return [(sample / fs_hz, text) for sample, text in marks]


def _annotations(path: Path) -> Iterator[tuple[int, int, str]]:
    """Yield sample, type and note of each annotation; type 0 is none.

    Source: annot(5): words of 16 bits, low byte first, with a type in the 6 high bits and the
    samples since the annotation before in the others. A word of 0 ends the file. Type 0 moves
    the time and is no annotation.
    """
    data = _content(path)
    at, sample, kind, note = 0, 0, 0, ""
    while word := _word(data, at, path):
        code, low = word >> 10, word & 0x3FF
        at += 2
        if code == _AUX:
            note = decoded(data[at : at + low])
            at += low + low % 2
        elif code not in {_NUM, _SUB, _CHANNEL}:
            if kind:
                yield sample, kind, note
            kind, note = 0, ""
            if code == _SKIP:
                skip = _word(data, at, path) << 16 | _word(data, at + 2, path)
                sample += (skip ^ 2**31) - 2**31
                at += 4
            else:
                sample, kind = sample + low, code
    if kind:
        yield sample, kind, note
    if data[at:].strip(b"\0"):
        raise RecordingError(
            "bad_annotations", f"{path.name}: goes on after its own end; restore the file"
        )


def _content(path: Path) -> bytes:
    if path.stat().st_size > MAX_BYTES:
        raise RecordingError(
            "bad_annotations",
            f"{path.name}: larger than any annotation file; correct the extensions in the "
            "settings",
        )
    return path.read_bytes()


def _word(data: bytes, at: int, path: Path) -> int:
    if at + 2 > len(data):
        raise RecordingError(
            "truncated", f"{path.name}: ends without its end mark; restore the file"
        )
    return int.from_bytes(data[at : at + 2], "little")
