"""Fit: one model of the analysis plan, unadjusted and adjusted in the same patients."""

from typing import NamedTuple

import polars as pl

from icpcohort import burden, contracts, store
from icpcohort.models import design as designs
from icpcohort.models import estimates
from icpcohort.models.estimates import Diagnostic
from icpcohort.models.plan import Plan, did_you_mean, refuse
from icpcohort.models.registry import FAMILIES

# Endpoints in words that stand alone; the contracts explain them by their neighbours.
ENDPOINTS = {
    "gose_6m": "the extended Glasgow Outcome Scale (GOSE) at 6 months",
    "gose_6m_merged": "the GOSE at 6 months with scores 2 and 3 merged",
    "unfavourable": "an unfavourable GOSE at 6 months",
    "dead": "death by 6 months",
}
NUMBERS = (pl.Float64(), pl.Int64(), pl.Boolean())


class Fit(NamedTuple):
    """The four tables of a model."""

    estimates: pl.DataFrame  # contracts.ESTIMATES
    diagnostics: pl.DataFrame  # contracts.DIAGNOSTICS
    flow: pl.DataFrame  # contracts.MODEL_FLOW
    dropped: pl.DataFrame  # contracts.MODEL_DROPPED


def fit_model(analysis: pl.DataFrame, *, plan: Plan) -> Fit:
    """Fit one model of the plan, unadjusted and adjusted in the same patients.

    Parameters
    ----------
    analysis : DataFrame, one row a window and patient
        As `contracts.analysis`; only the columns that the plan names are used. The rows of the
        plan's window are the cohort; its landmark has been applied to them. Rows with null in
        the outcome, the exposure or an adjustment column leave, with a reason.
    plan : Plan
        The model to fit.

    Returns
    -------
    Fit
        Where a model cannot be estimated honestly (nobody left, too few outcomes, a constant or
        collinear term, separation, no convergence) its rows are there with null numbers, and
        `diagnostics` says why. A plan without adjustment has unadjusted rows only.

    Raises
    ------
    ValueError
        If the plan names a family, window or column that is not there or not of its kind; all
        problems together.

    Source: see `logistic` and `proportional_odds`.
    """
    refuse(f"models.{plan.name}", _misfits(analysis, plan))
    chosen = designs.choose_rows(analysis.filter(pl.col("window") == plan.window), plan=plan)
    asked = {"unadjusted": ()} | ({"adjusted": plan.adjust_for} if plan.adjust_for else {})
    tables = [_fit_once(chosen, plan, name, columns) for name, columns in asked.items()]
    made = Fit(
        pl.concat([rows for rows, _ in tables]),
        pl.concat([rows for _, rows in tables]),
        chosen.flow,
        chosen.dropped,
    )
    contracted = (
        contracts.ESTIMATES,
        contracts.DIAGNOSTICS,
        contracts.MODEL_FLOW,
        contracts.MODEL_DROPPED,
    )
    for rows, table in zip(made, contracted, strict=True):
        store.check(rows, table, f"models.{plan.name}")
    return made


def _fit_once(
    chosen: designs.ModelRows, plan: Plan, adjustment: str, adjust_for: tuple[str, ...]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    design = designs.build(
        chosen.rows,
        exposure=plan.exposure,
        adjust_for=adjust_for,
        as_categories=plan.as_categories,
    )
    family = FAMILIES[plan.family]
    problems = designs.problems(design)
    if not chosen.rows.height:
        problems = [f"no patient is left ({_losses(chosen.flow)})"]
    fitted = family.fit(chosen.rows[plan.outcome], design, problems=problems)
    rows = estimates.estimate_rows(
        fitted,
        adjustment=adjustment,
        exposure=plan.exposure,
        unit_of_effect=plan.unit_of_effect,
    )
    references = [
        Diagnostic(f"reference_{name}", None, level) for name, level in design.references
    ]
    told = [*fitted.diagnostics, *references]
    return rows, estimates.diagnostic_rows(told, adjustment=adjustment)


def _losses(flow: pl.DataFrame) -> str:
    lost = flow.filter(pl.col("n_dropped") > 0)
    told = [f"{row['reason']}: {row['n_dropped']}" for row in lost.iter_rows(named=True)]
    return ", ".join(told) or "nobody is in the cohort of the window"


def _misfits(analysis: pl.DataFrame, plan: Plan) -> list[str]:
    """List where the plan and the analysis table do not fit together."""
    if plan.family not in FAMILIES:
        known = " or ".join(FAMILIES)
        near = did_you_mean(plan.family, FAMILIES)
        return [f"family: {plan.family!r} is unknown{near}; write {known}"]
    found = []
    asked = [("outcome", plan.outcome), ("exposure", plan.exposure)]
    asked += [("adjust_for", name) for name in plan.adjust_for]
    for key, name in asked:
        if name not in analysis.columns:
            near = did_you_mean(name, analysis.columns)
            found.append(f"{key}: no column {name!r} in the analysis table{near}")
        else:
            found += _wrong_kind(analysis[name], key, plan)
    repeated = analysis.filter(pl.col("window") == plan.window)["patient_id"].is_duplicated()
    if repeated.any():
        found.append(f"window: {repeated.sum()} rows of {plan.window!r} share a patient")
    return found


def _wrong_kind(column: pl.Series, key: str, plan: Plan) -> list[str]:
    name, family = column.name, FAMILIES[plan.family]
    if key == "outcome":
        if column.dtype != family.outcome_dtype:
            wants = family.outcome_in_words
            return [f"outcome: {name} is {column.dtype}; {plan.family} needs {wants}"]
        return []
    if column.dtype == pl.Float64() and not column.drop_nulls().is_finite().all():
        return [f"{key}: {name} holds NaN or infinite; write null for missing"]
    if key == "exposure" and column.dtype not in NUMBERS:
        return [f"exposure: {name} is {column.dtype}; it must be a number or a flag"]
    if key == "exposure" and column.dtype == pl.Boolean() and plan.unit_of_effect != 1:
        return [f"unit_of_effect: {name} is a flag; write unit_of_effect: 1.0"]
    if column.dtype not in (*NUMBERS, pl.String()):
        return [f"adjust_for: {name} is {column.dtype}; it must be a number, flag or text"]
    if name in plan.as_categories and column.dtype == pl.Float64():
        return [f"as_categories: {name} is continuous; take it out, or group it in your table"]
    return []


def methods_sentence(plan: Plan) -> str:
    """Return the report's sentences for one model, from its plan."""
    if plan.family not in FAMILIES:
        refuse(f"models.{plan.name}", [f"family: {plan.family!r} is unknown"])
    family = FAMILIES[plan.family]
    unit = f"{plan.unit_of_effect:g} more of it" if plan.unit_of_effect != 1 else "1 more of it"
    return (
        f"{plan.question} The outcome, {_in_words(plan.outcome)}, was analysed by "
        f"{family.in_words} in the cohort of the window '{plan.window.replace('_', ' ')}'. The "
        f"exposure was {_in_words(plan.exposure)}; its odds ratio is for {unit}. "
        f"{family.direction} "
        f"{_adjustment(plan)} Patients with an unknown outcome, exposure or adjustment value "
        "were left out (complete cases). Intervals are 95 % Wald intervals and p values are "
        "two-sided. No estimate is reported where a term separates the outcome, where terms "
        f"are collinear, or where {family.too_few}."
    )


def _adjustment(plan: Plan) -> str:
    if not plan.adjust_for:
        return f"No adjustment was made. Reason: {plan.reason.strip().rstrip('.')}."
    columns = "; ".join(_in_words(name) for name in plan.adjust_for)
    levels = (
        f" Entered one level at a time against the most frequent level: "
        f"{', '.join(plan.as_categories)}."
        if plan.as_categories
        else ""
    )
    return (
        "The model was fitted unadjusted and, in the same patients, adjusted for: "
        f"{columns}.{levels} Reason for the adjustment: {plan.reason.strip().rstrip('.')}."
    )


def _in_words(name: str) -> str:
    """The column's meaning and its name; the name alone if the contracts do not know it."""
    known = {column: known.about for column, known in contracts.analysis({}).columns.items()}
    about = (known | ENDPOINTS).get(name) or burden.column_words(name)
    return f"{about} ({name})" if about else name
