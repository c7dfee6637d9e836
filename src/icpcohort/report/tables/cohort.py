"""Tables of the cohort: Table 1, the flow, who left, and how monitoring ended."""

from typing import Any

import polars as pl

from icpcohort.report.tables.exposures import _quartiles
from icpcohort.report.tables.grid import Grid, words_of
from icpcohort.report.tables.model_words import Columns
from icpcohort.report.tables.numbers import format_number, format_share


def table_one(table: pl.DataFrame, *, columns: Columns) -> Grid:
    """Return Table 1 (`contracts.TABLE_ONE`); a variable is named in its first row only.

    A level that nobody declared, such as the name of a centre, stays as it is written.
    """
    as_written = {
        column.heading()
        for column in columns.values()
        if column.role == "covariate" and column.kind == "category" and not column.levels
    }
    rows, before = [], None
    for row in table.sort("row").to_dicts():
        first = row["variable"] != before
        before = row["variable"]
        cells = [row["overall"], row["group_1"], row["group_2"], row["unknown"]]
        is_name = row["variable"] in as_written
        level = row["level"] if is_name else words_of(row["level"])
        label = f"{row['variable']}, {level}" if first else f"… {level}"
        compared = first and before != "Patients"
        difference = format_number(row["smd"], decimals=2) if compared else ""
        rows.append([label, *cells, difference, _missing(row) if first else ""])
    first_group, second_group = (
        table[f"group_{i}_is"][0] if table.height else f"Group {i}" for i in (1, 2)
    )
    return Grid(
        "Patients of the main window",
        ["Variable", "All", first_group, second_group, "Unknown", "SMD", "Missing, n"],
        rows,
        "Median (IQR) or n/N (%), N being the patients of the column who have a value. SMD: "
        "absolute standardised difference of the groups. Missing: all (first, second group). "
        "No test was made.",
    )


def _missing(row: dict[str, Any]) -> str:
    counts = (row["n_missing"], row["n_missing_1"], row["n_missing_2"])
    total, first, second = (format_number(n, decimals=0) for n in counts)
    return f"{total} ({first}, {second})" if row["n_missing"] else total


def ends_of_monitoring(table: pl.DataFrame, *, n_left_out: int) -> Grid:
    """Return why monitoring ended, by outcome (`contracts.MONITORING_END_BY_OUTCOME`).

    `n_left_out` patients whom the group leaves out are not in the table.
    """
    but = f" but {n_left_out} left out by the group" if n_left_out else ""
    rows = [
        [
            *(words_of(row[name]) for name in ("window", "outcome", "reason")),
            format_share(row["n"], row["n_group"]),
            str(row["n_group"]),
            _quartiles(row["until_median_h"], row["until_q1_h"], row["until_q3_h"]),
        ]
        for row in table.sort("window", "outcome", "reason").to_dicts()
    ]
    return Grid(
        "Why monitoring ended in each window, by outcome",
        ["Window", "Outcome", "Reason", "Patients, n (% of N)", "N", "Until, median (IQR), h"],
        rows,
        f"Every patient listed{but}, in the analysis or not. Where the shares differ by "
        "outcome, the length of monitoring tells of the outcome; an exposure per monitored "
        "hour does not undo that.",
    )


def flow(table: pl.DataFrame) -> Grid:
    """Return every step of every window (`contracts.FLOW`)."""
    rows = [
        [
            words_of(row["window"]),
            row["name"],
            *(str(row[name]) for name in ("n_in", "n_dropped", "n_out")),
            words_of(row["reason"] if row["n_dropped"] else None),
        ]
        for row in table.sort("window", "step").to_dicts()
    ]
    return Grid(
        "Patients at every step, every window",
        ["Window", "Step", "Before, n", "Left, n", "After, n", "Reason"],
        rows,
        "",
    )


def dropped(table: pl.DataFrame) -> Grid:
    """Return the patients who left before the analysis (`contracts.DROPPED`)."""
    ordered = table.sort("window", "step", "patient_id").to_dicts()
    rows = [
        [
            row["patient_id"],
            words_of(row["window"]),
            words_of(row["reason"]),
            row["detail"] or "",
        ]
        for row in ordered
    ]
    return Grid(
        "Patients who left, with the reason",
        ["Patient", "Window", "Reason", "Detail"],
        rows,
        "",
    )
