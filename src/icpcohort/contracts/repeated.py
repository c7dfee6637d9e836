"""Repeated: values that change while a patient is followed, and their columns in a window."""

from collections.abc import Mapping
from typing import Any

from icpcohort.contracts import variables
from icpcohort.contracts.columns import PATIENT_ID, REAL, TEXT, WINDOW, Column, Table

REPEATED_VALUES = Table(
    "repeated_values.parquet",
    "Values that change while a patient is followed: one row per patient, variable and value",
    ("patient_id", "variable", "from_h"),
    {
        "patient_id": PATIENT_ID,
        "variable": Column(TEXT, "", "Variable, as declared"),
        "from_h": Column(REAL, "h", "When the value began, since time zero"),
        "to_h": Column(REAL, "h", "When it ended; null where the next one ends it"),
        "value": Column(REAL, "1", "The value; null where it was not recorded"),
    },
)


def columns_of_values(declared: Mapping[str, Any]) -> dict[str, Column]:
    """Return the column that each variable would have if it had one, by name.

    `declared` are sections of the settings, as in `repeated_summary`.
    """
    return {
        name: variables.column_of({**entry, "known": "in_window"}, role="covariate")
        for name, entry in declared.get("repeated", {}).items()
    }


def columns_of_summaries(declared: Mapping[str, Any]) -> dict[str, Column]:
    """Return the columns of the summaries of all variables in a window."""
    return {
        f"{name}_{summary}": _summary(entry, summary)
        for name, entry in declared.get("repeated", {}).items()
        for summary in entry.get("summaries", ())
    }


def _summary(entry: Mapping[str, Any], summary: str) -> Column:
    unit = "1" if summary == "share" else entry.get("unit", "")
    words = {
        "mean": "mean over time in the window",
        "max": "highest value in the window",
        "last": "last value in the window",
        "share": f"share of time in the window from {entry.get('share_from', 0.0):g} on",
    }[summary]
    full = entry.get("in_full") or entry.get("about") or entry["label"]
    return Column(
        REAL,
        unit,
        f"{entry.get('about') or entry['label']}: {words}",
        f"{entry['label']}, {words.removesuffix(' in the window')}",
        decimals=2 if summary == "share" else entry.get("decimals"),
        role="covariate",
        known="in the window",
        in_full=f"{full}, {words}",
        kind="number",
    )


def repeated_summary(declared: Mapping[str, Any]) -> Table:
    """Return the contract of the repeated values by window.

    Parameters
    ----------
    declared : mapping
        Sections of the settings by their names, of which `repeated` is read: each summary of a
        variable has a column.
    """
    return Table(
        "repeated_summary.parquet",
        "One row per patient with repeated values, and window: their summaries in it",
        ("window", "patient_id"),
        {
            "window": WINDOW,
            "patient_id": PATIENT_ID,
            **columns_of_summaries(declared),
        },
        role="covariate",
    )
