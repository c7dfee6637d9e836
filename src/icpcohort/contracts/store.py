"""The one reader and the one writer of results tables; both hold a table to its contract."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from icpcohort.contracts import Column, Table, atomic_write
from icpcohort.contracts.columns import PATIENT_ID


class ContractError(ValueError):
    """A table does not keep its contract; the text lists every problem."""


def problems(frame: pl.DataFrame, table: Table) -> list[str]:
    """List every way in which `frame` breaks the contract of `table`."""
    lines = [f"{name}: missing" for name in table.columns if name not in frame.columns]
    lines += [
        f"{name}: not in the contract" for name in frame.columns if name not in table.columns
    ]
    for name, column in table.columns.items():
        if name in frame.columns:
            lines += _column_problems(frame[name], column)
    if not lines:
        lines += _key_problems(frame, table.key)
    return lines


def _column_problems(series: pl.Series, column: Column) -> list[str]:
    if series.dtype != column.dtype:
        return [f"{series.name}: {series.dtype} instead of {column.dtype}"]
    if column.dtype == pl.Float64():
        n_bad = series.len() - series.null_count() - int(series.is_finite().sum())
        if n_bad:
            return [f"{series.name}: {n_bad} NaN or infinite; write null for missing"]
    return []


def _key_problems(frame: pl.DataFrame, key: tuple[str, ...]) -> list[str]:
    lines = [
        f"{name}: {frame[name].null_count()} null in the key"
        for name in key
        if frame[name].null_count()
    ]
    n_repeated = frame.height - frame.select(key).n_unique()
    if n_repeated:
        lines.append(f"{', '.join(key)}: {n_repeated} rows repeat a key")
    return lines


def check(frame: pl.DataFrame, table: Table, where: str) -> None:
    """Raise ContractError naming every problem of `frame`, or do nothing."""
    broken = problems(frame, table)
    if broken:
        lines = "\n".join(f"  {line}" for line in broken)
        raise ContractError(f"{where}: {len(broken)} problem(s)\n{lines}")


def write(frame: pl.DataFrame, table: Table, path: str | Path) -> None:
    """Write a table sorted by its key, with unit, meaning and label of each column in it.

    The file appears under its name only when it is whole.
    """
    check(frame, table, str(path))
    arrow = to_arrow(frame.select(list(table.columns)).sort(table.key), table)
    with atomic_write.writing(path) as part:
        pq.write_table(arrow, part, compression="zstd")


def to_arrow(frame: pl.DataFrame, table: Table) -> pa.Table:
    """Return the table's columns in Arrow, with unit, meaning and label in each field."""
    arrow = frame.select(list(table.columns)).to_arrow()
    for i, (name, column) in enumerate(table.columns.items()):
        metadata = {"unit": column.unit, "about": column.about, "label": column.label}
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
    """Read one file per patient into one table, with `patient_id` from the files' names.

    Of a table of many columns only `columns` and the key are read, where they are given.
    """
    if columns:
        asked = [name for name in table.columns if name in (*table.key, *columns)]
        table = replace(table, columns={name: table.columns[name] for name in asked})
        read_schema = pl.read_parquet_schema
        there = [[name for name in asked if name in read_schema(path)] for path in paths]
        frames = [pl.read_parquet(p, columns=c) for p, c in zip(paths, there, strict=True)]
    else:
        frames = [pl.read_parquet(path) for path in paths]
    return _of_patients([Path(path).stem for path in paths], frames, table, paths)


def _of_patients(
    patients: Sequence[str],
    frames: Sequence[pl.DataFrame],
    table: Table,
    paths: Sequence[str | Path],
) -> pl.DataFrame:
    """Put tables together and hold them to the contract: at once, or one by one to name one."""
    for frame, path in zip(frames, paths, strict=True):
        if dict(frame.schema) != _types(table):
            check(frame, table, str(path))
    columns = {"patient_id": PATIENT_ID} | table.columns
    together = replace(table, key=("patient_id", *table.key), columns=columns)
    joined = pl.concat(
        [
            empty(together),
            *(
                frame.select(pl.lit(patient).alias("patient_id"), *table.columns)
                for patient, frame in zip(patients, frames, strict=True)
            ),
        ]
    )
    if problems(joined, together):
        for frame, path in zip(frames, paths, strict=True):
            check(frame, table, str(path))
    check(joined, together, f"{len(paths)} files of {table.path} together")
    return joined


def read_all(paths: Sequence[str | Path], table: Table) -> pl.DataFrame:
    """Read several files of one table into one.

    All at once, several times faster than one by one; where they do not keep the contract,
    one by one, so that the error names the file.
    """
    for path in paths:
        if dict(pl.read_parquet_schema(path)) != _types(table):
            read(path, table)
    if not paths:
        return empty(table)
    joined = pl.read_parquet([str(path) for path in paths]).select(list(table.columns))
    if problems(joined, table):
        for path in paths:
            read(path, table)
    check(joined, table, f"{len(paths)} files of {table.path} together")
    return joined


def _types(table: Table) -> dict[str, pl.DataType]:
    return {name: column.dtype for name, column in table.columns.items()}


def read_named(paths: Sequence[str | Path], table: Table) -> dict[str, pl.DataFrame]:
    """Read one file per model, by the name of the folder it lies in."""
    return {Path(path).parent.name: read(path, table) for path in paths}


def empty(table: Table) -> pl.DataFrame:
    """Return the table without rows."""
    return pl.DataFrame(schema=_types(table))
