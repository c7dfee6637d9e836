"""Proportional odds: an ordered score, one odds ratio for a worse score at every cut."""

from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import expit, log_expit
from scipy.stats import chi2

from icpcohort.models import design as designs
from icpcohort.models import estimates, separation
from icpcohort.models.design import Array, Design, Term
from icpcohort.models.estimates import Coefficients, Diagnostic, FamilyFit, Response
from icpcohort.study.families import ODDS_RATIO

Levels = npt.NDArray[np.int64]

# polr writes zeta - X b; on scaled columns its optimiser comes closer to the maximum.
R_FIT = """
spread <- apply(X, 2, sd); S <- sweep(X, 2, spread, "/"); score <- factor(y, ordered = TRUE)
fit <- MASS::polr(score ~ S, Hess = TRUE, control = list(reltol = 1e-16, maxit = 5000))
k <- ncol(X); cuts <- length(fit$zeta)
back <- diag(c(rep(1, cuts), -1 / spread))[, , drop = FALSE]
order <- c(k + seq_len(cuts), seq_len(k))
finish(drop(back %*% c(fit$zeta, coef(fit))), back %*% vcov(fit)[order, order] %*% t(back))
"""

MIN_OUTSIDE = 5  # patients outside the most frequent score: the project's own rule
MAX_STEPS = 100


class ScoreTest(NamedTuple):
    """A chi-squared test: its statistic, degrees of freedom and p value."""

    chi2: float
    df: int
    p: float


class _Bounds(NamedTuple):
    """A patient's score lies between two cuts of a logistic variable: low < z < high."""

    high: Array  # infinite for the best score
    low: Array  # minus infinite for the worst
    high_rows: Array  # (n, n parameters): derivative of `high`; zero where infinite
    low_rows: Array


def fit_ordered(
    y: Levels, X: Array, *, labels: tuple[str, ...], terms: tuple[str, ...]
) -> Coefficients:
    """Fit a proportional-odds model by maximum likelihood: logit P(Y <= k) = threshold_k + X b.

    A positive coefficient means higher odds of a lower score. This is the sign of a yes-or-no
    model of a bad outcome; much software writes threshold_k - X b instead.

    Parameters
    ----------
    y : array of int (n,)
        Rank of each patient's score, from 0; every rank below its maximum occurs.
    X : array (n, k)
        Without an intercept; full rank together with one, and not separating the outcome.
    labels : names
        One a rank.
    terms : k names
        What the columns of X are.

    Returns
    -------
    Coefficients
        Thresholds, named "threshold LABEL|NEXT LABEL", then `terms`. A threshold is the log
        odds of that score or lower where every column of X is zero. Covariance from the
        observed information.

    Source: McCullagh 1980; Newton's method.
    """
    scaled = designs.standardise(X)
    counts = np.bincount(y)
    cumulative = np.cumsum(counts)[:-1] / len(y)
    theta = np.log(cumulative / (1 - cumulative))
    parameters = np.concatenate([theta, np.zeros(X.shape[1])])
    value, score, information = _likelihood(parameters, y, scaled.matrix, len(theta))
    null = value
    converged = False
    for _ in range(MAX_STEPS):
        step = np.asarray(np.linalg.solve(information, score), dtype=np.float64)
        if float(score @ step) < 1e-18 * len(y):
            converged = True
            break
        parameters = _climb(parameters, step, value, y, scaled.matrix, len(theta))
        value, score, information = _likelihood(parameters, y, scaled.matrix, len(theta))
    inverse = np.asarray(np.linalg.inv(information), dtype=np.float64)
    estimate, covariance = designs.unscale(parameters, inverse, scaled=scaled)
    cuts = _cuts(labels)
    return Coefficients(
        (*cuts, *terms),
        estimate,
        covariance,
        value,
        null,
        converged,
        scores=_scores(estimate, y, X, len(theta)),
        bread=covariance,
    )


def _cuts(labels: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(f"threshold {below}|{above}" for below, above in pairwise(labels))


def _bounds(parameters: Array, y: Levels, X: Array, n_cuts: int) -> _Bounds:
    cut = np.eye(n_cuts)
    has_high, has_low = y < n_cuts, y > 0
    high_rows = np.where(
        has_high[:, None], np.column_stack([cut[np.minimum(y, n_cuts - 1)], X]), 0.0
    )
    low_rows = np.where(has_low[:, None], np.column_stack([cut[np.maximum(y - 1, 0)], X]), 0.0)
    return _Bounds(
        np.where(has_high, high_rows @ parameters, np.inf),
        np.where(has_low, low_rows @ parameters, -np.inf),
        high_rows,
        low_rows,
    )


def _log_likelihood(parameters: Array, y: Levels, X: Array, n_cuts: int) -> float:
    """Sum of log(F(high) - F(low)) without cancellation; minus infinite where cuts cross."""
    if np.any(np.diff(parameters[:n_cuts]) <= 0):
        return -np.inf
    high, low, _, _ = _bounds(parameters, y, X, n_cuts)
    terms = log_expit(high) + log_expit(-low) + np.log(-np.expm1(low - high))
    return float(terms.sum())


def _likelihood(
    parameters: Array, y: Levels, X: Array, n_cuts: int
) -> tuple[float, Array, Array]:
    """Return the log-likelihood, its gradient, and its negative Hessian."""
    high, low, A, B = _bounds(parameters, y, X, n_cuts)
    gap = high - low
    w = np.exp(-gap) / -np.expm1(-gap)
    gradient = _scores(parameters, y, X, n_cuts).sum(axis=0)
    curve = w * (1 + w)
    high_curve = expit(high) * expit(-high) + curve
    low_curve = expit(low) * expit(-low) + curve
    cross = A.T @ (curve[:, None] * B)
    information = A.T @ (high_curve[:, None] * A) + B.T @ (low_curve[:, None] * B)
    value = _log_likelihood(parameters, y, X, n_cuts)
    return value, gradient, information - cross - cross.T


def _scores(parameters: Array, y: Levels, X: Array, n_cuts: int) -> Array:
    """Return each patient's part of the gradient."""
    high, low, A, B = _bounds(parameters, y, X, n_cuts)
    w = np.exp(low - high) / -np.expm1(low - high)
    parts = A * (expit(-high) + w)[:, None] - B * (expit(low) + w)[:, None]
    return np.asarray(parts, dtype=np.float64)


def risk(estimate: Array, X: Array) -> Array:
    """Return each row's probability of a score at or below each cut, shape (n rows, n cuts)."""
    slopes = estimate[len(estimate) - X.shape[1] :]
    thresholds = estimate[: len(estimate) - X.shape[1]]
    return np.asarray(expit(thresholds + (X @ slopes)[:, None]), dtype=np.float64)


def _climb(start: Array, step: Array, value: float, y: Levels, X: Array, n_cuts: int) -> Array:
    """Take the longest of the step's halvings that does not lower the likelihood."""
    length = 1.0
    slack = 1e-12 * abs(value)
    while length > 1e-10:
        tried = start + length * step
        if _log_likelihood(tried, y, X, n_cuts) >= value - slack:
            return tried
        length /= 2
    return start


def score_test(y: Levels, X: Array, *, fit: Coefficients) -> ScoreTest | None:
    """Test whether the slopes are the same at every cut of the score.

    Parameters
    ----------
    y, X : arrays
        As in `fit_ordered`.
    fit : Coefficients
        What `fit_ordered` found for them.

    Returns
    -------
    ScoreTest, or None
        The score statistic of the model with slopes of its own at every cut, at the fitted
        common slopes, by the expected information. None with two levels only, where there is
        nothing to test, and where that information is singular (too few patients for it).

    Source: Peterson 1990. Some software uses the observed information, which is singular as
    soon as a group has no patient on either side of a cut; the two differ in small samples.
    """
    n_slopes = X.shape[1]
    n_cuts = len(fit.estimate) - n_slopes
    if n_cuts < 2:
        return None
    eta = fit.estimate[:n_cuts] + (X @ fit.estimate[n_cuts:])[:, None]
    Z = np.column_stack([np.ones(len(y)), designs.standardise(X).matrix])
    gradient, information = _own_slopes(y, Z, eta)
    if np.linalg.matrix_rank(information) < len(information):
        return None
    statistic = float(gradient @ np.linalg.solve(information, gradient))
    df = n_slopes * (n_cuts - 1)
    return ScoreTest(statistic, df, float(chi2.sf(statistic, df)))


def _own_slopes(y: Levels, Z: Array, eta: Array) -> tuple[Array, Array]:
    """Return score and expected information of logit P(Y <= k) = eta[:, k] = Z b_k."""
    n_cuts, width = eta.shape[1], Z.shape[1]
    below = np.column_stack([np.zeros(len(y)), expit(eta), np.ones(len(y))])
    share = np.diff(below, axis=1)
    density = expit(eta) * expit(-eta)
    at, above = y[:, None] == np.arange(n_cuts), y[:, None] == np.arange(1, n_cuts + 1)
    residual = density * (at.astype(float) - above) / share[np.arange(len(y)), y][:, None]
    information = np.zeros((n_cuts * width, n_cuts * width))
    for k in range(n_cuts):
        here = slice(k * width, (k + 1) * width)
        weight = density[:, k] ** 2 * (1 / share[:, k] + 1 / share[:, k + 1])
        information[here, here] = Z.T @ (weight[:, None] * Z)
        if k + 1 < n_cuts:
            after = slice((k + 1) * width, (k + 2) * width)
            shared = -density[:, k] * density[:, k + 1] / share[:, k + 1]
            information[here, after] = Z.T @ (shared[:, None] * Z)
            information[after, here] = information[here, after].T
    return (residual.T @ Z).ravel(), information


def fit(response: Response, design: Design, *, problems: list[str]) -> FamilyFit:
    """Fit a proportional-odds model of a score, or say why there is none.

    Parameters
    ----------
    response : Response
        The outcome is a score. One that nobody has is absent: its neighbours share one cut.
    design : Design
        As many rows as `response`.
    problems : list of str
        What is wrong already; with any problem nothing is estimated.

    Source: see `fit_ordered` and `score_test`.
    """
    outcome = response.outcome
    scores, ranks, counts = np.unique(
        outcome.to_numpy(), return_inverse=True, return_counts=True
    )
    if response.worse == "higher":  # ranks begin with the worst
        scores, counts, ranks = scores[::-1], counts[::-1], len(scores) - 1 - ranks
    y = ranks.astype(np.int64)
    labels = tuple(str(score) for score in scores)
    reasons = _problems(y, design, outcome.name, problems)
    coefficients = (
        None if reasons else fit_ordered(y, design.matrix, labels=labels, terms=design.names)
    )
    if coefficients and not coefficients.sound:
        coefficients, reasons = None, ["the likelihood did not converge to finite estimates"]
    if coefficients:
        rows = _diagnostics(y, design, coefficients)
    else:
        rows = [estimates.not_reported(reasons)]
    rows += [
        Diagnostic(
            f"n_{outcome.name}_{label}",
            float(count),
            number="count",
            kind="n_with_level",
            about=Term(f"{outcome.name}: {label}", outcome.name, label),
        )
        for label, count in zip(labels, counts, strict=True)
    ]
    rows.append(
        Diagnostic(
            "direction",
            None,
            f"an odds ratio above 1: a worse ({response.worse}) {outcome.name}",
        )
    )
    cuts = _cuts(labels)
    scales = ("threshold",) * len(cuts) + (ODDS_RATIO.scale,) * len(design.terms)
    terms = (*map(Term, cuts), *design.terms)
    return FamilyFit(coefficients, terms, scales, len(y), None, rows)


def _problems(y: Levels, design: Design, outcome: str, problems: list[str]) -> list[str]:
    """Add to `problems` what the outcome forbids; if there are none, look for separation."""
    reasons = list(problems)
    if not len(y):
        return reasons
    outside = len(y) - int(np.bincount(y).max())
    k = len(design.terms)
    if outside < MIN_OUTSIDE:
        reasons.append(
            f"{outside} of {len(y)} patients outside the most frequent {outcome}; "
            f"at least {MIN_OUTSIDE} are needed"
        )
    elif k > outside:
        reasons.append(f"{k} terms for {outside} patients outside the most frequent {outcome}")
    return reasons or _separated(y, design)


def _diagnostics(y: Levels, design: Design, fitted: Coefficients) -> list[Diagnostic]:
    return [
        *estimates.fit_diagnostics(fitted),
        _effective_n(np.bincount(y), len(design.terms)),
        estimates.inflation(designs.max_variance_inflation(design)),
        *_proportionality(score_test(y, design.matrix, fit=fitted)),
    ]


def _effective_n(counts: npt.NDArray[np.int64], n_slopes: int) -> Diagnostic:
    """Patients per parameter, counting an ordered outcome as n - sum(n_level**3) / n**2.

    Source: Harrell 2015, table 4.1.
    """
    n = float(counts.sum())
    effective = n - float((counts.astype(float) ** 3).sum()) / n**2
    return estimates.few_per_parameter("effective_n_per_parameter", effective / n_slopes)


def _proportionality(test: ScoreTest | None) -> list[Diagnostic]:
    if test is None:
        verdict = "not tested: fewer than three scores, or too few patients for the test"
        return [Diagnostic("proportional_odds_p", None, verdict, "p")]
    if test.p < 0.05:
        verdict = "odds ratios differ between cuts of the score; one ratio is only an average"
    else:
        verdict = (
            "not shown that odds ratios differ between cuts; a small study would not show it"
        )
    return estimates.chi_squared(
        "proportional_odds", test.chi2, test.df, test.p, verdict=verdict
    )


def _separated(y: Levels, design: Design) -> list[str]:
    n_cuts = int(y.max())
    X = designs.standardise(design.matrix).matrix
    _, _, high_rows, low_rows = _bounds(np.zeros(n_cuts + X.shape[1]), y, X, n_cuts)
    growing = separation.separating_parameters(
        np.concatenate([high_rows[y < n_cuts], -low_rows[y > 0]])
    )
    names = ", ".join(design.names[i - n_cuts] for i in growing if i >= n_cuts)
    return [f"{names} separates the outcome: no finite estimate exists"] if growing else []
