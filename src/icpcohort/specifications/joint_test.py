"""Joint test: whether all specifications together show more than chance would.

The exposure's part that the adjustment does not explain is given to another patient, the same
permutation in every specification; outcome, adjustment and who is in each cohort stay. So what
the specifications share, they share by chance too. Where errors are between clusters, it is
given to another patient of the same cluster: what differs between clusters stays.

Source: permutation of regressor residuals in logistic regression: Potter 2005; joint inference
over a specification curve: Simonsohn 2020; mean of z values: Stouffer 1949.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

Reals = NDArray[np.float64]
Counts = NDArray[np.int64]
Z_95 = 1.959963984540054
MOST_STEPS, CLOSE = 50, 1e-10


class Fitted(NamedTuple):
    """The rows of one specification."""

    patients: Counts  # (n,) number of each row's patient among all of the study
    outcome: NDArray[np.bool_]  # (n,)
    exposure: Reals  # (n,)
    adjustment: Reals  # (n, k) without an intercept


class Joint(NamedTuple):
    """What all specifications show together, and what chance would."""

    z: Reals  # (n specifications,) score test of each; NaN where there is none
    mean_z: float
    p: float  # two-sided, of `mean_z`
    n_beyond: int  # specifications beyond 1.96 on the side of `mean_z`
    chance_beyond: float  # 95th percentile of their number by chance
    p_beyond: float
    n_permutations: int


def test(
    specifications: Sequence[Fitted],
    *,
    n_patients: int,
    n_permutations: int,
    seed: int,
    clusters: Counts | None = None,
) -> Joint | None:
    """Test all specifications at once.

    Parameters
    ----------
    specifications : sequence of Fitted
        Full rank with an intercept; both outcomes occur.
    n_patients : int
        Of the study; `patients` count up to it.
    n_permutations, seed : int
    clusters : array (n_patients,) or None
        Number of each patient's cluster; None: all patients are alike.

    Returns
    -------
    Joint, or None if no specification can be tested.
    """
    draw = np.random.default_rng(seed)
    shuffles = np.tile(np.arange(n_patients), (n_permutations, 1))
    clusters = np.zeros(n_patients, np.int64) if clusters is None else clusters
    for cluster in np.unique(clusters):
        members = np.flatnonzero(clusters == cluster)
        shuffles[:, members] = draw.permuted(shuffles[:, members], axis=1)
    z = np.full((len(specifications), 1 + n_permutations), np.nan)
    cohorts: dict[bytes, list[int]] = {}
    for i, one in enumerate(specifications):
        cohorts.setdefault(one.patients.tobytes(), []).append(i)
    for places in cohorts.values():
        orders = induced(shuffles, specifications[places[0]].patients)
        for i in places:
            z[i] = _scores(specifications[i], orders)
    known = z[np.isfinite(z).all(axis=1)]
    if not len(known):
        return None
    means = known.mean(axis=0)
    side = np.sign(means)
    beyond = (known * side > Z_95).sum(axis=0)
    return Joint(
        z[:, 0],
        float(means[0]),
        _p(np.abs(means)),
        int(beyond[0]),
        float(np.quantile(beyond[1:], 0.95)),
        _p(beyond.astype(np.float64)),
        n_permutations,
    )


def _p(statistic: Reals) -> float:
    """Return the share of values at least as large as the first, which is one of them."""
    return float((statistic >= statistic[0] * (1 - 1e-12)).mean())


def induced(shuffles: Counts, members: Counts) -> Counts:
    """Return what each permutation of all patients does among some of them.

    Parameters
    ----------
    shuffles : array (n permutations, n patients)
    members : array (n,)
        Different patients.

    Returns
    -------
    array (n permutations, n)
        Places in `members`. Who would go to a patient outside goes on from there until inside
        again: so a uniform permutation stays uniform, and cohorts that differ in few patients
        keep nearly all pairs.
    """
    place = np.full(shuffles.shape[1], -1)
    place[members] = np.arange(len(members))
    at = shuffles[:, members]
    row, column = np.nonzero(place[at] < 0)
    while row.size:
        at[row, column] = shuffles[row, at[row, column]]
        outside = place[at[row, column]] < 0
        row, column = row[outside], column[outside]
    return place[at]


def _scores(one: Fitted, orders: Counts) -> Reals:
    """Return the z of the score test: of the data, then in each of other `orders`."""
    X = np.column_stack([np.ones(len(one.outcome)), _standard(one.adjustment)])
    fitted = _probabilities(one.outcome, X)
    if fitted is None:
        return np.full(1 + len(orders), np.nan)
    residual = one.exposure - X @ np.linalg.lstsq(X, one.exposure, rcond=None)[0]
    E = np.vstack([residual, residual[orders]])  # (1 + permutations, n)
    weight = fitted * (1 - fitted)
    inner = np.linalg.cholesky(np.linalg.inv(X.T @ (weight[:, None] * X)))
    explained = ((E * weight) @ X) @ inner
    variance = (E**2) @ weight - (explained**2).sum(axis=1)
    scores: Reals = (E @ (one.outcome - fitted)) / np.sqrt(variance)
    return scores


def _standard(matrix: Reals) -> Reals:
    spread = matrix.std(axis=0)
    scaled: Reals = (matrix - matrix.mean(axis=0)) / np.where(spread > 0, spread, 1.0)
    return scaled


def _probabilities(outcome: NDArray[np.bool_], X: Reals) -> Reals | None:
    """Fit the adjustment alone by Newton's method; None where it has no finite fit."""
    beta = np.zeros(X.shape[1])
    for _ in range(MOST_STEPS):
        fitted: Reals = expit(X @ beta)
        information = X.T @ ((fitted * (1 - fitted))[:, None] * X)
        if np.linalg.cond(information) > 1 / CLOSE:
            return None
        step = np.linalg.solve(information, X.T @ (outcome - fitted))
        beta = beta + step
        if np.abs(step).max() < CLOSE:
            return fitted
    return None
