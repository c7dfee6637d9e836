"""Writers: one recording's channels into WFDB, EDF+, CSV or Parquet files."""

import itertools
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import edfio
import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import wfdb
from numpy.typing import NDArray

_WFDB_RANGES = {"16": (-32768, 32767), "212": (-2048, 2047)}
_EDF_DIGITAL = (-32768, 32767)
_TIME_KEEPING_END = b"\x14\x14\x00"


@dataclass(frozen=True)
class Channel:
    """One channel in the file's own unit; NaN is a sample that was not measured.

    `step` is the smallest difference the file holds, `lowest` the lowest value that a
    12-bit format must reach. In CSV and Parquet `unit` may be None: not stated.
    """

    name: str
    unit: str | None
    samples: NDArray[np.floating[Any]]
    fs_hz: float
    step: float
    lowest: float


def write_wfdb(path: Path, channels: list[Channel], *, fmt: str) -> None:
    """Write a single-segment WFDB record: `path` is its header, `.dat` lies beside it.

    Missing samples get the invalid code of the format, the lowest digital number.
    Source: WFDB signal(5), header(5).
    """
    baselines = [_baseline(channel, fmt=fmt) for channel in channels]
    digital = np.column_stack(
        [
            _digitise(channel, baseline=baseline, fmt=fmt)
            for channel, baseline in zip(channels, baselines, strict=True)
        ]
    )
    wfdb.wrsamp(
        path.stem,
        fs=_plain(channels[0].fs_hz),
        units=[channel.unit for channel in channels],
        sig_name=[channel.name for channel in channels],
        d_signal=digital,
        fmt=[fmt] * len(channels),
        adc_gain=[round(1 / channel.step, 9) for channel in channels],
        baseline=baselines,
        write_dir=str(path.parent),
    )


def _plain(fs_hz: float) -> float | int:
    return int(fs_hz) if float(fs_hz).is_integer() else fs_hz


def _baseline(channel: Channel, *, fmt: str) -> int:
    """Digital number of zero: none is needed in 16 bits; 12 bits start at `lowest`."""
    if fmt == "16":
        return 0
    return _WFDB_RANGES[fmt][0] + 1 - round(channel.lowest / channel.step)


def _digitise(channel: Channel, *, baseline: int, fmt: str) -> NDArray[np.int16]:
    invalid, highest = _WFDB_RANGES[fmt]
    digital = np.rint(channel.samples / channel.step) + baseline
    digital = np.clip(digital, invalid + 1, highest)
    digital[np.isnan(channel.samples)] = invalid
    return np.asarray(digital, dtype=np.int16)


def write_wfdb_segments(
    path: Path, channels: list[Channel], *, fmt: str, gap_s: tuple[float, float]
) -> None:
    """Write a multi-segment WFDB record of fixed layout with a null segment as its gap.

    The channels cover the whole time; what they hold in the gap is not written.
    Source: WFDB header(5), multi-segment records.
    """
    fs_hz, n = channels[0].fs_hz, channels[0].samples.size
    edges = [0, round(gap_s[0] * fs_hz), round(gap_s[1] * fs_hz), n]
    names = [f"{path.stem}_1", "~", f"{path.stem}_2"]
    for name, low, high in zip(names, edges, edges[1:], strict=False):
        if name != "~":
            part = [_cut(channel, low=low, high=high) for channel in channels]
            write_wfdb(path.with_name(f"{name}.hea"), part, fmt=fmt)
    record = wfdb.MultiRecord(
        segments=[None] * 3,
        record_name=path.stem,
        n_sig=len(channels),
        fs=_plain(fs_hz),
        sig_len=n,
        seg_name=names,
        seg_len=[high - low for low, high in itertools.pairwise(edges)],
    )
    record.wrheader(write_dir=str(path.parent))


def _cut(channel: Channel, *, low: int, high: int) -> Channel:
    return Channel(
        channel.name,
        channel.unit,
        channel.samples[low:high],
        channel.fs_hz,
        channel.step,
        channel.lowest,
    )


def write_edf(path: Path, channels: list[Channel], *, record_s: float) -> None:
    """Write an EDF+C file; every channel must fill whole data records of `record_s`.

    EDF has no code for a missing sample: it is written as the lowest digital number, a
    saturated reading far out of any pressure's range.
    Source: EDF and EDF+ specifications (Kemp 1992; Kemp 2003).
    """
    signals = [_edf_signal(channel) for channel in channels]
    edfio.Edf(
        signals,
        data_record_duration=record_s,
        annotations=[edfio.EdfAnnotation(0.0, None, "Recording starts")],
    ).write(path)


def _edf_signal(channel: Channel) -> edfio.EdfSignal:
    low, high = (round(limit * channel.step, 6) for limit in _EDF_DIGITAL)
    samples = np.rint(channel.samples / channel.step).astype(np.float64)
    samples = np.clip(samples, _EDF_DIGITAL[0] + 1, _EDF_DIGITAL[1])
    samples = np.where(np.isnan(samples), _EDF_DIGITAL[0], samples) * channel.step
    return edfio.EdfSignal(
        np.clip(samples, low, high),
        channel.fs_hz,
        label=channel.name,
        physical_dimension=channel.unit or "",
        physical_range=(low, high),
        digital_range=_EDF_DIGITAL,
    )


def write_edf_with_gap(
    path: Path, channels: list[Channel], *, record_s: float, gap_s: tuple[float, float]
) -> None:
    """Write an EDF+D file: no data records in the gap, later ones with their true onset.

    The gap must begin and end on the border of a data record.
    Source: EDF+ specification, section 2.2 (time-keeping annotations).
    """
    joined = []
    for channel in channels:
        low, high = (round(limit_s * channel.fs_hz) for limit_s in gap_s)
        samples = np.concatenate([channel.samples[:low], channel.samples[high:]])
        joined.append(
            Channel(
                channel.name, channel.unit, samples, channel.fs_hz, channel.step, channel.lowest
            )
        )
    write_edf(path, joined, record_s=record_s)
    content = bytearray(path.read_bytes())
    content[192:197] = b"EDF+D"
    _move_onsets(content, record_s=record_s, gap_s=gap_s)
    path.write_bytes(content)


def _move_onsets(content: bytearray, *, record_s: float, gap_s: tuple[float, float]) -> None:
    """Rewrite the time-keeping annotation of every data record after the gap, in place."""
    n_signals = int(content[252:256])
    counts_at = 256 + n_signals * 216
    counts = [int(content[counts_at + 8 * i : counts_at + 8 * i + 8]) for i in range(n_signals)]
    labels = [bytes(content[256 + 16 * i : 272 + 16 * i]) for i in range(n_signals)]
    channel = labels.index(b"EDF Annotations ")
    record_bytes, before, width = (
        2 * sum(counts),
        2 * sum(counts[:channel]),
        2 * counts[channel],
    )
    first = round(gap_s[0] / record_s)
    for i in range(first, int(content[236:244])):
        onset_s = i * record_s + gap_s[1] - gap_s[0]
        at = 256 * (n_signals + 1) + i * record_bytes + before
        rest = bytes(content[at : at + width]).split(_TIME_KEEPING_END, 1)[1].rstrip(b"\x00")
        onset = np.format_float_positional(onset_s, trim="-", sign=True).encode()
        block = onset + _TIME_KEEPING_END + (rest + b"\x00" if rest else b"")
        content[at : at + width] = block.ljust(width, b"\x00")


def write_csv(path: Path, channels: list[Channel], *, interval_s: float) -> None:
    """Write `t_s` (start of each interval) and channels `name [unit]`; missing is empty."""
    _table(channels, interval_s=interval_s, unit_in_name=True).write_csv(path)


def write_parquet(path: Path, channels: list[Channel], *, interval_s: float) -> None:
    """Write `t_s` (start of each interval) and the channels; units are field metadata."""
    arrow = _table(channels, interval_s=interval_s, unit_in_name=False).to_arrow()
    for i, channel in enumerate(channels, start=1):
        if channel.unit is not None:
            field = arrow.field(i).with_metadata({"unit": channel.unit})
            arrow = arrow.set_column(i, field, arrow.column(i))
    time_field = pa.field("t_s", pa.float64(), metadata={"unit": "s"})
    arrow = arrow.set_column(0, time_field, arrow.column(0).cast(pa.float64()))
    pq.write_table(
        arrow,
        path,
        compression="zstd",
        use_dictionary=[channel.name for channel in channels],
        column_encoding={"t_s": "BYTE_STREAM_SPLIT"},
    )


def _table(channels: list[Channel], *, interval_s: float, unit_in_name: bool) -> pl.DataFrame:
    """Rows once an interval, values rounded to the channel's step, null for missing."""
    n = channels[0].samples.size
    columns = [pl.Series("t_s", (np.arange(n) * interval_s).astype(np.int64))]
    for channel in channels:
        stated = unit_in_name and channel.unit is not None
        name = f"{channel.name} [{channel.unit}]" if stated else channel.name
        per_unit = round(1 / channel.step)
        values = np.rint(channel.samples.astype(np.float64) / channel.step) / per_unit
        columns.append(pl.Series(name, values + 0.0).fill_nan(None))
    return pl.DataFrame(columns)
