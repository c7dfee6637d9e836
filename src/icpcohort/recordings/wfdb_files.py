"""WFDB records: segment by segment and block by block, to readings.

Source: header(5) of the WFDB Applications Guide.
"""

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from icpcohort.recordings import wfdb_samples
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
    Chunk,
    Description,
    RecordingError,
    Samples,
    Source,
    check_size,
    samples_in,
    tier_of,
)
from icpcohort.recordings.packed import Integers
from icpcohort.recordings.wfdb_headers import NO_FILE, Record, Segment, Signal, read_record
from icpcohort.recordings.wfdb_samples import INVALID_CODE


def describe(path: Path, *, wanted: Sequence[Wanted]) -> Description:
    """Describe a record from its headers and the sizes of its signal files."""
    record = read_record(path)
    names = [Channel(s.name, s.name, s.unit) for s in record.signals]
    problems = Problems(path.name)
    chosen = choose_all(names, wanted, problems)
    sources = {}
    for one in (one for one in wanted if one.signal in chosen):
        name = chosen[one.signal].name
        with problems.collected():
            used = _used(record, name, where=path.name)
            unit = _check_calibration(used, one)
            per_frame = used[0][1].samples_per_frame
            source = Source(name, unit, record.fs_hz * per_frame, one.to_unit)
            check_size(path.name, fs_hz=source.fs_hz, n_samples=record.n_frames * per_frame)
            sources[one.signal] = source
    problems.raise_any()
    _check_files(record, [source.channel for source in sources.values()])
    return Description(
        format="wfdb",
        tier=tier_of(next(iter(sources.values())).fs_hz),
        duration_s=record.n_frames / record.fs_hz,
        signals=sources,
        notes=passed_over(names, wanted, chosen),
    )


def _used(record: Record, name: str, *, where: str) -> list[tuple[Segment, Signal]]:
    """Return every segment that has the signal, with its own line for it."""
    used = []
    for segment in record.segments:
        same = [s for s in segment.signals if s.name == name]
        if len(same) > 1:
            raise RecordingError(
                "ambiguous_channel",
                f"{segment.path.name}: {len(same)} signals are named {name!r}; "
                "rename all but one",
            )
        used += [(segment, s) for s in same if s.file != NO_FILE]
    if not used:
        raise RecordingError(
            "empty", f"{where}: {name!r} has no samples in any segment; choose another channel"
        )
    if len({s.samples_per_frame for _, s in used}) > 1:
        raise RecordingError(
            "bad_header",
            f"{where}: the sampling rate of {name!r} changes between segments; list them one "
            "by one in recordings.csv",
        )
    return used


def _check_calibration(used: list[tuple[Segment, Signal]], wanted: Wanted) -> str:
    units = []
    for segment, signal in used:
        where = segment.path.name
        if signal.gain is None:
            raise RecordingError(
                "no_gain",
                f"{where}: no gain for {signal.name!r}, so its samples have no scale; write it "
                "in the header, as 80(0)/mmHg for 80 steps in 1 mmHg with 0 mmHg at 0",
            )
        channel = Channel(signal.name, signal.name, signal.unit)
        units.append(unit_of(channel, wanted, where=where))
        if signal.fmt not in INVALID_CODE:
            raise RecordingError(
                "bad_header",
                f"{where}: format {signal.fmt} is not known; convert it to format 16",
            )
    return units[0]


def _check_files(record: Record, names: list[str]) -> None:
    for segment in record.segments:
        for file in {s.file for s in segment.signals if s.name in names} - {NO_FILE}:
            _check_file(segment, segment.in_file(file))


def _check_file(segment: Segment, signals: list[Signal]) -> None:
    """Refuse a signal file that is not there or shorter than its header promises."""
    path = segment.path.parent / signals[0].file
    if not path.is_file():
        raise RecordingError(
            "missing_file", f"{segment.path.name}: {path.name} is not there; restore it"
        )
    if path.resolve().parent != segment.path.resolve().parent:
        raise RecordingError(
            "unreadable",
            f"{path.name}: a link out of the folder of {segment.path.name}; put the file there",
        )
    wfdb_samples.check_length(
        path,
        fmt=signals[0].fmt,
        per_frame=[s.samples_per_frame for s in signals],
        byte_offset=signals[0].byte_offset,
        n_frames=segment.n_frames,
    )


def read(path: Path, description: Description, *, chunk_s: float) -> Iterator[Chunk]:
    """Yield the samples of a record; null segments, and those without any signal, are gaps.

    In a segment that has some of the signals, the others are NaN throughout.
    """
    record = read_record(path)
    sources = description.signals
    fs_hz = {signal: source.fs_hz for signal, source in sources.items()}
    per_frame = {signal: round(rate_hz / record.fs_hz) for signal, rate_hz in fs_hz.items()}
    _check_files(record, [source.channel for source in sources.values()])
    for segment in record.segments:
        there = {name: segment.signal(source.channel) for name, source in sources.items()}
        streams = {
            name: _Stream(segment, signal, source=sources[name])
            for name, signal in there.items()
            if signal is not None
        }
        for first, n_frames, samples in _blocks(
            segment, streams, chunk_s=chunk_s, n_per_frame=sum(per_frame.values())
        ):
            for name in fs_hz.keys() - samples.keys():
                samples[name] = np.full(n_frames * per_frame[name], np.nan)
            start_s = (segment.start_frame + first) / record.fs_hz
            yield Chunk(start_s, {name: samples[name] for name in fs_hz}, fs_hz)


def _blocks(
    segment: Segment, streams: "dict[str, _Stream]", *, chunk_s: float, n_per_frame: int
) -> Iterator[tuple[int, int, dict[str, Samples]]]:
    """Yield first frame and number of frames of each block, and the readings in it.

    Raises
    ------
    RecordingError
        `checksum`, at the end of a segment that is not what its header summed up.
    """
    if not streams:
        return
    files = {stream.signal.file for stream in streams.values()}
    widths = [sum(s.samples_per_frame for s in segment.in_file(file)) for file in files]
    fitting = max(1, MAX_BLOCK_BYTES // (4 * max(*widths, n_per_frame)))
    step = min(samples_in(chunk_s, fs_hz=segment.fs_hz), fitting)
    skew = max(stream.signal.skew_frames for stream in streams.values())
    for first in range(0, segment.n_frames, step):
        n_frames = min(step, segment.n_frames - first)
        stop = min(segment.n_frames, first + n_frames + skew)
        frames = {file: _frames(segment, file, first=first, stop=stop) for file in files}
        yield (
            first,
            n_frames,
            {r: s.take(frames[s.signal.file], n_frames=n_frames) for r, s in streams.items()},
        )
    for stream in streams.values():
        stream.check_sum()


def _frames(segment: Segment, file: str, *, first: int, stop: int) -> Integers:
    signals = segment.in_file(file)
    return wfdb_samples.read_frames(
        segment.path.parent / file,
        fmt=signals[0].fmt,
        per_frame=[s.samples_per_frame for s in signals],
        byte_offset=signals[0].byte_offset,
        first=first,
        n=stop - first,
    )


class _Stream:
    """One signal of a segment, block by block, with what a block leaves for the next one."""

    def __init__(self, segment: Segment, signal: Signal, *, source: Source) -> None:
        if signal.gain is None:
            raise RecordingError("no_gain", f"{signal.name}: no gain; write it in the header")
        in_file = segment.in_file(signal.file)
        before = in_file[: in_file.index(signal)]
        self.signal = signal
        self._where = segment.path.name
        self._column = sum(s.samples_per_frame for s in before)
        self._gain = signal.gain
        self._factor, self._offset = conversion(
            signal.unit or source.unit, to=source.to_unit, where=signal.name
        )
        self._last = signal.initial
        self._sum = 0

    def take(self, frames: Integers, *, n_frames: int) -> Samples:
        """Return the readings of the next `n_frames`; skew needs the frames beyond them."""
        n_each = self.signal.samples_per_frame
        values = frames[:, self._column : self._column + n_each].reshape(-1)
        n = n_frames * n_each
        if self.signal.fmt == "8":
            values = self._last + np.cumsum(values, dtype=np.int64)
            self._last = int(values[n - 1])
        self._sum += int(values[:n].sum(dtype=np.int64))
        kept = values[self.signal.skew_frames * n_each :][:n]
        digital = np.full(n, np.nan) if kept.size < n else np.empty(n)
        digital[: kept.size] = kept
        code = INVALID_CODE[self.signal.fmt]
        if code is not None and kept.size and kept.min() <= code:  # the lowest of its format
            digital[: kept.size][kept == code] = np.nan
        return self._converted(digital)

    def _converted(self, digital: Samples) -> Samples:
        """Source: header(5), physical = (digital - baseline) / gain."""
        readings = digital - self.signal.baseline
        readings /= self._gain
        readings *= self._factor
        if self._offset:
            readings += self._offset
        return readings

    def check_sum(self) -> None:
        """Compare the sum of all samples, modulo 2^16, with the header's.

        Source: header(5), checksum: a sum of 16 bits over all samples as they are stored. That
        invalid codes count is from memory; the wfdb library writes it so.
        """
        stated = self.signal.checksum
        if stated is not None and (self._sum - stated) % 2**16:
            raise RecordingError(
                "checksum",
                f"{self._where}: the samples of {self.signal.name!r} in {self.signal.file} add "
                f"up to {_sixteen_bits(self._sum)}, but the header says {stated}; restore both "
                "files, or write 0 there if the samples are known to be right",
            )


def _sixteen_bits(total: int) -> int:
    return (total + 2**15) % 2**16 - 2**15
