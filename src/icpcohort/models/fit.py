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
    incidence,
    influence,
    misfits,
    optimism,
    wald,
)
from icpcohort.models.design import Term
from icpcohort.models.estimates import Diagnostic
from icpcohort.models.fitting import Model, as_rows, fit_frames
from icpcohort.study import immortal_time
from icpcohort.study.blocks import refuse
from icpcohort.study.families import FAMILIES
from icpcohort.study.plan import Plan


class Prepared(NamedTuple):
    """The rows of a model, completed where the plan says so."""

    chosen: design.ModelRows
    repeated: pl.DataFrame | None  # contracts.REPEATED_VALUES that the plan names
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
    incidence: pl.DataFrame  # contracts.CUMULATIVE_INCIDENCE
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
    contracts.CUMULATIVE_INCIDENCE,
)


def fit_model(
    analysis: pl.DataFrame,
    *,
    plan: Plan,
    landmark_h: float,
    updates: pl.DataFrame | None,
    repeated: pl.DataFrame | None = None,
) -> Fit:
    """Fit one model of the plan, unadjusted and adjusted in the same patients.

    Parameters
    ----------
    analysis : DataFrame, one row per window and patient
        As `contracts.analysis`; only the columns that the plan names are used, and the times of
        death and discharge. The rows of the plan's window are the cohort; its landmark has been
        applied to them. Rows with null in the outcome, the exposure or an adjustment column
        leave, with a reason, unless the plan imputes adjustment values.
    plan : Plan
        The model to fit.
    landmark_h : float, h since time zero
        End of the plan's window.
    updates : DataFrame as `contracts.updates`, or None
        The exposure day by day; only a family with a time-dependent exposure needs it.
    repeated : DataFrame as `contracts.REPEATED_VALUES`, or None
        Values that change with time; only a plan with `time_varying` needs it.

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
    prepared = prepare(
        analysis, plan=plan, landmark_h=landmark_h, updates=updates, repeated=repeated
    )
    models = tuple(
        fit_once(prepared, plan=plan, adjustment=name, updates=updates)
        for name in adjustments(plan)
    )
    tables = _tables(models, prepared, plan, updates=updates)
    for rows, table in zip(tables, CONTRACTED, strict=True):
        store.check(rows, table, f"models.{plan.name}")
    return Fit._make((*tables, models))


def prepare(
    analysis: pl.DataFrame,
    *,
    plan: Plan,
    landmark_h: float,
    updates: pl.DataFrame | None,
    repeated: pl.DataFrame | None = None,
) -> Prepared:
    """Choose the rows of a model, and complete them; parameters and errors of `fit_model`."""
    where = f"models.{plan.name}"
    refuse(where, misfits.misfits(analysis, plan, updates, repeated))
    cohort = analysis.filter(pl.col("window") == plan.window)
    refuse(where, immortal_time.refused_rows(cohort, landmark_h=landmark_h))
    if FAMILIES[plan.family].timed:
        cohort = _followed(cohort, plan, landmark_h=landmark_h, repeated=repeated)
    chosen = design.choose_rows(cohort, plan=plan)
    undecided = companions.undecided(cohort, chosen, plan=plan)
    return Prepared(chosen, repeated, *_completed(chosen.rows, undecided, plan))


def _followed(
    cohort: pl.DataFrame, plan: Plan, *, landmark_h: float, repeated: pl.DataFrame | None
) -> pl.DataFrame:
    """Add follow-up to the rows of a timed family, and what changes as it was at its start."""
    horizon_h = float(plan.horizon_h or 0.0)
    if repeated is not None:
        cohort = follow_up.at_landmark(
            cohort, repeated=repeated, names=plan.time_varying, landmark_h=landmark_h
        )
    if plan.event is None:
        return follow_up.times(cohort, landmark_h=landmark_h, horizon_h=horizon_h)
    return follow_up.to_event(
        cohort,
        outcome=plan.outcome,
        event=plan.event,
        landmark_h=landmark_h,
        horizon_h=horizon_h,
    )


def adjustments(plan: Plan) -> dict[str, tuple[str, ...]]:
    """Return the columns of each fit of a plan, by its name; the main one is the last."""
    alone = (plan.interaction,) if plan.interaction else ()
    return {"unadjusted": alone} | ({"adjusted": plan.covariates} if plan.covariates else {})


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
    frames = tuple(
        as_rows(frame, plan=plan, updates=updates, repeated=prepared.repeated)
        for frame in prepared.filled
    )
    knots: tuple[float, ...] = ()
    if plan.curve_knots and chosen.rows.height:
        values = chosen.rows[plan.exposure].cast(pl.Float64).to_numpy()
        knots = curves.knots_of(values, n_knots=plan.curve_knots)
    problems = curves.problems(knots)
    if FAMILIES[plan.family].timed and chosen.rows.height:
        problems = problems + follow_up.collapsed(chosen.rows)
    if plan.event and chosen.rows.height:
        problems = problems + follow_up.unknown_event(chosen.rows, event=plan.event)
    layout = design.lay_out(
        pl.concat(frames) if len(frames) > 1 else frames[0],
        exposure=plan.exposure,
        adjust_for=adjustments(plan)[adjustment],
        as_categories=plan.as_categories,
        knots=() if problems else knots,
        interaction=plan.interaction,
        n_sets=len(frames),
    )
    unknown = [
        f"{name} is missing in all {chosen.rows.height} patients; take it out of adjust_for"
        for name in adjustments(plan)[adjustment]
        if chosen.rows[name].is_null().all()
    ]
    problems = problems + unknown
    if not chosen.rows.height:
        problems = [f"no patient is left ({_losses(chosen.flow)})"]
    fitted = fit_frames(frames, layout, plan=plan, problems=problems)
    return Model(adjustment, layout, frames, fitted)


def _tables(
    models: tuple[Model, ...],
    prepared: Prepared,
    plan: Plan,
    *,
    updates: pl.DataFrame | None,
) -> tuple[pl.DataFrame, ...]:
    """Return the tables of the fits in the order of `CONTRACTED`."""
    chosen = prepared.chosen
    rows, diagnostics, risks, drawn, tested = [], [], [], [], []
    for model in models:
        rows.append(rows_of(model, plan=plan))
        diagnostics.append(_diagnostics(model, plan, chosen))
        risks.append(companions.risks(model, plan=plan))
        drawn.append(companions.curve(model, plan=plan))
        tested.append(optimism.performance(model, plan=plan))
    beside = companions.alternatives(
        models,
        chosen.rows,
        prepared.guessed,
        plan=plan,
        updates=updates,
        repeated=prepared.repeated,
    )
    return (
        pl.concat(rows),
        pl.concat(diagnostics),
        chosen.flow,
        chosen.dropped,
        beside,
        pl.concat(risks),
        pl.concat(drawn),
        pl.concat(tested),
        incidence.table(chosen.rows, plan=plan),
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
    rows = [_of_a_curve(one, model) for one in model.fitted.diagnostics]
    rows += [_of_a_reference(one) for one in model.layout.references]
    if model.fitted.coefficients:
        rows += _on_the_exposure(model, plan)
        rows += _on_imputation(model, plan, chosen.rows)
        rows += _on_other_events(plan, chosen.rows)
    return estimates.diagnostic_rows(rows, adjustment=model.adjustment)


def _of_a_reference(one: design.Reference) -> Diagnostic:
    """Say which level of a category has no term of its own."""
    return Diagnostic(
        f"reference_{one.column}",
        None,
        one.words,
        kind="reference",
        about=Term(one.column, one.column, one.level),
    )


def _of_a_curve(one: Diagnostic, model: Model) -> Diagnostic:
    """Add that the parts of a curve are always collinear; other diagnostics stay the same."""
    if one.quantity != "max_variance_inflation" or not model.layout.knots:
        return one
    return one._replace(verdict="the parts of a curve are collinear by nature")


def _on_the_exposure(model: Model, plan: Plan) -> list[Diagnostic]:
    """Return influence and E-values of a slope, or the tests of a curve or interaction."""
    made = model.fitted.coefficients
    assert made is not None
    counted = {one.quantity: one.value for one in model.fitted.diagnostics}.get("n_clusters")
    n_clusters = None if counted is None else int(counted)
    if model.layout.knots:
        return wald.curve_tests(made, parts=model.layout.parts, n_clusters=n_clusters)
    of_one = influence.diagnostic(model, plan=plan)
    of_unit = _unit_of_effect(model, plan=plan)
    if plan.interaction:
        products = model.layout.products
        return [
            of_one,
            of_unit,
            *wald.interaction_test(made, products=products, n_clusters=n_clusters),
        ]
    row = rows_of(model, plan=plan).filter(term=plan.exposure).row(0, named=True)
    limits = [row[name] for name in ("effect", "effect_ci_low", "effect_ci_high")]
    if None in limits:
        return [of_one, of_unit]
    n_events, n = model.fitted.n_events, model.fitted.n
    spread = {one.quantity: one.value for one in model.fitted.diagnostics}.get("outcome_sd")
    return [
        of_one,
        of_unit,
        *e_values.diagnostics(
            *limits,
            scale=row["scale"],
            common=n_events is None or n_events > e_values.COMMON * n,
            outcome_sd=spread,
        ),
    ]


def _unit_of_effect(model: Model, *, plan: Plan) -> Diagnostic:
    """Judge the unit of the effect against the range of the exposure among the patients."""
    exposure = model.frames[0][plan.exposure].cast(pl.Float64)
    low, high = float(exposure.min()), float(exposure.max())  # type: ignore[arg-type]
    ratio = plan.unit_of_effect / (high - low)
    beyond = (
        f"the exposure runs from {low:.3g} to {high:.3g}: an effect for "
        f"{plan.unit_of_effect:g} more is beyond the data; write a smaller unit_of_effect"
    )
    return Diagnostic("unit_per_range", ratio, beyond if ratio > 1 else None)


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
    incomplete = f"incomplete: {', '.join(lacking) or 'none'}"
    rows_of_imputation = [
        Diagnostic("n_imputations", float(len(model.frames)), verdict, "count"),
        Diagnostic("percent_incomplete", percent, incomplete, "percent"),
    ]
    if made.fmi is not None:
        rows_of_imputation.append(Diagnostic("max_missing_information", float(made.fmi.max())))
    return rows_of_imputation


def _on_other_events(plan: Plan, rows: pl.DataFrame) -> list[Diagnostic]:
    """Say how many patients another event than the one that counts took out of the risk set."""
    if plan.event is None:
        return []
    others = rows.filter(pl.col("ended_by") != plan.event)["ended_by"].value_counts()
    return [
        Diagnostic(
            f"n_{plan.outcome}_{event}",
            float(n),
            f"had this event first, so left the analysis of '{plan.event}' then (censored)",
            "count",
            kind="n_with_level",
            about=Term(f"{plan.outcome}: {event}", plan.outcome, event),
        )
        for event, n in others.sort("ended_by").iter_rows()
    ]


def _losses(flow: pl.DataFrame) -> str:
    lost = flow.filter(pl.col("n_dropped") > 0)
    counts = [f"{row['reason']}: {row['n_dropped']}" for row in lost.iter_rows(named=True)]
    return ", ".join(counts) or "nobody is in the cohort of the window"
