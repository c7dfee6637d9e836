"""Estimates: what every family of models gives back, as rows of the results tables."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.stats import t

from icpcohort import contracts
from icpcohort.models.design import Array, Level, Term
from icpcohort.study.families import EFFECTS, RATIOS


class Response(NamedTuple):
    """What a model explains: each row's outcome, when it was at risk, who belongs together."""

    outcome: pl.Series  # flag, score or number without nulls; of a Cox model, death in the row
    entry_h: Array | None  # since time zero; only of a Cox model
    exit_h: Array | None
    patients: npt.NDArray[np.int64]  # number of each row's patient, from 0
    clusters: npt.NDArray[np.int64] | None  # number of each row's cluster, from 0
    horizon_h: float | None  # end of follow-up since time zero; only of a Cox model
    event: str | None = None  # which of several events counts; None: death


@dataclass(frozen=True)
class Coefficients:
    """A fit: intercept or thresholds first, then one slope per term.

    `scores` are each row's part of the estimating equations at the estimate; with `bread`, the
    inverse of their derivative, they give robust errors and each patient's influence.
    """

    terms: tuple[str, ...]
    estimate: Array  # (n terms,)
    covariance: Array  # (n terms, n terms)
    log_likelihood: float | None  # None where a family has no likelihood
    log_likelihood_null: float | None  # of the model without slopes
    converged: bool
    scores: Array | None = None  # (n rows, n terms)
    bread: Array | None = None  # (n terms, n terms)
    df: Array | None = None  # (n terms,) of Student's t; None: the normal distribution
    limits: Array | None = None  # (n terms, 2) where they are not symmetric
    p: Array | None = None  # (n terms,) where it is not Wald's
    fmi: Array | None = None  # (n terms,) fraction of missing information

    @property
    def sound(self) -> bool:
        """True when the fit converged to finite estimates with positive variances."""
        finite = np.isfinite(self.estimate).all() and np.isfinite(self.covariance).all()
        return bool(self.converged and finite and (np.diag(self.covariance) > 0).all())


class Diagnostic(NamedTuple):
    """One row of `contracts.DIAGNOSTICS`, without its adjustment."""

    quantity: str
    value: float | None
    verdict: str | None = None
    number: Literal["yes_no", "count", "percent", "p", "per_parameter", "real"] = "real"
    kind: str | None = None  # the quantity without what it is about; None: they are the same
    about: Term | None = None  # None: the whole fit
    reason: str | None = None  # why there are no estimates


class FamilyFit(NamedTuple):
    """What a family returns: coefficients, or none with a diagnostic that says why."""

    coefficients: Coefficients | None
    terms: tuple[Term, ...]
    scales: tuple[str, ...]  # one for each term, see `contracts.ESTIMATES`
    n: int
    n_events: int | None
    diagnostics: list[Diagnostic]

    @property
    def reason(self) -> str | None:
        """Why there are no estimates; None where there are."""
        return next((one.reason for one in self.diagnostics if one.reason is not None), None)


def not_reported(problems: Sequence[str]) -> Diagnostic:
    """Return the diagnostic that stands in the place of estimates."""
    reason = "; ".join(problems)
    return Diagnostic("reported", 0.0, f"not reported: {reason}", "yes_no", reason=reason)


def chi_squared(
    quantity: str, statistic: float, df: int, p: float, *, verdict: str | None
) -> list[Diagnostic]:
    """Return the three diagnostics of a test; its p value comes with the verdict."""
    return [
        Diagnostic(f"{quantity}_chi2", statistic),
        Diagnostic(f"{quantity}_df", float(df), number="count"),
        Diagnostic(f"{quantity}_p", p, verdict, "p"),
    ]


def fit_diagnostics(fit: Coefficients) -> list[Diagnostic]:
    """Return the diagnostics that every likelihood has."""
    sound = [Diagnostic(name, 1.0, number="yes_no") for name in ("reported", "converged")]
    if fit.log_likelihood is None or fit.log_likelihood_null is None:
        return sound
    return [
        *sound,
        Diagnostic("log_likelihood", fit.log_likelihood),
        Diagnostic("log_likelihood_null", fit.log_likelihood_null),
        Diagnostic("mcfadden_r2", 1 - fit.log_likelihood / fit.log_likelihood_null),
    ]


def few_per_parameter(quantity: str, ratio: float) -> Diagnostic:
    """Judge the size of the data against the number of slopes.

    Source: ten is a weak rule of thumb (Peduzzi 1996).
    """
    verdict = "below 10: estimates may be too large and intervals too short; read with caution"
    return Diagnostic(quantity, ratio, verdict if ratio < 10 else None, "per_parameter")


def inflation(value: float) -> Diagnostic:
    """Judge the largest variance inflation factor. The limit of 10 is common practice."""
    verdict = "above 10: terms are nearly collinear and intervals wide"
    return Diagnostic("max_variance_inflation", value, verdict if value > 10 else None)


def interval(fit: Coefficients) -> tuple[Array, Array, Array]:
    """Return lower and upper 95 % limit and two-sided p of every term.

    Source: Wald statistics from the normal distribution, or from Student's t where the fit has
    degrees of freedom; common practice. A family may bring limits and p values of its own.
    """
    se = np.sqrt(np.diag(fit.covariance))
    # Student's t with infinitely many degrees of freedom is the normal distribution
    df = np.full(len(se), np.inf) if fit.df is None else fit.df
    half = t.ppf(0.975, df) * se
    low, high, p = (
        fit.estimate - half,
        fit.estimate + half,
        2 * t.sf(np.abs(fit.estimate / se), df),
    )
    if fit.limits is not None:
        low, high = fit.limits.T
    return low, high, p if fit.p is None else fit.p


def estimate_rows(
    fit: FamilyFit, *, adjustment: str, exposure: str, unit_of_effect: float
) -> pl.DataFrame:
    """Return the rows of `contracts.ESTIMATES` of one fit.

    Parameters
    ----------
    fit : FamilyFit
        Without coefficients every number but n and n_events is null.
    adjustment : str
        "unadjusted" or "adjusted".
    exposure : str
        The column whose `effect`, in every term, is for `unit_of_effect` more of it.
    unit_of_effect : float, in the exposure's unit
        Effects of the other terms are for 1 more.

    Returns
    -------
    DataFrame
        A ratio or a limit too large for a number is null.

    Source: see `interval`.
    """
    k, made = len(fit.terms), fit.coefficients
    missing = np.full(k, np.nan)
    estimate = missing if made is None else made.estimate
    se = missing if made is None else np.sqrt(np.diag(made.covariance))
    low, high, p = (missing, missing, missing) if made is None else interval(made)
    unit = np.array([unit_of_effect if term.column == exposure else 1.0 for term in fit.terms])
    columns = {
        "adjustment": [adjustment] * k,
        "term": [term.name for term in fit.terms],
        **_fields(fit.terms),
        "estimate": estimate,
        "se": se,
        "ci_low": low,
        "ci_high": high,
        "p": p,
        "df": missing if made is None or made.df is None else made.df,
        "fmi": missing if made is None or made.fmi is None else made.fmi,
        "scale": list(fit.scales),
        "effect": _effects(estimate * unit, fit.scales),
        "effect_ci_low": _effects(low * unit, fit.scales),
        "effect_ci_high": _effects(high * unit, fit.scales),
        "n": [fit.n] * k,
        "n_events": [fit.n_events] * k,
    }
    schema = {name: column.dtype for name, column in contracts.ESTIMATES.columns.items()}
    rows = pl.DataFrame(columns, schema=schema)
    return rows.with_columns(pl.col(pl.Float64).fill_nan(None)).with_columns(
        df=pl.when(pl.col("df").is_finite()).then("df")
    )


def _fields(terms: Sequence[Term | None]) -> dict[str, list[object]]:
    """Return what each term is about, as columns; null where there is no term."""
    known = [term or Term("") for term in terms]
    return {
        "variable": [term.column for term in known],
        "level": [_text(term.level) for term in known],
        "reference": [_text(term.reference) for term in known],
        "part": [term.part for term in known],
        "modifier": [term.modifier for term in known],
    }


def _text(level: Level | None) -> str | None:
    return None if level is None else str(level)


def _effects(estimate: Array, scales: tuple[str, ...]) -> Array:
    """Return ratios from their logs, differences as they are, and NaN for all other scales."""
    with np.errstate(over="ignore"):
        ratio = np.exp(estimate)
    is_ratio = np.array([scale in RATIOS for scale in scales], dtype=bool)
    has_effect = np.array([scale in EFFECTS for scale in scales], dtype=bool)
    effect = np.where(is_ratio & np.isfinite(ratio), ratio, np.nan)
    return np.where(has_effect & ~is_ratio, estimate, effect)


def diagnostic_rows(diagnostics: Sequence[Diagnostic], *, adjustment: str) -> pl.DataFrame:
    """Return the rows of `contracts.DIAGNOSTICS` of one fit."""
    columns = {
        "adjustment": [adjustment] * len(diagnostics),
        "quantity": [one.quantity for one in diagnostics],
        "kind": [one.kind or one.quantity for one in diagnostics],
        **_fields([one.about for one in diagnostics]),
        "value": [one.value for one in diagnostics],
        "number": [one.number for one in diagnostics],
        "verdict": [one.verdict for one in diagnostics],
        "reason": [one.reason for one in diagnostics],
    }
    schema = {name: column.dtype for name, column in contracts.DIAGNOSTICS.columns.items()}
    return pl.DataFrame(columns, schema=schema)
