"""Firth logistic regression: finite estimates where data are sparse or separated."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import expit, log_expit
from scipy.stats import chi2

from icpcohort.models import design as designs
from icpcohort.models import estimates, logistic
from icpcohort.models.design import INTERCEPT, Array, Design
from icpcohort.models.estimates import Coefficients, Diagnostic, FamilyFit, Response
from icpcohort.study.families import ODDS_RATIO

MAX_STEPS = 200
NEAR, ENOUGH = 1e-6, 1e-20  # gains at which the top is near, and reached
Positions = npt.NDArray[np.int64]
MIN_EVENTS = 1

R_FIT = """
Z <- cbind(1, X)
firth <- function(fixed = NULL, at = 0) {
  b <- rep(0, ncol(Z)); if (!is.null(fixed)) b[fixed] <- at
  free <- setdiff(seq_len(ncol(Z)), fixed); width <- apply(abs(Z), 2, max)[free]
  look <- function(b) {
    eta <- drop(Z %*% b); p <- plogis(eta); w <- p * plogis(-eta); I <- crossprod(Z * sqrt(w))
    h <- rowSums((Z * sqrt(w)) %*% solve(I) * (Z * sqrt(w)))
    own <- plogis(ifelse(y == 1, eta, -eta), log.p = TRUE)
    value <- sum(own) + determinant(I)$modulus[1] / 2
    score <- crossprod(Z, y - p + h * (0.5 - p))[free]
    step <- if (length(free)) solve(I[free, free, drop = FALSE], score) else numeric(0)
    list(value = value, step = step, gain = sum(score * step), V = solve(I))
  }
  now <- look(b)
  if (length(free)) for (i in 1:500) {
    if (now$gain < 1e-20) break
    size <- min(1, 5 / max(abs(now$step) * width))
    repeat {
      tried <- b; tried[free] <- b[free] + size * now$step; there <- look(tried)
      better <- if (now$gain > 1e-6) there$value >= now$value else there$gain < now$gain
      if (better || size < 1e-8) break
      size <- size / 2
    }
    if (size < 1e-8) break
    b <- tried; now <- there
  }
  list(b = b, value = now$value, V = now$V)
}
full <- firth(); limits <- matrix(NA, ncol(Z), 2); p_value <- rep(NA, ncol(Z))
for (j in seq_len(ncol(Z))) {
  p_value[j] <- pchisq(2 * (full$value - firth(j)$value), 1, lower.tail = FALSE)
  away <- function(x) 2 * (full$value - firth(j, x)$value) - qchisq(0.95, 1)
  for (side in 1:2) {
    sign <- c(-1, 1)[side]; reach <- sqrt(full$V[j, j])
    while (away(full$b[j] + sign * reach) < 0) reach <- reach * 2
    limits[j, side] <- uniroot(away, sort(full$b[j] + sign * c(0, reach)), tol = 1e-11)$root
  }
}
finish(full$b, full$V, limits = limits, p = p_value)
"""


def fit_penalised(
    y: npt.NDArray[np.bool_], X: Array, *, terms: tuple[str, ...]
) -> Coefficients:
    """Fit a logistic regression with Jeffreys' penalty; limits and p by profile likelihood.

    Parameters
    ----------
    y, X, terms : as in `logistic.fit_logit`
        The outcome may be separated.

    Returns
    -------
    Coefficients
        The likelihoods are penalised ones. Standard errors are from the information without
        the penalty, at the estimate; limits and p are not Wald's but those of the profile.

    Source: Firth 1993; Heinze 2002; Newton's method with the modified score.
    """
    scaled = designs.standardise(X)
    Z = np.column_stack([np.ones(len(y)), scaled.matrix])
    beta, top, converged = _maximise(y, Z, start=np.zeros(Z.shape[1]), fixed=None)
    null = _maximise(y, Z[:, :1], start=np.zeros(1), fixed=None)[1].value
    p, weight = top.p, top.weight
    inverse = np.asarray(np.linalg.inv(Z.T @ (weight[:, None] * Z)), dtype=np.float64)
    estimate, covariance = designs.unscale(beta, inverse, scaled=scaled)
    limits, p_values = _profiles(y, X, scaled, estimate, np.sqrt(np.diag(covariance)))
    hat = weight * np.einsum("ij,jk,ik->i", Z, inverse, Z)
    pull = y - p + hat * (0.5 - p)
    return Coefficients(
        ("intercept", *terms),
        estimate,
        covariance,
        top.value,
        null,
        converged,
        scores=np.column_stack([np.ones(len(y)), X]) * pull[:, None],
        bread=covariance,
        limits=limits,
        p=p_values,
    )


class _Point(NamedTuple):
    """The penalised likelihood at some parameters, and where it rises."""

    value: float
    step: Array  # of the free parameters
    gain: float  # twice what the step promises
    p: Array
    weight: Array


def _look(y: npt.NDArray[np.bool_], Z: Array, beta: Array, free: Positions) -> _Point:
    eta = Z @ beta
    p, weight = expit(eta), expit(eta) * expit(-eta)
    information = Z.T @ (weight[:, None] * Z)
    sign, log_det = np.linalg.slogdet(information)
    if sign <= 0:
        return _Point(-np.inf, np.zeros(len(free)), np.inf, p, weight)
    hat = weight * np.einsum("ij,ij->i", Z @ np.linalg.inv(information), Z)
    score = (Z.T @ (y - p + hat * (0.5 - p)))[free]
    step = np.linalg.solve(information[np.ix_(free, free)], score)
    value = float(log_expit(np.where(y, eta, -eta)).sum() + log_det / 2)
    return _Point(value, step, float(score @ step), p, weight)


def _maximise(
    y: npt.NDArray[np.bool_], Z: Array, *, start: Array, fixed: int | None
) -> tuple[Array, _Point, bool]:
    """Climb the penalised likelihood, leaving the parameter `fixed` where it starts.

    The information is not the curvature of the penalised likelihood, so near the top full steps
    can leap from side to side for ever: there a step must bring the gain down.
    """
    beta = start.copy()
    free = np.array([i for i in range(len(start)) if i != fixed], dtype=np.int64)
    now = _look(y, Z, beta, free)
    for _ in range(MAX_STEPS):
        if now.gain < ENOUGH or not len(free):
            return beta, now, True
        length = min(1.0, 5.0 / float(np.abs(now.step).max()))
        while length > 1e-8:
            tried = beta.copy()
            tried[free] += length * now.step
            there = _look(y, Z, tried, free)
            if there.value >= now.value if now.gain > NEAR else there.gain < now.gain:
                break
            length /= 2
        else:
            return beta, now, now.gain < NEAR**2
        beta, now = tried, there
    return beta, now, False


def _profiles(
    y: npt.NDArray[np.bool_],
    X: Array,
    scaled: designs.Scaled,
    estimate: Array,
    se: Array,
) -> tuple[Array, Array]:
    """Return limits (k, 2) and p values (k,) of intercept and slopes by profile likelihood."""
    # The penalty moves by a constant with the columns' scale, so only distances from the
    # maximum on the same columns count; the intercept's profile needs columns not centred.
    uncentred = np.column_stack([np.ones(len(y)), X / scaled.scale])
    centred = np.column_stack([np.ones(len(y)), scaled.matrix])
    unit = np.concatenate([[1.0], scaled.scale])
    profiles = [
        _profile(
            y,
            centred if j else uncentred,
            j,
            centre=estimate[j] * unit[j],
            width=se[j] * unit[j],
        )
        for j in range(len(estimate))
    ]
    limits = np.array([[low, high] for low, high, _ in profiles]) / unit[:, None]
    return limits, np.array([p for _, _, p in profiles])


def _profile(
    y: npt.NDArray[np.bool_], Z: Array, j: int, *, centre: float, width: float
) -> tuple[float, float, float]:
    """Return where one parameter's profile falls by chi-squared's 95 %, and p of zero."""
    best, top, _ = _maximise(y, Z, start=np.zeros(Z.shape[1]), fixed=None)

    def fallen(x: float) -> float:
        start = best.copy()
        start[j] = x
        return 2 * (top.value - _maximise(y, Z, start=start, fixed=j)[1].value)

    critical = float(chi2.ppf(0.95, 1))
    ends = []
    for sign in (-1.0, 1.0):
        reach = width
        while fallen(centre + sign * reach) < critical and reach < 1e6 * width:
            reach *= 2
        low, high = sorted((centre, centre + sign * reach))
        ends.append(float(brentq(lambda x: fallen(x) - critical, low, high, xtol=1e-11)))
    return ends[0], ends[1], float(chi2.sf(max(fallen(0.0), 0.0), 1))


def fit(response: Response, design: Design, *, problems: list[str]) -> FamilyFit:
    """Fit a Firth logistic regression, or say why there is none; see `fit_penalised`."""
    outcome = response.outcome
    y = outcome.to_numpy().astype(bool)
    fewer = min(int(y.sum()), int((~y).sum()))
    reasons = list(problems)
    if len(y) and fewer < MIN_EVENTS:
        reasons.append(
            f"{int(y.sum())} of {len(y)} patients with {outcome.name}; both are needed"
        )
    elif len(y) and len(design.terms) > max(fewer, 1):
        reasons.append(f"{len(design.terms)} terms for {fewer} patients in the smaller group")
    made = None if reasons else fit_penalised(y, design.matrix, terms=design.names)
    if made and not made.sound:
        made, reasons = None, ["the penalised likelihood did not converge to finite estimates"]
    rows = [estimates.not_reported(reasons)]
    if made:
        rows = logistic.diagnostics(y, design, made)
    rows.append(
        Diagnostic("direction", None, f"an odds ratio above 1: higher odds of {outcome.name}")
    )
    scales = ("log_odds",) + (ODDS_RATIO.scale,) * len(design.terms)
    return FamilyFit(made, (INTERCEPT, *design.terms), scales, len(y), int(y.sum()), rows)
