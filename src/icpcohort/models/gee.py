"""GEE: a yes-or-no outcome of patients who are alike within their centre."""

import warnings

import numpy as np
import numpy.typing as npt
import statsmodels.api as sm
from statsmodels.tools.sm_exceptions import ConvergenceWarning, IterationLimitWarning

from icpcohort.models import design as designs
from icpcohort.models import estimates, logistic, robust
from icpcohort.models.design import INTERCEPT, Array, Design
from icpcohort.models.estimates import Coefficients, Diagnostic, FamilyFit, Response
from icpcohort.study.families import ODDS_RATIO

R_FIT = """
Z <- cbind(1, X); b <- coef(glm(y ~ X, family = binomial))
groups <- split(seq_along(y), cluster)
for (i in 1:500) {
  p <- plogis(drop(Z %*% b)); s <- sqrt(p * (1 - p)); r <- (y - p) / s
  phi <- sum(r^2) / (length(y) - ncol(Z))
  pairs <- sum(sapply(groups, function(g) length(g) * (length(g) - 1) / 2))
  rho <- sum(sapply(groups, function(g) (sum(r[g])^2 - sum(r[g]^2)) / 2))
  rho <- rho / phi / (pairs - ncol(Z))
  H <- 0; U <- 0; meat <- 0
  for (g in groups) {
    k <- length(g); C <- matrix(rho, k, k); diag(C) <- 1
    D <- Z[g, , drop = FALSE] * s[g]^2; Vi <- solve(C * outer(s[g], s[g]))
    u <- crossprod(D, Vi %*% (y[g] - p[g])); H <- H + crossprod(D, Vi %*% D); U <- U + u
    meat <- meat + tcrossprod(u)
  }
  step <- drop(solve(H, U)); if (max(abs(step)) < 1e-13) break
  b <- b + step
}
n <- length(groups)
finish(b, solve(H) %*% meat %*% solve(H) * n / (n - 1), df = n - 1)
"""


def fit_exchangeable(
    y: npt.NDArray[np.bool_],
    X: Array,
    *,
    clusters: npt.NDArray[np.int64],
    terms: tuple[str, ...],
) -> tuple[Coefficients, float]:
    """Fit log odds by generalised estimating equations with one correlation within clusters.

    Parameters
    ----------
    y, X, terms : as in `logistic.fit_logit`
    clusters : array of int (n,)
        Number of each patient's cluster, from 0; at least 3 of them.

    Returns
    -------
    Coefficients and float
        Robust covariance with the factor G / (G - 1) for G clusters, Student's t with G - 1
        degrees of freedom, no likelihood; and the correlation within clusters.

    Source: Liang 1986; statsmodels `GEE`, on scaled columns.
    """
    scaled = designs.standardise(X)
    with_intercept = np.column_stack([np.ones(len(y)), scaled.matrix])
    model = sm.GEE(
        y.astype(float),
        with_intercept,
        groups=clusters,
        family=sm.families.Binomial(),
        cov_struct=sm.cov_struct.Exchangeable(),
    )
    with warnings.catch_warnings():
        for warning in (ConvergenceWarning, IterationLimitWarning):
            warnings.simplefilter("ignore", warning)  # `converged` says it instead
        fit = model.fit(maxiter=300, ctol=1e-8)
    n = len(np.unique(clusters))
    estimate, covariance = designs.unscale(
        np.asarray(fit.params), np.asarray(fit.cov_robust) * n / (n - 1), scaled=scaled
    )
    made = Coefficients(
        ("intercept", *terms),
        estimate,
        covariance,
        None,
        None,
        bool(fit.converged),
        df=np.full(len(estimate), n - 1.0),
    )
    return made, float(fit.cov_struct.dep_params)


def fit(response: Response, design: Design, *, problems: list[str]) -> FamilyFit:
    """Fit generalised estimating equations, or say why there are none."""
    outcome, clusters = response.outcome, response.clusters
    y = outcome.to_numpy().astype(bool)
    if clusters is None:
        raise ValueError("models.gee: no clusters; write clusters: centre in the plan")
    reasons = logistic.too_few(y, design, outcome.name, problems)
    reasons = reasons or logistic.separated(y, design) or robust.cluster_problems(clusters)
    made = None
    rows = [estimates.not_reported(reasons)]
    if not reasons:
        made, rho = fit_exchangeable(y, design.matrix, clusters=clusters, terms=design.names)
        rows = [
            *logistic.diagnostics(y, design, made),
            Diagnostic("correlation_within_clusters", rho),
            robust.count_of_clusters(len(np.unique(clusters))),
        ]
        if not made.sound:
            why = (
                "the equations did not converge, as happens with few, large clusters; "
                "family: logistic keeps errors between clusters without a correlation"
            )
            made, rows = None, [estimates.not_reported([why])]
    rows.append(
        Diagnostic("direction", None, f"an odds ratio above 1: higher odds of {outcome.name}")
    )
    scales = ("log_odds",) + (ODDS_RATIO.scale,) * len(design.terms)
    return FamilyFit(made, (INTERCEPT, *design.terms), scales, len(y), int(y.sum()), rows)
