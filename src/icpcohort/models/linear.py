"""Linear regression: a measured outcome or a score taken as a number, its mean linear."""

import numpy as np
import statsmodels.api as sm

from icpcohort.models import design as designs
from icpcohort.models import estimates
from icpcohort.models.design import INTERCEPT, Array, Design
from icpcohort.models.estimates import Coefficients, Diagnostic, FamilyFit, Response
from icpcohort.study.families import DIFFERENCE

MIN_RESIDUAL_DF = 5  # patients beyond the number of coefficients: the project's own rule

R_FIT = """
fit <- lm(y ~ X)
scores <- cbind(1, X) * residuals(fit) / sigma(fit)^2
finish(coef(fit), vcov(fit), df = df.residual(fit), scores = scores)
"""


def fit_mean(y: Array, X: Array, *, terms: tuple[str, ...]) -> Coefficients:
    """Fit mean(y) = intercept + X b by least squares.

    Parameters
    ----------
    y : array (n,)
    X : array (n, k)
        Without an intercept; full rank together with one, and n above k + 1.
    terms : k names

    Returns
    -------
    Coefficients
        With n - k - 1 degrees of freedom. The log-likelihood is that of normal residuals.

    Source: ordinary least squares by singular values (statsmodels `OLS`), on scaled columns.
    """
    scaled = designs.standardise(X)
    fit = sm.OLS(y, np.column_stack([np.ones(len(y)), scaled.matrix])).fit()
    estimate, covariance = designs.unscale(fit.params, fit.cov_params(), scaled=scaled)
    scores = np.column_stack([np.ones(len(y)), X]) * (fit.resid / fit.scale)[:, None]
    null = float(sm.OLS(y, np.ones(len(y))).fit().llf)
    return Coefficients(
        ("intercept", *terms),
        estimate,
        covariance,
        float(fit.llf),
        null,
        True,
        scores=scores,
        bread=covariance,
        df=np.full(X.shape[1] + 1, float(fit.df_resid)),
    )


def risk(estimate: Array, X: Array) -> Array:
    """Return each row's expected outcome."""
    return np.asarray(estimate[0] + X @ estimate[1:], dtype=np.float64)


def fit(response: Response, design: Design, *, problems: list[str]) -> FamilyFit:
    """Fit a linear regression, or say why there is none; see `fit_mean`."""
    y = response.outcome.to_numpy().astype(np.float64)
    reasons = list(problems)
    df = len(y) - len(design.terms) - 1
    if len(y) and df < MIN_RESIDUAL_DF:
        reasons.append(
            f"{len(y)} patients for {len(design.terms) + 1} coefficients; at least "
            f"{MIN_RESIDUAL_DF} more patients than coefficients are needed"
        )
    if len(y) and y.min() == y.max():
        reasons.append(f"{response.outcome.name} has one value in all {len(y)} patients")
    made = None if reasons else fit_mean(y, design.matrix, terms=design.names)
    if made and (not made.sound or _exact(y, design.matrix, made)):
        made, reasons = None, ["the residuals are zero: the terms give the outcome exactly"]
    rows = _diagnostics(y, design, made) if made else [estimates.not_reported(reasons)]
    rows.append(Diagnostic("direction", None, f"above 0: a higher {response.outcome.name}"))
    scales = ("mean",) + (DIFFERENCE.scale,) * len(design.terms)
    return FamilyFit(made, (INTERCEPT, *design.terms), scales, len(y), None, rows)


def _exact(y: Array, X: Array, made: Coefficients) -> bool:
    """True when nothing but rounding is left of the outcome's spread."""
    residual = y - risk(made.estimate, X)
    return float(residual @ residual) < 1e-18 * float(((y - y.mean()) ** 2).sum())


def _diagnostics(y: Array, design: Design, made: Coefficients) -> list[Diagnostic]:
    residual = y - risk(made.estimate, design.matrix)
    df = len(y) - len(made.estimate)
    r2 = 1 - float(residual @ residual) / float(((y - y.mean()) ** 2).sum())
    return [
        Diagnostic("reported", 1.0, number="yes_no"),
        Diagnostic("r_squared", r2),
        Diagnostic("residual_sd", float(np.sqrt(residual @ residual / df))),
        Diagnostic("outcome_sd", float(y.std(ddof=1))),
        estimates.few_per_parameter("patients_per_parameter", len(y) / len(design.terms)),
        estimates.inflation(designs.max_variance_inflation(design)),
    ]
