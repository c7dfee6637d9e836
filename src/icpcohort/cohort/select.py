"""Cohort: who is in the analysis of each window, who left at which step, and why."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.cohort import attrition, eligibility
from icpcohort.cohort import outcomes as endpoints
from icpcohort.cohort.eligibility import Step
from icpcohort.contracts import store
from icpcohort.exposures import burden


class Cohort(NamedTuple):
    """Contracts `analysis(...)`, FLOW and DROPPED."""

    analysis: pl.DataFrame
    flow: pl.DataFrame
    dropped: pl.DataFrame


def select(
    patients: pl.DataFrame,
    outcomes: pl.DataFrame,
    summary: pl.DataFrame,
    burdens: pl.DataFrame,
    facts: pl.DataFrame,
    *,
    windows: Mapping[str, Mapping[str, float]],
    rules: Sequence[Mapping[str, Any]],
    thresholds: Mapping[str, Sequence[float]],
) -> Cohort:
    """Form the cohort of each window.

    Parameters
    ----------
    patients, outcomes, summary, burdens
        Contracts PATIENTS, OUTCOMES, SUMMARY and BURDEN.
    facts
        As `eligibility.facts` gives them.
    windows : name -> start_h, end_h, min_monitored_h
    rules
        `cohort.eligibility` of the settings; see `eligibility.steps_of`.
    thresholds : of `burdens`, for the names of its columns; see `burden_columns.thresholds`

    Returns
    -------
    Cohort
        Each window begins with every patient of `patients`; kept and dropped add up to it.
    """
    wide = burden.widen(burdens, thresholds)
    table = contracts.analysis(thresholds)
    analyses = [store.empty(table)]
    flows = [store.empty(contracts.FLOW)]
    drops = [store.empty(contracts.DROPPED)]
    known = patients.join(
        outcomes.drop("gose_6m"), on="patient_id", how="left", validate="1:1"
    ).join(facts, on="patient_id", how="left", validate="1:1")
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
            **endpoints.survival_columns(landmark_h=window["end_h"]),
        )
        kept, flow, dropped = follow(rows, eligibility.steps_of(rules, window=window))
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
    *,
    windows: Mapping[str, Mapping[str, float]],
    rules: Sequence[Mapping[str, Any]],
    time_zero: str,
) -> str:
    """Return the report's sentences for `select`, from the same settings."""
    spans = "; ".join(
        f"{span['start_h']:g} to {span['end_h']:g} h (at least {span['min_monitored_h']:g} h of"
        " valid ICP)"
        for span in windows.values()
    )
    asked = "; ".join(eligibility.in_words(rules))
    return (
        f"Exposure windows were fixed, counted from {time_zero.replace('_', ' ')}: {spans}. The"
        " end of a window was its landmark: patients who had died or left the unit before it,"
        " or who died at a time not known, are not in its analysis; a patient without a time"
        " of discharge was taken to be in the unit. Patients with a usable recording of ICP"
        f" were eligible{f', with: {asked}' if asked else ''}."
    )
