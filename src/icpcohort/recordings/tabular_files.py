"""CSV and Parquet: one row per time stamp, laid on the regular grid of the sampling interval.

Rows may be irregular, repeated and out of order: they are put in order within 65,536 rows, and
readings that share one sampling interval are averaged. A jump forward of more than 10
intervals is a gap. Refused is what such an average would falsify: a row later than that; more
than half of the rows with a time that another row has, or in an interval that another row has
(of a waveform: 5 %); and more than 60 readings that contradict another one of the same moment
from elsewhere in the file, as a clock leaves that was set back.

Source: the project's own rules.
"""

import itertools
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
import polars as pl
import pyarrow as pa

from icpcohort.recordings import (
    csv_files,
    date_texts,
    parquet_files,
    time_columns,
    whose_rows,
)
from icpcohort.recordings.channels import (
    Channel,
    Problems,
    Wanted,
    choose_all,
    conversion,
    passed_over,
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
    Source,
    Whose,
    check_size,
    samples_in,
    tier_of,
)
from icpcohort.recordings.clocks import Clock
from icpcohort.recordings.regular_grid import Grid
from icpcohort.recordings.row_order import Contradictions, Disorder, Rows, in_order
from icpcohort.recordings.sampling import MAX_GAP_INTERVALS, Times
from icpcohort.recordings.time_columns import DayOrder, TimeColumn, Timing
from icpcohort.recordings.units import Conversion, is_known

MAX_DUPLICATES = 0.5
N_ROWS_TO_JUDGE = 1_000_000
MAX_SHARED_OF_WAVEFORM = 0.05
MAX_SHARED = 0.5


class Columns(NamedTuple):
    """The columns of a file, which of them has the times, and which says whose a row is."""

    channels: list[Channel]
    time: TimeColumn
    heading: csv_files.Heading | None
    schema: pa.Schema | None
    patient: str | None  # of a file of several patients
    patient_id: str

    def where(self, path: Path) -> str:
        """Return what row a message counts from: the file's, or its patient's, first."""
        return f"{path.name} (rows of {self.patient_id})" if self.patient else path.name


def describe(
    path: Path,
    *,
    format: str,
    wanted: Sequence[Wanted],
    timing: Timing,
    whose: Whose | None,
) -> Description:
    """Describe a file from its columns and one pass over its times."""
    columns = columns_of(path, format, timing, whose)
    if columns.heading is not None:
        csv_files.refuse_bomb(path, columns.heading)
        csv_files.refuse_line_breaks(path, columns.heading)
    if columns.patient is None:
        names = [channel.name for channel in columns.channels]
        whose_rows.refuse_several(path, columns.heading, names)
    problems = Problems(path.name)
    of_rows = (*columns.time.names, columns.patient)
    channels = [c for c in columns.channels if c.name not in of_rows]
    chosen = choose_all(channels, wanted, problems)
    units = {}
    for one in (one for one in wanted if one.signal in chosen):
        with problems.collected():
            channel = _with_unit(chosen[one.signal], columns, path.name, to_unit=one.to_unit)
            units[one.signal] = (unit_of(channel, one, where=path.name), one.to_unit)
    problems.raise_any()
    times, n_unordered, notes = _look_at_times(
        path, columns, values=[c.name for c in chosen.values()], timing=timing
    )
    fs_hz = times.fs_hz()
    if fs_hz is None:
        raise RecordingError(
            "bad_times",
            f"{path.name}: {times.n_rows} row(s) do not show a sampling interval; leave it out",
        )
    check_size(path.name, fs_hz=fs_hz, n_samples=times.n_rows)
    return Description(
        format=format,
        tier=tier_of(fs_hz),
        duration_s=times.last_s + 1 / fs_hz,
        signals={
            signal: Source(chosen[signal].name, unit, fs_hz, to_unit)
            for signal, (unit, to_unit) in units.items()
        },
        n_duplicate_times=times.n_duplicates,
        n_unordered_times=n_unordered,
        notes=(*passed_over(channels, wanted, chosen), *notes),
    )


# --- columns ---------------------------------------------------------------------------------


def columns_of(path: Path, format: str, timing: Timing, whose: Whose | None) -> Columns:
    """Return the columns of a file, the one with the times found by what the study says."""
    if format == "parquet":
        heading, schema = None, parquet_files.read_schema(path)
        names = list(schema.names)
    else:
        heading = csv_files.read_heading(
            path, has_times=lambda names: time_columns.has_one(names, timing)
        )
        names, schema = heading.names, None
    if len(names) > MAX_CHANNELS:
        raise RecordingError(
            "bad_header", f"{path.name}: {len(names)} columns, more than {MAX_CHANNELS}"
        )
    time = time_columns.find(names, timing, where=path.name)
    unit = time.unit
    if unit is None and len(time.names) == 1:
        unit = (
            heading.unit(time.names[0])
            if heading
            else parquet_files.unit_of(schema.field(time.names[0]))
        )
    patient = whose_rows.column(names, whose)
    return Columns(
        [split_label(name) for name in names],
        time._replace(unit=unit),
        heading,
        schema,
        patient,
        whose.patient_id if whose and patient else "",
    )


def _with_unit(channel: Channel, columns: Columns, where: str, *, to_unit: str) -> Channel:
    """Return a channel with the unit that stands outside its name, if one does."""
    if columns.schema is not None:
        field = columns.schema.field(channel.name)
        return _with_metadata(channel, field, where, to_unit=to_unit)
    unit = columns.heading.unit(channel.name) if columns.heading else None
    if channel.unit is not None or unit is None or not is_known(unit):
        return channel
    return channel._replace(unit=unit)


def _with_metadata(channel: Channel, field: pa.Field, where: str, *, to_unit: str) -> Channel:
    unit = parquet_files.unit_of(field)
    _refuse_text(field, where)
    if unit is None:
        return channel
    stated = Wanted(channel.name, channel.name, unit, (), to_unit)
    return channel._replace(unit=unit_of(channel, stated, where=where))


def _refuse_text(field: pa.Field, where: str) -> None:
    kind = field.type
    if not (
        pa.types.is_floating(kind) or pa.types.is_integer(kind) or pa.types.is_decimal(kind)
    ):
        raise RecordingError(
            "unreadable",
            f"{where}: column {field.name!r} is of type {kind}; write numbers",
        )


# --- rows ------------------------------------------------------------------------------------


def _batches(
    path: Path, columns: Columns, *, values: list[str], read_values: bool
) -> Iterator[pa.RecordBatch]:
    read = values if read_values else []
    of_patient = [] if columns.patient is None else [columns.patient]
    if columns.heading is None:
        yield from parquet_files.batches(
            path, columns=[*columns.time.names, *read, *of_patient]
        )
        return
    # the decimal mark is looked for in all columns that are used, in every pass
    numbers = csv_files.read_numbers(path, columns.heading, time=columns.time, columns=values)
    yield from csv_files.batches(
        path, columns.heading, numbers, time=columns.time, columns=read, as_text=of_patient
    )


def _rows(
    path: Path,
    columns: Columns,
    clock: Clock,
    *,
    values: list[str],
    read_values: bool,
) -> Iterator[Rows]:
    """Yield the rows of the patient as the file has them; infinite values become NaN."""
    n_before = 0
    for whole in _batches(path, columns, values=values, read_values=read_values):
        batch = whose_rows.of_patient(whole, columns.patient, columns.patient_id)
        if batch.num_rows == 0:
            continue
        t_s = clock.seconds(times_of(batch, columns.time))
        number = np.arange(n_before + 1, n_before + len(t_s) + 1)
        yield Rows(t_s, number, {name: _numbers(batch, name) for name in values if read_values})
        n_before += len(t_s)


def times_of(batch: pa.RecordBatch, time: TimeColumn) -> pl.Series:
    """Return the times as they stand; those of two columns as texts joined by a blank."""
    parts = [pl.Series(values=batch.column(name)) for name in time.names]
    if len(parts) == 1:
        return parts[0]
    date, time_of_day = (part.cast(pl.String).str.strip_chars() for part in parts)
    return date + " " + time_of_day


def _numbers(batch: pa.RecordBatch, name: str) -> Samples:
    # through polars: the way of pyarrow loads pandas
    numbers: Samples = pl.Series(values=batch.column(name)).cast(pl.Float64).to_numpy()
    return np.where(np.isfinite(numbers), numbers, np.nan)


def clock_of(path: Path, columns: Columns, timing: Timing) -> Clock:
    """Return what turns the times of a file into seconds."""
    return Clock(
        f"{columns.where(path)}, {columns.time}",
        unit=columns.time.unit,
        clock_zone=timing.clock_zone,
        day_order=_day_order(path, columns, timing),
    )


def _day_order(path: Path, columns: Columns, timing: Timing) -> DayOrder | None:
    """Return which comes first, day or month, by the first row that shows it, or the study."""
    if columns.heading is None:
        batches = parquet_files.batches(path, columns=columns.time.names)
    else:
        batches = csv_files.texts(path, columns.heading, columns=columns.time.names)
    for n_before, batch in enumerate(batches):
        times = times_of(batch, columns.time)
        if times.dtype not in (pl.String, pl.Categorical) or times.is_empty():
            return None
        texts = times.cast(pl.String)
        if n_before == 0 and not date_texts.is_unclear(texts[0]):
            return None
        order = date_texts.order_in(texts)
        if order is not None:
            return order
    return timing.day_order


def _from_zero(rows: Iterable[Rows], clock: Clock) -> Iterator[Rows]:
    """Let times that are no seconds count from the earliest row."""
    zero_s: float | None = None
    for part in rows:
        if zero_s is None:
            zero_s = float(part.t_s[0]) if clock.from_earliest_row else 0.0
        if part.t_s[-1] - zero_s > MAX_DURATION_S:
            raise RecordingError(
                "bad_times",
                f"{clock.where}: more than a year from first to last row; correct the times",
            )
        yield part._replace(t_s=part.t_s - zero_s) if zero_s else part


def _look_at_times(
    path: Path, columns: Columns, *, values: list[str], timing: Timing
) -> tuple[Times, int, tuple[str, ...]]:
    clock, disorder, times = clock_of(path, columns, timing), Disorder(), Times()
    where = clock.where
    rows = _rows(path, columns, clock, values=values, read_values=False)
    for part in _from_zero(in_order(disorder.watch(rows), where=where), clock):
        times.add(part.t_s)
        if times.n_rows >= N_ROWS_TO_JUDGE:
            _refuse_repetition(times, where)
    if times.n_rows == 0:
        raise RecordingError(
            "empty", f"{columns.where(path)}: no rows; remove it from recordings.csv"
        )
    _refuse_repetition(times, where)
    return times, disorder.n_unordered, tuple(clock.notes)


def _refuse_repetition(times: Times, where: str) -> None:
    if times.n_duplicates > MAX_DUPLICATES * times.n_rows:
        raise RecordingError(
            "bad_times",
            f"{where}: {times.n_duplicates} of {times.n_rows} rows have the time of another "
            "row; write times with more digits, or keep one row of each time",
        )


# --- the grid --------------------------------------------------------------------------------


def read(
    path: Path,
    description: Description,
    *,
    timing: Timing,
    chunk_s: float,
    whose: Whose | None,
) -> Iterator[Chunk]:
    """Yield the rows on the grid of the sampling interval, as the module's first lines say.

    A gap of more than 10 intervals starts a new chunk and a new grid; the missing samples of a
    shorter one are NaN.
    """
    about, sources = description, description.signals
    units = {
        name: conversion(source.unit, to=source.to_unit, where=path.name)
        for name, source in sources.items()
    }
    columns = columns_of(path, about.format, timing, whose)
    clock = clock_of(path, columns, timing)
    names = [source.channel for source in sources.values()]
    rows = _rows(path, columns, clock, values=names, read_values=True)
    fs_hz, n_rows, n_shared = about.fastest_hz, 0, 0
    contradictions = Contradictions(clock.where, within_s=0.5 / fs_hz)
    n_in_chunk = samples_in(chunk_s, fs_hz=fs_hz)
    grid: Grid | None = None
    for part, is_new in _stretches(
        contradictions.watch(_from_zero(in_order(rows, where=clock.where), clock)), fs_hz=fs_hz
    ):
        if grid is None or is_new:
            if grid is not None:
                yield grid.rest()
                n_shared += grid.n_shared
            grid = Grid(part.t_s, fs_hz=fs_hz, n_in_chunk=n_in_chunk, signals=tuple(sources))
        yield from grid.add(
            part.t_s,
            {
                name: _converted(part.values[s.channel], units[name])
                for name, s in sources.items()
            },
        )
        n_rows += len(part.t_s)
    if grid is not None:
        yield grid.rest()
        _refuse_uneven(n_shared + grid.n_shared, n_rows, about, where=clock.where)


def _converted(values: Samples, into: Conversion) -> Samples:
    return values * into.factor + into.offset if into.offset else values * into.factor


def _stretches(batches: Iterable[Rows], *, fs_hz: float) -> Iterator[tuple[Rows, bool]]:
    """Yield the parts between long gaps, and whether each follows one."""
    last_s = np.inf
    for rows in batches:
        steps_s = np.diff(rows.t_s, prepend=last_s)
        starts = np.flatnonzero(steps_s * fs_hz > MAX_GAP_INTERVALS + 1e-6).tolist()
        first_is_new = bool(starts) and starts[0] == 0
        edges = [*([] if first_is_new else [0]), *starts, len(rows.t_s)]
        for begin, end in itertools.pairwise(edges):
            yield rows.take(slice(begin, end)), begin > 0 or first_is_new
        last_s = rows.t_s[-1]


def _refuse_uneven(n_shared: int, n_rows: int, about: Description, *, where: str) -> None:
    most = MAX_SHARED_OF_WAVEFORM if about.tier == "waveform" else MAX_SHARED
    if n_shared > most * n_rows:
        raise RecordingError(
            "bad_times",
            f"{where}: {n_shared} of {n_rows} rows lie in a sampling interval of "
            f"{1 / about.fastest_hz:.6g} s that another row has; these times are too uneven: "
            "resample to a regular interval, or split the file where the interval changes",
        )
