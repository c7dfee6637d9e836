"""EDF and BDF headers: where every sample stands, and what its numbers mean.

Source: Kemp 1992 (EDF), Kemp 2003 (EDF+) and the published BDF layout: 256 + 256 bytes of text
a signal, then data records. BDF differs in its first eight bytes, in the name of its
annotations and in samples of 24 bits. The header is taken apart here, since streaming needs the
place of each signal in a record and the number of records as it is stated, before any repair.
"""

import math
from dataclasses import dataclass
from pathlib import Path

from icpcohort.recordings.chunks import MAX_CHANNELS, MAX_DURATION_S, RecordingError

ANNOTATIONS = {"edf": "EDF Annotations", "bdf": "BDF Annotations"}
SAMPLE_BYTES = {"edf": 2, "bdf": 3}
MAX_PHYSICAL = 1e9  # no source; beyond lies no pressure
MAX_RECORD_BYTES = 64_000_000  # no source; Kemp 2003 asks for at most 61 440
_ARTICLES = {"edf": "an EDF", "bdf": "a BDF"}
_WIDTHS = (16, 80, 8, 8, 8, 8, 8, 80, 8, 32)  # bytes per signal of each field, in file order


@dataclass(frozen=True)
class Signal:
    """One signal as the header states it; `place` counts samples from a record's start."""

    label: str
    unit: str
    physical_min: str
    physical_max: str
    digital_min: str
    digital_max: str
    n_per_record: int
    place: int


@dataclass(frozen=True)
class Header:
    """What is needed to find every sample; `format` is edf or bdf."""

    format: str
    signals: tuple[Signal, ...]
    n_bytes: int
    n_records: int
    record_s: float
    discontinuous: bool

    @property
    def record_bytes(self) -> int:
        """Size of one data record."""
        return SAMPLE_BYTES[self.format] * sum(s.n_per_record for s in self.signals)

    @property
    def annotations(self) -> list[Signal]:
        """Return the signals that hold annotations; the first one keeps the time."""
        return [s for s in self.signals if s.label == ANNOTATIONS[self.format]]

    @property
    def has_only_notes(self) -> bool:
        """Tell whether every signal holds annotations, as in a file of scorings."""
        return len(self.annotations) == len(self.signals)

    def signal(self, label: str) -> Signal:
        """Return the signal with this label."""
        return next(s for s in self.signals if s.label == label)


def read_header(path: Path, format: str) -> Header:
    """Read the header and compare it with the size of the file.

    Parameters
    ----------
    format : edf or bdf; a file of the other kind is refused

    Raises
    ------
    RecordingError
        `unreadable`, `bad_header`, `truncated`, `empty`, or `no_signals` for annotations alone
        in records of 0 s.
    """
    where = path.name
    with path.open("rb") as file:
        start = file.read(256)
        _check_kind(start[:8], format, where)
        main = start.decode("latin-1")
        if len(main) < 256:
            raise RecordingError(
                "truncated", f"{where}: ends within its header; restore the file"
            )
        n_signals = _whole(main[252:256], "number of signals", where)
        if not 0 < n_signals <= MAX_CHANNELS:
            raise _bad(where, f"{n_signals} signals (1 to {MAX_CHANNELS} are possible)")
        rows = file.read(256 * n_signals).decode("latin-1")
    if len(rows) < 256 * n_signals:
        raise RecordingError("truncated", f"{where}: ends within its header; restore the file")
    header = Header(
        format=format,
        signals=_signals(rows, n_signals, where),
        n_bytes=_whole(main[184:192], "size of the header", where),
        n_records=_whole(main[236:244], "number of data records", where),
        record_s=_real(main[244:252], "duration of a data record", where),
        discontinuous=main[192:236].startswith(f"{format.upper()}+D"),
    )
    if header.n_bytes != 256 * (1 + n_signals):
        raise _bad(where, f"header of {header.n_bytes} bytes with {n_signals} signals")
    if header.record_s == 0 and header.has_only_notes:
        raise only_notes(where)
    if not 0 < header.record_s <= MAX_DURATION_S:
        raise _bad(where, f"data records of {header.record_s:g} s")
    _check_length(path, header)
    return header


def only_notes(where: str) -> RecordingError:
    """Return the refusal of a file of annotations alone.

    Source: Kemp 2003 allows such a file, and then data records of 0 s.
    """
    return RecordingError(
        "no_signals",
        f"{where}: it has no signals, only notes (annotations); take its row out of "
        "recordings.csv, or write there the file with the signals",
    )


def _check_kind(magic: bytes, format: str, where: str) -> None:
    kind = "bdf" if magic == b"\xffBIOSEMI" else None
    kind = "edf" if magic.rstrip(b" \0") == b"0" else kind
    if kind is None:
        raise RecordingError(
            "unreadable",
            f"{where}: not {_ARTICLES[format]} file by its first bytes; correct column format "
            "of recordings.csv, or restore the file",
        )
    if kind != format:
        raise RecordingError(
            "unreadable",
            f"{where}: {_ARTICLES[kind]} file, not {_ARTICLES[format]} file; write {kind} in "
            "column format of recordings.csv",
        )


def _signals(rows: str, n_signals: int, where: str) -> tuple[Signal, ...]:
    columns, start = [], 0
    for width in _WIDTHS:
        columns.append([_text(rows[start + i * width :][:width]) for i in range(n_signals)])
        start += width * n_signals
    signals, place = [], 0
    for label, _, unit, pmin, pmax, dmin, dmax, _, n, _ in zip(*columns, strict=True):
        n_per_record = _whole(n, f"samples in a record of {label!r}", where)
        if n_per_record < 0:
            raise _bad(where, f"{n_per_record} samples in a record of {label!r}")
        signals.append(Signal(label, unit, pmin, pmax, dmin, dmax, n_per_record, place))
        place += n_per_record
    return tuple(signals)


def _check_length(path: Path, header: Header) -> None:
    n_bytes = path.stat().st_size - header.n_bytes
    if header.record_bytes == 0 or header.n_records == 0 or n_bytes == 0:
        raise RecordingError("empty", f"{path.name}: no samples; remove it from recordings.csv")
    if header.record_bytes > MAX_RECORD_BYTES:
        raise _bad(
            path.name,
            f"data records of {header.record_bytes} bytes (the most is {MAX_RECORD_BYTES})",
        )
    n_found, rest = divmod(n_bytes, header.record_bytes)
    if header.n_records < 0 or n_found < header.n_records:
        raise RecordingError(
            "truncated",
            f"{path.name}: {header.n_records} data records stated (-1: the recorder did not "
            f"finish), {n_found} there; restore the file, or write {n_found} in its header if "
            "the end is known to be lost",
        )
    if n_found > header.n_records or rest:
        raise _bad(
            path.name,
            f"{header.n_records} data records stated, {n_found} and {rest} bytes there",
        )


def scale(header: Header, signal: Signal, where: str) -> tuple[float, float]:
    """Return gain and offset: physical = gain * digital + offset, in the signal's unit.

    Raises
    ------
    RecordingError
        `bad_header` for an impossible range, `no_gain` for one without extent.

    Source: Kemp 1992; the physical minimum may lie above the maximum (inverted signal).
    """
    what = f"range of {signal.label!r}"
    pmin, pmax = (_real(x, what, where) for x in (signal.physical_min, signal.physical_max))
    dmin, dmax = digital_range(signal, where)
    if max(abs(pmin), abs(pmax)) > MAX_PHYSICAL:
        raise _bad(where, f"physical range {pmin:g} to {pmax:g} of {signal.label!r}")
    half = 2 ** (8 * SAMPLE_BYTES[header.format] - 1)
    if not -half <= dmin < dmax < half:
        raise _bad(where, f"digital range {dmin:g} to {dmax:g} of {signal.label!r}")
    if pmin == pmax:
        raise RecordingError(
            "no_gain",
            f"{where}: physical minimum and maximum of {signal.label!r} are both {pmin:g}, so "
            "its samples have no scale; correct the header",
        )
    gain = (pmax - pmin) / (dmax - dmin)
    return gain, pmin - gain * dmin


def digital_range(signal: Signal, where: str) -> tuple[int, int]:
    """Return the lowest and the highest number that a sample can have."""
    what = f"digital range of {signal.label!r}"
    return _whole(signal.digital_min, what, where), _whole(signal.digital_max, what, where)


def _text(field: str) -> str:
    return field.replace("\0", " ").strip()  # some writers fill up with zeros


def _real(text: str, what: str, where: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise _bad(where, f"{text.strip()!r} as {what}")
    return value


def _whole(text: str, what: str, where: str) -> int:
    value = _real(text, what, where)
    if value != int(value):
        raise _bad(where, f"{text.strip()!r} as {what}")
    return int(value)


def _bad(where: str, what: str) -> RecordingError:
    return RecordingError("bad_header", f"{where}: {what}; correct the header")
