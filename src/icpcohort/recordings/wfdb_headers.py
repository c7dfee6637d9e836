"""WFDB headers: what a record's header files state, and what they leave out.

The text is taken apart here, not by the wfdb library: it fills in what a header leaves out
(gain 200, unit mV, 250 Hz), loses units with brackets, and takes half a second to load.

Source: header(5) of the WFDB Applications Guide, for every field.
"""

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from icpcohort.recordings.chunks import MAX_CHANNELS, RecordingError, check_size

MAX_HEADER_BYTES = 10_000_000
MAX_SKEW_S = 60.0  # no source; skew is a few samples between the tracks of a tape
MIN_GAIN, MAX_GAIN = 1e-9, 1e12  # no source; beyond lies no pressure
NO_FILE = "~"

_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_RATE = re.compile(rf"({_NUMBER})(?:/{_NUMBER}(?:\({_NUMBER}\))?)?", re.ASCII)
_FORMAT = re.compile(
    r"(?P<fmt>\d{1,4})(?:x(?P<n>\d{1,9}))?(?::(?P<skew>\d{1,9}))?(?:\+(?P<offset>\d{1,18}))?",
    re.ASCII,
)
_GAIN = re.compile(
    rf"(?P<gain>{_NUMBER})?(?:\((?P<baseline>-?\d{{1,18}})\))?(?:/(?P<unit>\S+))?", re.ASCII
)
_COUNT = re.compile(r"\d{1,18}", re.ASCII)
_WHOLE = re.compile(r"[-+]?\d{1,18}", re.ASCII)
_NAMES = {3: "ADC resolution", 4: "ADC zero", 5: "initial value", 6: "checksum"}
_FILE_NAME = re.compile(r"[-\w]{1,200}(?:\.\w{1,50})?", re.ASCII)


@dataclass(frozen=True)
class Signal:
    """One signal line.

    `gain` is per unit and None where the line does not calibrate it, `checksum` None where it
    is not stated.
    """

    name: str
    file: str
    fmt: str
    samples_per_frame: int
    skew_frames: int
    byte_offset: int
    gain: float | None
    baseline: int
    unit: str | None
    initial: int
    checksum: int | None


@dataclass(frozen=True)
class Segment:
    """A record of one piece; `path` is its header, `start_frame` its place in the recording."""

    path: Path
    start_frame: int
    n_frames: int
    fs_hz: float
    signals: tuple[Signal, ...]

    def signal(self, name: str | None) -> Signal | None:
        """Return a signal that has samples, or None where the segment lacks it."""
        return next((s for s in self.signals if s.name == name and s.file != NO_FILE), None)

    def in_file(self, file: str) -> list[Signal]:
        """Return the signals of one signal file, in the order of their samples."""
        return [s for s in self.signals if s.file == file]


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
    content = path.read_bytes()
    if b"\0" in content:
        raise RecordingError(
            "unreadable",
            f"{path.name}: not a text file, or text in UTF-16; restore it or save it as UTF-8",
        )
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("latin-1")
    lines = [line.strip() for line in re.split(r"[\r\n]+", text)]
    return [line for line in lines if line and not line.startswith("#")]


def files_of(path: Path) -> list[Path]:
    """Return the names of the files that make up a record, whether they exist or not."""
    paths = [path]
    lines = header_lines(path)
    if "/" not in lines[0].split()[0]:
        return paths + [path.parent / name for name in _names(lines[1:])]
    for segment in dict.fromkeys(_names(lines[1:])):
        header = path.parent / f"{segment}.hea"
        paths.append(header)
        if header.is_file():
            paths += [path.parent / name for name in _names(header_lines(header)[1:])]
    return paths


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
    stated = lines[0].split()[0].partition("/")[2]
    if str(len(named)) != stated or any(
        len(f) < 2 or not _COUNT.fullmatch(f[1]) for f in named
    ):
        raise _bad(
            path, f"{stated} segments stated, {len(named)} lines; name and length in each"
        )
    lengths = [int(f[1]) for f in named]
    check_size(path.name, fs_hz=fs_hz, n_samples=sum(lengths))
    n_stated = _n_frames(path, lines[0])
    if n_stated not in (None, 0, sum(lengths)):
        raise _bad(path, f"{n_stated} samples stated, but the segments have {sum(lengths)}")
    times = Counter(f[0] for f in named if f[0] != NO_FILE)
    if twice := next((name for name, n in times.items() if n > 1), None):
        raise _bad(path, f"segment {twice} is listed more than once")
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
    return Record(fs_hz, start_frame, layout or _all_signals(segments), tuple(segments))


def _all_signals(segments: Iterable[Segment]) -> tuple[Signal, ...]:
    """Return the signals of the first segment, and those of later ones under other names."""
    signals: list[Signal] = []
    for segment in segments:
        known = {s.name for s in signals}
        signals += [s for s in segment.signals if s.name not in known]
    return tuple(signals)


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
    fields = lines[0].split()
    if len(fields) < 2 or not _COUNT.fullmatch(fields[1]):
        raise _bad(path, "the record line must state its name and the number of signals")
    if int(fields[1]) > MAX_CHANNELS:
        raise _bad(path, f"{fields[1]} signals, more than {MAX_CHANNELS}")
    if int(fields[1]) != len(lines) - 1:
        raise _bad(path, f"{fields[1]} signals stated, but {len(lines) - 1} signal lines")
    fs_hz, n_frames = _fs_hz(path, lines[0]), _n_frames(path, lines[0])
    if n_frames is None:
        raise _bad(path, "the record line must state the number of samples after the rate")
    signals = tuple(_signal(path, line) for line in lines[1:])
    _check_files(path, signals)
    if any(s.skew_frames > MAX_SKEW_S * fs_hz for s in signals):
        raise _bad(path, f"a skew of more than {MAX_SKEW_S:g} s")
    return Segment(path, start_frame, n_frames, fs_hz, signals)


def _fs_hz(path: Path, line: str) -> float:
    """Return the stated rate; the format's default of 250 Hz is not taken for granted."""
    fields = line.split()
    rate = _RATE.fullmatch(fields[2]) if len(fields) > 2 else None
    if rate is None:
        raise _bad(
            path, "no sampling rate in the record line; write it after the number of signals"
        )
    return float(rate[1])


def _n_frames(path: Path, line: str) -> int | None:
    fields = line.split()
    if len(fields) < 4:
        return None
    if not _COUNT.fullmatch(fields[3]):
        raise _bad(path, f"{fields[3][:20]!r} is no number of samples")
    return int(fields[3])


def _signal(path: Path, line: str) -> Signal:
    fields = line.split(None, 8)
    how = _FORMAT.fullmatch(fields[1]) if len(fields) > 1 else None
    if how is None:
        raise _bad(path, f"{line!r} states no format, as r1.dat 16 does")
    if fields[0] != NO_FILE and not _FILE_NAME.fullmatch(fields[0]):
        raise _bad(path, f"{fields[0]!r} is no name of a signal file beside the header")
    scale = _GAIN.fullmatch(fields[2]) if len(fields) > 2 else None
    if len(fields) > 2 and scale is None:
        raise _bad(path, f"{fields[2]!r} is not of the form gain(baseline)/unit")
    gain = float(scale["gain"] or 0) if scale else 0.0
    if gain and not MIN_GAIN <= abs(gain) <= MAX_GAIN:
        raise _bad(path, f"a gain of {gain:g} per unit")
    _, adc_zero, initial, checksum = (_whole(path, fields, k) for k in range(3, 7))
    return Signal(
        name=fields[8].strip() if len(fields) > 8 else "",
        file=fields[0],
        fmt=how["fmt"],
        samples_per_frame=int(how["n"] or 0) or 1,
        skew_frames=int(how["skew"] or 0),
        byte_offset=int(how["offset"] or 0),
        gain=gain or None,
        baseline=int(scale["baseline"]) if scale and scale["baseline"] else adc_zero or 0,
        unit=scale["unit"] if scale else None,
        # header(5), from memory: differences start at the ADC zero if nothing else is said
        initial=(adc_zero or 0) if initial is None else initial,
        # header(5), from memory: 0 may stand for a checksum that is not known
        checksum=checksum or None,
    )


def _whole(path: Path, fields: list[str], k: int) -> int | None:
    if len(fields) <= k:
        return None
    if not _WHOLE.fullmatch(fields[k]):
        raise _bad(path, f"{fields[k]!r} as the {_NAMES[k]} is no whole number")
    return int(fields[k])


def _check_files(path: Path, signals: tuple[Signal, ...]) -> None:
    """Refuse what the library would silently read as another signal."""
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
