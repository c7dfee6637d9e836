"""CSV and Parquet: one row a time stamp, laid on the regular grid of the sampling interval."""

import itertools
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import NamedTuple

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq

from icpcohort.recordings.channels import (
    Channel,
    Wanted,
    choose_both,
    mmhg_factor,
    split_label,
    unit_of,
)
from icpcohort.recordings.chunks import (
    MAX_CHANNELS,
    MAX_DURATION_S,
    Chunk,
    Description,
    RecordingError,
    Samples,
    check_size,
    samples_in,
    tier_of,
)

N_FIRST_ROWS = 1_000  # give the first estimate of the interval
MAX_GAP_INTERVALS = 10.0  # a longer gap starts a new chunk
BATCH_ROWS = 65_536
BATCH_BYTES = 250_000


class Rows(NamedTuple):
    """Some rows of a file: times and, by column, values; NaN is missing."""

    t_s: Samples
    values: dict[str, Samples]


class Timing(NamedTuple):
    """The sampling rate and the end of the last interval since the recording's start."""

    fs_hz: float
    end_s: float
    n_rows: int


def describe(
    path: Path, *, format: str, icp: Wanted, abp: Wanted, time_column: str
) -> Description:
    """Describe a file from its columns and one pass over its times."""
    schema = _schema(path, format)
    channels = [split_label(name) for name in schema.names]
    if len(channels) == 1 and any(mark in channels[0].name for mark in ";\t"):
        raise RecordingError(
            "unreadable",
            f"{path.name}: separated by semicolons or tabs; save it separated by commas, with"
            " decimal points",
        )
    if time_column not in [c.name for c in channels]:
        names = ", ".join(repr(c.name) for c in channels)
        raise RecordingError(
            "bad_times",
            f"{path.name}: no column {time_column!r} among {names}; name the column with the "
            "seconds in recordings.time_column of the settings",
        )
    pressures = [c for c in channels if c.name != time_column]
    chosen = {
        role: _with_metadata(channel, schema.field(channel.name), path.name)
        for role, channel in choose_both(pressures, icp, abp, where=path.name).items()
    }
    units = {
        wanted.role: unit_of(chosen[wanted.role], wanted, where=path.name)
        for wanted in (icp, abp)
        if wanted.role in chosen
    }
    if format == "parquet":
        for channel in chosen.values():
            _refuse_text(schema.field(channel.name), path.name, reason="unreadable")
    timing = _timing(path, format, time_column)
    check_size(path.name, fs_hz=timing.fs_hz, n_samples=timing.n_rows)
    return Description(
        format=format,
        tier=tier_of(timing.fs_hz),
        fs_icp_hz=timing.fs_hz,
        fs_abp_hz=timing.fs_hz if "abp" in chosen else None,
        duration_s=timing.end_s,
        icp_channel=chosen["icp"].name,
        abp_channel=chosen["abp"].name if "abp" in chosen else None,
        icp_unit=units["icp"],
        abp_unit=units.get("abp"),
    )


# --- rows ------------------------------------------------------------------------------------


def _schema(path: Path, format: str) -> pa.Schema:
    if format == "parquet":
        schema = pq.read_schema(path)
    else:
        with pa.input_stream(str(path)) as stream:
            schema = pyarrow.csv.open_csv(stream, read_options=_read_options()).schema
    if len(schema.names) > MAX_CHANNELS:
        raise RecordingError(
            "bad_header", f"{path.name}: {len(schema.names)} columns, more than {MAX_CHANNELS}"
        )
    return schema


def _with_metadata(channel: Channel, field: pa.Field, where: str) -> Channel:
    unit = (field.metadata or {}).get(b"unit", b"").decode()
    if not unit:
        return channel
    stated = Wanted(channel.name, channel.name, unit, ())
    return channel._replace(unit=unit_of(channel, stated, where=where))


def _read_options() -> pa.csv.ReadOptions:
    return pyarrow.csv.ReadOptions(use_threads=False, block_size=BATCH_BYTES)


def _batches(path: Path, format: str, columns: list[str]) -> Iterator[pa.RecordBatch]:
    if format == "parquet":
        # buffered, else every row group read stays in memory
        with pq.ParquetFile(path, pre_buffer=False, buffer_size=BATCH_BYTES) as file:
            yield from file.iter_batches(BATCH_ROWS, columns=columns, use_threads=False)
        return
    convert = pyarrow.csv.ConvertOptions(
        include_columns=columns, column_types=dict.fromkeys(columns, pa.float64())
    )
    with (
        pa.input_stream(str(path)) as stream,
        pyarrow.csv.open_csv(
            stream, read_options=_read_options(), convert_options=convert
        ) as batches,
    ):
        yield from batches


def _rows(path: Path, format: str, time_column: str, columns: list[str]) -> Iterator[Rows]:
    """Yield all rows with their times checked; infinite values become NaN."""
    n_before, last_t_s = 0, -np.inf
    for batch in _batches(path, format, [time_column, *columns]):
        if batch.num_rows == 0:
            continue
        t_s = _numbers(batch, time_column, path.name, reason="bad_times")
        _check_times(
            t_s, last_t_s=last_t_s, n_before=n_before, where=f"{path.name}, {time_column}"
        )
        values = {
            name: _numbers(batch, name, path.name, reason="unreadable") for name in columns
        }
        for name in columns:
            values[name] = np.where(np.isfinite(values[name]), values[name], np.nan)
        yield Rows(t_s, values)
        n_before, last_t_s = n_before + len(t_s), t_s[-1]


def _numbers(batch: pa.RecordBatch, name: str, where: str, *, reason: str) -> Samples:
    _refuse_text(batch.schema.field(name), where, reason=reason)
    # through polars: the way of pyarrow loads pandas
    column = pl.Series(values=batch.column(name)).cast(pl.Float64)
    numbers: Samples = column.fill_null(np.nan).to_numpy()
    return numbers


def _refuse_text(field: pa.Field, where: str, *, reason: str) -> None:
    kind = field.type
    if not (
        pa.types.is_floating(kind) or pa.types.is_integer(kind) or pa.types.is_decimal(kind)
    ):
        raise RecordingError(
            reason,
            f"{where}: column {field.name!r} is of type {kind}; write numbers (times in "
            "seconds)",
        )


def _check_times(t_s: Samples, *, last_t_s: float, n_before: int, where: str) -> None:
    with np.errstate(invalid="ignore"):  # inf - inf; such times are bad below
        steps_s = np.diff(t_s, prepend=last_t_s)
    bad = np.flatnonzero(~(np.isfinite(t_s) & (steps_s > 0) & (t_s >= 0)))
    if not len(bad):
        if t_s[-1] > MAX_DURATION_S:
            raise RecordingError(
                "bad_times",
                f"{where}: {t_s[-1]:.15g} s is no time since the start of a recording; "
                "subtract the time of the recording's start from every row",
            )
        return
    i = int(bad[0])
    before_s = t_s[i - 1] if i else last_t_s
    if not np.isfinite(t_s[i]):
        what = "no time; every row needs one"
    elif t_s[i] < 0:
        what = f"{t_s[i]:.15g} s is before the recording's start; count from its start"
    else:
        what = (
            f"{t_s[i]:.15g} s after {before_s:.15g} s; sort the rows and keep one of each time"
        )
    raise RecordingError("bad_times", f"{where}, row {n_before + i + 1}: {what}")


# --- the grid --------------------------------------------------------------------------------


def _timing(path: Path, format: str, time_column: str) -> Timing:
    """Return the sampling rate from all times.

    The median difference of the first rows tells how many intervals each step is; the interval
    is then the slope of time over intervals. The median alone would be wrong where times are
    rounded: 240 Hz written in whole milliseconds has a median of 4 ms, which is 250 Hz.
    """
    slope, n_rows, last_t_s, median_s = _Slope(), 0, np.nan, 0.0
    for rows in _rows(path, format, time_column, []):
        steps_s = np.diff(rows.t_s, prepend=last_t_s)
        if not median_s and n_rows + len(rows.t_s) > 1:
            median_s = float(np.nanmedian(steps_s[: N_FIRST_ROWS + 1]))
        if median_s:
            slope.add(rows.t_s, steps_s / median_s)
        n_rows, last_t_s = n_rows + len(rows.t_s), float(rows.t_s[-1])
    if n_rows == 0:
        raise RecordingError("empty", f"{path.name}: no rows; remove it from recordings.csv")
    interval_s = slope.interval_s()
    if interval_s is None:
        raise RecordingError(
            "bad_times",
            f"{path.name}: {n_rows} row(s) do not show a sampling interval; leave it out",
        )
    fs_hz = _round_rate(1 / interval_s, duration_s=last_t_s)
    return Timing(fs_hz, last_t_s + 1 / fs_hz, n_rows)


class _Slope:
    """Least squares of time over the count of intervals, one intercept a stretch."""

    def __init__(self) -> None:
        self.numerator_s, self.denominator = 0.0, 0.0
        self._begin(0.0)

    def _begin(self, start_s: float) -> None:
        self.start_s, self.last = start_s, 0.0
        self.sums = np.zeros(5)

    def _end(self) -> None:
        n, k, t_s, kk, kt_s = self.sums
        if n > 1:
            self.numerator_s += kt_s - k * t_s / n
            self.denominator += kk - k * k / n

    def add(self, t_s: Samples, steps: Samples) -> None:
        """Add times and their distances to the one before, in nominal intervals.

        Up to 1.8 intervals is one that is late: two neighbours may deviate by 0.4 each.
        """
        cuts = np.flatnonzero(~(steps <= MAX_GAP_INTERVALS + 0.5))
        for begin, end in itertools.pairwise([0, *cuts.tolist(), len(t_s)]):
            if begin == end:
                continue
            counts = np.where(steps[begin:end] < 1.8, 1.0, np.rint(steps[begin:end]))
            if begin in cuts:
                self._end()
                self._begin(float(t_s[begin]))
                counts[0] = 0.0
            k, t = self.last + np.cumsum(counts), t_s[begin:end] - self.start_s
            self.sums += [len(k), k.sum(), t.sum(), (k * k).sum(), (k * t).sum()]
            self.last = float(k[-1])

    def interval_s(self) -> float | None:
        """Return the slope, or None without two rows that belong together."""
        self._end()
        return self.numerator_s / self.denominator if self.denominator > 0 else None


def _round_rate(fs_hz: float, *, duration_s: float) -> float:
    """Return the roundest rate, or interval from 1 s on, that fits the times as well."""
    for digits in range(12):
        rounded = round(fs_hz, digits) if fs_hz > 1 else round(1 / fs_hz, digits)
        candidate_hz = rounded if fs_hz > 1 or rounded == 0 else 1 / rounded
        if candidate_hz and abs(candidate_hz - fs_hz) * duration_s < 0.1:
            return candidate_hz
    return fs_hz


def read(
    path: Path, description: Description, *, time_column: str, chunk_s: float
) -> Iterator[Chunk]:
    """Yield the rows on the grid of the sampling interval.

    A time stamp marks the start of its interval and may lie up to half an interval from it.
    A gap of more than 10 intervals starts a new chunk and a new grid; the missing samples of a
    shorter one are NaN.
    """
    columns = {"icp": description.icp_channel}
    factors = {"icp": mmhg_factor(description.icp_unit, where=path.name)}
    if description.abp_channel is not None and description.abp_unit is not None:
        columns["abp"] = description.abp_channel
        factors["abp"] = mmhg_factor(description.abp_unit, where=path.name)
    fs_hz = description.fs_icp_hz
    n_in_chunk = samples_in(chunk_s, fs_hz=fs_hz)
    grid: _Grid | None = None
    last_t_s = -np.inf
    for rows in _rows(path, description.format, time_column, list(columns.values())):
        values = {role: rows.values[name] * factors[role] for role, name in columns.items()}
        steps_s = np.diff(rows.t_s, prepend=last_t_s)
        starts = np.flatnonzero(steps_s * fs_hz > MAX_GAP_INTERVALS + 1e-6)
        edges = [0, *starts.tolist(), len(rows.t_s)]
        for begin, end in itertools.pairwise(edges):
            if begin == end:
                continue
            t_s = rows.t_s[begin:end]
            if grid is None or begin in starts:
                if grid is not None:
                    yield grid.rest()
                grid = _Grid(t_s, fs_hz, n_in_chunk, tuple(columns), path.name)
            yield from grid.add(t_s, {role: v[begin:end] for role, v in values.items()})
        last_t_s = rows.t_s[-1]
    if grid is not None:
        yield grid.rest()


class _Grid:
    """The regular grid of one stretch without a long gap, filled as rows come."""

    def __init__(
        self, t_s: Samples, fs_hz: float, n_in_chunk: int, roles: tuple[str, ...], where: str
    ) -> None:
        self.start_s, self.fs_hz, self.n_in_chunk = float(t_s[0]), fs_hz, n_in_chunk
        self.roles, self.where = roles, where
        self.last_slot, self.first_slot = -1, 0
        turns = np.exp(2j * np.pi * fs_hz * (t_s[:N_FIRST_ROWS] - self.start_s))
        self.phase = float(np.angle(turns.mean()) / (2 * np.pi))  # first row's own jitter
        self.open = self._blank()

    def _blank(self) -> dict[str, Samples]:
        return {role: np.full(self.n_in_chunk, np.nan) for role in self.roles}

    def _chunk(self, n: int) -> Chunk:
        samples = {role: v[:n] for role, v in self.open.items()}
        start_s = self.start_s + self.first_slot / self.fs_hz
        return Chunk(start_s, samples, dict.fromkeys(self.roles, self.fs_hz))

    def add(self, t_s: Samples, values: Mapping[str, Samples]) -> Iterator[Chunk]:
        """Place rows and yield the chunks that are full."""
        slots = np.rint((t_s - self.start_s) * self.fs_hz - self.phase).astype(np.int64)
        same = np.flatnonzero(np.diff(slots, prepend=self.last_slot) <= 0)
        if len(same):
            raise RecordingError(
                "bad_times",
                f"{self.where}: times near {t_s[same[0]]:.15g} s are too uneven for a sampling "
                f"interval of {1 / self.fs_hz:g} s; resample to a regular interval",
            )
        self.last_slot = int(slots[-1])
        begin = 0
        while begin < len(slots):
            if slots[begin] >= self.first_slot + self.n_in_chunk:
                yield self._chunk(self.n_in_chunk)
                self.first_slot += self.n_in_chunk
                self.open = self._blank()
            end = int(np.searchsorted(slots, self.first_slot + self.n_in_chunk))
            for role in self.roles:
                self.open[role][slots[begin:end] - self.first_slot] = values[role][begin:end]
            begin = end

    def rest(self) -> Chunk:
        """Return what is left when the stretch ends."""
        return self._chunk(self.last_slot + 1 - self.first_slot)
