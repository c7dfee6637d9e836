"""EDF, EDF+C, EDF+D and BDF alike: data records, streamed in blocks.

Source: Kemp 1992 (EDF) and Kemp 2003 (EDF+); the published BDF layout.
"""

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from icpcohort.recordings import packed
from icpcohort.recordings.channels import (
    Channel,
    Problems,
    Wanted,
    choose_all,
    conversion,
    passed_over,
    unit_of,
)
from icpcohort.recordings.chunks import (
    MAX_BLOCK_BYTES,
    MAX_DURATION_S,
    Chunk,
    Description,
    RecordingError,
    Samples,
    Source,
    check_size,
    tier_of,
)
from icpcohort.recordings.edf_headers import (
    ANNOTATIONS,
    SAMPLE_BYTES,
    Header,
    Signal,
    only_notes,
    read_header,
    scale,
)
from icpcohort.recordings.packed import Bytes, Integers

_RECORD_START = re.compile(rb"([+-]\d+(?:\.\d*)?)\x14\x14")


def describe(path: Path, *, format: str, wanted: Sequence[Wanted]) -> Description:
    """Describe a file from its header and, in EDF+, the times of its first and last record."""
    header = read_header(path, format)
    if header.has_only_notes:
        raise only_notes(path.name)
    labels = [
        Channel(s.label, s.label, s.unit or None)
        for s in header.signals
        if s.label not in ANNOTATIONS.values()
    ]
    problems = Problems(path.name)
    chosen = choose_all(labels, wanted, problems)
    sources = {}
    for one in (one for one in wanted if one.signal in chosen):
        channel = chosen[one.signal]
        signal = header.signal(channel.name)
        with problems.collected():
            scale(header, signal, path.name)
            unit = unit_of(channel, one, where=path.name)
            fs_hz = signal.n_per_record / header.record_s
            n_samples = signal.n_per_record * header.n_records
            check_size(path.name, fs_hz=fs_hz, n_samples=n_samples)
            sources[one.signal] = Source(channel.name, unit, fs_hz, one.to_unit)
    problems.raise_any()
    return Description(
        format=format,
        tier=tier_of(next(iter(sources.values())).fs_hz),
        duration_s=_duration_s(path, header),
        signals=sources,
        notes=passed_over(labels, wanted, chosen),
    )


def _duration_s(path: Path, header: Header) -> float:
    """Return the time from the first to the end of the last record, gaps included.

    Raises
    ------
    RecordingError
        `bad_times` when the last record of a file that calls itself continuous is not where
        the number of records puts it, or lies a year away.
    """
    nominal_s = header.n_records * header.record_s
    if not header.annotations:
        if header.discontinuous:
            raise _untimed(path.name, header)
        return nominal_s
    first, last = (onset_s(path, header, number) for number in (0, header.n_records - 1))
    if first is None or last is None:
        if header.discontinuous:
            raise _untimed_record(path.name, header, 1 if first is None else header.n_records)
        return nominal_s
    duration_s = last - first + header.record_s
    if not header.discontinuous and abs(duration_s - nominal_s) > header.record_s:
        raise RecordingError(
            "bad_times",
            f"{path.name}: its last data record starts {duration_s - nominal_s:g} s off, but "
            f"it calls itself continuous; write {header.format.upper()}+D in its header if it "
            "has gaps",
        )
    if duration_s > MAX_DURATION_S:
        raise RecordingError(
            "bad_times",
            f"{path.name}: its last data record starts {last - first:g} s after the first; "
            "restore the file",
        )
    return duration_s if header.discontinuous else nominal_s


def read(path: Path, description: Description, *, chunk_s: float) -> Iterator[Chunk]:
    """Yield the samples of a file; records that follow each other without a gap join."""
    header = read_header(path, description.format)
    sources = description.signals
    signals = {name: header.signal(source.channel) for name, source in sources.items()}
    scales = {
        name: _Scale(
            *scale(header, signals[name], path.name),
            *conversion(source.unit, to=source.to_unit, where=path.name),
        )
        for name, source in sources.items()
    }
    fs_hz = {name: s.n_per_record / header.record_s for name, s in signals.items()}
    for start_s, records in _stretches(
        path, header, chunk_s=chunk_s, max_fs_hz=max(fs_hz.values())
    ):
        samples = {n: scales[n](samples_of(records, header, s)) for n, s in signals.items()}
        yield Chunk(start_s, samples, fs_hz)


@dataclass(frozen=True)
class _Scale:
    gain: float
    offset: float
    factor: float
    zero: float

    def __call__(self, digital: Integers) -> Samples:
        readings = (digital.astype(np.float64) * self.gain + self.offset) * self.factor
        return readings + self.zero if self.zero else readings


def onset_s(path: Path, header: Header, number: int) -> float | None:
    """Return the start of a data record by its time-keeping annotation, if it has one."""
    if not header.annotations:
        return None
    with path.open("rb") as file:
        record = _records_at(file, header, number)
    data = bytes_of(record, header, header.annotations[0])
    return _start_s(data.tobytes())


def samples_of(records: Bytes, header: Header, signal: Signal) -> Integers:
    """Return one signal's digital numbers from whole records, in the order of time."""
    data = bytes_of(records, header, signal).reshape(-1)
    return data.view("<i2") if header.format == "edf" else packed.signed_24(data)


def bytes_of(records: Bytes, header: Header, signal: Signal) -> Bytes:
    """Return one signal's bytes: (records, bytes in each)."""
    width = SAMPLE_BYTES[header.format]
    return records[:, width * signal.place : width * (signal.place + signal.n_per_record)]


def _stretches(
    path: Path, header: Header, *, chunk_s: float, max_fs_hz: float
) -> Iterator[tuple[float, Bytes]]:
    """Yield start and data records of each block, cut where time has a gap.

    Half a sampling interval of deviation is no gap.
    """
    n_run, run_start_s, origin_s = 0, 0.0, 0.0
    for first, records in blocks(path, header, chunk_s=chunk_s):
        if not header.discontinuous:
            yield first * header.record_s, records
            continue
        onsets_s = _stated_onsets_s(records, header, first, path.name)
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


def blocks(path: Path, header: Header, *, chunk_s: float) -> Iterator[tuple[int, Bytes]]:
    """Yield the number of the first record of each block, and its records as rows of bytes."""
    fitting = MAX_BLOCK_BYTES // header.record_bytes
    step = max(1, min(math.floor(chunk_s / header.record_s + 1e-9), fitting))
    with path.open("rb") as file:
        for first in range(0, header.n_records, step):
            n = min(step, header.n_records - first)
            yield first, _records_at(file, header, first, n)


def _records_at(file: BinaryIO, header: Header, first: int, n: int = 1) -> Bytes:
    file.seek(header.n_bytes + first * header.record_bytes)
    data = file.read(n * header.record_bytes)
    if len(data) < n * header.record_bytes:
        raise RecordingError(
            "truncated", f"{Path(file.name).name}: ends early; restore the file"
        )
    return np.frombuffer(data, np.uint8).reshape(n, -1)


def _stated_onsets_s(records: Bytes, header: Header, first: int, where: str) -> list[float]:
    """Return the start of each record from its time-keeping annotation.

    Source: Kemp 2003; of several annotation signals the first keeps the time.
    """
    if not header.annotations:
        raise _untimed(where, header)
    onsets_s = []
    for i, data in enumerate(bytes_of(records, header, header.annotations[0])):
        onset_s = _start_s(data.tobytes())
        if onset_s is None:
            raise _untimed_record(where, header, first + i + 1)
        onsets_s.append(onset_s)
    return onsets_s


def _start_s(data: bytes) -> float | None:
    """Return when a record starts, from the first list of its annotations."""
    onset = _RECORD_START.match(data)
    start_s = float(onset[1]) if onset else math.inf
    return start_s if math.isfinite(start_s) else None


def _untimed_record(where: str, header: Header, number: int) -> RecordingError:
    return RecordingError(
        "bad_times",
        f"{where}: data record {number} has no time-keeping annotation; without it the gaps of "
        f"{header.format.upper()}+D are unknown, restore the file",
    )


def _untimed(where: str, header: Header) -> RecordingError:
    return RecordingError(
        "bad_header",
        f"{where}: discontinuous ({header.format.upper()}+D), but without annotations that "
        "tell the time; correct the header",
    )
