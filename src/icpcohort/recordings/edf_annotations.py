r"""Annotations of EDF+ and BDF+: time-stamped lists in signals of their own.

Source: Kemp 2003, section 2.2. A list is `onset [\x15 duration] \x14 text \x14 text \x14`; the
onset has a sign and counts seconds from the file's start. Zeros stand between lists and fill up
the record. The first text of a record is empty: that list tells when the record starts.
"""

import re
from collections.abc import Iterator
from pathlib import Path

from icpcohort.recordings import edf_files, edf_headers
from icpcohort.recordings.annotations import Annotation, decoded, in_order
from icpcohort.recordings.chunks import RecordingError

BLOCK_S = 600.0  # how much of a file is looked at at once
_SECONDS = rb"\d+(?:\.\d*)?"
_LIST = re.compile(rb"([+-]%b)(?:\x15(%b))?\x14([^\x00]*\x14)?" % (_SECONDS, _SECONDS))


def read(path: Path, *, format: str) -> list[Annotation]:
    """Return the annotations of an EDF+ or BDF+ file; other files have none.

    An annotation without a duration is a moment. Onsets count from the file's start, which may
    lie up to a second before the first sample.

    Raises
    ------
    RecordingError
        `bad_annotations`, or what is wrong with the file itself.
    """
    header = edf_headers.read_header(path, format)
    if not header.annotations:
        return []
    origin_s = edf_files.onset_s(path, header, 0) or 0.0
    annotations = []
    for first, records in edf_files.blocks(path, header, chunk_s=BLOCK_S):
        for signal in header.annotations:
            for i, data in enumerate(edf_files.bytes_of(records, header, signal)):
                where = f"{path.name}, data record {first + i + 1}"
                for onset_s, duration_s, text in _texts(data.tobytes(), where=where):
                    start_s = onset_s - origin_s
                    annotations.append(Annotation(start_s, start_s + duration_s, text))
    return in_order(annotations, where=path.name)


def _texts(data: bytes, *, where: str) -> Iterator[tuple[float, float, str]]:
    """Yield onset [s], duration [s] and text of each annotation of a record, if it has text."""
    for part in filter(None, data.split(b"\x00")):
        match = _LIST.fullmatch(part)
        if match is None:
            raise RecordingError(
                "bad_annotations",
                f"{where}: bytes that are no list of annotations; restore the file",
            )
        for text in (match[3] or b"").split(b"\x14"):
            if words := decoded(text):
                yield float(match[1]), float(match[2] or 0), words
