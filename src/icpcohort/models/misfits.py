"""Misfits: where a plan and the tables that it is fitted to do not go together."""

import polars as pl

from icpcohort.models.registry import COMPUTING
from icpcohort.study.blocks import did_you_mean
from icpcohort.study.families import EVENT_SUFFIX, FAMILIES, TIME_SUFFIX
from icpcohort.study.plan import Plan

NUMBERS = (pl.Float64(), pl.Int64(), pl.Boolean())


def misfits(
    analysis: pl.DataFrame,
    plan: Plan,
    updates: pl.DataFrame | None,
    repeated: pl.DataFrame | None,
) -> list[str]:
    """List where the plan and the analysis table do not fit together."""
    if plan.family not in FAMILIES:
        known = " or ".join(COMPUTING)
        near = did_you_mean(plan.family, FAMILIES)
        return [f"family: {plan.family!r} is unknown{near}; write {known}"]
    lines = []
    outcomes = [("outcome", plan.outcome)]
    if plan.event:
        outcomes = [("outcome", plan.outcome + end) for end in (TIME_SUFFIX, EVENT_SUFFIX)]
    asked = [*outcomes, ("exposure", plan.exposure)]
    asked += [("adjust_for", name) for name in plan.adjust_for]
    asked += [("clusters", plan.clusters)] if plan.clusters else []
    asked += (
        [("imputation.auxiliary", c) for c in plan.imputation.auxiliary]
        if plan.imputation
        else []
    )
    if FAMILIES[plan.family].timed and plan.event is None:
        asked += [("family", name) for name in ("survival_h", "died")]
    if FAMILIES[plan.family].time_dependent:
        lines += _lacking_updates(plan, updates)
    lines += _lacking_values(analysis, plan, repeated)
    for key, name in asked:
        if name not in analysis.columns:
            near = did_you_mean(name, analysis.columns)
            lines.append(f"{key}: no column {name!r} in the analysis table{near}")
        else:
            lines += _wrong_kind(analysis[name], key, plan)
    shared = analysis.filter(pl.col("window") == plan.window)["patient_id"].is_duplicated()
    if shared.any():
        lines.append(f"window: {shared.sum()} rows of {plan.window!r} share a patient")
    return lines


def _wrong_kind(column: pl.Series, key: str, plan: Plan) -> list[str]:
    name, outcome = column.name, FAMILIES[plan.family].outcome
    if key == "outcome":
        if plan.event:
            return _no_event_column(column, plan)
        if column.dtype not in outcome.types:
            return [f"outcome: {name} is {column.dtype}; {plan.family} needs {outcome.words}"]
        return []
    if key in ("clusters", "family"):
        return []
    if column.dtype == pl.Float64() and not column.drop_nulls().is_finite().all():
        return [f"{key}: {name} holds NaN or infinite; write null for missing"]
    if key == "exposure" and column.dtype not in NUMBERS:
        return [f"exposure: {name} is {column.dtype}; it must be a number or a flag"]
    if key == "exposure" and column.dtype == pl.Boolean() and plan.unit_of_effect != 1:
        return [f"unit_of_effect: {name} is a flag; write unit_of_effect: 1.0"]
    if column.dtype not in (*NUMBERS, pl.String()):
        return [f"{key}: {name} is {column.dtype}; it must be a number, flag or text"]
    if name in plan.as_categories and column.dtype == pl.Float64():
        return [f"as_categories: {name} is continuous; take it out, or group it in your table"]
    if name == plan.interaction and column.dtype == pl.Float64():
        return [
            f"interaction: {name} is continuous; name a category, or group it in your table"
        ]
    if key == "exposure" and column.dtype == pl.Boolean() and plan.curve_knots:
        return [f"curve_knots: {name} is a flag and has no curve; take curve_knots out"]
    return []


def _no_event_column(column: pl.Series, plan: Plan) -> list[str]:
    """Say when a column of an outcome of events does not hold a time, or names."""
    is_time = column.name == plan.outcome + TIME_SUFFIX
    if column.dtype != (pl.Float64() if is_time else pl.String()):
        holds = "hours from the landmark" if is_time else "names of events"
        return [f"outcome: {column.name} is {column.dtype}; it must hold {holds}"]
    if is_time and not column.drop_nulls().is_finite().all():
        return [f"outcome: {column.name} holds NaN or infinite; write null for missing"]
    return []


def _lacking_values(
    analysis: pl.DataFrame, plan: Plan, repeated: pl.DataFrame | None
) -> list[str]:
    """List what is wrong with the repeated values that a plan names."""
    if not plan.time_varying:
        return []
    if repeated is None:
        return ["time_varying: the study has no repeated values; declare them, or take it out"]
    known = repeated["variable"].unique().sort().to_list()
    problems = []
    for name in plan.time_varying:
        if name not in known:
            near = did_you_mean(name, known)
            problems.append(f"time_varying: no variable {name!r} in the repeated values{near}")
        if name in analysis.columns:
            problems.append(
                f"time_varying: {name!r} is a column of the analysis table too; give the "
                "repeated values another name"
            )
        twice = repeated.filter(variable=name).filter(
            pl.struct("patient_id", "from_h").is_duplicated()
        )
        if twice.height:
            patient_id, from_h = twice.select("patient_id", "from_h").row(0)
            problems.append(
                f"time_varying: {name} has two values from {from_h:g} h of patient "
                f"{patient_id}; keep one"
            )
    return problems


def _lacking_updates(plan: Plan, updates: pl.DataFrame | None) -> list[str]:
    if updates is None:
        return [f"family: {plan.family} needs the exposure day by day (updates.parquet)"]
    if plan.exposure not in updates.columns:
        near = did_you_mean(plan.exposure, updates.columns)
        return [f"exposure: {plan.exposure!r} is not followed day by day{near}"]
    return []
