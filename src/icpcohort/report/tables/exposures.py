"""Tables of the burden of pressure: over all minutes, by state, and by duration."""

from collections.abc import Mapping, Sequence

import polars as pl

from icpcohort import contracts
from icpcohort.report.tables.grid import Grid, words_of
from icpcohort.report.tables.numbers import MISSING, format_median, format_number
from icpcohort.report.tables.score_words import ScoreWords

MEDIANS = ("monitored_h", "dose_per_h_mmhg", "percent_time", "n_episodes")


def _medians(known: pl.DataFrame, names: Sequence[str]) -> list[str]:
    """Return the median of each column of the burden, with its decimals."""
    columns = contracts.BURDEN.columns
    return [format_median(known[name], decimals=columns[name].decimals or 0) for name in names]


def _quartiles(median: float | None, low: float | None, high: float | None) -> str:
    if median is None:
        return MISSING
    middle, first, third = (format_number(v, decimals=1) for v in (median, low, high))
    return f"{middle} ({first} to {third})"


def burden(table: pl.DataFrame) -> Grid:
    """Return dose per hour and percentage of time by window and threshold."""
    ordered = table.sort(
        ["window", "signal", "threshold_mmhg", "patient_id"],
        descending=[False, True, False, False],
    )
    keys = ["window", "signal", "side", "threshold_mmhg"]
    rows = []
    for (window, signal, side, threshold), part in ordered.group_by(keys, maintain_order=True):
        known = part.filter(pl.col("dose_per_h_mmhg").is_not_null())
        rows.append(
            [
                f"{str(signal).upper()} {side} {threshold:g} mmHg",
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
        "Dose/h, mmHg·h/h",
        "Time, %",
        "Episodes, n",
    ]
    note = "Median (IQR) over the patients of the cohort with valid minutes in the window."
    return Grid("Pressure burden by window and threshold", head, rows, note)


def burden_by_state(table: pl.DataFrame, *, states: Mapping[str, str], caption: str) -> Grid:
    """Return the burden of the minutes in each state alone (`contracts.BURDEN_BY_STATE`).

    `states` are those to show, each with its words; `table` is of one window.
    """
    keys = ["signal", "side", "threshold_mmhg"]
    ordered = table.sort(*keys, "patient_id", descending=[True, False, False, False])
    rows = []
    for (signal, side, threshold), part in ordered.group_by(keys, maintain_order=True):
        for state, words in states.items():
            known = part.filter(
                pl.col("state") == state, pl.col("dose_per_h_mmhg").is_not_null()
            )
            rows.append(
                [
                    f"{str(signal).upper()} {side} {threshold:g} mmHg",
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
    return Grid(caption, [*head, "Dose/h, mmHg·h/h", "Time beyond, %"], rows, note)


def transition(table: pl.DataFrame, *, score: ScoreWords) -> Grid:
    """Return the line of no correlation in the map of one window (`contracts.TRANSITION`)."""
    words = {
        "crossing": "negative from this duration on",
        "below_zero": "negative at every duration",
        "not_below_zero": "negative at no duration",
        "unknown": "not estimable",
    }
    side = {"icp": "above", "cpp": "below"}
    rows = [
        [
            f"{row['signal'].upper()} {side[row['signal']]} {row['threshold_mmhg']:g} mmHg",
            format_number(row["duration_min"], decimals=1),
            words[row["course"]],
        ]
        for row in table.sort("signal", "threshold_mmhg", descending=[True, False]).to_dicts()
    ]
    head = ["Threshold", "Duration, min", f"Correlation of episodes with {score.correlated}"]
    note = (
        f"Where the correlation of episodes per day with {score.correlated} changes sign. A "
        "negative one goes "
        "with a worse outcome. Correlations without adjustment."
    )
    return Grid("Intensity and duration: the line of no correlation", head, rows, note)
