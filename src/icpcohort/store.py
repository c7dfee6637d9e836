"""The one reader and the one writer of results tables; both hold a table to its contract."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from icpcohort import whole
from icpcohort.contracts import Column, Table


class ContractError(ValueError):
    """A table does not keep its contract; the text lists every problem."""


def problems(frame: pl.DataFrame, table: Table) -> list[str]:
    """List every way in which `frame` breaks the contract of `table`."""
    found = [f"{name}: missing" for name in table.columns if name not in frame.columns]
    found += [
        f"{name}: not in the contract" for name in frame.columns if name not in table.columns
    ]
    for name, column in table.columns.items():
        if name in frame.columns:
            found += _column_problems(frame[name], column)
    if not found:
        found += _key_problems(frame, table.key)
    return found


def _column_problems(series: pl.Series, column: Column) -> list[str]:
    if series.dtype != column.dtype:
        return [f"{series.name}: {series.dtype} instead of {column.dtype}"]
    if column.dtype == pl.Float64():
        n_bad = series.len() - series.null_count() - int(series.is_finite().sum())
        if n_bad:
            return [f"{series.name}: {n_bad} NaN or infinite; write null for missing"]
    return []


def _key_problems(frame: pl.DataFrame, key: tuple[str, ...]) -> list[str]:
    found = [
        f"{name}: {frame[name].null_count()} null in the key"
        for name in key
        if frame[name].null_count()
    ]
    n_repeated = frame.height - frame.select(key).n_unique()
    if n_repeated:
        found.append(f"{', '.join(key)}: {n_repeated} rows repeat a key")
    return found


def check(frame: pl.DataFrame, table: Table, where: str) -> None:
    """Raise ContractError naming every problem of `frame`, or do nothing."""
    found = problems(frame, table)
    if found:
        lines = "\n".join(f"  {line}" for line in found)
        raise ContractError(f"{where}: {len(found)} problem(s)\n{lines}")


def write(frame: pl.DataFrame, table: Table, path: str | Path) -> None:
    """Write a table sorted by its key, with unit and meaning of each column in the file.

    The file appears under its name only when it is whole.
    """
    check(frame, table, str(path))
    arrow = to_arrow(frame.select(list(table.columns)).sort(table.key), table)
    with whole.writing(path) as part:
        pq.write_table(arrow, part, compression="zstd")


def to_arrow(frame: pl.DataFrame, table: Table) -> pa.Table:
    """Return the table's columns in Arrow, with unit and meaning in each field."""
    arrow = frame.select(list(table.columns)).to_arrow()
    for i, (name, column) in enumerate(table.columns.items()):
        metadata = {"unit": column.unit, "about": column.about}
        arrow = arrow.set_column(i, arrow.field(i).with_metadata(metadata), arrow.column(name))
    return arrow


def read(path: str | Path, table: Table) -> pl.DataFrame:
    """Read a table and hold it to its contract."""
    frame = pl.read_parquet(path)
    check(frame, table, str(path))
    return frame


def read_patients(
    paths: Sequence[str | Path], table: Table, *, columns: Sequence[str] = ()
) -> pl.DataFrame:
    """Read one file a patient into one table, with `patient_id` from the files' names.

    Of a table of many columns only `columns` and the key are read, where they are given.
    """
    if columns:
        names = [name for name in table.columns if name in (*table.key, *columns)]
        table = replace(table, columns={name: table.columns[name] for name in names})
    frames = [
        _columns_of(path, table).select(pl.lit(Path(path).stem).alias("patient_id"), pl.all())
        for path in paths
    ]
    nothing = empty(table).select(pl.lit("").alias("patient_id"), pl.all()).clear()
    return pl.concat([nothing, *frames])


def _columns_of(path: str | Path, table: Table) -> pl.DataFrame:
    """Read the columns of a table alone and hold them to its contract."""
    there = pq.read_schema(path).names
    frame = pl.read_parquet(path, columns=[name for name in table.columns if name in there])
    check(frame, table, str(path))
    return frame


def read_all(paths: Sequence[str | Path], table: Table) -> pl.DataFrame:
    """Read several files of one table into one.

    All at once, ten times faster than one by one; where they do not fit together or to the
    contract, one by one, so that the error names the file.
    """
    if not paths:
        return empty(table)
    try:
        frame = pl.read_parquet(list(paths))
    except pl.exceptions.PolarsError:
        return _read_each(paths, table)
    return _read_each(paths, table) if problems(frame, table) else frame


def _read_each(paths: Sequence[str | Path], table: Table) -> pl.DataFrame:
    frame = pl.concat([empty(table), *(read(path, table) for path in paths)])
    check(frame, table, f"{len(paths)} files of {table.path} together")
    return frame


def read_named(paths: Sequence[str | Path], table: Table) -> dict[str, pl.DataFrame]:
    """Read one file a model, by the name of the folder it lies in."""
    return {Path(path).parent.name: read(path, table) for path in paths}


def empty(table: Table) -> pl.DataFrame:
    """Return the table without rows."""
    return pl.DataFrame(schema={name: column.dtype for name, column in table.columns.items()})
