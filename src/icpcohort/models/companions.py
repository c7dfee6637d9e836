"""Companions: what stands beside the main fit, for a reader who asks what else was tried."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import polars as pl
from scipy.stats import t

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.models import absolute, curves, design, estimates, imputation
from icpcohort.models.design import Array, ModelRows
from icpcohort.models.estimates import Coefficients, FamilyFit
from icpcohort.models.fitting import Model, as_rows, fit_frames
from icpcohort.models.registry import FAMILIES
from icpcohort.study.plan import COX, Plan


def undecided(cohort: pl.DataFrame, chosen: ModelRows, *, plan: Plan) -> pl.DataFrame:
    """Return who lacks nothing but the outcome, if the plan asks what it might be."""
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
) -> pl.DataFrame:
    """Return rows of `contracts.ALTERNATIVES` for every companion that the plan implies.

    Parameters
    ----------
    models : the main fits
    rows : DataFrame
        The rows of the fit before imputation.
    guessed : the patients without an outcome, once an imputation
    plan, updates : as in `fit.fit_model`
    """
    found = [store.empty(contracts.ALTERNATIVES)]
    for model in models:
        if plan.imputation:
            found.append(_complete_cases(model, rows, plan=plan, updates=updates))
            found += _shifted(model, models[-1], guessed, plan=plan)
        if plan.family == "proportional_odds":
            found += _cuts(model, plan=plan)
        if plan.interaction:
            found.append(_subgroups(model, plan=plan))
    return pl.concat(found)


def _as_rows(name: str, fitted: FamilyFit, model: Model, plan: Plan) -> pl.DataFrame:
    made = estimates.estimate_rows(
        fitted,
        adjustment=model.adjustment,
        exposure=plan.exposure,
        unit_of_effect=plan.unit_of_effect,
    )
    told = [one.verdict or "" for one in fitted.diagnostics if one.quantity == "reported"]
    reason = "; ".join(told).removeprefix("not reported: ") or None
    return made.select(
        pl.lit(name).alias("analysis"), pl.all(), pl.lit(reason, pl.String).alias("reason")
    )


def _complete_cases(
    model: Model, rows: pl.DataFrame, *, plan: Plan, updates: pl.DataFrame | None
) -> pl.DataFrame:
    whole = rows.drop_nulls(list(plan.adjust_for))
    frame = as_rows(whole, plan=plan, updates=updates)
    problems = [] if whole.height else ["no patient is left"]
    fitted = fit_frames([frame], model.layout, plan=plan, found=problems)
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
    found = []
    for delta, name in names.items():
        frames = []
        for i in range(n):
            known = adjusted.frames[i % len(adjusted.frames)]
            drawn = guessed[i % len(guessed)].with_columns(
                _drawn(guessed[i % len(guessed)], known, adjusted, plan, delta, i)
            )
            frames.append(pl.concat([known, drawn.select(known.columns)]))
        fitted = fit_frames(frames, model.layout, plan=plan, found=[])
        found.append(_as_rows(name, fitted, model, plan))
    return found


def _drawn(
    rows: pl.DataFrame, known: pl.DataFrame, model: Model, plan: Plan, delta: float, number: int
) -> pl.Series:
    made, how = model.fitted.coefficients, plan.imputation
    family = FAMILIES[plan.family]
    assert made is not None and how is not None and family.risk is not None
    kind = {pl.Boolean(): "flag", pl.Int64(): "score"}.get(known.schema[plan.outcome], "number")
    spread = 0.0
    if plan.family == "linear":
        kind = "number"
        outcome = known[plan.outcome].cast(pl.Float64).to_numpy()
        residual = outcome - family.risk(made.estimate, design.fill(known, model.layout).matrix)
        spread = float(residual.std(ddof=len(made.estimate)))
    values = imputation.draw_outcomes(
        made,
        design.fill(rows, model.layout).matrix,
        risk=family.risk,
        kind=kind,
        levels=known[plan.outcome].unique().sort().to_list() if kind == "score" else [],
        residual_sd=spread,
        delta=delta,
        seed=[how.seed, number, round(1000 * abs(delta)), int(delta < 0)],
    )
    drawn = pl.Series(plan.outcome, values, strict=False)
    if kind == "number" and known.schema[plan.outcome] == pl.Int64():
        seen = known[plan.outcome].to_numpy()
        drawn = drawn.round().clip(float(seen.min()), float(seen.max()))
    return drawn.cast(known.schema[plan.outcome])


def _cuts(model: Model, *, plan: Plan) -> list[pl.DataFrame]:
    """Return a logistic regression of a score at or below each cut."""
    scores = model.frames[0][plan.outcome].unique().sort().to_list()
    found = []
    for cut in scores[:-1]:
        name = f"{plan.outcome} <= {cut}"
        frames = [
            frame.with_columns((pl.col(plan.outcome) <= cut).alias(name))
            for frame in model.frames
        ]
        one = replace(plan, family="logistic", outcome=name)
        fitted = fit_frames(frames, model.layout, plan=one, found=[])
        found.append(_as_rows(name, fitted, model, plan))
    return found


def _subgroups(model: Model, *, plan: Plan) -> pl.DataFrame:
    """Return the exposure's effect in each level of the modifier, from the one fitted model."""
    made = model.fitted.coefficients
    products = [term for term in model.layout.terms if len(term.factors) == 2]
    slopes = {f"{plan.interaction}: {_reference(model, plan)}": [plan.exposure]}
    slopes |= {
        f"{plan.interaction}: {term.factors[1].level}": [plan.exposure, term.name]
        for term in products
    }
    found = []
    for level, names in slopes.items():
        scale = model.fitted.scales[model.fitted.terms.index(plan.exposure)]
        one = None
        if made:
            row = np.isin(made.terms, names).astype(float)
            df = None if made.df is None else made.df[[made.terms.index(plan.exposure)]]
            one = Coefficients(
                (plan.exposure,),
                np.array([row @ made.estimate]),
                np.array([[row @ made.covariance @ row]]),
                None,
                None,
                True,
                df=df,
            )
        fitted = FamilyFit(
            one,
            (plan.exposure,),
            (scale,),
            model.fitted.n,
            model.fitted.n_events,
            [told for told in model.fitted.diagnostics if told.quantity == "reported"],
        )
        found.append(_as_rows(f"subgroup {level}", fitted, model, plan))
    return pl.concat(found)


def _reference(model: Model, plan: Plan) -> str:
    told = dict(model.layout.references)[str(plan.interaction)]
    return told.split(", the most frequent")[0]


def risks(model: Model, *, plan: Plan) -> pl.DataFrame:
    """Return rows of `contracts.RISKS` at the exposure values of the plan."""
    made, family = model.fitted.coefficients, FAMILIES[plan.family]
    if made is None or family.risk is None or not plan.risks_at:
        return store.empty(contracts.RISKS)
    matrices = absolute.matrices_at(
        model.frames, model.layout, exposure=plan.exposure, values=plan.risks_at
    )
    outcomes: list[tuple[str, int | None]] = [(plan.outcome, None)]
    if plan.family == "linear":
        outcomes = [(f"mean of {plan.outcome}", None)]
    if plan.family in COX:
        outcomes = [(f"death by {plan.horizon_h:g} h", None)]
    if plan.family == "proportional_odds":
        scores = model.frames[0][plan.outcome].unique().sort().to_list()
        outcomes = [(f"{plan.outcome} <= {score}", i) for i, score in enumerate(scores[:-1])]
    return pl.concat(
        absolute.rows_of(
            absolute.standardise(family.risk, made, matrices, cut=cut),
            values=plan.risks_at,
            bounded=plan.family != "linear",
            adjustment=model.adjustment,
            outcome=outcome,
            n=model.fitted.n,
        )
        for outcome, cut in outcomes
    )


def curve(model: Model, *, plan: Plan) -> pl.DataFrame:
    """Return rows of `contracts.EXPOSURE_CURVE`: the effect against the median exposure."""
    knots, made = model.layout.knots, model.fitted.coefficients
    if not knots or not model.frames[0].height:
        return store.empty(contracts.EXPOSURE_CURVE)
    values = model.frames[0][plan.exposure].cast(pl.Float64).to_numpy()
    points = np.linspace(values.min(), values.max(), curves.N_POINTS)
    middle = float(np.median(values))
    scale = FAMILIES[plan.family].scale
    effect = low = high = np.full(len(points), np.nan)
    if made:
        effect, low, high = _along(made, points, middle, knots, plan.exposure)
        if scale != "difference":
            with np.errstate(over="ignore"):
                effect, low, high = np.exp(effect), np.exp(low), np.exp(high)
    columns = {
        "adjustment": [model.adjustment] * len(points),
        "exposure_value": points,
        "reference_value": [middle] * len(points),
        "scale": [scale] * len(points),
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
    made: Coefficients, points: Array, middle: float, knots: tuple[float, ...], exposure: str
) -> tuple[Array, Array, Array]:
    """Return the change of the linear predictor from the middle, with its limits."""
    parts = [i for i, term in enumerate(made.terms) if term.startswith(f"{exposure} (curve")]
    away = curves.basis(points, knots=knots) - curves.basis(np.array([middle]), knots=knots)
    effect = away @ made.estimate[parts]
    V = made.covariance[np.ix_(parts, parts)]
    df = np.inf if made.df is None else float(made.df[parts].min())
    half = t.ppf(0.975, df) * np.sqrt(np.einsum("ij,jk,ik->i", away, V, away))
    return effect, effect - half, effect + half
