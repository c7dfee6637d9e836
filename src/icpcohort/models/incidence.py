"""Cumulative incidence: how many had each of several events by a time, without a model."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.stats import norm

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.models.design import Array
from icpcohort.study.plan import Plan

ALL = "all patients"
Codes = npt.NDArray[np.int64]


class Incidence(NamedTuple):
    """Each event's share of the patients by some times, as arrays (n times, n events)."""

    share: Array
    se: Array
    n_events: Codes  # by then
    n_risk: Codes  # (n times,) just before


def aalen_johansen(
    entry_h: Array, exit_h: Array, ended_by: Codes, *, n_events: int, times_h: Array
) -> Incidence:
    """Estimate the cumulative incidence of each of several events that exclude each other.

    Parameters
    ----------
    entry_h, exit_h : arrays (n,), h
        Each patient is at risk after `entry_h`, until and with `exit_h`.
    ended_by : array of int (n,)
        The event at `exit_h`, from 1; 0 where the patient was censored.
    n_events : int
    times_h : array

    Returns
    -------
    Incidence
        Standard errors by the infinitesimal jackknife, from each patient's influence, as those
        of R's `survfit`. The same come from statsmodels' `CumIncidenceRight`, but only until
        the last patient at risk has an event: from then on it has none.

    Source: Aalen 1978; influence as the derivative of the estimate by a patient's weight,
    Therneau 2000, section 2.2.
    """
    n = len(exit_h)
    free, share = 1.0, np.zeros(n_events)
    moves_free, moves = np.zeros(n), np.zeros((n, n_events))
    found: list[tuple[Array, Array]] = []
    steps_h = np.unique(exit_h[ended_by > 0])
    events = np.arange(1, n_events + 1)
    done = 0
    for time_h in np.sort(times_h):
        for step_h in steps_h[done : np.searchsorted(steps_h, time_h, "right")]:
            at_risk = (entry_h < step_h) & (exit_h >= step_h)
            had = (at_risk & (exit_h == step_h))[:, None] & (ended_by[:, None] == events)
            total = float(at_risk.sum())
            hazard = had.sum(axis=0) / total
            change = (had - at_risk[:, None] * hazard) / total
            moves = moves + moves_free[:, None] * hazard + free * change
            moves_free = moves_free * (1 - hazard.sum()) - free * change.sum(axis=1)
            share = share + free * hazard
            free *= 1 - hazard.sum()
            done += 1
        found.append((share, np.sqrt((moves**2).sum(axis=0))))
    by_then = [[int(((ended_by == k) & (exit_h <= t)).sum()) for k in events] for t in times_h]
    at = [int(((entry_h < t) & (exit_h >= t)).sum()) for t in times_h]
    back = np.argsort(np.argsort(times_h, kind="stable"), kind="stable")
    return Incidence(
        np.array([found[i][0] for i in back]).reshape(-1, n_events),
        np.array([found[i][1] for i in back]).reshape(-1, n_events),
        np.array(by_then).reshape(-1, n_events),
        np.array(at),
    )


def limits(share: Array, se: Array) -> tuple[Array, Array]:
    """Return 95 % limits through log(-log); NaN where the share is 0 or 1.

    They stay between 0 and 1. R's `survfit` has "log" limits unless it is told otherwise.

    Source: Kalbfleisch 1980.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        half = norm.ppf(0.975) * se / (share * np.abs(np.log(share)))
        inside = (share > 0) & (share < 1) & np.isfinite(half)
        low, high = share ** np.exp(half), share ** np.exp(-half)
    return np.where(inside, low, np.nan), np.where(inside, high, np.nan)


def table(rows: pl.DataFrame, *, plan: Plan) -> pl.DataFrame:
    """Return rows of `contracts.CUMULATIVE_INCIDENCE`; none for a plan without an event.

    Parameters
    ----------
    rows : DataFrame
        The rows of the fit, one per patient, as `follow_up.to_event` gives them.
    plan : Plan
        Times beyond the landmark count; without any the horizon is the only one. Groups lie
        below and from `incidence_split`, or from the median of the exposure.
    """
    if plan.event is None or plan.horizon_h is None or not rows.height:
        return store.empty(contracts.CUMULATIVE_INCIDENCE)
    events = rows["ended_by"].drop_nulls().unique().sort().to_list()
    if not events:
        return store.empty(contracts.CUMULATIVE_INCIDENCE)
    times_h = np.array(sorted({*plan.incidence_at_h} or {plan.horizon_h}))
    times_h = times_h[times_h > float(rows["landmark_h"][0])]
    split, groups = _groups(rows, plan)
    return pl.concat(
        [
            store.empty(contracts.CUMULATIVE_INCIDENCE),
            *(
                _of_group(name, part, events, times_h, None if name == ALL else split)
                for name, part in groups
                if part.height
            ),
        ]
    )


def _groups(rows: pl.DataFrame, plan: Plan) -> tuple[float, list[tuple[str, pl.DataFrame]]]:
    """Return the value that divides the exposure, and all patients and both sides of it."""
    exposure, values = plan.exposure, rows[plan.exposure].cast(pl.Float64)
    if rows.schema[exposure] == pl.Boolean():
        split, names = 0.5, (f"{exposure}: no", f"{exposure}: yes")
    else:
        median = float(np.median(values.to_numpy()))
        split = median if plan.incidence_split is None else plan.incidence_split
        names = (f"{exposure} < {split:.6g}", f"{exposure} >= {split:.6g}")
    below = values < split
    return split, [(ALL, rows), (names[0], rows.filter(below)), (names[1], rows.filter(~below))]


def _of_group(
    name: str, rows: pl.DataFrame, events: Sequence[str], times_h: Array, split: float | None
) -> pl.DataFrame:
    code = {event: number for number, event in enumerate(events, start=1)}
    made = aalen_johansen(
        rows["landmark_h"].to_numpy(),
        rows["follow_up_h"].to_numpy(),
        np.array([code.get(event, 0) for event in rows["ended_by"]], dtype=np.int64),
        n_events=len(events),
        times_h=times_h,
    )
    low, high = limits(made.share, made.se)
    k, n = len(times_h), len(events)
    columns = {
        "group": [name] * (k * n),
        "event": [event for event in events for _ in range(k)],
        "time_h": np.tile(times_h, n),
        "incidence": made.share.T.ravel(),
        "se": made.se.T.ravel(),
        "ci_low": low.T.ravel(),
        "ci_high": high.T.ravel(),
        "n_risk": np.tile(made.n_risk, n),
        "n_events": made.n_events.T.ravel(),
        "n": [rows.height] * (k * n),
        "split_value": [split] * (k * n),
    }
    schema = {name: c.dtype for name, c in contracts.CUMULATIVE_INCIDENCE.columns.items()}
    return pl.DataFrame(columns, schema=schema).with_columns(
        pl.col("ci_low", "ci_high").fill_nan(None)
    )
