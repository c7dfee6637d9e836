"""Pooling: one estimate from the fits of several completed data sets, by Rubin's rules."""

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from icpcohort.models.design import Array
from icpcohort.models.estimates import Coefficients


class Pooled(NamedTuple):
    """What Rubin's rules give for each parameter."""

    estimate: Array  # (k,)
    covariance: Array  # (k, k)
    df: Array  # (k,) after Barnard and Rubin
    fmi: Array  # (k,) fraction of missing information


def rubin(estimates: Array, covariances: Array, *, complete_df: Array) -> Pooled:
    """Pool m estimates.

    Parameters
    ----------
    estimates : array (m, k)
        On a scale on which they are nearly normal: log ratios, not ratios; m of 2 or more.
    covariances : array (m, k, k)
    complete_df : array (k,)
        Degrees of freedom that complete data would have had.

    Returns
    -------
    Pooled
        `fmi` with Rubin's degrees of freedom. Where the m estimates agree exactly, `df` is that
        of complete data and `fmi` is zero.

    Source: Rubin 1987; Barnard 1999.
    """
    m = len(estimates)
    mean = estimates.mean(axis=0)
    within = covariances.mean(axis=0)
    between = np.atleast_2d(np.cov(estimates, rowvar=False, ddof=1))
    covariance = within + (1 + 1 / m) * between
    W, B, T = np.diag(within), np.diag(between), np.diag(covariance)
    r = (1 + 1 / m) * B / W
    share = (1 + 1 / m) * B / T
    with np.errstate(divide="ignore"):
        df_rubin = (m - 1) * (1 + 1 / r) ** 2
    observed = (complete_df + 1) / (complete_df + 3) * complete_df * (1 - share)
    df = 1 / (1 / df_rubin + 1 / observed)
    fmi = np.where(r > 0, (r + 2 / (df_rubin + 3)) / (r + 1), 0.0)
    return Pooled(mean, covariance, df, fmi)


def pool(fits: Sequence[Coefficients], *, n: int) -> Coefficients:
    """Pool the fits of one model in several completed data sets of n patients.

    Limits and p values that a family brings of its own are not pooled: those of the pooled
    estimate are Wald's, from Student's t.
    """
    first = fits[0]
    residual = np.full(len(first.estimate), float(n - len(first.estimate)))
    pooled = rubin(
        np.array([fit.estimate for fit in fits]),
        np.array([fit.covariance for fit in fits]),
        complete_df=residual if first.df is None else first.df,
    )
    return replace(
        first,
        estimate=pooled.estimate,
        covariance=pooled.covariance,
        df=pooled.df,
        fmi=pooled.fmi,
        limits=None,
        p=None,
    )
