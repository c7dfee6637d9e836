"""Negative binomial regression: a count, the log of its mean linear in the terms."""

from typing import NamedTuple

import numpy as np
import statsmodels.api as sm
from scipy.optimize import brentq
from scipy.special import digamma, gammaln
from scipy.stats import chi2

from icpcohort.models import design as designs
from icpcohort.models import estimates, risk_ratios
from icpcohort.models.design import INTERCEPT, Array, Design
from icpcohort.models.estimates import Coefficients, Diagnostic, FamilyFit, Response
from icpcohort.study.families import RATE_RATIO

R_FIT = """
fit <- MASS::glm.nb(y ~ X, control = glm.control(epsilon = 1e-14, maxit = 500))
scores <- cbind(1, X) * (y - fitted(fit)) / (1 + fitted(fit) / fit$theta)
finish(coef(fit), vcov(fit), scores = scores)
"""
MIN_COUNTS = 5  # fewer patients with a count above zero are not modelled: our own rule
MIN_RESIDUAL_DF = 5  # patients beyond the number of coefficients: the project's own rule
MAX_ROUNDS = 100
LEAST, MOST = 1e-6, 1e6  # dispersions that are looked at


class Spread(NamedTuple):
    """How far counts are spread out: variance = mean + dispersion x mean squared."""

    dispersion: float  # zero where a Poisson distribution is as likely
    log_likelihood: float
    log_likelihood_poisson: float  # of Poisson regression on the same terms


def log_likelihood(y: Array, mean: Array, *, dispersion: float) -> float:
    """Return the log-likelihood of counts; a dispersion of zero is a Poisson distribution.

    Source: NB2 of Hilbe 2011; the size of R's `dnbinom` is 1 / dispersion.
    """
    if dispersion == 0:
        return float((y * np.log(mean) - mean - gammaln(y + 1)).sum())
    size = 1 / dispersion
    whole = gammaln(y + size) - gammaln(size) - gammaln(y + 1)
    return float(
        (whole - size * np.log1p(mean / size) + y * np.log(mean / (size + mean))).sum()
    )


def dispersion_of(y: Array, mean: Array) -> float:
    """Return the most likely dispersion of counts with known means; zero where they show none.

    Source: maximum likelihood for theta, Venables 2002; theta is 1 / dispersion.
    """

    def slope(log_dispersion: float) -> float:
        """Return the derivative of the log-likelihood by the size, with its sign turned."""
        size = float(np.exp(-log_dispersion))
        parts = digamma(y + size) - digamma(size) - np.log1p(mean / size)
        return -float((parts + (mean - y) / (size + mean)).sum())

    # At no dispersion the likelihood rises only where the spread exceeds the mean
    excess = float(((y - mean) ** 2 - y).sum())
    low, high = np.log(LEAST), np.log(MOST)
    if excess <= 0 or slope(low) * slope(high) >= 0:
        return 0.0
    return float(np.exp(brentq(slope, low, high, xtol=1e-13, rtol=1e-13)))


def _means(y: Array, X: Array, dispersion: float, start: Array | None) -> tuple[Array, Array]:
    """Return coefficients and means for a known dispersion."""
    family = (
        sm.families.NegativeBinomial(alpha=dispersion) if dispersion else sm.families.Poisson()
    )
    fit = sm.GLM(y, X, family=family).fit(tol=1e-13, maxiter=200, start_params=start)
    return np.asarray(fit.params, dtype=np.float64), np.asarray(fit.mu, dtype=np.float64)


def fit_log_mean(y: Array, X: Array, *, terms: tuple[str, ...]) -> tuple[Coefficients, Spread]:
    """Fit log mean(y) = intercept + X b with variance mean + dispersion x mean squared.

    Parameters
    ----------
    y : array (n,)
        Counts, some above zero.
    X : array (n, k)
        Without an intercept; full rank together with one, and not separating the outcome.
    terms : k names

    Returns
    -------
    Coefficients
        Covariance from the expected information, in which slopes and dispersion do not depend
        on each other. Where the counts show no dispersion, the fit is that of Poisson
        regression.
    Spread

    Source: Hilbe 2011; slopes and dispersion by turns, as Venables 2002 and R's `glm.nb`;
    iterated weighted least squares (statsmodels `GLM`), on scaled columns.
    """
    scaled = designs.standardise(X)
    Z = np.column_stack([np.ones(len(y)), scaled.matrix])
    beta, mean = _means(y, Z, 0.0, None)
    poisson = log_likelihood(y, mean, dispersion=0.0)
    dispersion, converged = dispersion_of(y, mean), False
    for _ in range(MAX_ROUNDS):
        beta, mean = _means(y, Z, dispersion, beta)
        before, dispersion = dispersion, dispersion_of(y, mean)
        if abs(dispersion - before) <= 1e-10 * dispersion:
            converged = True
            break
    information = Z.T @ ((mean / (1 + dispersion * mean))[:, None] * Z)
    inverse = np.asarray(np.linalg.inv(information), dtype=np.float64)
    estimate, covariance = designs.unscale(beta, inverse, scaled=scaled)
    residual = (y - mean) / (1 + dispersion * mean)
    alone = np.full(len(y), y.mean())
    made = Coefficients(
        ("intercept", *terms),
        estimate,
        covariance,
        log_likelihood(y, mean, dispersion=dispersion),
        log_likelihood(y, alone, dispersion=dispersion_of(y, alone)),
        converged,
        scores=np.column_stack([np.ones(len(y)), X]) * residual[:, None],
        bread=covariance,
    )
    return made, Spread(dispersion, float(made.log_likelihood or 0.0), poisson)


def risk(estimate: Array, X: Array) -> Array:
    """Return each row's expected count."""
    return np.asarray(np.exp(estimate[0] + X @ estimate[1:]), dtype=np.float64)


def fit(response: Response, design: Design, *, problems: list[str]) -> FamilyFit:
    """Fit a negative binomial regression, or say why there is none; see `fit_log_mean`."""
    outcome = response.outcome
    y = outcome.to_numpy().astype(np.float64)
    reasons = list(problems) + _no_counts(y, design, outcome.name)
    reasons = reasons or risk_ratios.unbounded(y > 0, design)
    made, spread = None, None
    if not reasons:
        made, spread = fit_log_mean(y, design.matrix, terms=design.names)
    if made and not made.sound:
        made, reasons = None, ["the likelihood did not converge to finite estimates"]
    rows = [estimates.not_reported(reasons)]
    if made and spread:
        rows = _diagnostics(y, design, made, spread)
    rows.append(Diagnostic("direction", None, f"a rate ratio above 1: more {outcome.name}"))
    scales = ("log_rate",) + (RATE_RATIO.scale,) * len(design.terms)
    return FamilyFit(made, (INTERCEPT, *design.terms), scales, len(y), None, rows)


def _no_counts(y: Array, design: Design, outcome: str) -> list[str]:
    """Say why these values carry no model of counts."""
    if not len(y):
        return []
    wrong = y[(y < 0) | (y != np.round(y))]
    if len(wrong):
        return [
            f"{outcome} is no count in {len(wrong)} of {len(y)} patients, as {wrong[0]:g}; "
            "write whole numbers not below zero, or name family linear"
        ]
    n_above, df = int((y > 0).sum()), len(y) - len(design.terms) - 1
    if y.min() == y.max():
        return [f"{outcome} has one value in all {len(y)} patients ({y[0]:g})"]
    if n_above < MIN_COUNTS:
        return [
            f"{n_above} of {len(y)} patients with {outcome} above zero; at least {MIN_COUNTS} "
            "are needed"
        ]
    if df < MIN_RESIDUAL_DF:
        return [
            f"{len(y)} patients for {len(design.terms) + 1} coefficients; at least "
            f"{MIN_RESIDUAL_DF} more patients than coefficients are needed"
        ]
    return []


def _diagnostics(
    y: Array, design: Design, made: Coefficients, spread: Spread
) -> list[Diagnostic]:
    expected_zeros = _expected_zeros(risk(made.estimate, design.matrix), spread.dispersion)
    return [
        *estimates.fit_diagnostics(made),
        *_against_poisson(spread),
        Diagnostic("n_zeros", float((y == 0).sum()), number="count"),
        Diagnostic("n_zeros_expected", expected_zeros, _too_many_zeros(y, expected_zeros)),
        estimates.few_per_parameter("patients_per_parameter", len(y) / len(design.terms)),
        estimates.inflation(designs.max_variance_inflation(design)),
    ]


def _against_poisson(spread: Spread) -> list[Diagnostic]:
    """Return the dispersion, and its likelihood-ratio test against none.

    Source: half of chi-squared with one degree of freedom, as none is the least dispersion:
    Hilbe 2011.
    """
    statistic = max(0.0, 2 * (spread.log_likelihood - spread.log_likelihood_poisson))
    p = float(chi2.sf(statistic, 1)) / 2 if spread.dispersion else 1.0
    verdict = "counts are spread out more than by chance, as this family allows for"
    if spread.dispersion == 0:
        verdict = "no more spread than by chance: the fit is that of Poisson regression"
    elif p >= 0.05:
        verdict = "no sign of more spread than by chance; a small study would not show it"
    return [
        Diagnostic("dispersion", spread.dispersion),
        *estimates.chi_squared("against_poisson", statistic, 1, p, verdict=verdict),
    ]


def _expected_zeros(mean: Array, dispersion: float) -> float:
    if dispersion == 0:
        return float(np.exp(-mean).sum())
    return float(np.exp(-np.log1p(dispersion * mean) / dispersion).sum())


def _too_many_zeros(y: Array, expected: float) -> str | None:
    """Judge the zeros: more than a fifth above what is expected is our own limit."""
    n = int((y == 0).sum())
    if n <= 1.2 * expected + 1:
        return None
    return (
        f"{n} zeros, more than the model expects: some patients may be unable to have a count; "
        "look at having any, and at the count of those who have, in two models"
    )
