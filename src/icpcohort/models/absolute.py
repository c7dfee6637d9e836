"""Absolute risks: what the model expects if every patient had the same stated exposure."""

from collections.abc import Callable, Sequence
from typing import Literal, NamedTuple

import numpy as np
import polars as pl
from scipy.special import expit, logit
from scipy.stats import t

from icpcohort import contracts
from icpcohort.models import design
from icpcohort.models.design import Array, Layout
from icpcohort.models.estimates import Coefficients

Risk = Callable[[Array, Array], Array]
STEP = 1e-5  # of a standard error, relative to it, in numerical derivatives


class Standardised(NamedTuple):
    """Mean risks at each exposure value, and their covariance."""

    risk: Array  # (n values,)
    covariance: Array  # (n values, n values)
    df: float  # of Student's t, the fewest of any coefficient; infinite: normal distribution


def standardise(
    risk: Risk, made: Coefficients, matrices: Sequence[Sequence[Array]], *, cut: int | None
) -> Standardised:
    """Average each patient's risk over the patients, at each exposure value.

    Parameters
    ----------
    risk : function of (estimate, X)
        (n,) or, of a score, (n, n cuts).
    made : Coefficients
    matrices : a list for each value, one matrix for each completed data set
    cut : int, or None
        Which column of the risk.

    Returns
    -------
    Standardised
        The covariance is that of the coefficients carried over (delta method, numerical
        derivatives); the patients are taken as they are.

    Source: standardisation (g-computation), common practice; delta method, common practice.
    """
    se = np.sqrt(np.diag(made.covariance))

    def means(estimate: Array) -> Array:
        expected = []
        for completed in matrices:
            each = [risk(estimate, X) for X in completed]
            expected.append(np.mean([(r if cut is None else r[:, cut]).mean() for r in each]))
        return np.array(expected)

    slopes = np.column_stack(
        [
            (means(made.estimate + step) - means(made.estimate - step)) / (2 * STEP * se[i])
            for i, step in enumerate(np.diag(STEP * se))
        ]
    )
    df = np.inf if made.df is None else float(made.df.min())
    return Standardised(means(made.estimate), slopes @ made.covariance @ slopes.T, df)


def rows_of(
    expected: Standardised,
    *,
    values: Sequence[float],
    expected_is: Literal["risk", "mean", "count"],
    adjustment: str,
    outcome: str,
    n: int,
) -> pl.DataFrame:
    """Return rows of `contracts.RISKS`.

    Limits of a risk go through its log odds, those of a count through its logarithm.
    """
    z = float(t.ppf(0.975, expected.df))
    se = np.sqrt(np.diag(expected.covariance))
    low, high = expected.risk - z * se, expected.risk + z * se
    inside = (expected.risk > 0) & (expected.risk < 1)
    if expected_is == "count" and (expected.risk > 0).all():
        factor = np.exp(z * se / expected.risk)
        low, high = expected.risk / factor, expected.risk * factor
    if expected_is == "risk" and inside.all():
        half = z * se / (expected.risk * (1 - expected.risk))
        low, high = expit(logit(expected.risk) - half), expit(logit(expected.risk) + half)
    difference = expected.risk - expected.risk[0]
    V = expected.covariance
    spread = z * np.sqrt(np.clip(np.diag(V) + V[0, 0] - 2 * V[0], 0, None))
    columns = {
        "adjustment": [adjustment] * len(values),
        "outcome": [outcome] * len(values),
        "exposure_value": [float(value) for value in values],
        "risk": expected.risk,
        "ci_low": low,
        "ci_high": high,
        "difference": difference,
        "difference_ci_low": difference - spread,
        "difference_ci_high": difference + spread,
        "n": [n] * len(values),
    }
    schema = {name: column.dtype for name, column in contracts.RISKS.columns.items()}
    return pl.DataFrame(columns, schema=schema).with_columns(pl.col(pl.Float64).fill_nan(None))


def matrices_at(
    frames: Sequence[pl.DataFrame], layout: Layout, *, exposure: str, values: Sequence[float]
) -> list[list[Array]]:
    """Return, for each exposure value, the matrix of each completed data set at it."""
    return [
        [
            design.fill(frame.with_columns(pl.lit(value).alias(exposure)), layout).matrix
            for frame in frames
        ]
        for value in values
    ]
