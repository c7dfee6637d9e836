"""WFDB records: samples through the wfdb library, segment by segment and block by block."""

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from icpcohort.recordings.channels import Channel, Wanted, choose_both, mmhg_factor, unit_of
from icpcohort.recordings.chunks import (
    Chunk,
    Description,
    RecordingError,
    Samples,
    check_size,
    samples_in,
    tier_of,
)
from icpcohort.recordings.wfdb_headers import NO_FILE, Record, Segment, Signal, read_record

# Source: signal(5) of the WFDB Applications Guide and the table in the wfdb library 4.3.1.
INVALID_CODE: dict[str, int | None] = {
    "8": None,
    "16": -(2**15),
    "24": -(2**23),
    "32": -(2**31),
    "61": -(2**15),
    "80": -(2**7),
    "160": -(2**15),
    "212": -(2**11),
    "310": -(2**9),
    "311": -(2**9),
    "508": -(2**7),
    "516": -(2**15),
    "524": -(2**23),
}
_BYTES_PER_SAMPLES = {  # bytes, samples
    "8": (1, 1),
    "16": (2, 1),
    "24": (3, 1),
    "32": (4, 1),
    "61": (2, 1),
    "80": (1, 1),
    "160": (2, 1),
    "212": (3, 2),
    "310": (4, 3),
    "311": (4, 3),
}
_FLAC_STREAM_BYTES = 26  # signature, block header, and as much of STREAMINFO as counts samples


def describe(path: Path, *, icp: Wanted, abp: Wanted) -> Description:
    """Describe a record from its headers and the sizes of its signal files."""
    record = read_record(path)
    names = [Channel(s.name, s.name, s.unit) for s in record.signals]
    chosen = choose_both(names, icp, abp, where=path.name)
    units, fs_hz = {}, {}
    for wanted in (icp, abp):
        if wanted.role in chosen:
            used = _used(record, chosen[wanted.role].name, where=path.name)
            units[wanted.role] = _check_calibration(used, wanted)
            fs_hz[wanted.role] = record.fs_hz * used[0][1].samples_per_frame
            n_samples = record.n_frames * used[0][1].samples_per_frame
            check_size(path.name, fs_hz=fs_hz[wanted.role], n_samples=n_samples)
    _check_files(record, [channel.name for channel in chosen.values()])
    return Description(
        format="wfdb",
        tier=tier_of(fs_hz["icp"]),
        fs_icp_hz=fs_hz["icp"],
        fs_abp_hz=fs_hz.get("abp"),
        duration_s=record.n_frames / record.fs_hz,
        icp_channel=chosen["icp"].name,
        abp_channel=chosen["abp"].name if "abp" in chosen else None,
        icp_unit=units["icp"],
        abp_unit=units.get("abp"),
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
            _check_file(segment, [s for s in segment.signals if s.file == file])


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
    n_samples = segment.n_frames * sum(s.samples_per_frame for s in signals)
    if signals[0].fmt in _BYTES_PER_SAMPLES:
        n_bytes, n_in_them = _BYTES_PER_SAMPLES[signals[0].fmt]
        needed = signals[0].byte_offset + math.ceil(n_samples * n_bytes / n_in_them)
        found, what = path.stat().st_size, "bytes"
    else:
        needed = signals[0].byte_offset + n_samples // len(signals)
        found, what = _flac_samples(path), "samples in a channel"
    if found < needed:
        raise RecordingError(
            "truncated",
            f"{path.name}: {found} {what}, but the header promises {needed}; restore the file",
        )


def _flac_samples(path: Path) -> int:
    """Return the samples of one channel in a FLAC file (RFC 9639, section 8.2)."""
    with path.open("rb") as file:
        head = file.read(_FLAC_STREAM_BYTES)
    if len(head) < _FLAC_STREAM_BYTES or head[:4] != b"fLaC":
        raise RecordingError("unreadable", f"{path.name}: not a FLAC file; restore it")
    return int.from_bytes(head[18:26], "big") & (2**36 - 1)


def read(path: Path, description: Description, *, chunk_s: float) -> Iterator[Chunk]:
    """Yield the samples of a record; null segments, and those without both signals, are gaps.

    In a segment that has one of the two, the other is NaN throughout.
    """
    record = read_record(path)
    names = {"icp": description.icp_channel, "abp": description.abp_channel}
    units = {"icp": description.icp_unit, "abp": description.abp_unit or ""}
    fs_hz = {"icp": description.fs_icp_hz, "abp": description.fs_abp_hz or math.nan}
    roles = [role for role, name in names.items() if name is not None]
    _check_files(record, [name for name in names.values() if name is not None])
    for segment in record.segments:
        places = {role: segment.index(names[role]) for role in roles}
        has = {r: i for r, i in places.items() if i is not None and _has_data(segment, i)}
        if not has:
            continue
        for first, digital in _blocks(segment, list(has.values()), chunk_s=chunk_s):
            n_frames = min(samples_in(chunk_s, fs_hz=segment.fs_hz), segment.n_frames - first)
            samples = {}
            for role in roles:
                if role in has:
                    signal = segment.signals[has[role]]
                    samples[role] = _to_mmhg(digital[has[role]], signal, unit=units[role])
                else:
                    n = n_frames * round(fs_hz[role] / record.fs_hz)
                    samples[role] = np.full(n, np.nan)
            start_s = (segment.start_frame + first) / record.fs_hz
            yield Chunk(start_s, samples, {role: fs_hz[role] for role in roles})


def _has_data(segment: Segment, i: int) -> bool:
    return segment.signals[i].file != NO_FILE


def _to_mmhg(digital: Samples, signal: Signal, *, unit: str) -> Samples:
    """Return pressures from digital values, where NaN is an invalid sample.

    Source: header(5), physical = (digital - baseline) / gain.
    """
    if signal.gain is None:
        raise RecordingError("no_gain", f"{signal.name}: no gain; write it in the header")
    factor = mmhg_factor(signal.unit or unit, where=signal.name)
    return (digital - signal.baseline) / signal.gain * factor


def _blocks(
    segment: Segment, places: list[int], *, chunk_s: float
) -> Iterator[tuple[int, dict[int, Samples]]]:
    """Yield the first frame of each block and its digital values by place of the signal."""
    step = samples_in(chunk_s, fs_hz=segment.fs_hz)
    last_values = dict.fromkeys(places, 0)
    for first in range(0, segment.n_frames, step):
        n_frames = min(step, segment.n_frames - first)
        raw = _raw(segment, places, first=first, n_frames=n_frames)
        digital = {}
        for place in places:
            signal = segment.signals[place]
            values = raw[place]
            if signal.fmt == "8":
                values = _undo_restart(values, signal, first=first, last=last_values[place])
                last_values[place] = int(values[n_frames * signal.samples_per_frame - 1])
            digital[place] = _valid(values, signal, n_frames=n_frames)
        yield first, digital


def _raw(
    segment: Segment, places: list[int], *, first: int, n_frames: int
) -> dict[int, NDArray[np.int64]]:
    """Read from frame `first`, with what skew needs beyond and format 8 needs before."""
    import wfdb  # here, because it loads pandas: half a second that other formats need not pay

    signals = [segment.signals[i] for i in places]
    lead = 1 if first and any(s.fmt == "8" for s in signals) else 0
    stop = min(segment.n_frames, first + n_frames + max(s.skew_frames for s in signals))
    raw = {}
    if by_library := [i for i in places if segment.signals[i].fmt != "61"]:
        record = wfdb.rdrecord(
            str(segment.path.absolute().with_suffix("")),
            sampfrom=first - lead,
            sampto=stop,
            channels=by_library,
            physical=False,
            smooth_frames=False,
            ignore_skew=True,
            return_res=64,
        )
        raw = dict(zip(by_library, record.e_d_signal, strict=True))
    for place in set(places) - set(by_library):
        raw[place] = _big_endian(segment, place, first=first - lead, stop=stop)
    for place, signal in zip(places, signals, strict=True):
        if len(raw[place]) != (stop - first + lead) * signal.samples_per_frame:
            raise RecordingError("truncated", f"{signal.file}: ends early; restore the file")
        if signal.fmt != "8":
            raw[place] = raw[place][lead * signal.samples_per_frame :]
    return raw


def _big_endian(segment: Segment, place: int, *, first: int, stop: int) -> NDArray[np.int64]:
    """Read format 61, which the library (4.3.1) gives as physical values only."""
    wanted = segment.signals[place]
    in_file = [i for i, s in enumerate(segment.signals) if s.file == wanted.file]
    per_frame = [segment.signals[i].samples_per_frame for i in in_file]
    begin = sum(per_frame[: in_file.index(place)])
    frames = np.fromfile(
        segment.path.parent / wanted.file,
        dtype=">i2",
        count=(stop - first) * sum(per_frame),
        offset=wanted.byte_offset + 2 * first * sum(per_frame),
    ).reshape(-1, sum(per_frame))
    return frames[:, begin : begin + wanted.samples_per_frame].reshape(-1).astype(np.int64)


def _undo_restart(
    values: NDArray[np.int64], signal: Signal, *, first: int, last: int
) -> NDArray[np.int64]:
    """Continue format 8 (differences) from the block before; the library starts anew."""
    if first == 0:
        return values
    n_lead = signal.samples_per_frame
    continued: NDArray[np.int64] = values[n_lead:] - values[n_lead - 1] + last
    return continued


def _valid(values: NDArray[np.int64], signal: Signal, *, n_frames: int) -> Samples:
    """Return `n_frames` of the signal with skew applied; NaN is invalid or beyond the end."""
    n = n_frames * signal.samples_per_frame
    begin = signal.skew_frames * signal.samples_per_frame
    digital = np.full(n, np.nan)
    kept = values[begin : begin + n]
    digital[: len(kept)] = kept
    digital[: len(kept)][kept == INVALID_CODE[signal.fmt]] = np.nan
    return digital
