"""Companions: other fits shown beside the main one, so that a reader sees what was tried."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import polars as pl
from scipy.stats import t

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.models import (
    absolute,
    curves,
    design,
    estimates,
    imputation,
    negative_binomial,
)
from icpcohort.models.design import Array, Level, ModelRows, Term
from icpcohort.models.estimates import Coefficients, FamilyFit
from icpcohort.models.fitting import Model, as_rows, fit_frames
from icpcohort.models.registry import COMPUTING
from icpcohort.study.families import FAMILIES
from icpcohort.study.plan import Plan

WITH_PENALTY = " (Firth)"  # behind the name of a cut that needed it


def undecided(cohort: pl.DataFrame, chosen: ModelRows, *, plan: Plan) -> pl.DataFrame:
    """Return patients who lack only the outcome, if the plan asks what it might be."""
    if plan.imputation is None or not plan.imputation.deltas:
        return chosen.rows.clear()
    known = [plan.exposure, *([plan.clusters] if plan.clusters else [])]
    return cohort.filter(pl.col(plan.outcome).is_null()).drop_nulls(known).sort("patient_id")


def alternatives(
    models: Sequence[Model],
    rows: pl.DataFrame,
    guessed: Sequence[pl.DataFrame],
    *,
    plan: Plan,
    updates: pl.DataFrame | None,
    repeated: pl.DataFrame | None,
) -> pl.DataFrame:
    """Return rows of `contracts.ALTERNATIVES` for every companion that the plan implies.

    Parameters
    ----------
    models : the main fits
    rows : DataFrame
        The rows of the fit before imputation.
    guessed : the patients without an outcome, once an imputation
    plan, updates, repeated : as in `fit.fit_model`
    """
    fits = [store.empty(contracts.ALTERNATIVES)]
    for model in models:
        if plan.imputation:
            fits.append(_complete_cases(model, rows, plan, updates, repeated))
            fits += _shifted(model, models[-1], guessed, plan=plan)
        if each_cut := FAMILIES[plan.family].each_cut:
            fits += _cuts(model, plan=plan, family=each_cut)
        if plan.interaction:
            fits += _subgroups(model, plan=plan)
    return pl.concat(fits)


def _as_rows(
    name: str,
    fitted: FamilyFit,
    model: Model,
    plan: Plan,
    *,
    subgroup: str | None = None,
    level: Level | None = None,
) -> pl.DataFrame:
    rows = estimates.estimate_rows(
        fitted,
        adjustment=model.adjustment,
        exposure=plan.exposure,
        unit_of_effect=plan.unit_of_effect,
    )
    return rows.select(
        pl.lit(name).alias("analysis"),
        pl.lit(subgroup, pl.String).alias("subgroup"),
        pl.lit(None if level is None else str(level), pl.String).alias("subgroup_level"),
        pl.all(),
        pl.lit(fitted.reason, pl.String).alias("reason"),
    )


def _complete_cases(
    model: Model,
    rows: pl.DataFrame,
    plan: Plan,
    updates: pl.DataFrame | None,
    repeated: pl.DataFrame | None,
) -> pl.DataFrame:
    whole = rows.drop_nulls(list(plan.covariates))
    frame = as_rows(whole, plan=plan, updates=updates, repeated=repeated)
    problems = [] if whole.height else ["no patient is left"]
    fitted = fit_frames([frame], model.layout, plan=plan, problems=problems)
    return _as_rows("complete cases", fitted, model, plan)


def _shifted(
    model: Model, adjusted: Model, guessed: Sequence[pl.DataFrame], *, plan: Plan
) -> list[pl.DataFrame]:
    """Return the fits with unknown outcomes drawn by the adjusted model and a shift."""
    how, made = plan.imputation, adjusted.fitted.coefficients
    if how is None or not guessed[0].height:
        return []
    names = {delta: f"unknown outcomes drawn, shift {delta:+g}" for delta in how.deltas}
    if made is None:
        why = estimates.not_reported(["there is no adjusted fit to draw unknown outcomes by"])
        nothing = model.fitted._replace(coefficients=None, diagnostics=[why])
        return [_as_rows(name, nothing, model, plan) for name in names.values()]
    n = max(len(guessed), how.min_imputations)
    fits = []
    for delta, name in names.items():
        frames = []
        for i in range(n):
            known = adjusted.frames[i % len(adjusted.frames)]
            drawn = guessed[i % len(guessed)].with_columns(
                _drawn(guessed[i % len(guessed)], known, adjusted, plan, delta, i)
            )
            frames.append(pl.concat([known, drawn.select(known.columns)]))
        fitted = fit_frames(frames, model.layout, plan=plan, problems=[])
        fits.append(_as_rows(name, fitted, model, plan))
    return fits


def _drawn(
    rows: pl.DataFrame, known: pl.DataFrame, model: Model, plan: Plan, delta: float, number: int
) -> pl.Series:
    made, how = model.fitted.coefficients, plan.imputation
    risk, kind = COMPUTING[plan.family].risk, FAMILIES[plan.family].outcome.kind
    assert made is not None and how is not None and risk is not None
    spread = 0.0
    if kind in ("number", "count"):
        outcome = known[plan.outcome].cast(pl.Float64).to_numpy()
        expected = risk(made.estimate, design.fill(known, model.layout).matrix)
        spread = (
            negative_binomial.dispersion_of(outcome, expected)
            if kind == "count"
            else float((outcome - expected).std(ddof=len(made.estimate)))
        )
    values = imputation.draw_outcomes(
        made,
        design.fill(rows, model.layout).matrix,
        risk=risk,
        kind=kind,
        levels=plan.from_worst(known[plan.outcome].unique()) if kind == "score" else [],
        spread=spread,
        delta=delta,
        seed=[how.seed, number, round(1000 * abs(delta)), int(delta < 0)],
    )
    drawn = pl.Series(plan.outcome, values, strict=False)
    if kind == "number" and known.schema[plan.outcome] == pl.Int64():
        seen = known[plan.outcome].to_numpy()
        drawn = drawn.round().clip(float(seen.min()), float(seen.max()))
    return drawn.cast(known.schema[plan.outcome])


def _cuts(model: Model, *, plan: Plan, family: str) -> list[pl.DataFrame]:
    """Return the fit of another family to a score at each cut or worse.

    Where few patients lie on one side of a cut it is fitted with Firth's penalty, and named so.
    """
    score, fits = pl.col(plan.outcome), []
    for cut in plan.from_worst(model.frames[0][plan.outcome].unique())[:-1]:
        name = f"{plan.outcome} {plan.at_or_beyond} {cut}"
        is_worse = score <= cut if plan.worse == "lower" else score >= cut
        frames = [frame.with_columns(is_worse.alias(name)) for frame in model.frames]
        one = replace(plan, family=family, outcome=name)
        fitted = fit_frames(frames, model.layout, plan=one, problems=[])
        sparse = FAMILIES[family].if_sparse
        if fitted.coefficients is None and plan.clusters is None and sparse:
            penalised = replace(one, family=sparse)
            fitted = fit_frames(frames, model.layout, plan=penalised, problems=[])
            name += WITH_PENALTY
        fits.append(_as_rows(name, fitted, model, plan))
    return fits


def _subgroups(model: Model, *, plan: Plan) -> list[pl.DataFrame]:
    """Return the exposure's effect in each level of the modifier, from the one fitted model."""
    references = [one for one in model.layout.references if one.column == plan.interaction]
    slopes: list[tuple[Level | None, list[str]]] = [
        (one.level, [plan.exposure]) for one in references
    ]
    slopes += [(term.level, [plan.exposure, term.name]) for term in model.layout.products]
    reported = [one for one in model.fitted.diagnostics if one.quantity == "reported"]
    fits = []
    for level, names in slopes:
        n, n_events = _counted(model, level, plan=plan)
        fitted = FamilyFit(
            _sum_of(names, model.fitted.coefficients),
            (Term(plan.exposure, plan.exposure),),
            (FAMILIES[plan.family].effect.scale,),
            n,
            n_events,
            reported,
        )
        name = f"subgroup {plan.interaction}: {level}"
        fits.append(_as_rows(name, fitted, model, plan, subgroup=plan.interaction, level=level))
    return fits


def _counted(model: Model, level: Level | None, *, plan: Plan) -> tuple[int, int | None]:
    """Return the patients of a level of the modifier, and how many had the outcome."""
    inside = model.frames[0].filter(pl.col(str(plan.interaction)).eq_missing(pl.lit(level)))
    n = inside["patient_id"].n_unique()
    if model.fitted.n_events is None:
        return n, None
    outcome = "died" if FAMILIES[plan.family].timed else plan.outcome
    return n, int(inside[outcome].sum())


def _sum_of(names: Sequence[str], made: Coefficients | None) -> Coefficients | None:
    """Return the sum of some coefficients, under the name of the first."""
    if made is None:
        return None
    row = np.isin(made.terms, names).astype(float)
    return Coefficients(
        (names[0],),
        np.array([row @ made.estimate]),
        np.array([[row @ made.covariance @ row]]),
        None,
        None,
        True,
        df=None if made.df is None else made.df[[made.terms.index(names[0])]],
    )


def risks(model: Model, *, plan: Plan) -> pl.DataFrame:
    """Return rows of `contracts.RISKS` at the exposure values of the plan."""
    made, risk = model.fitted.coefficients, COMPUTING[plan.family].risk
    if made is None or risk is None or not plan.risks_at:
        return store.empty(contracts.RISKS)
    matrices = absolute.matrices_at(
        model.frames, model.layout, exposure=plan.exposure, values=plan.risks_at
    )
    outcome = FAMILIES[plan.family].outcome
    cuts: list[tuple[int | None, int | None]] = [(None, None)]  # column of the risk, and score
    if outcome.kind == "score":
        scores = plan.from_worst(model.frames[0][plan.outcome].unique())
        cuts = list(enumerate(scores[:-1]))
    return pl.concat(
        absolute.rows_of(
            absolute.standardise(risk, made, matrices, cut=column),
            values=plan.risks_at,
            expected_is=outcome.expected,
            adjustment=model.adjustment,
            outcome=outcome.expected_of.format(
                outcome=plan.outcome,
                horizon_h=plan.horizon_h,
                cut=f"{plan.at_or_beyond} {cut}",
                event=plan.event,
            ),
            n=model.fitted.n,
        )
        for column, cut in cuts
    )


def curve(model: Model, *, plan: Plan) -> pl.DataFrame:
    """Return rows of `contracts.EXPOSURE_CURVE`: the effect against the median exposure."""
    knots, made = model.layout.knots, model.fitted.coefficients
    if not knots or not model.frames[0].height:
        return store.empty(contracts.EXPOSURE_CURVE)
    values = model.frames[0][plan.exposure].cast(pl.Float64).to_numpy()
    points = np.linspace(values.min(), values.max(), curves.N_POINTS)
    middle = float(np.median(values))
    measure = FAMILIES[plan.family].effect
    effect = low = high = np.full(len(points), np.nan)
    if made:
        effect, low, high = _along(made, points, middle, model.layout)
        if measure.is_ratio:
            with np.errstate(over="ignore"):
                effect, low, high = np.exp(effect), np.exp(low), np.exp(high)
    columns = {
        "adjustment": [model.adjustment] * len(points),
        "exposure_value": points,
        "reference_value": [middle] * len(points),
        "scale": [measure.scale] * len(points),
        "effect": effect,
        "effect_ci_low": low,
        "effect_ci_high": high,
        "n_nearest": np.bincount(
            np.rint((values - points[0]) / (points[1] - points[0])).astype(int),
            minlength=len(points),
        ),
    }
    schema = {name: column.dtype for name, column in contracts.EXPOSURE_CURVE.columns.items()}
    rows = pl.DataFrame(columns, schema=schema)
    finite = pl.col(pl.Float64).is_finite()
    return rows.with_columns(pl.when(finite).then(pl.col(pl.Float64)))


def _along(
    made: Coefficients, points: Array, middle: float, layout: design.Layout
) -> tuple[Array, Array, Array]:
    """Return the change of the linear predictor from the middle, with its limits."""
    parts = [made.terms.index(term.name) for term in layout.parts]
    knots = layout.knots
    away = curves.basis(points, knots=knots) - curves.basis(np.array([middle]), knots=knots)
    effect = away @ made.estimate[parts]
    V = made.covariance[np.ix_(parts, parts)]
    df = np.inf if made.df is None else float(made.df[parts].min())
    half = t.ppf(0.975, df) * np.sqrt(np.einsum("ij,jk,ik->i", away, V, away))
    return effect, effect - half, effect + half
