"""Fit: one model of the analysis plan, unadjusted and adjusted in the same patients."""

from typing import NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.models import (
    companions,
    curves,
    design,
    e_values,
    estimates,
    follow_up,
    imputation,
    optimism,
    robust,
    wald,
)
from icpcohort.models.estimates import Diagnostic
from icpcohort.models.fitting import Model, as_rows, fit_frames
from icpcohort.models.registry import FAMILIES
from icpcohort.study import immortal_time
from icpcohort.study.plan import COX, Plan, did_you_mean, refuse

NUMBERS = (pl.Float64(), pl.Int64(), pl.Boolean())


class Prepared(NamedTuple):
    """The rows of a model, completed where the plan says so."""

    chosen: design.ModelRows
    filled: tuple[pl.DataFrame, ...]  # the rows, once an imputation
    guessed: tuple[pl.DataFrame, ...]  # those without an outcome


class Fit(NamedTuple):
    """The tables of a model, and the data of its fit."""

    estimates: pl.DataFrame  # contracts.ESTIMATES
    diagnostics: pl.DataFrame  # contracts.DIAGNOSTICS
    flow: pl.DataFrame  # contracts.MODEL_FLOW
    dropped: pl.DataFrame  # contracts.MODEL_DROPPED
    alternatives: pl.DataFrame  # contracts.ALTERNATIVES
    risks: pl.DataFrame  # contracts.RISKS
    curve: pl.DataFrame  # contracts.EXPOSURE_CURVE
    performance: pl.DataFrame  # contracts.PERFORMANCE
    models: tuple[Model, ...]  # for `replication`


CONTRACTED = (
    contracts.ESTIMATES,
    contracts.DIAGNOSTICS,
    contracts.MODEL_FLOW,
    contracts.MODEL_DROPPED,
    contracts.ALTERNATIVES,
    contracts.RISKS,
    contracts.EXPOSURE_CURVE,
    contracts.PERFORMANCE,
)


def fit_model(
    analysis: pl.DataFrame, *, plan: Plan, landmark_h: float, updates: pl.DataFrame | None
) -> Fit:
    """Fit one model of the plan, unadjusted and adjusted in the same patients.

    Parameters
    ----------
    analysis : DataFrame, one row a window and patient
        As `contracts.analysis`; only the columns that the plan names are used, and the times of
        death and discharge. The rows of the plan's window are the cohort; its landmark has been
        applied to them. Rows with null in the outcome, the exposure or an adjustment column
        leave, with a reason, unless the plan imputes adjustment values.
    plan : Plan
        The model to fit.
    landmark_h : float, h since time zero
        End of the plan's window.
    updates : DataFrame as `contracts.updates`, or None
        The exposure day by day; only a Cox model with time-dependent exposure needs it.

    Returns
    -------
    Fit
        Where a model cannot be estimated honestly (nobody left, too few outcomes, a constant or
        collinear term, separation, no convergence) its rows are there with null numbers, and
        `diagnostics` says why. A plan without adjustment has unadjusted rows only.

    Raises
    ------
    ValueError
        If the plan names a family, window or column that is not there or not of its kind, or
        if somebody in the rows had died or left before the landmark; all problems together.

    Source: see the module of each family.
    """
    prepared = prepare(analysis, plan=plan, landmark_h=landmark_h, updates=updates)
    models = tuple(
        fit_once(prepared, plan=plan, adjustment=name, updates=updates)
        for name in adjustments(plan)
    )
    tables = _tables(models, prepared, plan, updates=updates)
    for rows, table in zip(tables, CONTRACTED, strict=True):
        store.check(rows, table, f"models.{plan.name}")
    return Fit._make((*tables, models))


def prepare(
    analysis: pl.DataFrame, *, plan: Plan, landmark_h: float, updates: pl.DataFrame | None
) -> Prepared:
    """Choose the rows of a model, and complete them; parameters and errors of `fit_model`."""
    where = f"models.{plan.name}"
    refuse(where, _misfits(analysis, plan, updates))
    cohort = analysis.filter(pl.col("window") == plan.window)
    refuse(where, immortal_time.refused_rows(cohort, landmark_h=landmark_h))
    if plan.family in COX:
        cohort = follow_up.times(
            cohort, landmark_h=landmark_h, horizon_h=float(plan.horizon_h or 0.0)
        )
    chosen = design.choose_rows(cohort, plan=plan)
    undecided = companions.undecided(cohort, chosen, plan=plan)
    return Prepared(chosen, *_completed(chosen.rows, undecided, plan))


def adjustments(plan: Plan) -> dict[str, tuple[str, ...]]:
    """Return the columns of each fit of a plan, by its name; the main one is the last."""
    alone = (plan.interaction,) if plan.interaction else ()
    return {"unadjusted": alone} | ({"adjusted": plan.adjust_for} if plan.adjust_for else {})


def _completed(
    rows: pl.DataFrame, undecided: pl.DataFrame, plan: Plan
) -> tuple[tuple[pl.DataFrame, ...], tuple[pl.DataFrame, ...]]:
    """Return the rows of the fit, and those without an outcome, once an imputation."""
    how = plan.imputation
    if how is None or not rows.height:
        return (rows,), (undecided,)
    together = pl.concat([rows, undecided.select(rows.columns)])
    if not imputation.incomplete(together, plan):
        return (rows,), (undecided,)
    made = imputation.complete(together, plan, how=how)
    return (
        tuple(frame.head(rows.height) for frame in made),
        tuple(frame.tail(undecided.height) for frame in made),
    )


def fit_once(
    prepared: Prepared, *, plan: Plan, adjustment: str, updates: pl.DataFrame | None
) -> Model:
    """Fit one of the `adjustments` of a plan."""
    chosen = prepared.chosen
    frames = tuple(as_rows(frame, plan=plan, updates=updates) for frame in prepared.filled)
    knots: tuple[float, ...] = ()
    if plan.curve_knots and chosen.rows.height:
        values = chosen.rows[plan.exposure].cast(pl.Float64).to_numpy()
        knots = curves.knots_of(values, n_knots=plan.curve_knots)
    found = curves.problems(knots)
    layout = design.lay_out(
        pl.concat(frames) if len(frames) > 1 else frames[0],
        exposure=plan.exposure,
        adjust_for=adjustments(plan)[adjustment],
        as_categories=plan.as_categories,
        knots=() if found else knots,
        interaction=plan.interaction,
        n_sets=len(frames),
    )
    if not chosen.rows.height:
        found = [f"no patient is left ({_losses(chosen.flow)})"]
    return Model(adjustment, layout, frames, fit_frames(frames, layout, plan=plan, found=found))


def _tables(
    models: tuple[Model, ...],
    prepared: Prepared,
    plan: Plan,
    *,
    updates: pl.DataFrame | None,
) -> tuple[pl.DataFrame, ...]:
    """Return the tables of the fits in the order of `CONTRACTED`."""
    chosen = prepared.chosen
    rows, told, risks, drawn, tested = [], [], [], [], []
    for model in models:
        rows.append(rows_of(model, plan=plan))
        told.append(_diagnostics(model, plan, chosen))
        risks.append(companions.risks(model, plan=plan))
        drawn.append(companions.curve(model, plan=plan))
        tested.append(optimism.performance(model, plan=plan))
    beside = companions.alternatives(
        models, chosen.rows, prepared.guessed, plan=plan, updates=updates
    )
    return (
        pl.concat(rows),
        pl.concat(told),
        chosen.flow,
        chosen.dropped,
        beside,
        pl.concat(risks),
        pl.concat(drawn),
        pl.concat(tested),
    )


def rows_of(model: Model, *, plan: Plan) -> pl.DataFrame:
    """Return the contracts.ESTIMATES of one fit."""
    return estimates.estimate_rows(
        model.fitted,
        adjustment=model.adjustment,
        exposure=plan.exposure,
        unit_of_effect=plan.unit_of_effect,
    )


def _diagnostics(model: Model, plan: Plan, chosen: design.ModelRows) -> pl.DataFrame:
    told = [_of_a_curve(one, model) for one in model.fitted.diagnostics]
    told += [
        Diagnostic(f"reference_{name}", None, level) for name, level in model.layout.references
    ]
    made = model.fitted.coefficients
    if made:
        told += _on_the_exposure(model, plan)
        told += _on_imputation(model, plan, chosen.rows)
    return estimates.diagnostic_rows(told, adjustment=model.adjustment)


def _of_a_curve(told: Diagnostic, model: Model) -> Diagnostic:
    """Say that the parts of a curve are collinear by nature; another diagnostic as it is."""
    if told.quantity != "max_variance_inflation" or not model.layout.knots:
        return told
    return told._replace(verdict="the parts of a curve are collinear by nature")


def _on_the_exposure(model: Model, plan: Plan) -> list[Diagnostic]:
    """Return influence and E-values of a slope, or the tests of a curve or interaction."""
    made = model.fitted.coefficients
    assert made is not None
    if model.layout.knots:
        return wald.curve_tests(made, exposure=plan.exposure)
    patients = model.frames[0]["patient_id"]
    told = [
        robust.influence(
            made,
            term=plan.exposure,
            patients=follow_up.numbers(patients),
            names=patients.unique().sort().to_list(),
        )
    ]
    if plan.interaction:
        return [*told, *wald.interaction_test(made, exposure=plan.exposure)]
    row = rows_of(model, plan=plan).filter(term=plan.exposure).row(0, named=True)
    limits = [row[name] for name in ("effect", "effect_ci_low", "effect_ci_high")]
    if None in limits:
        return told
    n_events, n = model.fitted.n_events, model.fitted.n
    spread = {one.quantity: one.value for one in model.fitted.diagnostics}.get("outcome_sd")
    return told + e_values.diagnostics(
        *limits,
        scale=row["scale"],
        common=n_events is None or n_events > e_values.COMMON * n,
        outcome_sd=spread,
    )


def _on_imputation(model: Model, plan: Plan, rows: pl.DataFrame) -> list[Diagnostic]:
    made = model.fitted.coefficients
    if plan.imputation is None or made is None:
        return []
    lacking = imputation.incomplete(rows, plan)
    share = rows.select(
        pl.any_horizontal(pl.lit(False), *(pl.col(c).is_null() for c in lacking))
    )
    percent = 100 * float(share.to_series().mean() or 0.0)  # type: ignore[arg-type]
    verdict = "likelihood, tests and influence are those of the first completed data set"
    if len(model.frames) == 1:
        verdict = "no adjustment value is missing, so none was imputed"
    told = [
        Diagnostic("n_imputations", float(len(model.frames)), verdict),
        Diagnostic(
            "percent_incomplete", percent, f"incomplete: {', '.join(lacking) or 'none'}"
        ),
    ]
    if made.fmi is not None:
        told.append(Diagnostic("max_missing_information", float(made.fmi.max()), None))
    return told


def _losses(flow: pl.DataFrame) -> str:
    lost = flow.filter(pl.col("n_dropped") > 0)
    told = [f"{row['reason']}: {row['n_dropped']}" for row in lost.iter_rows(named=True)]
    return ", ".join(told) or "nobody is in the cohort of the window"


def _misfits(analysis: pl.DataFrame, plan: Plan, updates: pl.DataFrame | None) -> list[str]:
    """List where the plan and the analysis table do not fit together."""
    if plan.family not in FAMILIES:
        known = " or ".join(FAMILIES)
        near = did_you_mean(plan.family, FAMILIES)
        return [f"family: {plan.family!r} is unknown{near}; write {known}"]
    found = []
    asked = [("outcome", plan.outcome), ("exposure", plan.exposure)]
    asked += [("adjust_for", name) for name in plan.adjust_for]
    asked += [("clusters", plan.clusters)] if plan.clusters else []
    asked += (
        [("imputation.auxiliary", c) for c in plan.imputation.auxiliary]
        if plan.imputation
        else []
    )
    if plan.family in COX:
        asked += [("family", name) for name in ("death_h", "left_unit_h", "gose_6m")]
    if plan.family == "cox_time_dependent":
        found += _lacking_updates(plan, updates)
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
        if column.dtype not in family.outcomes:
            wants = family.outcome_in_words
            return [f"outcome: {name} is {column.dtype}; {plan.family} needs {wants}"]
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


def _lacking_updates(plan: Plan, updates: pl.DataFrame | None) -> list[str]:
    if updates is None:
        return ["family: cox_time_dependent needs the exposure day by day (updates.parquet)"]
    if plan.exposure not in updates.columns:
        near = did_you_mean(plan.exposure, updates.columns)
        return [f"exposure: {plan.exposure!r} is not followed day by day{near}"]
    return []
