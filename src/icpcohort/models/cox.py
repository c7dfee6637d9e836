"""Cox regression: the hazard of death, proportional in the terms."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2

from icpcohort.models import design as designs
from icpcohort.models import estimates, kaplan_meier
from icpcohort.models.design import Array, Design, Term
from icpcohort.models.estimates import Coefficients, Diagnostic, FamilyFit, Response
from icpcohort.study.families import HAZARD_RATIO

MIN_EVENTS = 5  # fewer deaths are not modelled: the project's own rule
MAX_STEPS = 50
ENDLESS = 25.0  # log hazard ratio between two patients that no data can carry
BASELINE = "log cumulative baseline hazard"
Flags = npt.NDArray[np.bool_]

R_FIT = """
fit <- survival::coxph(survival::Surv(entry_h, exit_h, y) ~ X, ties = "efron",
  control = survival::coxph.control(eps = 1e-12, toler.chol = 1e-14, iter.max = 50))
V <- vcov(fit)
if (!is.null(cluster)) {
  moves <- residuals(fit, type = "dfbeta"); sums <- rowsum(as.matrix(moves), cluster)
  V <- crossprod(sums) * nrow(sums) / (nrow(sums) - 1)
}
finish(coef(fit), V, df = if (is.null(cluster)) NULL else nrow(sums) - 1)
"""


class EventWords(NamedTuple):
    """How the event of a model is put into words."""

    had: str  # what patients did or had
    plural: str
    higher: str  # what a ratio above 1 means


DEATHS = EventWords("died", "deaths", "earlier death")


def words_of(event: str | None) -> EventWords:
    """Return the words for an event by its name; None is death."""
    if event is None:
        return DEATHS
    return EventWords(f"had the event '{event}'", "events", f"a higher rate of {event}")


class AtRisk(NamedTuple):
    """Rows of patients at risk from `entry_h` (excluded) to `exit_h` (included)."""

    entry_h: Array
    exit_h: Array
    died: Flags


@dataclass(frozen=True)
class _Moments:
    """What the risk sets say at some slopes; one entry per death, ties by Efron's rule."""

    log_likelihood: float
    time_h: Array  # (n deaths,)
    hazard: Array  # 1 / weighted number at risk
    mean: Array  # (n deaths, k)
    spread: Array  # (n deaths, k, k)
    scores: Array  # (n rows, k) score residuals
    baseline_scores: Array  # (n rows,) the same of the cumulative hazard


def _moments(rows: AtRisk, X: Array, beta: Array, *, until_h: float) -> _Moments:
    """Go through the deaths in the order of time.

    Source: Efron 1977; score residuals as Therneau 2000, section 4.6.
    """
    eta = X @ beta
    weight = np.exp(eta)
    log_likelihood = float(eta[rows.died].sum())
    scores, baseline = np.zeros_like(X), np.zeros(len(X))
    times, hazards, means, spreads = [], [], [], []
    for time_h in np.unique(rows.exit_h[rows.died]):
        at = np.flatnonzero((rows.entry_h < time_h) & (rows.exit_h >= time_h))
        x, w = X[at], weight[at]
        dead = rows.died[at] & (rows.exit_h[at] == time_h)
        d = int(dead.sum())
        for i in range(d):
            share = np.where(dead, w * (1 - i / d), w)
            total = float(share.sum())
            mean = share @ x / total
            second = (share[:, None] * x).T @ x / total
            log_likelihood -= float(np.log(total))
            scores[at] += (dead / d - share / total)[:, None] * (x - mean)
            if time_h <= until_h:
                baseline[at] += (dead / d - share / total) / total
            times.append(float(time_h))
            hazards.append(1 / total)
            means.append(mean)
            spreads.append(second - np.outer(mean, mean))
    k = X.shape[1]
    return _Moments(
        log_likelihood,
        np.array(times),
        np.array(hazards),
        np.array(means).reshape(-1, k),
        np.array(spreads).reshape(-1, k, k),
        scores,
        baseline,
    )


def fit_hazard(
    rows: AtRisk, X: Array, *, horizon_h: float, terms: tuple[str, ...]
) -> Coefficients:
    """Fit a Cox regression by partial likelihood, tied deaths by Efron's rule.

    Parameters
    ----------
    rows : AtRisk
        A patient may have several rows, one after the other.
    X : array (n, k)
        Full rank together with an intercept.
    horizon_h : float, h since time zero
        The first term is the log of the cumulative hazard by then, where every column is zero.
    terms : k names

    Returns
    -------
    Coefficients
        First the term of the baseline, then `terms`. Not converged when a hazard ratio grows
        without limit.

    Source: Cox 1972; variance of the cumulative hazard: Tsiatis 1981; Newton's method. Software
    differs in the rule for ties: R uses Efron's, some libraries Breslow's unless told
    otherwise.
    """
    scaled = designs.standardise(X)
    S = scaled.matrix
    beta, converged = np.zeros(S.shape[1]), False
    now = _moments(rows, S, beta, until_h=horizon_h)
    null = now.log_likelihood
    for _ in range(MAX_STEPS):
        information = now.spread.sum(axis=0)
        if np.linalg.cond(information) > 1e14:
            break
        step = np.linalg.solve(information, now.scores.sum(axis=0))
        gain = float(step @ information @ step)
        if gain < 1e-20 * max(1, len(now.hazard)):
            converged = True
            break
        beta, now = _risen(rows, S, beta, step, now, until_h=horizon_h)
        # of all terms together: the parts of a curve are large and cancel
        if np.ptp(S @ beta) > ENDLESS:
            break
    inverse = np.asarray(np.linalg.pinv(now.spread.sum(axis=0)), dtype=np.float64)
    return _with_baseline(X, now, scaled, beta, inverse, null, converged, horizon_h, terms)


def _risen(
    rows: AtRisk, X: Array, beta: Array, step: Array, now: _Moments, *, until_h: float
) -> tuple[Array, _Moments]:
    """Take the longest of the step's halvings that does not lower the likelihood."""
    length = 1.0
    while True:
        tried = beta + length * step
        there = _moments(rows, X, tried, until_h=until_h)
        if there.log_likelihood >= now.log_likelihood - 1e-12 * abs(now.log_likelihood):
            return tried, there
        length /= 2
        if length < 1e-10:
            return beta, now


def _with_baseline(
    X: Array,
    now: _Moments,
    scaled: designs.Scaled,
    beta: Array,
    inverse: Array,
    null: float,
    converged: bool,
    horizon_h: float,
    terms: tuple[str, ...],
) -> Coefficients:
    """Join the log cumulative hazard and the slopes, and carry both back to X's own units."""
    counted = now.time_h <= horizon_h
    total = float(now.hazard[counted].sum())
    pull = now.hazard[counted] @ now.mean[counted] / total if total else 0 * beta
    bread = np.zeros((len(beta) + 1, len(beta) + 1))
    bread[0, 0], bread[0, 1:], bread[1:, 1:] = 1.0, -pull @ inverse, inverse
    covariance = bread.copy()
    variance = float((now.hazard[counted] ** 2).sum()) / total**2 if total else np.nan
    covariance[0, 0] = variance + pull @ inverse @ pull
    covariance[1:, 0] = covariance[0, 1:]
    log_total = np.log(total) if total else np.nan
    estimate, covariance = designs.unscale(
        np.concatenate([[log_total], beta]), covariance, scaled=scaled
    )
    back = np.eye(len(bread))
    back[0, 1:], back[1:, 1:] = -scaled.centre / scaled.scale, np.diag(1 / scaled.scale)
    scores = np.column_stack(
        [now.baseline_scores / total if total else 0 * X[:, 0], now.scores]
    )
    return Coefficients(
        (BASELINE, *terms),
        estimate,
        covariance,
        now.log_likelihood,
        null,
        converged,
        scores=scores,
        bread=back @ bread,
    )


def risk(estimate: Array, X: Array) -> Array:
    """Return each row's risk of death by the horizon, for those alive at the landmark."""
    return np.asarray(-np.expm1(-np.exp(estimate[0] + X @ estimate[1:])), dtype=np.float64)


class HazardTest(NamedTuple):
    """Whether hazards are proportional: one test per term, and one of all."""

    chi2: Array  # (k,)
    p: Array
    chi2_global: float
    p_global: float


def proportionality(rows: AtRisk, X: Array, *, made: Coefficients) -> HazardTest | None:
    """Test whether slopes change with time, measured on the scale of 1 - survival.

    Returns None where the information is singular (too few deaths for the test).

    Source: the score test of R's `cox.zph` with its default transform "km" (survival 3.x);
    Grambsch 1994.
    """
    scaled = designs.standardise(X)
    now = _moments(rows, scaled.matrix, made.estimate[1:] * scaled.scale, until_h=np.inf)
    steps = kaplan_meier.curve(rows.entry_h, rows.exit_h, rows.died)
    before = np.concatenate([[1.0], steps.survival])
    g = 1 - before[np.searchsorted(steps.time_h, now.time_h)]
    g = g - g.mean()
    score = _time_scores(rows, scaled.matrix, now, g)
    k = X.shape[1]
    block = np.block(
        [
            [np.einsum("t,tij->ij", g**power, now.spread) for power in powers]
            for powers in ((0, 1), (1, 2))
        ]
    )
    if np.linalg.matrix_rank(block) < 2 * k:
        return None
    inverse = np.linalg.inv(block[:k, :k])
    left = block[k:, k:] - block[k:, :k] @ inverse @ block[:k, k:]
    each = score**2 / np.diag(left)
    whole = float(score @ np.linalg.solve(left, score))
    return HazardTest(each, chi2.sf(each, 1), whole, float(chi2.sf(whole, k)))


def _time_scores(rows: AtRisk, X: Array, now: _Moments, g: Array) -> Array:
    """Return the score of a slope that changes with `g`: those who died, less the mean."""
    expected = g @ now.mean
    at_death = dict(zip(now.time_h.tolist(), g.tolist(), strict=True))
    of_dead = np.array([at_death[time_h] for time_h in rows.exit_h[rows.died].tolist()])
    return np.asarray(of_dead @ X[rows.died] - expected, dtype=np.float64)


def concordance(rows: AtRisk, score: Array) -> float:
    """Return the share of pairs, one dying while the other is at risk, ranked by the score.

    Source: Harrell 1982; ties in the score count half, tied deaths are no pair.
    """
    agree, pairs = 0.0, 0
    for i in np.flatnonzero(rows.died):
        time_h = rows.exit_h[i]
        later = (rows.exit_h > time_h) | ((rows.exit_h == time_h) & ~rows.died)
        others = score[later & (rows.entry_h < time_h)]
        agree += float((others < score[i]).sum() + (others == score[i]).sum() / 2)
        pairs += len(others)
    return agree / pairs if pairs else np.nan


def fit(response: Response, design: Design, *, problems: list[str]) -> FamilyFit:
    """Fit a Cox regression of death, or say why there is none; see `fit_hazard`.

    Parameters
    ----------
    response : Response
        The outcome is whether the patient died at the end of the row, or had the event.
    design : Design
    problems : list of str
        What is wrong already; with any problem nothing is estimated.
    """
    if response.entry_h is None or response.exit_h is None or response.horizon_h is None:
        raise ValueError("models.cox: no times at risk; write horizon_h in the plan")
    rows = AtRisk(response.entry_h, response.exit_h, response.outcome.to_numpy().astype(bool))
    n, n_events = len(np.unique(response.patients)), int(rows.died.sum())
    words = words_of(response.event)
    reasons = list(problems)
    if n and n_events < MIN_EVENTS:
        reasons.append(
            f"{n_events} of {n} patients {words.had}; at least {MIN_EVENTS} {words.plural} "
            "are needed"
        )
    elif n and len(design.terms) > n_events:
        reasons.append(f"{len(design.terms)} terms for {n_events} {words.plural}")
    made = None
    if not reasons:
        made = fit_hazard(rows, design.matrix, horizon_h=response.horizon_h, terms=design.names)
    if made and not made.sound:
        made = None
        reasons = [f"a hazard ratio grows without limit: {words.plural} are separated"]
    beside = [estimates.not_reported(reasons)]
    if made:
        beside = _diagnostics(rows, design, made, words)
    beside.append(Diagnostic("direction", None, f"a hazard ratio above 1: {words.higher}"))
    scales = ("log_hazard",) + (HAZARD_RATIO.scale,) * len(design.terms)
    return FamilyFit(made, (Term(BASELINE), *design.terms), scales, n, n_events, beside)


def _diagnostics(
    rows: AtRisk, design: Design, made: Coefficients, words: EventWords
) -> list[Diagnostic]:
    per_parameter = int(rows.died.sum()) / len(design.terms)
    ranked = concordance(rows, design.matrix @ made.estimate[1:])
    return [
        *(d for d in estimates.fit_diagnostics(made) if d.quantity != "mcfadden_r2"),
        estimates.few_per_parameter("events_per_parameter", per_parameter),
        estimates.inflation(designs.max_variance_inflation(design)),
        Diagnostic(
            "c_statistic",
            None if np.isnan(ranked) else ranked,
            "apparent: from the patients that the model was fitted to, so optimistic",
        ),
        *_proportional(design, proportionality(rows, design.matrix, made=made), words),
    ]


def _proportional(
    design: Design, test: HazardTest | None, words: EventWords
) -> list[Diagnostic]:
    if test is None:
        verdict = f"not tested: too few {words.plural} for the test"
        return [Diagnostic("proportional_hazards_p", None, verdict, "p")]
    verdict = "not shown that hazard ratios change with time; a small study would not show it"
    if test.p_global < 0.05:
        verdict = "hazard ratios change with time; one ratio is only an average over it"
    kind = "proportional_hazards_p"
    return [
        *estimates.chi_squared(
            "proportional_hazards",
            test.chi2_global,
            len(design.terms),
            test.p_global,
            verdict=verdict,
        ),
        *(
            Diagnostic(f"{kind} {term.name}", float(p), number="p", kind=kind, about=term)
            for term, p in zip(design.terms, test.p, strict=True)
        ),
    ]
