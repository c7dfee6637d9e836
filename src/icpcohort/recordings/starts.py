"""Starts: when a recording begins by its own file, for the command that lists recordings.

Everywhere else times count from a recording's start, and no date leaves this package.

Sources: header(5) of the WFDB Applications Guide for base time and base date; Kemp 1992 and
2003 for the start of EDF, its years from 1985 on, and 01.01.85 for a date that was taken out.
"""

import itertools
import re
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.compute as pc

from icpcohort.recordings import csv_files, parquet_files, tabular_files, wfdb_headers
from icpcohort.recordings.chunks import RecordingError, Whose
from icpcohort.recordings.clocks import Clock
from icpcohort.recordings.time_columns import Timing

_WFDB_TIME = re.compile(r"(\d\d?):(\d\d):(\d\d)(\.\d+)?")
_WFDB_DATE = re.compile(r"(\d\d?)/(\d\d?)/(\d{4})")
_EDF_START = re.compile(r"(\d\d)\.(\d\d)\.(\d\d)(\d\d)\.(\d\d)\.(\d\d)")
_EDF_UNKNOWN = date(1985, 1, 1)
_HAS_DATE = r"\d{4}([-./])\d\d?|\d\d?([-./])\d\d?([-./])\d{2,4}"
_HAS_OFFSET = r"(Z|[+-]\d\d:?\d\d|[T ].*[+-]\d\d)\s*$"
_SINCE_1970 = datetime(1970, 1, 1)


def start_of(path: Path, *, format: str, timing: Timing) -> datetime | None:
    """Return when a recording starts, or None where its file states no date.

    With an offset from UTC where the file states one, else as its clock showed it. Of CSV and
    Parquet it is the earliest of the first rows: a block of 250 kB, or a batch of a row group.

    Raises
    ------
    RecordingError, OSError, ValueError, ArrowException
        If the head of the file cannot be read.
    """
    if format == "wfdb":
        return _of_wfdb(path)
    if format in ("edf", "bdf"):
        return _of_edf(path)
    columns = tabular_files.columns_of(path, format, timing, None)
    for batch in _batches(path, columns, columns.time.names):
        times = tabular_files.times_of(batch, columns.time)
        return _earliest(times, tabular_files.clock_of(path, columns, _shown(timing)))
    return None


def starts_by_patient(
    path: Path, *, format: str, timing: Timing, patient_column: str
) -> dict[str, datetime | None]:
    """Return what `start_of` returns for each patient of one file for all, in their order.

    The columns of patients and of times are read whole. A patient's start is the earliest of
    the rows in the first batch that has any.

    Raises
    ------
    RecordingError, OSError, ValueError, ArrowException
        As `start_of`, also where there is no such column.
    """
    columns = tabular_files.columns_of(path, format, timing, Whose(patient_column, ""))
    if columns.patient is None:
        raise RecordingError("bad_header", f"{path.name}: no column {patient_column!r}")
    starts: dict[str, datetime | None] = {}
    for batch in _batches(path, columns, [*columns.time.names, columns.patient]):
        patients = pc.utf8_trim_whitespace(batch.column(columns.patient).cast(pa.string()))
        for patient_id in pc.unique(patients).drop_null().to_pylist():
            if patient_id and patient_id not in starts:
                rows = batch.filter(pc.equal(patients, pa.scalar(patient_id)))
                clock = tabular_files.clock_of(path, columns, _shown(timing))
                times = tabular_files.times_of(rows, columns.time)
                starts[patient_id] = _earliest(times, clock)
    return starts


def _shown(timing: Timing) -> Timing:
    """Return a timing by which local times come out as the clock showed them."""
    return timing._replace(clock_zone="UTC")


def _of_wfdb(path: Path) -> datetime | None:
    fields = wfdb_headers.header_lines(path)[0].split()
    for shown, day in itertools.pairwise(fields[4:]):
        at, on = _WFDB_TIME.fullmatch(shown), _WFDB_DATE.fullmatch(day)
        if at and on:
            midnight = datetime(int(on[3]), int(on[2]), int(on[1]))
            seconds = int(at[3]) + float(at[4] or 0)
            return midnight + timedelta(hours=int(at[1]), minutes=int(at[2]), seconds=seconds)
    return None


def _of_edf(path: Path) -> datetime | None:
    with path.open("rb") as file:
        match = _EDF_START.fullmatch(file.read(184)[168:].decode("latin-1"))
    if match is None:
        return None
    day, month, year, hour, minute, second = map(int, match.groups())
    on = date(year + (1900 if year >= 85 else 2000), month, day)
    return None if on == _EDF_UNKNOWN else datetime.combine(on, time(hour, minute, second))


def _batches(
    path: Path, columns: tabular_files.Columns, names: Sequence[str]
) -> Iterator[pa.RecordBatch]:
    """Yield the rows of some columns, those of CSV as text; empty batches are left out."""
    if columns.heading is None:
        batches = parquet_files.batches(path, columns=names)
    else:
        batches = csv_files.texts(path, columns.heading, columns=names)
    yield from (batch for batch in batches if batch.num_rows)


def _earliest(column: pl.Series, clock: Clock) -> datetime | None:
    """Return the earliest of some times that state their date, or None where none does."""
    times = column.drop_nulls()
    has_offset = getattr(times.dtype, "time_zone", None) is not None
    if times.dtype in (pl.String, pl.Categorical):
        first = times.cast(pl.String).head(1)
        if not first.str.contains(_HAS_DATE).any():
            return None
        has_offset = bool(first.str.contains(_HAS_OFFSET)[0])
    elif not isinstance(times.dtype, pl.Datetime):
        return None
    if times.is_empty():
        return None
    since_first_s = float(clock.seconds(times).min())
    first_us = clock._first_us  # no date leaves `Clock` by another way
    if first_us is None:
        return None
    start = _SINCE_1970 + timedelta(microseconds=first_us + round(since_first_s * 1e6))
    return start.replace(tzinfo=UTC) if has_offset else start
