"""End of monitoring: when each patient's recordings ended in a window, and why.

Monitoring ends by death, recovery or the removal of a sensor, each of which is related to the
outcome; an exposure per monitored hour does not undo that, so it is described.
"""

from collections.abc import Mapping

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.exposures.window import Window

REASONS = (
    "landmark_reached",
    "death",
    "left_unit",
    "monitor_removed",
    "recording_ended",
    "unknown",
    "never_monitored",
)
EVENTS = {
    "death": "death_h",
    "left_unit": "left_unit_h",
    "monitor_removed": "monitor_removed_h",
}


def describe(
    patients: pl.DataFrame,
    facts: pl.DataFrame,
    *,
    windows: Mapping[str, Window],
    tolerance_h: float,
) -> pl.DataFrame:
    """Say for each patient and window when the recordings ended, and why.

    Parameters
    ----------
    patients
        Contract `patients`; every patient is described, in the cohort or not.
    facts
        As `eligibility.facts` gives them.
    windows : Window by its name
    tolerance_h : float, h
        An event at most this long before or after the end of the last recording explains it;
        of several death comes first, then discharge, then removal.

    Returns
    -------
    DataFrame of `contracts.MONITORING_END`
        `recording_ended`: something is known of the patient later on, so the recordings ended
        before the monitoring did or were lost; `unknown`: nothing is known that could tell.
        Null times where there was no recording in the window.

    Source: common practice, no source; why it matters: a follow-up time that depends on the
    outcome is informative (von Elm 2007, item 14c, asks for its summary).
    """
    known = patients.select("patient_id", "death_h", "left_unit_h").join(
        facts, on="patient_id", how="left", validate="1:1"
    )
    parts = [
        known.with_columns(window=pl.lit(name)).with_columns(**_columns(window, tolerance_h))
        for name, window in windows.items()
    ]
    names = list(contracts.MONITORING_END.columns)
    return pl.concat([store.empty(contracts.MONITORING_END), *(p.select(names) for p in parts)])


def _columns(window: Window, tolerance_h: float) -> dict[str, pl.Expr]:
    end_h, start_h = pl.col("monitoring_end_h"), pl.col("monitoring_start_h")
    never = end_h.is_null() | (start_h >= window["end_h"])
    reached = end_h >= window["end_h"]
    explains = {
        name: (pl.col(at_h) - end_h).abs().le(tolerance_h).fill_null(False)
        for name, at_h in EVENTS.items()
    }
    later = pl.any_horizontal(
        (pl.col(at_h) > end_h).fill_null(False) for at_h in EVENTS.values()
    )
    tests = {"never_monitored": never, "landmark_reached": reached, **explains}
    tests["recording_ended"] = later
    reason = pl.coalesce(pl.when(test).then(pl.lit(name)) for name, test in tests.items())
    event_h = pl.coalesce(
        pl.when(test).then(pl.col(EVENTS[name])) for name, test in explains.items()
    )
    until_h = pl.when(~never).then(pl.min_horizontal(end_h, pl.lit(window["end_h"])))
    return {
        "monitored_until_h": until_h,
        "reason": reason.fill_null("unknown"),
        "event_h": pl.when(~(never | reached)).then(event_h),
    }


def by_outcome(
    ends: pl.DataFrame, outcomes: pl.DataFrame, *, main_outcome: str
) -> pl.DataFrame:
    """Count the reasons by outcome.

    Parameters
    ----------
    ends
        As `describe` returns them.
    outcomes
        Contract `outcomes`; a patient without an outcome is counted under "unknown".
    main_outcome : str
        The flag that counts as unfavourable.

    Returns
    -------
    DataFrame of `contracts.MONITORING_END_BY_OUTCOME`
        Every reason that occurs in a window, for each outcome that occurs in it; zeros are
        counted, so the percentages of a window and outcome add up to 100.

    Source: quartiles as in `numbers.format_median`.
    """
    outcome = (
        pl.when(pl.col(main_outcome))
        .then(pl.lit("unfavourable"))
        .when(pl.col(main_outcome).is_not_null())
        .then(pl.lit("favourable"))
        .otherwise(pl.lit("unknown"))
    )
    rows = ends.join(outcomes, on="patient_id", how="left", validate="m:1").with_columns(
        outcome=outcome
    )
    hours = pl.col("monitored_until_h")
    counted = rows.group_by("window", "outcome", "reason").agg(
        n=pl.len().cast(pl.Int64()),
        until_median_h=hours.quantile(0.5, interpolation="linear"),
        until_q1_h=hours.quantile(0.25, interpolation="linear"),
        until_q3_h=hours.quantile(0.75, interpolation="linear"),
    )
    groups = rows.group_by("window", "outcome").agg(n_group=pl.len().cast(pl.Int64()))
    table = (
        groups.join(rows.select("window", "reason").unique(), on="window", how="inner")
        .join(counted, on=["window", "outcome", "reason"], how="left", validate="1:1")
        .with_columns(pl.col("n").fill_null(0))
        .with_columns(percent=100 * pl.col("n") / pl.col("n_group"))
    )
    contract = contracts.MONITORING_END_BY_OUTCOME
    return table.select(list(contract.columns)).sort(contract.key)


def methods_sentence(*, tolerance_h: float) -> str:
    """Return the report's sentences for `describe`, from the same setting."""
    return (
        "The end of a patient's recordings in a window was attributed to death, discharge "
        "from the unit or removal of the last monitor, in this order, if it lay within "
        f"{tolerance_h:g} h of it; otherwise the recordings had ended while the patient was "
        "still followed, or the reason is unknown. Why monitoring ended is described by "
        "outcome, because it is seldom independent of it."
    )
