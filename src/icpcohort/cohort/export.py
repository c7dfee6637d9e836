"""Handover: the analysis table as other programs read it: CSV, Stata and Arrow (Feather).

Null stays missing in each: an empty cell, Stata's `.` (and an empty text, since Stata has no
missing text), a null.
"""

import datetime
import io
from collections.abc import Iterable

import polars as pl
import pyarrow.feather as feather

from icpcohort import contracts
from icpcohort.contracts import Column, Table, spreadsheet, store

STATA_NAME_LENGTH, STATA_LABEL_LENGTH = 32, 80  # limits of the format
STATA_EPOCH = datetime.datetime(1960, 1, 1)  # its header wants a time; ours say nothing of when
YES_NO = {0: "no", 1: "yes"}


def as_csv(frame: pl.DataFrame, table: Table) -> bytes:
    """Return the table as CSV: UTF-8, decimal points, true and false, empty for missing.

    Texts are those of `spreadsheet.safe_text`. An empty text, which is not missing, stands in
    quotes.

    Source: CSV as in RFC 4180.
    """
    safe = spreadsheet.safe_texts(_ordered(frame, table))
    return safe.write_csv(float_scientific=False).encode("utf-8")


def as_stata(frame: pl.DataFrame, table: Table) -> bytes:
    """Return the table as a Stata file (format 118, Stata 14 or later) with labels.

    A variable's label is the meaning of its column and its unit; one that is longer than the
    format allows ends in "...", and results/README.md has the whole. Flags are 0 and 1, with
    the value labels no and yes. Names as `stata_names` gives them.

    Source: the file format as pandas writes it.
    """
    import pandas  # slow to import, and only needed here

    ordered, names = _ordered(frame, table), stata_names(table.columns)
    columns = {
        names[name]: _stata_column(ordered[name], column)
        for name, column in table.columns.items()
    }
    flags = [name for name, column in table.columns.items() if column.dtype == contracts.FLAG]
    file = io.BytesIO()
    pandas.DataFrame(columns).to_stata(
        file,
        write_index=False,
        version=118,
        time_stamp=STATA_EPOCH,
        data_label=table.about[:STATA_LABEL_LENGTH],
        variable_labels={names[n]: stata_label(column) for n, column in table.columns.items()},
        value_labels={names[name]: YES_NO for name in flags},
    )
    return file.getvalue()


def _stata_column(values: pl.Series, column: Column) -> list[str] | list[float]:
    if column.dtype == contracts.TEXT:
        return values.fill_null("").to_list()
    return values.cast(pl.Float64()).fill_null(float("nan")).to_list()


def stata_label(column: Column) -> str:
    """Return a column's meaning and unit within the length of a Stata label."""
    is_product = "." in column.unit  # it keeps its UCUM code
    words = column.unit if is_product else column.plain_unit()
    unit = f" ({words})" if words else ""
    room = STATA_LABEL_LENGTH - len(unit)
    about = column.about if len(column.about) <= room else f"{column.about[: room - 3]}..."
    return about + unit


def stata_names(columns: Iterable[str]) -> dict[str, str]:
    """Return a name that Stata takes for each column: the same, if it is no longer than 32.

    A longer one is cut, and ends in _ and its number in the table, so that two stay two.
    """
    names = {}
    for number, name in enumerate(columns, start=1):
        tail = f"_{number}"
        fits = len(name) <= STATA_NAME_LENGTH
        names[name] = name if fits else name[: STATA_NAME_LENGTH - len(tail)] + tail
    return names


def as_feather(frame: pl.DataFrame, table: Table) -> bytes:
    """Return the table as Arrow (Feather, version 2), unit and meaning in each field.

    Source: the Arrow columnar format, as pyarrow writes it.
    """
    file = io.BytesIO()
    feather.write_feather(
        store.to_arrow(_ordered(frame, table), table), file, compression="uncompressed"
    )
    return file.getvalue()


def _ordered(frame: pl.DataFrame, table: Table) -> pl.DataFrame:
    store.check(frame, table, "handover")
    return frame.select(list(table.columns)).sort(table.key)
