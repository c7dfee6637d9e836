"""Windows: extremes of successive values, and which values the flagged windows cover."""

import numpy as np
from numpy.typing import NDArray

from icpcohort.signals.cells import Reals

Flags = NDArray[np.bool_]


def extreme_of_each(extreme: np.ufunc, values: Reals, n: int) -> Reals:
    """Return the extreme of each `n` values that follow one another, in log2(n) passes."""
    width = 1  # of which `values` already has the extremes
    while 2 * width <= n:
        values, width = extreme(values[:-width], values[width:]), 2 * width
    left = n - width  # two windows of `width` that overlap make one of `n`
    return np.asarray(extreme(values[: values.size - left], values[left:]))


def covered_by(begins: Flags, n: int) -> Flags:
    """Return which values a window of `n` covers, of the windows that begin where flagged."""
    covered = np.zeros(begins.size + n, np.int64)
    first = np.flatnonzero(begins)
    covered[first] += 1
    covered[first + n] -= 1
    return np.cumsum(covered)[:-1] > 0


def without(flags: Flags, n: int) -> Flags:
    """Return which windows of `n` hold no flag."""
    total = np.concatenate([[0], np.cumsum(flags)])
    return np.asarray(total[n:] == total[:-n])
