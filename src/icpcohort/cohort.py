"""Cohort: who is in the analysis of each window, who left at which step, and why."""

from collections.abc import Mapping
from typing import Any, NamedTuple

import polars as pl

from icpcohort import attrition, burden, contracts, store


class Cohort(NamedTuple):
    """Contracts `analysis(...)`, FLOW and DROPPED."""

    analysis: pl.DataFrame
    flow: pl.DataFrame
    dropped: pl.DataFrame


class Step(NamedTuple):
    """One question to every patient left; `drop_when` is never null."""

    name: str
    reason: str
    drop_when: pl.Expr
    detail: pl.Expr


def steps_of(window: Mapping[str, float], *, min_age_years: float) -> list[Step]:
    """Return the steps that lead to one window's cohort, in order.

    The landmark is the window's end: who died or left the unit before it is not in the
    analysis, because no exposure of the whole window exists for them (immortal time).

    Source: landmark: Anderson 1983, J Clin Oncol 1:710; numbers and reasons at each stage:
    STROBE items 13a and 13b.
    """
    end_h, min_h = window["end_h"], window["min_monitored_h"]
    hours = pl.format("{} h monitored", pl.col("monitored_h").round(1))
    return [
        Step(
            "Usable ICP recording",
            "no_usable_recording",
            ~pl.col("has_recording"),
            pl.lit("no recording could be used; see excluded.parquet"),
        ),
        Step(
            "Age known",
            "age_unknown",
            pl.col("age_years").is_null(),
            pl.lit("no age in the patients table"),
        ),
        Step(
            f"Age {min_age_years:g} years or more",
            "under_age",
            pl.col("age_years") < min_age_years,
            pl.format("age {} years", pl.col("age_years")),
        ),
        Step(
            "Time of death known, if dead",
            "death_time_unknown",
            (
                (pl.col("gose_6m") == 1)
                & pl.col("death_h").is_null()
                & (pl.col("left_unit_h").is_null() | (pl.col("left_unit_h") < end_h))
            ).fill_null(False),
            pl.lit("GOSE 1 without the time of death: alive at the landmark or not"),
        ),
        Step(
            f"Alive at {end_h:g} h",
            "died_before_landmark",
            (pl.col("death_h") < end_h).fill_null(False),
            pl.format("died at {} h", pl.col("death_h")),
        ),
        Step(
            f"In the unit at {end_h:g} h",
            "left_before_landmark",
            (pl.col("left_unit_h") < end_h).fill_null(False),
            pl.format("left the unit at {} h", pl.col("left_unit_h")),
        ),
        Step(
            f"At least {min_h:g} h of valid ICP between {window['start_h']:g} and {end_h:g} h",
            "monitored_too_short",
            pl.col("monitored_h") < min_h,
            hours,
        ),
    ]


def select(
    patients: pl.DataFrame,
    outcomes: pl.DataFrame,
    summary: pl.DataFrame,
    burdens: pl.DataFrame,
    *,
    windows: Mapping[str, Mapping[str, float]],
    min_age_years: float,
    icp_above_mmhg: list[float],
    cpp_below_mmhg: list[float],
) -> Cohort:
    """Form the cohort of each window.

    Parameters
    ----------
    patients, outcomes, summary, burdens
        Contracts PATIENTS, OUTCOMES, SUMMARY and BURDEN.
    windows : name -> start_h, end_h, min_monitored_h
    min_age_years : float
    icp_above_mmhg, cpp_below_mmhg : thresholds of `burdens`, for the names of its columns

    Returns
    -------
    Cohort
        Each window begins with every patient of `patients`; kept and dropped add up to it.
    """
    wide = burden.widen(burdens, icp_above_mmhg=icp_above_mmhg, cpp_below_mmhg=cpp_below_mmhg)
    columns = burden.wide_columns(icp_above_mmhg=icp_above_mmhg, cpp_below_mmhg=cpp_below_mmhg)
    table = contracts.analysis(columns)
    analyses = [store.empty(table)]
    flows = [store.empty(contracts.FLOW)]
    drops = [store.empty(contracts.DROPPED)]
    known = patients.join(outcomes.drop("gose_6m"), on="patient_id", how="left", validate="1:1")
    for name, window in windows.items():
        exposures = summary.filter(pl.col("window") == name).join(
            wide.filter(pl.col("window") == name).drop("window"),
            on="patient_id",
            how="left",
            validate="1:1",
        )
        rows = known.join(exposures, on="patient_id", how="left", validate="1:1").with_columns(
            has_recording=pl.col("monitored_h").is_not_null(),
            monitored_h=pl.col("monitored_h").fill_null(0.0),
            window=pl.lit(name),
        )
        kept, flow, dropped = follow(rows, steps_of(window, min_age_years=min_age_years))
        analyses.append(kept.select(list(table.columns)))
        flows.append(flow.select(pl.lit(name).alias("window"), pl.all()))
        drops.append(dropped.select(pl.lit(name).alias("window"), pl.all()))
    return Cohort(
        pl.concat(analyses),
        pl.concat([f.select(list(contracts.FLOW.columns)) for f in flows]),
        pl.concat([d.select(list(contracts.DROPPED.columns)) for d in drops]),
    )


def follow(
    rows: pl.DataFrame, steps: list[Step]
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Take `rows` through `steps`; return who is kept, the flow, and who left at which step."""
    flow: list[dict[str, Any]] = [_count(1, "Patients listed", rows.height, rows.height, None)]
    left = [pl.DataFrame(schema=_LEFT)]
    for number, step in enumerate(steps, start=2):
        split = attrition.split(rows, drop_when=step.drop_when, reason=step.reason)
        flow.append(_count(number, step.name, rows.height, split.kept.height, step.reason))
        left.append(
            split.dropped.select(
                "patient_id",
                pl.lit(number, pl.Int64()).alias("step"),
                "reason",
                step.detail.alias("detail"),
            )
        )
        rows = split.kept
    return rows, pl.DataFrame(flow, schema=_COUNTS), pl.concat(left)


_LEFT = {name: c.dtype for name, c in contracts.DROPPED.columns.items() if name != "window"}
_COUNTS = {name: c.dtype for name, c in contracts.FLOW.columns.items() if name != "window"}


def _count(step: int, name: str, n_in: int, n_out: int, reason: str | None) -> dict[str, Any]:
    return {
        "step": step,
        "name": name,
        "n_in": n_in,
        "n_out": n_out,
        "n_dropped": n_in - n_out,
        "reason": reason,
    }


def methods_sentence(
    *, windows: Mapping[str, Mapping[str, float]], min_age_years: float, time_zero: str
) -> str:
    """Return the report's sentences for `select`, from the same settings."""
    spans = "; ".join(
        f"{span['start_h']:g} to {span['end_h']:g} h (at least {span['min_monitored_h']:g} h of"
        " valid ICP)"
        for span in windows.values()
    )
    return (
        f"Exposure windows were fixed, counted from {time_zero.replace('_', ' ')}: {spans}. The"
        " end of a window was its landmark: patients who had died or left the unit before it,"
        " or who died at a time not known, are not in its analysis; a patient without a time"
        " of discharge was taken to be in the unit. Patients under"
        f" {min_age_years:g} years were not included."
    )
