"""The table of how many had each of several events, for a model's page and the report."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from icpcohort.report.tables.grid import Grid, words_of
from icpcohort.report.tables.model_words import Columns
from icpcohort.report.tables.models import exposure_heading
from icpcohort.report.tables.numbers import format_estimate, format_number


def cumulative(table: pl.DataFrame, *, plan: Mapping[str, Any], columns: Columns) -> Grid:
    """Return how many had each event by stated times (`contracts.CUMULATIVE_INCIDENCE`)."""
    rows = [
        [
            _group_words(row["group"], plan, columns),
            words_of(row["event"], columns),
            f"{row['time_h']:g}",
            format_estimate(row["incidence"], row["ci_low"], row["ci_high"]),
            format_number(row["n_events"], decimals=0),
            format_number(row["n_risk"], decimals=0),
            format_number(row["n"], decimals=0),
        ]
        for row in table.to_dicts()
    ]
    head = ["Patients", "Event", "Hours", "Cumulative incidence (95 % CI)"]
    head += ["Events, n", "At risk, n", "n"]
    note = (
        "Share of the patients who had the event by then, in hours since time zero, of those "
        "in the analysis at the landmark; without a model, and not adjusted. A patient who had "
        "another event first counts as one without this event. At risk: just before the hour."
    )
    return Grid("Cumulative incidence of each event", head, rows, note)


def _group_words(group: str, plan: Mapping[str, Any], columns: Columns) -> str:
    """Return a group of patients with its exposure in words."""
    words = group.replace(str(plan["exposure"]), exposure_heading(plan, columns), 1)
    return words.replace(">=", "\u2265")
