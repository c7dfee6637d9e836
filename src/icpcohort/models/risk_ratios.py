"""Risk ratios: a yes-or-no outcome by Poisson regression with robust errors."""

import numpy as np
import numpy.typing as npt
import statsmodels.api as sm

from icpcohort.models import design as designs
from icpcohort.models import estimates, logistic, robust, separation
from icpcohort.models.design import INTERCEPT, Array, Design
from icpcohort.models.estimates import Coefficients, Diagnostic, FamilyFit, Response
from icpcohort.study.families import RISK_RATIO

R_FIT = """
fit <- glm(y ~ X, family = poisson, control = list(epsilon = 1e-14, maxit = 100))
scores <- cbind(1, X) * (y - fitted(fit))
finish(coef(fit), vcov(fit), scores = scores, robust = TRUE)
"""


def fit_log_risk(y: npt.NDArray[np.bool_], X: Array, *, terms: tuple[str, ...]) -> Coefficients:
    """Fit log P(event) = intercept + X b by Poisson regression with robust errors.

    Parameters
    ----------
    y, X, terms : as in `logistic.fit_logit`

    Returns
    -------
    Coefficients
        Covariance by the sandwich without a correction for small samples. The likelihood is
        that of a count and is not given: it compares no models of a yes-or-no outcome.

    Source: modified Poisson regression, Zou 2004; iterated weighted least squares (statsmodels
    `GLM`), on scaled columns.
    """
    scaled = designs.standardise(X)
    with_intercept = np.column_stack([np.ones(len(y)), scaled.matrix])
    fit = sm.GLM(y.astype(float), with_intercept, family=sm.families.Poisson()).fit(
        tol=1e-12, maxiter=100
    )
    # The library's own covariance has the weights of the step before the last
    inverse = np.linalg.inv(with_intercept.T @ (fit.mu[:, None] * with_intercept))
    estimate, bread = designs.unscale(fit.params, inverse, scaled=scaled)
    scores = np.column_stack([np.ones(len(y)), X]) * (y - fit.mu)[:, None]
    return Coefficients(
        ("intercept", *terms),
        estimate,
        robust.sandwich(scores, bread=bread),
        None,
        None,
        bool(fit.converged),
        scores=scores,
        bread=bread,
    )


def risk(estimate: Array, X: Array) -> Array:
    """Return each row's risk of the outcome; the model does not keep it below 1."""
    return np.asarray(np.exp(estimate[0] + X @ estimate[1:]), dtype=np.float64)


def fit(response: Response, design: Design, *, problems: list[str]) -> FamilyFit:
    """Fit a modified Poisson regression, or say why there is none; see `fit_log_risk`."""
    outcome = response.outcome
    y = outcome.to_numpy().astype(bool)
    reasons = logistic.too_few(y, design, outcome.name, problems) or unbounded(y, design)
    made = None if reasons else fit_log_risk(y, design.matrix, terms=design.names)
    if made and not made.sound:
        made, reasons = None, ["the fit did not converge to finite estimates"]
    rows = [estimates.not_reported(reasons)]
    if made:
        fitted = risk(made.estimate, design.matrix)
        rows = [*logistic.diagnostics(y, design, made), _above_one(fitted)]
    rows.append(Diagnostic("direction", None, f"a risk ratio above 1: more of {outcome.name}"))
    scales = ("log_risk",) + (RISK_RATIO.scale,) * len(design.terms)
    return FamilyFit(made, (INTERCEPT, *design.terms), scales, len(y), int(y.sum()), rows)


def _above_one(fitted: Array) -> Diagnostic:
    n = int((fitted > 1).sum())
    verdict = (
        f"{n} fitted risks are above 1; prefer odds ratios, or a smaller unit" if n else None
    )
    return Diagnostic("n_fitted_risk_above_1", float(n), verdict, "count")


def unbounded(y: npt.NDArray[np.bool_], design: Design) -> list[str]:
    """Find terms that no event limits: a level without any event, for example."""
    Z = np.column_stack([np.ones(len(y)), designs.standardise(design.matrix).matrix])
    # An event holds the linear predictor from both sides, its absence only from above
    growing = separation.separating_parameters(np.concatenate([-Z[~y], Z[y], -Z[y]]))
    names = ", ".join(design.names[i - 1] for i in growing if i > 0)
    return [f"{names} separates the outcome: no finite estimate exists"] if growing else []
