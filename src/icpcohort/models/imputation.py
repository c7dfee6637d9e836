"""Imputation: missing adjustment values filled in several times, from all that is known."""

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
import polars as pl
from scipy.special import expit, logit
from statsmodels.imputation.mice import MICEData

from icpcohort.models import kaplan_meier
from icpcohort.models.absolute import Risk
from icpcohort.models.design import Array
from icpcohort.models.estimates import Coefficients
from icpcohort.study.families import FAMILIES
from icpcohort.study.plan import Plan
from icpcohort.study.plan_parts import Imputation

N_DONORS = 5  # patients whose values may be borrowed; common practice


class Codes(NamedTuple):
    """A column as numbers, NaN where missing, and the way back."""

    numbers: Array
    levels: dict[float, str | int | bool] | None  # None for a measured number


def incomplete(rows: pl.DataFrame, plan: Plan) -> list[str]:
    """Name the adjustment columns with missing values."""
    return [name for name in plan.covariates if rows[name].null_count()]


def n_imputations(rows: pl.DataFrame, plan: Plan, *, how: Imputation) -> int:
    """Return the number of imputations: the percentage of incomplete patients, or the minimum.

    Source: White 2011.
    """
    lacking = rows.select(pl.any_horizontal(pl.col(plan.covariates).is_null())).to_series()
    share = float(lacking.sum()) / rows.height if rows.height else 0.0
    return max(how.min_imputations, math.ceil(round(100 * share, 9)))


def complete(rows: pl.DataFrame, plan: Plan, *, how: Imputation) -> list[pl.DataFrame]:
    """Fill in the missing adjustment values several times, by chained equations.

    Parameters
    ----------
    rows : DataFrame, one row per patient
        The exposure is complete. The outcome (of a timed family, `follow_up_h` and `died`) may
        be null; it is imputed for the sake of the others and then null again.
    plan : Plan
    how : Imputation

    Returns
    -------
    list of DataFrame
        As `rows`, the adjustment columns complete.

    Every column is imputed by predictive mean matching on the exposure, the outcome (of a timed
    family, death and the cumulative hazard), the adjustment columns and the auxiliary ones, so
    that imputed values are values that other patients have. A category stands in the chain as
    one number per level, which sets the levels apart by their mean on the other columns.

    Source: van Buuren 2018, sections 3.4 and 4.5; White 2009, for the cumulative hazard;
    statsmodels `MICEData`.
    """
    coded = _code(rows, plan, how)
    # Renamed: a column's name may mean something in the library's formulas.
    names = {name: f"v{i}" for i, name in enumerate(coded)}
    frame = pd.DataFrame({names[name]: codes.numbers for name, codes in coded.items()})
    scale = frame.std().replace(0.0, 1.0)
    centre = frame.mean()
    chain = MICEData((frame - centre) / scale, k_pmm=N_DONORS, rng=how.seed)
    made = []
    for _ in range(n_imputations(rows, plan, how=how)):
        chain.update_all(how.n_cycles)
        filled = chain.data * scale + centre
        columns = [
            _decoded(filled[names[name]].to_numpy(), codes, rows[name])
            for name, codes in coded.items()
            if name in plan.covariates
        ]
        made.append(rows.with_columns(*columns, *_constants(rows, plan, coded)))
    return made


def _constants(rows: pl.DataFrame, plan: Plan, coded: Mapping[str, Codes]) -> list[pl.Series]:
    """Fill in columns with only one known value; no chain is needed for them."""
    left = [name for name in incomplete(rows, plan) if name not in coded]
    return [rows[name].fill_null(rows[name].drop_nulls().first()) for name in left]


def _code(rows: pl.DataFrame, plan: Plan, how: Imputation) -> dict[str, Codes]:
    columns = list(dict.fromkeys((*plan.covariates, *how.auxiliary)))
    numbers = {plan.exposure: _number(rows[plan.exposure])}
    if FAMILIES[plan.family].timed:
        numbers |= _hazard(rows)
    else:
        numbers[plan.outcome] = _number(rows[plan.outcome])
    measured = [c for c in columns if rows.schema[c] != pl.String()]
    plain = [name for name in measured if name not in plan.as_categories]
    numbers |= {name: _number(rows[name]) for name in plain}
    coded = {
        name: Codes(values, _levels_of(rows[name]) if name in rows.columns else None)
        for name, values in numbers.items()
    }
    known = np.column_stack(list(numbers.values()))
    for name in columns:
        if name not in plain and rows[name].n_unique() > 1:
            coded[name] = _spread_out(rows[name], known)
    varied = {name: codes for name, codes in coded.items() if np.nanstd(codes.numbers) > 0}
    return varied


def _number(column: pl.Series) -> Array:
    return column.cast(pl.Float64).to_numpy().astype(np.float64)


def _levels_of(column: pl.Series) -> dict[float, str | int | bool] | None:
    if column.dtype == pl.Float64():
        return None
    return {float(value): value for value in column.drop_nulls().unique().to_list()}


def _hazard(rows: pl.DataFrame) -> dict[str, Array]:
    """Return death and the Nelson-Aalen cumulative hazard at the end of follow-up."""
    known = rows["follow_up_h"].is_not_null().to_numpy()
    exit_h = rows["follow_up_h"].to_numpy().astype(np.float64)
    died = rows["died"].cast(pl.Float64).to_numpy().astype(np.float64)
    entry_h = rows["landmark_h"].to_numpy()
    steps = kaplan_meier.curve(entry_h[known], exit_h[known], died[known] == 1)
    hazard = np.full(rows.height, np.nan)
    hazard[known] = kaplan_meier.at(exit_h[known], steps)[1]
    return {"died": np.where(known, died, np.nan), "cumulative hazard": hazard}


def _spread_out(column: pl.Series, known: Array) -> Codes:
    """Give each level a number: the first direction that sets the levels apart on `known`."""
    text = column.to_list()
    levels = sorted({value for value in text if value is not None}, key=str)
    filled = np.where(np.isnan(known), np.nanmean(known, axis=0), known)
    spread = filled.std(axis=0)
    filled = (filled - filled.mean(axis=0)) / np.where(spread > 0, spread, 1.0)
    here = np.array([value is not None for value in text])
    index = np.array([levels.index(value) if value is not None else -1 for value in text])
    means = np.array([filled[index == i].mean(axis=0) for i in range(len(levels))])
    weights = np.sqrt(np.bincount(index[here], minlength=len(levels)))
    direction = np.linalg.svd(weights[:, None] * (means - filled[here].mean(axis=0)))[2][0]
    scores = means @ direction
    # levels that fall together are kept apart by their order
    scores = scores + 1e-6 * np.arange(len(levels))
    numbers = np.where(here, scores[np.maximum(index, 0)], np.nan)
    return Codes(numbers, dict(zip(scores.tolist(), levels, strict=True)))


def _decoded(numbers: Array, codes: Codes, original: pl.Series) -> pl.Series:
    """Return the column with its missing values filled, in its own type."""
    if codes.levels is None:
        values = pl.Series(numbers)
    else:
        keys = np.array(sorted(codes.levels))
        nearest = keys[np.abs(numbers[:, None] - keys[None, :]).argmin(axis=1)]
        values = pl.Series([codes.levels[key] for key in nearest.tolist()])
    filled = pl.select(pl.coalesce(original, values.cast(original.dtype))).to_series()
    return filled.alias(original.name)


def draw_outcomes(
    made: Coefficients,
    X: Array,
    *,
    risk: Risk,
    kind: str,
    levels: Sequence[int],
    spread: float,
    delta: float,
    seed: Sequence[int],
) -> list[bool] | list[int] | list[float]:
    """Draw outcomes of patients in whom it is unknown, worse or better than the model expects.

    Parameters
    ----------
    made : Coefficients
        The adjusted fit to the patients with a known outcome.
    X : array (n, k)
    risk : the family's
    kind : {"flag", "score", "number", "count"}
    levels : the scores that `made` knows, in order; of a score only
    spread : float
        The standard deviation of a number's residuals, or the dispersion of a count.
    delta : float
        Added to the log odds of the flag, or of a score at or below each cut, or to the log of
        a count's mean; times `spread`, to a number.
    seed : numbers

    Source: pattern-mixture with a shift, Carpenter 2013, chapter 10.
    """
    rng = np.random.default_rng(seed)
    drawn = rng.multivariate_normal(made.estimate, made.covariance, method="eigh")
    expected = risk(drawn, X)
    if kind == "number":
        noise = rng.normal(size=len(X))
        return [float(v) for v in expected + spread * (delta + noise)]
    if kind == "count":
        mean = expected * np.exp(delta)
        if spread:
            mean = mean * rng.gamma(1 / spread, spread, size=len(X))
        return [int(v) for v in rng.poisson(mean)]
    shifted = expit(logit(np.clip(expected, 1e-12, 1 - 1e-12)) + delta)
    chance = rng.random(len(X))
    if kind == "flag":
        return [bool(v) for v in chance < shifted]
    ranks = (chance[:, None] > np.maximum.accumulate(shifted, axis=1)).sum(axis=1)
    return [int(levels[rank]) for rank in ranks]
