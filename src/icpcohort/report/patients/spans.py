"""Spans of time: joined, clipped, and the state of each recorded minute that follows."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

Reals = NDArray[np.float64]
MINUTE_S = 60.0
STATES = ("valid", "masked", "missing")


def of(table: pl.DataFrame) -> Reals:
    """Return `start_s` and `end_s` of a table's rows as (n, 2); a null end is infinite."""
    ends = table.select(pl.col("start_s"), pl.col("end_s").fill_null(float("inf")))
    return np.asarray(ends.to_numpy(), np.float64).reshape(-1, 2)


def joined(spans: Reals, *, gap_s: float) -> Reals:
    """Return the spans in order, those joined that overlap or lie at most `gap_s` apart.

    Parameters
    ----------
    spans : (n, 2), s
        Starts and ends, in any order.
    """
    ordered = spans[np.argsort(spans[:, 0], kind="stable")]
    if not ordered.size:
        return ordered
    reach = np.maximum.accumulate(ordered[:, 1])
    first = np.append(True, ordered[1:, 0] > reach[:-1] + gap_s)
    last = np.append(first[1:], True)
    return np.column_stack([ordered[first, 0], reach[last]])


def clipped(spans: Reals, *, start_s: float, end_s: float) -> Reals:
    """Return the part of each span inside start_s to end_s; a span outside is left out."""
    inside = spans[(spans[:, 0] < end_s) & (spans[:, 1] > start_s)]
    return inside.clip(start_s, end_s)


def touched(t_end_s: Reals, spans: Reals) -> NDArray[np.bool_]:
    """Return which minutes, by their ends, overlap one of the spans."""
    apart = joined(spans, gap_s=0.0)
    if not apart.size:
        return np.zeros(t_end_s.size, np.bool_)
    after = np.searchsorted(apart[:, 1], t_end_s - MINUTE_S, side="right")
    starts_s = np.append(apart[:, 0], np.inf)
    return np.asarray(starts_s[after] < t_end_s)


def recorded(recordings: pl.DataFrame, *, signal: str) -> Reals:
    """Return start and end of each used recording that has the signal (`RECORDINGS`)."""
    return of(
        recordings.filter(
            pl.col("status") == "used", pl.col(f"{signal}_channel").is_not_null()
        ).sort("start_s", "recording_id")
    )


def minute_states(
    minutes: pl.DataFrame,
    *,
    artefacts: pl.DataFrame,
    recordings: pl.DataFrame,
    signal: str,
    column: str,
) -> pl.DataFrame:
    """Return what became of every recorded minute of a signal, which is one thing each.

    Parameters
    ----------
    minutes, artefacts, recordings : contracts of these names, of one patient
    signal : str
        A declared signal.
    column : str
        Its column in the minutes, which ends in the signal's unit.

    Returns
    -------
    DataFrame
        `t_s` (end of the minute) and `state`: valid when the minute has a mean; masked when
        it has none and a masked span touches it; else missing. Minutes of which nothing was
        recorded have no row.
    """
    spans = joined(recorded(recordings, signal=signal), gap_s=0.0)
    ends_s = [
        np.arange(np.floor(start_s / MINUTE_S) + 1, np.ceil(end_s / MINUTE_S) + 1) * MINUTE_S
        for start_s, end_s in spans
    ]
    grid = pl.DataFrame({"t_s": np.unique(np.concatenate([np.empty(0), *ends_s]))})
    rows = grid.join(minutes.select("t_s", column), on="t_s", how="left", validate="1:1").sort(
        "t_s"
    )
    masked = touched(rows["t_s"].to_numpy(), of(artefacts.filter(pl.col("signal") == signal)))
    return rows.select(
        "t_s",
        state=pl.when(pl.col(column).is_not_null())
        .then(pl.lit("valid"))
        .when(pl.Series(masked, dtype=pl.Boolean()))
        .then(pl.lit("masked"))
        .otherwise(pl.lit("missing")),
    )


def hourly_states(states: pl.DataFrame) -> pl.DataFrame:
    """Count the minutes of each state by hour: `hour`, `valid`, `masked`, `missing`.

    A minute belongs to the hour in which it began; hours without a recorded minute have
    no row.
    """
    hour = ((pl.col("t_s") - MINUTE_S) / 3600.0).floor().cast(pl.Int64())
    counts = [
        (pl.col("state") == state).sum().cast(pl.Int64()).alias(state) for state in STATES
    ]
    return states.group_by(hour=hour).agg(counts).sort("hour")
