"""Tables of the burden of pressure: over all minutes, by state, and by duration."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import burden_columns, declared_signals
from icpcohort.contracts.burden_columns import Threshold
from icpcohort.contracts.columns import unit_words
from icpcohort.report.tables.grid import Grid, words_of
from icpcohort.report.tables.numbers import MISSING, format_median, format_number
from icpcohort.report.tables.score_words import ScoreWords

MEDIANS = ("monitored_h", "dose_per_h", "percent_time", "n_episodes")


def _medians(known: pl.DataFrame, names: Sequence[str]) -> list[str]:
    """Return the median of each column of the burden, with its decimals."""
    columns = contracts.BURDEN.columns
    return [format_median(known[name], decimals=columns[name].decimals or 0) for name in names]


class Beyond(NamedTuple):
    """One threshold, in words too, and its rows of `contracts.BURDEN`."""

    threshold: Threshold
    words: str
    rows: pl.DataFrame


def dose_heading(declared: Mapping[str, Any]) -> str:
    """Return the heading of doses per hour: with the unit where all signals share one."""
    signals = declared_signals.series(declared)
    units = {signals[one.signal].about.unit for one in burden_columns.thresholds(declared)}
    unit = unit_words(units.pop()) if len(units) == 1 else "unit"
    return f"Dose/h, {unit}·h/h"


def threshold_of(row: Mapping[str, Any]) -> Threshold:
    """Return the threshold of a row of the intensity map."""
    return Threshold(row["signal"], row["side"], row["threshold"], row["threshold"])


def _quartiles(median: float | None, low: float | None, high: float | None) -> str:
    if median is None:
        return MISSING
    middle, first, third = (format_number(v, decimals=1) for v in (median, low, high))
    return f"{middle} ({first} to {third})"


def in_order(table: pl.DataFrame, declared: Mapping[str, Any]) -> Iterator[Beyond]:
    """Yield the rows of each threshold of `contracts.BURDEN`, in the order of the settings."""
    for threshold in burden_columns.thresholds(declared):
        part = table.filter(**threshold._asdict()).sort("patient_id")
        if part.height:
            yield Beyond(threshold, burden_columns.beyond(threshold, declared), part)


def burden(table: pl.DataFrame, *, declared: Mapping[str, Any]) -> Grid:
    """Return dose per hour and percentage of time by window and threshold."""
    rows = []
    for window, words, part in (
        (window, words, part)
        for (window,), of_window in table.sort("window").group_by("window", maintain_order=True)
        for _, words, part in in_order(of_window, declared)
    ):
        known = part.filter(pl.col("dose_per_h").is_not_null())
        rows.append(
            [
                words,
                words_of(str(window)),
                str(known.height),
                *_medians(known, MEDIANS),
            ]
        )
    head = [
        "Threshold",
        "Window",
        "Patients, n",
        "Monitored, h",
        dose_heading(declared),
        "Time, %",
        "Episodes, n",
    ]
    note = "Median (IQR) over the patients of the cohort with valid minutes in the window."
    return Grid("Pressure burden by window and threshold", head, rows, note)


def burden_by_state(
    table: pl.DataFrame,
    *,
    states: Mapping[str, str],
    caption: str,
    declared: Mapping[str, Any],
) -> Grid:
    """Return the burden of the minutes in each state alone (`contracts.BURDEN_BY_STATE`).

    `states` are those to show, each with its words; `table` is of one window.
    """
    rows = []
    for _, beyond, part in in_order(table, declared):
        for state, words in states.items():
            known = part.filter(pl.col("state") == state, pl.col("dose_per_h").is_not_null())
            rows.append(
                [
                    beyond,
                    words,
                    str(known.height),
                    *_medians(known, MEDIANS[:3]),
                ]
            )
    head = ["Threshold", "Minutes with", "Patients, n", "Time in state, h"]
    note = (
        "Median (IQR) over the patients of the cohort who have such minutes; dose and time are "
        "per hour and share of these minutes. Patients differ between the rows."
    )
    return Grid(caption, [*head, dose_heading(declared), "Time beyond, %"], rows, note)


def transition(table: pl.DataFrame, *, score: ScoreWords, declared: Mapping[str, Any]) -> Grid:
    """Return the line of no correlation in the map of one window (`contracts.TRANSITION`)."""
    words = {
        "crossing": "negative from this duration on",
        "below_zero": "negative at every duration",
        "not_below_zero": "negative at no duration",
        "unknown": "not estimable",
    }
    signals = list(declared_signals.series(declared))
    ordered = sorted(
        table.to_dicts(), key=lambda row: (signals.index(row["signal"]), row["threshold"])
    )
    rows = [
        [
            burden_columns.beyond(threshold_of(row), declared),
            format_number(row["duration_min"], decimals=1),
            words[row["course"]],
        ]
        for row in ordered
    ]
    head = ["Threshold", "Duration, min", f"Correlation of episodes with {score.correlated}"]
    note = (
        f"Where the correlation of episodes per day with {score.correlated} changes sign. A "
        "negative one goes "
        "with a worse outcome. Correlations without adjustment."
    )
    return Grid("Intensity and duration: the line of no correlation", head, rows, note)
