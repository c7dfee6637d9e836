"""EDF, EDF+C and EDF+D: header and data records, streamed in blocks of records.

Source: Kemp 1992 (EDF) and Kemp 2003 (EDF+): 256 + 256 bytes of text a signal, then records of
little-endian 16-bit samples. The header is taken apart here, since streaming needs the place of
each signal in a record and the number of records as it is stated, before any repair.
"""

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from icpcohort.recordings.channels import Channel, Wanted, choose_both, mmhg_factor, unit_of
from icpcohort.recordings.chunks import (
    MAX_CHANNELS,
    Chunk,
    Description,
    RecordingError,
    Samples,
    check_size,
    tier_of,
)

ANNOTATIONS = "EDF Annotations"
_WIDTHS = (16, 80, 8, 8, 8, 8, 8, 80, 8, 32)  # bytes a signal of each field, in file order
_ONSET = re.compile(rb"([+-]\d+(?:\.\d*)?)\x14\x14")


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
    """What is needed to find every sample."""

    signals: tuple[Signal, ...]
    n_bytes: int
    n_records: int
    record_s: float
    discontinuous: bool

    @property
    def record_bytes(self) -> int:
        """Size of one data record."""
        return 2 * sum(s.n_per_record for s in self.signals)

    def signal(self, label: str) -> Signal:
        """Return the signal with this label."""
        return next(s for s in self.signals if s.label == label)


def read_header(path: Path) -> Header:
    """Read the header and hold it against the size of the file.

    Raises
    ------
    RecordingError
        `bad_header`, `truncated` or `empty`.
    """
    where = path.name
    with path.open("rb") as file:
        main = file.read(256).decode("latin-1")
        if len(main) < 256 or main[:8].strip() != "0":
            raise RecordingError("unreadable", f"{where}: not an EDF file; check its format")
        n_signals = _whole(main[252:256], "number of signals", where)
        if not 0 < n_signals <= MAX_CHANNELS:
            raise _bad(where, f"{n_signals} signals (1 to {MAX_CHANNELS} are possible)")
        rows = file.read(256 * n_signals).decode("latin-1")
    if len(rows) < 256 * n_signals:
        raise RecordingError("truncated", f"{where}: ends within its header; restore the file")
    header = Header(
        signals=_signals(rows, n_signals, where),
        n_bytes=_whole(main[184:192], "size of the header", where),
        n_records=_whole(main[236:244], "number of data records", where),
        record_s=_real(main[244:252], "duration of a data record", where),
        discontinuous=main[192:236].startswith("EDF+D"),
    )
    if header.n_bytes != 256 * (1 + n_signals):
        raise _bad(where, f"header of {header.n_bytes} bytes with {n_signals} signals")
    if not header.record_s > 0:
        raise _bad(where, f"data records of {header.record_s:g} s")
    _check_length(path, header)
    return header


def _signals(rows: str, n_signals: int, where: str) -> tuple[Signal, ...]:
    columns, start = [], 0
    for width in _WIDTHS:
        columns.append([rows[start + i * width :][:width].strip() for i in range(n_signals)])
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


def _scale(signal: Signal, where: str) -> tuple[float, float]:
    """Return gain and offset: physical = gain * digital + offset, in the signal's unit.

    Source: Kemp 1992; the physical minimum may lie above the maximum (inverted signal).
    """
    pmin, pmax, dmin, dmax = (
        _real(text, f"range of {signal.label!r}", where)
        for text in (
            signal.physical_min,
            signal.physical_max,
            signal.digital_min,
            signal.digital_max,
        )
    )
    if not -(2**15) <= dmin < dmax < 2**15:
        raise _bad(where, f"digital range {dmin:g} to {dmax:g} of {signal.label!r}")
    if pmin == pmax:
        raise RecordingError(
            "no_gain",
            f"{where}: physical minimum and maximum of {signal.label!r} are both {pmin:g}, so "
            "its samples have no scale; correct the header",
        )
    gain = (pmax - pmin) / (dmax - dmin)
    return gain, pmin - gain * dmin


def describe(path: Path, *, icp: Wanted, abp: Wanted) -> Description:
    """Describe a file from its header and, in EDF+D, its last record's time."""
    header = read_header(path)
    labels = [
        Channel(s.label, s.label, s.unit or None)
        for s in header.signals
        if s.label != ANNOTATIONS
    ]
    chosen = choose_both(labels, icp, abp, where=path.name)
    units, fs_hz = {}, {}
    for wanted in (icp, abp):
        if wanted.role in chosen:
            signal = header.signal(chosen[wanted.role].name)
            _scale(signal, path.name)
            units[wanted.role] = unit_of(chosen[wanted.role], wanted, where=path.name)
            fs_hz[wanted.role] = signal.n_per_record / header.record_s
            check_size(
                path.name,
                fs_hz=fs_hz[wanted.role],
                n_samples=signal.n_per_record * header.n_records,
            )
    return Description(
        format="edf",
        tier=tier_of(fs_hz["icp"]),
        fs_icp_hz=fs_hz["icp"],
        fs_abp_hz=fs_hz.get("abp"),
        duration_s=_duration_s(path, header),
        icp_channel=chosen["icp"].name,
        abp_channel=chosen["abp"].name if "abp" in chosen else None,
        icp_unit=units["icp"],
        abp_unit=units.get("abp"),
    )


def _duration_s(path: Path, header: Header) -> float:
    if not header.discontinuous:
        return header.n_records * header.record_s
    with path.open("rb") as file:
        ends = []
        for number in (0, header.n_records - 1):
            file.seek(header.n_bytes + number * header.record_bytes)
            records = _records(file, header, 1)
            ends.append(_onsets_s(records, header, number, path.name)[0])
    return ends[1] - ends[0] + header.record_s


def read(path: Path, description: Description, *, chunk_s: float) -> Iterator[Chunk]:
    """Yield the samples of a file; records that follow each other without a gap join."""
    header = read_header(path)
    roles = {"icp": (description.icp_channel, description.icp_unit)}
    if description.abp_channel is not None and description.abp_unit is not None:
        roles["abp"] = (description.abp_channel, description.abp_unit)
    signals = {role: header.signal(label) for role, (label, _) in roles.items()}
    scales = {
        role: (*_scale(signals[role], path.name), mmhg_factor(unit, where=path.name))
        for role, (_, unit) in roles.items()
    }
    fs_hz = {role: s.n_per_record / header.record_s for role, s in signals.items()}
    for start_s, records in _stretches(
        path, header, chunk_s=chunk_s, max_fs_hz=max(fs_hz.values())
    ):
        samples: dict[str, Samples] = {}
        for role, s in signals.items():
            gain, offset, factor = scales[role]
            digital = (
                records[:, s.place : s.place + s.n_per_record].reshape(-1).astype(np.float64)
            )
            samples[role] = (digital * gain + offset) * factor
        yield Chunk(start_s, samples, fs_hz)


def _stretches(
    path: Path, header: Header, *, chunk_s: float, max_fs_hz: float
) -> Iterator[tuple[float, NDArray[np.int16]]]:
    """Yield start and data records of each block, cut where time has a gap.

    Half a sampling interval of deviation is no gap.
    """
    step = max(1, math.floor(chunk_s / header.record_s + 1e-9))
    n_run, run_start_s, origin_s = 0, 0.0, 0.0
    with path.open("rb") as file:
        file.seek(header.n_bytes)
        for first in range(0, header.n_records, step):
            records = _records(file, header, min(step, header.n_records - first))
            if not header.discontinuous:
                yield first * header.record_s, records
                continue
            onsets_s = _onsets_s(records, header, first, path.name)
            origin_s = onsets_s[0] if first == 0 else origin_s
            begin, begin_s = 0, run_start_s + n_run * header.record_s
            for i, onset_s in enumerate(onsets_s):
                late_s = onset_s - origin_s - (run_start_s + n_run * header.record_s)
                if late_s <= -0.5 / max_fs_hz:
                    raise RecordingError(
                        "bad_times",
                        f"{path.name}: data record {first + i + 1} starts {-late_s:g} s before "
                        "the one before it ends; correct the file",
                    )
                if late_s >= 0.5 / max_fs_hz:
                    if i > begin:
                        yield begin_s, records[begin:i]
                    begin, begin_s = i, onset_s - origin_s
                    run_start_s, n_run = begin_s, 0
                n_run += 1
            yield begin_s, records[begin:]


def _records(file: BinaryIO, header: Header, n: int) -> NDArray[np.int16]:
    data = file.read(n * header.record_bytes)
    if len(data) < n * header.record_bytes:
        raise RecordingError(
            "truncated", f"{Path(file.name).name}: ends early; restore the file"
        )
    return np.frombuffer(data, dtype="<i2").reshape(n, -1)


def _onsets_s(
    records: NDArray[np.int16], header: Header, first: int, where: str
) -> list[float]:
    """Return the start of each record from its time-keeping annotation."""
    signal = next((s for s in header.signals if s.label == ANNOTATIONS), None)
    if signal is None:
        raise _bad(where, "discontinuous (EDF+D), but without annotations that tell the time")
    found = []
    for i, record in enumerate(records[:, signal.place : signal.place + signal.n_per_record]):
        onset = _ONSET.match(record.tobytes())
        if onset is None:
            raise RecordingError(
                "bad_times",
                f"{where}: data record {first + i + 1} has no time-keeping annotation; without "
                "it the gaps of EDF+D are unknown, restore the file",
            )
        found.append(float(onset[1]))
    return found


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
