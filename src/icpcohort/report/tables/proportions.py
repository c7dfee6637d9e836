"""Proportions: the interval of a share, where counts are small."""

from scipy.stats import binomtest

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

    Source: Wilson 1927, J Am Stat Assoc 22:209; Clopper and Pearson 1934, Biometrika 26:404;
    both compared by Newcombe 1998, Stat Med 17:857.
    """
    if method not in METHODS:
        raise ValueError(f"proportions.interval: {method!r} is unknown; write wilson or exact")
    if not 0 <= n <= total or total == 0:
        raise ValueError(
            f"proportions.interval: {n} of {total} is no share; hand over a count and its total"
        )
    found = binomtest(n, total).proportion_ci(confidence_level=0.95, method=method)
    return float(found.low), float(found.high)
