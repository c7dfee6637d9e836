"""Descriptive: standardised differences between two groups, and intervals of shares.

Source: continuous and binary variables: Austin 2011; several levels: Yang 2012, a Mahalanobis
distance of the vectors of proportions. With two levels the second is the first.
"""

import numpy as np
import polars as pl
from scipy.stats import binomtest


def of_numbers(first: pl.Series, second: pl.Series) -> float | None:
    """Return |mean difference| / root of the mean variance; nulls are left out.

    None where a group has fewer than two values, and where neither group varies although their
    means differ. Variances have n - 1 in the denominator.
    """
    one, other = (
        values.drop_nulls().cast(pl.Float64()).to_numpy() for values in (first, second)
    )
    if min(one.size, other.size) < 2:
        return None
    difference = float(one.mean() - other.mean())
    spread = float(np.sqrt((one.var(ddof=1) + other.var(ddof=1)) / 2))
    if spread == 0:
        return 0.0 if difference == 0 else None
    return abs(difference) / spread


def of_levels(first: pl.Series, second: pl.Series) -> float | None:
    """Return the distance of the levels' proportions in two groups; nulls are left out.

    None where a group has no value, and where no finite distance exists: the groups share no
    level between which both could differ.
    """
    one, other = first.drop_nulls(), second.drop_nulls()
    if not one.len() or not other.len():
        return None
    levels = sorted(set(one) | set(other))[1:]  # the first follows from the others
    p, q = (np.array([(v == level).sum() / v.len() for level in levels]) for v in (one, other))
    difference = p - q
    if not difference.any():
        return 0.0
    spread = (np.diag(p) - np.outer(p, p) + np.diag(q) - np.outer(q, q)) / 2
    if np.linalg.matrix_rank(spread) < len(levels):
        return None
    return float(np.sqrt(difference @ np.linalg.solve(spread, difference)))


METHODS = ("wilson", "exact")


def interval(n: int, total: int, *, method: str) -> tuple[float, float]:
    """Return the limits of the 95 % interval of n / total.

    Parameters
    ----------
    n, total : int
        `total` is above 0; of it, `n` are counted.
    method : str
        "wilson", the score interval, which covers 95 % on average; or "exact", after Clopper
        and Pearson, which covers at least 95 % and is wider.

    Raises
    ------
    ValueError
        If `n` is not between 0 and `total`, nobody is counted, or the method is unknown.

    Source: Wilson 1927; Clopper 1934; both compared by Newcombe 1998.
    """
    if method not in METHODS:
        raise ValueError(f"proportions.interval: {method!r} is unknown; write wilson or exact")
    if not 0 <= n <= total or total == 0:
        raise ValueError(
            f"proportions.interval: {n} of {total} is no share; hand over a count and its total"
        )
    limits = binomtest(n, total).proportion_ci(confidence_level=0.95, method=method)
    return float(limits.low), float(limits.high)
