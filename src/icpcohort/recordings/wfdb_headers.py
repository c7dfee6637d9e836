"""WFDB headers: what a record's header files state, and what they leave out.

The wfdb library reads the headers, since it also reads the samples. It fills in what a header
leaves out (gain 200, unit mV, 250 Hz) and loses units written with brackets, so gain, baseline,
unit and sampling rate are taken from the text.

Source: header(5) of the WFDB Applications Guide, for every field.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from icpcohort.recordings.chunks import MAX_CHANNELS, RecordingError, check_size

MAX_HEADER_BYTES = 10_000_000
NO_FILE = "~"

_GAIN = re.compile(
    r"(?P<gain>[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)?"
    r"(?:\((?P<baseline>-?\d+)\))?(?:/(?P<unit>\S+))?"
)
_FILE_NAME = re.compile(r"[-\w]{1,200}(?:\.\w{1,50})?", re.ASCII)


@dataclass(frozen=True)
class Signal:
    """One signal line. `gain` is per unit and None where the line does not calibrate it."""

    name: str
    file: str
    fmt: str
    samples_per_frame: int
    skew_frames: int
    byte_offset: int
    gain: float | None
    baseline: int
    unit: str | None


@dataclass(frozen=True)
class Segment:
    """A record of one piece; `path` is its header, `start_frame` its place in the recording."""

    path: Path
    start_frame: int
    n_frames: int
    fs_hz: float
    signals: tuple[Signal, ...]

    def index(self, name: str | None) -> int | None:
        """Return the place of a signal, or None where the segment lacks it."""
        return next((i for i, s in enumerate(self.signals) if s.name == name), None)


@dataclass(frozen=True)
class Record:
    """A whole recording; frames that no segment covers are gaps.

    `signals` are those that can be chosen from.
    """

    fs_hz: float
    n_frames: int
    signals: tuple[Signal, ...]
    segments: tuple[Segment, ...]


def header_lines(path: Path) -> list[str]:
    """Return the lines of a header without comments and empty lines."""
    if path.stat().st_size > MAX_HEADER_BYTES:
        raise RecordingError(
            "bad_header",
            f"{path.name}: larger than any WFDB header; give the .hea file, not the signals",
        )
    lines = path.read_text(encoding="ascii", errors="ignore").splitlines()
    return [line.strip() for line in lines if line.strip() and not line.strip().startswith("#")]


def files_of(path: Path) -> list[Path]:
    """Return the names of the files that make up a record, whether they exist or not."""
    found = [path]
    lines = header_lines(path)
    if "/" not in lines[0].split()[0]:
        return found + [path.parent / name for name in _names(lines[1:])]
    for segment in _names(lines[1:]):
        header = path.parent / f"{segment}.hea"
        found.append(header)
        if header.is_file():
            found += [path.parent / name for name in _names(header_lines(header)[1:])]
    return found


def _names(lines: Iterable[str]) -> list[str]:
    names = [line.split()[0] for line in lines]
    return [name for name in names if _FILE_NAME.fullmatch(name)]


def read_record(path: Path) -> Record:
    """Read the headers of a record of one or of many segments.

    Raises
    ------
    RecordingError
        `missing_file`, `bad_header` or `empty`.
    """
    lines = header_lines(path)
    if not lines:
        raise RecordingError("empty", f"{path.name}: no record line; restore the file")
    fields = lines[0].split()
    if "/" not in fields[0]:
        segment = _read_segment(path, lines, start_frame=0)
        check_size(path.name, fs_hz=segment.fs_hz, n_samples=segment.n_frames)
        return Record(segment.fs_hz, segment.n_frames, segment.signals, (segment,))
    return _read_many(path, lines)


def _read_many(path: Path, lines: list[str]) -> Record:
    fs_hz = _fs_hz(path, lines[0])
    named = [line.split() for line in lines[1:]]
    stated = int(lines[0].split()[0].partition("/")[2])
    if len(named) != stated or any(len(f) < 2 or not f[1].isdecimal() for f in named):
        raise _bad(
            path, f"{stated} segments stated, {len(named)} lines; name and length in each"
        )
    lengths = [int(f[1]) for f in named]
    check_size(path.name, fs_hz=fs_hz, n_samples=sum(lengths))
    n_stated = _n_frames(path, lines[0])
    if n_stated not in (None, sum(lengths)):
        raise _bad(path, f"{n_stated} samples stated, but the segments have {sum(lengths)}")
    segments, start_frame, layout = [], 0, None
    for i, (name, n_frames) in enumerate(zip([f[0] for f in named], lengths, strict=True)):
        if name != NO_FILE:
            segment = _read_part(path, name, start_frame=start_frame)
            if i == 0 and n_frames == 0:
                layout = segment.signals
            else:
                _check_part(segment, n_frames=n_frames, fs_hz=fs_hz)
                segments.append(segment)
        start_frame += n_frames
    if not segments:
        raise RecordingError("empty", f"{path.name}: every segment is null; leave it out")
    return Record(fs_hz, start_frame, layout or segments[0].signals, tuple(segments))


def _read_part(path: Path, name: str, *, start_frame: int) -> Segment:
    header = path.parent / f"{name}.hea"
    if not _FILE_NAME.fullmatch(name):
        raise _bad(path, f"{name!r} is no name of a segment")
    if not header.is_file():
        raise RecordingError(
            "missing_file", f"{path.name}: segment {header.name} is not there; restore it"
        )
    lines = header_lines(header)
    if not lines or "/" in lines[0].split()[0]:
        raise _bad(header, "a segment must be a record of one piece")
    return _read_segment(header, lines, start_frame=start_frame)


def _check_part(segment: Segment, *, n_frames: int, fs_hz: float) -> None:
    if segment.fs_hz != fs_hz:
        raise _bad(segment.path, f"{segment.fs_hz:g} Hz in a recording of {fs_hz:g} Hz")
    if segment.n_frames != n_frames:
        raise RecordingError(
            "truncated" if segment.n_frames < n_frames else "bad_header",
            f"{segment.path.name}: {segment.n_frames} samples, but the recording's header "
            f"counts {n_frames}; restore the file or correct the header",
        )


def _read_segment(path: Path, lines: list[str], *, start_frame: int) -> Segment:
    import wfdb  # here, because it loads pandas: half a second that other formats need not pay

    fields = lines[0].split()
    if len(fields) < 2 or not fields[1].isdecimal():
        raise _bad(path, "the record line must state its name and the number of signals")
    if int(fields[1]) != len(lines) - 1:
        raise _bad(path, f"{fields[1]} signals stated, but {len(lines) - 1} signal lines")
    if int(fields[1]) > MAX_CHANNELS:
        raise _bad(path, f"{fields[1]} signals, more than {MAX_CHANNELS}")
    fs_hz, n_frames = _fs_hz(path, lines[0]), _n_frames(path, lines[0])
    if n_frames is None:
        raise _bad(path, "the record line must state the number of samples after the rate")
    header = wfdb.rdheader(str(path.absolute().with_suffix("")))
    if header.sig_len != n_frames:
        raise _bad(path, f"the record line {lines[0]!r} can be read in two ways")
    signals = tuple(_signal(path, line, header, i) for i, line in enumerate(lines[1:]))
    _check_files(path, signals)
    return Segment(path, start_frame, n_frames, fs_hz, signals)


def _fs_hz(path: Path, line: str) -> float:
    """Return the stated rate; the format's default of 250 Hz is not taken for granted."""
    fields = line.split()
    try:
        return float(re.split(r"[/(]", fields[2])[0])
    except (IndexError, ValueError) as error:
        raise _bad(
            path, "no sampling rate in the record line; write it after the number of signals"
        ) from error


def _n_frames(path: Path, line: str) -> int | None:
    fields = line.split()
    if len(fields) < 4:
        return None
    if not fields[3].isdecimal():
        raise _bad(path, f"{fields[3]!r} is no number of samples")
    return int(fields[3])


def _signal(path: Path, line: str, header: Any, i: int) -> Signal:
    fields = line.split(None, 8)
    scale = _GAIN.fullmatch(fields[2]) if len(fields) > 2 else None
    if len(fields) > 2 and scale is None:
        raise _bad(path, f"{fields[2]!r} is not of the form gain(baseline)/unit")
    gain = float(scale["gain"]) if scale and scale["gain"] else 0.0
    try:
        adc_zero, initial = (int(fields[k]) if len(fields) > k else 0 for k in (4, 5))
    except ValueError as error:
        raise _bad(
            path, f"ADC zero and initial value are no whole numbers in {line!r}"
        ) from error
    if header.fmt[i] == "8" and initial != (header.init_value[i] or 0):
        raise _bad(path, "a unit with brackets hides the initial value of format 8; write mmHg")
    return Signal(
        name=fields[8].strip() if len(fields) > 8 else "",
        file=header.file_name[i],
        fmt=header.fmt[i],
        samples_per_frame=header.samps_per_frame[i] or 1,
        skew_frames=header.skew[i] or 0,
        byte_offset=header.byte_offset[i] or 0,
        gain=gain or None,
        baseline=int(scale["baseline"]) if scale and scale["baseline"] else adc_zero,
        unit=scale["unit"] if scale else None,
    )


def _check_files(path: Path, signals: tuple[Signal, ...]) -> None:
    """Refuse what the library would read as another signal without a word."""
    seen: list[str] = []
    for one in signals:
        if one.file in seen[:-1]:
            raise _bad(path, f"the signals of {one.file} do not stand together")
        if one.file not in seen:
            seen.append(one.file)
    for file in seen:
        if file != NO_FILE and len({s.fmt for s in signals if s.file == file}) > 1:
            raise _bad(path, f"{file} has signals of two formats")


def _bad(path: Path, what: str) -> RecordingError:
    return RecordingError("bad_header", f"{path.name}: {what}; correct the header")
