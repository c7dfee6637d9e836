"""Logistic regression: a yes-or-no outcome, its log odds linear in the terms."""

import warnings

import numpy as np
import numpy.typing as npt
from scipy.special import expit
from scipy.stats import rankdata
from statsmodels.discrete.discrete_model import Logit
from statsmodels.tools.sm_exceptions import ConvergenceWarning

from icpcohort.models import design as designs
from icpcohort.models import estimates, separation
from icpcohort.models.design import INTERCEPT, Array, Design
from icpcohort.models.estimates import Coefficients, Diagnostic, FamilyFit, Response
from icpcohort.study.families import ODDS_RATIO

R_FIT = """
fit <- glm(y ~ X, family = binomial, control = list(epsilon = 1e-14, maxit = 100))
scores <- cbind(1, X) * (y - fitted(fit))
finish(coef(fit), vcov(fit), scores = scores)
"""
MIN_EVENTS = 5  # fewer events or non-events are not modelled: the project's own rule


def fit_logit(y: npt.NDArray[np.bool_], X: Array, *, terms: tuple[str, ...]) -> Coefficients:
    """Fit a logistic regression by maximum likelihood.

    Parameters
    ----------
    y : array of bool (n,)
        The outcome; both values occur.
    X : array (n, k)
        Without an intercept; full rank together with one, and not separating the outcome.
    terms : k names
        What the columns of X are.

    Returns
    -------
    Coefficients
        First the term "intercept", then `terms`; covariance from the observed information.

    Source: maximum likelihood by Newton's method (statsmodels `Logit`), on scaled columns.
    """
    scaled = designs.standardise(X)
    with_intercept = np.column_stack([np.ones(len(y)), scaled.matrix])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # `converged` says it instead
        fit = Logit(y.astype(float), with_intercept).fit(
            method="newton", maxiter=100, tol=1e-10, disp=0
        )
    estimate, covariance = designs.unscale(fit.params, fit.cov_params(), scaled=scaled)
    shares = np.bincount(y, minlength=2) / len(y)
    return Coefficients(
        ("intercept", *terms),
        estimate,
        covariance,
        float(fit.llf),
        float(len(y) * np.sum(shares * np.log(shares))),
        bool(fit.mle_retvals["converged"]),
        scores=np.column_stack([np.ones(len(y)), X]) * (y - fit.predict())[:, None],
        bread=covariance,
    )


def risk(estimate: Array, X: Array) -> Array:
    """Return each row's probability of the outcome."""
    return np.asarray(expit(estimate[0] + X @ estimate[1:]), dtype=np.float64)


def fit(response: Response, design: Design, *, problems: list[str]) -> FamilyFit:
    """Fit a logistic regression, or say why there is none.

    Parameters
    ----------
    response : Response
        The outcome is a flag, and true is the event.
    design : Design
        As many rows as `response`.
    problems : list of str
        What is wrong already; with any problem nothing is estimated.

    Source: see `fit_logit`.
    """
    outcome = response.outcome
    y = outcome.to_numpy().astype(bool)
    reasons = too_few(y, design, outcome.name, problems) or separated(y, design)
    coefficients = None if reasons else fit_logit(y, design.matrix, terms=design.names)
    if coefficients and not coefficients.sound:
        coefficients, reasons = None, ["the likelihood did not converge to finite estimates"]
    if coefficients:
        rows = diagnostics(y, design, coefficients)
    else:
        rows = [estimates.not_reported(reasons)]
    rows.append(
        Diagnostic("direction", None, f"an odds ratio above 1: higher odds of {outcome.name}")
    )
    terms = (INTERCEPT, *design.terms)
    scales = ("log_odds",) + (ODDS_RATIO.scale,) * len(design.terms)
    return FamilyFit(coefficients, terms, scales, len(y), int(y.sum()), rows)


def too_few(
    y: npt.NDArray[np.bool_], design: Design, outcome: str, problems: list[str]
) -> list[str]:
    """Return `problems` and, beside them, a number of events that carries no model."""
    reasons = list(problems)
    n_events, k = int(y.sum()), len(design.terms)
    fewer = min(n_events, len(y) - n_events)
    if len(y) and fewer < MIN_EVENTS:
        reasons.append(
            f"{n_events} of {len(y)} patients with {outcome}; "
            f"at least {MIN_EVENTS} with it and {MIN_EVENTS} without it are needed"
        )
    elif len(y) and k > fewer:
        reasons.append(f"{k} terms for {fewer} patients in the smaller outcome group")
    return reasons


def diagnostics(
    y: npt.NDArray[np.bool_], design: Design, fitted: Coefficients
) -> list[Diagnostic]:
    """Return the diagnostics that every family with a yes-or-no outcome has."""
    fewer = min(int(y.sum()), int((~y).sum()))
    return [
        *estimates.fit_diagnostics(fitted),
        estimates.few_per_parameter("events_per_parameter", fewer / len(design.terms)),
        estimates.inflation(designs.max_variance_inflation(design)),
        Diagnostic(
            "c_statistic",
            c_statistic(y, design.matrix @ fitted.estimate[1:]),
            "apparent: from the patients that the model was fitted to, so optimistic",
        ),
    ]


def c_statistic(y: npt.NDArray[np.bool_], score: Array) -> float:
    """Return the share of (event, non-event) pairs in which the event scores higher; ties half.

    Source: the Mann-Whitney statistic over the number of pairs (Hanley 1982).
    """
    n_events = int(y.sum())
    n_pairs = n_events * (len(y) - n_events)
    rank_sum = float(rankdata(score)[y].sum())
    return (rank_sum - n_events * (n_events + 1) / 2) / n_pairs


def separated(y: npt.NDArray[np.bool_], design: Design) -> list[str]:
    """Name the terms that separate the outcome, if any do."""
    with_intercept = np.column_stack(
        [np.ones(len(y)), designs.standardise(design.matrix).matrix]
    )
    moves = np.where(y, 1.0, -1.0)[:, None] * with_intercept
    growing = separation.separating_parameters(moves)
    names = ", ".join(design.names[i - 1] for i in growing if i > 0)
    return [f"{names} separates the outcome: no finite estimate exists"] if growing else []
