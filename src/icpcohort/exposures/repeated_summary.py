"""Repeated summary: values that change with time, added up over each window."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from icpcohort import contracts
from icpcohort.exposures.window import Window

Entries = Mapping[str, Mapping[str, Any]]


def summarise(
    values: pl.DataFrame, *, windows: Mapping[str, Window], declared: Mapping[str, Any]
) -> pl.DataFrame:
    """Return the summaries that the study asks for, of each patient with repeated values.

    Parameters
    ----------
    values : DataFrame of contracts.REPEATED_VALUES
        A value is in force from `from_h` [h] to `to_h` [h]; to the next one of its variable
        where that begins earlier or `to_h` is null; else to the end of any window.
    windows : Window by its name
        Values are cut at `start_h` and `end_h`; nothing of later enters.
    declared : mapping
        Sections of the settings, of which `repeated` is read.

    Returns
    -------
    DataFrame of contracts.repeated_summary
        The mean is weighted by time in force. The highest and the last value are those of the
        values in force at any moment of the window, also of one that ends when it begins. The
        share is the time with `share_from` or more, divided by the time with a known value. A
        null is a time without a known value; where no time is known, mean and share are null.

    Source: common practice, no source.
    """
    table = contracts.repeated_summary(declared)
    entries: Entries = declared.get("repeated", {})
    known = in_force(values)
    patients = values.select("patient_id").unique().sort("patient_id")
    parts = []
    for name, window in windows.items():
        inside = _inside(known, window)
        rows = patients.with_columns(window=pl.lit(name))
        for variable, entry in entries.items():
            summaries = _summaries(variable, entry)
            if summaries:
                of_one = inside.filter(variable=variable).group_by("patient_id").agg(*summaries)
                rows = rows.join(of_one, on="patient_id", how="left", validate="1:1")
        parts.append(rows.select(list(table.columns)))
    return pl.concat(parts).sort(table.key)


def in_force(values: pl.DataFrame) -> pl.DataFrame:
    """Return the known values with `until_h` [h], when each ended; null: it never did."""
    next_h = pl.col("from_h").shift(-1).over("patient_id", "variable")
    return (
        values.sort("patient_id", "variable", "from_h")
        .with_columns(until_h=pl.min_horizontal("to_h", next_h))
        .drop("to_h")
        .drop_nulls("value")
    )


def _inside(known: pl.DataFrame, window: Window) -> pl.DataFrame:
    """Return the values in force in a window, each with its time in it as `force_h` [h]."""
    start_h, end_h = window["start_h"], window["end_h"]
    until_h = pl.col("until_h").fill_null(end_h).clip(upper_bound=end_h)
    is_inside = (pl.col("from_h") < end_h) & (
        (until_h > start_h) | (pl.col("from_h") >= start_h)
    )
    return known.filter(is_inside).with_columns(
        force_h=until_h - pl.col("from_h").clip(lower_bound=start_h)
    )


def _summaries(variable: str, entry: Mapping[str, Any]) -> list[pl.Expr]:
    """Return the expressions of a variable's summaries, over the rows of one patient."""
    return [
        _summary(summary, entry).alias(f"{variable}_{summary}")
        for summary in entry.get("summaries", ())
    ]


def _summary(summary: str, entry: Mapping[str, Any]) -> pl.Expr:
    value, force_h = pl.col("value"), pl.col("force_h")
    if summary == "max":
        return value.max()
    if summary == "last":
        return value.sort_by("from_h").last()
    if summary == "mean":
        weighted = (value * force_h).sum()
    else:
        weighted = force_h.filter(value >= entry["share_from"]).sum()
    return pl.when(force_h.sum() > 0).then(weighted / force_h.sum())
