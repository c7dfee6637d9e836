"""Estimates: what every family of models gives back, as rows of the results tables."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.stats import norm

from icpcohort import contracts
from icpcohort.models.design import Array


@dataclass(frozen=True)
class Coefficients:
    """A maximum-likelihood fit: intercept or thresholds first, then one slope a term."""

    terms: tuple[str, ...]
    estimate: Array  # (n terms,)
    covariance: Array  # (n terms, n terms)
    log_likelihood: float
    log_likelihood_null: float  # of the model without slopes
    converged: bool

    @property
    def sound(self) -> bool:
        """True when the fit converged to finite estimates with positive variances."""
        finite = np.isfinite(self.estimate).all() and np.isfinite(self.covariance).all()
        return bool(self.converged and finite and (np.diag(self.covariance) > 0).all())


class Diagnostic(NamedTuple):
    """One row of `contracts.DIAGNOSTICS`, but for its adjustment."""

    quantity: str
    value: float | None
    verdict: str | None


class FamilyFit(NamedTuple):
    """What a family returns: coefficients, or none with a diagnostic that says why."""

    coefficients: Coefficients | None
    terms: tuple[str, ...]
    scales: tuple[str, ...]  # one a term: log_or, log_odds or threshold
    n: int
    n_events: int | None
    diagnostics: list[Diagnostic]


def not_reported(problems: list[str]) -> Diagnostic:
    """Return the diagnostic that stands in the place of estimates."""
    return Diagnostic("reported", 0.0, "not reported: " + "; ".join(problems))


def fit_diagnostics(fit: Coefficients) -> list[Diagnostic]:
    """Return the diagnostics that every likelihood has."""
    return [
        Diagnostic("reported", 1.0, None),
        Diagnostic("converged", 1.0, None),
        Diagnostic("log_likelihood", fit.log_likelihood, None),
        Diagnostic("log_likelihood_null", fit.log_likelihood_null, None),
        Diagnostic("mcfadden_r2", 1 - fit.log_likelihood / fit.log_likelihood_null, None),
    ]


def few_per_parameter(quantity: str, ratio: float) -> Diagnostic:
    """Judge the size of the data against the number of slopes.

    Source: ten is a weak rule of thumb (Peduzzi 1996, J Clin Epidemiol 49:1373; from memory).
    """
    verdict = "below 10: estimates may be too large and intervals too short; read with caution"
    return Diagnostic(quantity, ratio, verdict if ratio < 10 else None)


def inflation(value: float) -> Diagnostic:
    """Judge the largest variance inflation factor. The limit of 10 is common practice."""
    verdict = "above 10: terms are nearly collinear and intervals wide"
    return Diagnostic("max_variance_inflation", value, verdict if value > 10 else None)


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
        The term whose `effect` is for `unit_of_effect` more of it.
    unit_of_effect : float, in the exposure's unit
        Effects of the other terms are for 1 more.

    Returns
    -------
    DataFrame
        Wald 95 % intervals and two-sided p values from the normal distribution. An odds ratio
        or a limit too large for a number is null.

    Source: Wald statistics, common practice.
    """
    k = len(fit.terms)
    missing = np.full(k, np.nan)
    estimate = missing if fit.coefficients is None else fit.coefficients.estimate
    se = missing if fit.coefficients is None else np.sqrt(np.diag(fit.coefficients.covariance))
    half = norm.ppf(0.975) * se
    unit = np.array([unit_of_effect if term == exposure else 1.0 for term in fit.terms])
    is_ratio = np.array([scale == "log_or" for scale in fit.scales], dtype=bool)
    columns = {
        "adjustment": [adjustment] * k,
        "term": list(fit.terms),
        "estimate": estimate,
        "se": se,
        "ci_low": estimate - half,
        "ci_high": estimate + half,
        "p": 2 * norm.sf(np.abs(estimate / se)),
        "scale": list(fit.scales),
        "effect": _ratio(estimate * unit, is_ratio),
        "effect_ci_low": _ratio((estimate - half) * unit, is_ratio),
        "effect_ci_high": _ratio((estimate + half) * unit, is_ratio),
        "n": [fit.n] * k,
        "n_events": [fit.n_events] * k,
    }
    schema = {name: column.dtype for name, column in contracts.ESTIMATES.columns.items()}
    rows = pl.DataFrame(columns, schema=schema)
    return rows.with_columns(pl.col(pl.Float64).fill_nan(None))


def _ratio(log_ratio: Array, is_ratio: npt.NDArray[np.bool_]) -> Array:
    """Turn logs of ratios into ratios; NaN for other scales and where it would overflow."""
    with np.errstate(over="ignore"):
        ratio = np.exp(log_ratio)
    return np.where(is_ratio & np.isfinite(ratio), ratio, np.nan)


def diagnostic_rows(diagnostics: list[Diagnostic], *, adjustment: str) -> pl.DataFrame:
    """Return the rows of `contracts.DIAGNOSTICS` of one fit."""
    schema = {name: column.dtype for name, column in contracts.DIAGNOSTICS.columns.items()}
    rows = [(adjustment, *diagnostic) for diagnostic in diagnostics]
    return pl.DataFrame(rows, schema=schema, orient="row")
