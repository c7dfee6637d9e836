"""Long run: the interval of the mean of a series whose neighbouring values are correlated."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

Reals = NDArray[np.float64]


class Interval(NamedTuple):
    """A 95 % interval; NaN where there is none."""

    low: float
    high: float


def interval_of_mean(values: Reals, *, n_cosines: int) -> Interval:
    """Return the 95 % interval of the mean of a series.

    Parameters
    ----------
    values : (n,)
        Equally far apart in time; NaN where missing.
    n_cosines : int
        Slowest cosines over the whole series whose share of its variance gives the long-run
        variance, and the degrees of freedom of Student's t. More of them give a shorter
        interval, which holds the mean less often when what hangs together lasts longer than a
        period of the last one, 2 n / n_cosines.

    Returns
    -------
    Interval
        NaN where no more than `n_cosines` values are valid, or all are the same. A missing
        value counts as the mean and takes no part in the number of values.

    Source: equally weighted cosine estimator: Muller 2007; Lazarus 2018, who take 0.4 n^(2/3)
    cosines; a fixed small number, for series as slow as PRx, is our own choice
    (docs/validation.md). Missing values in their place with a deviation of zero: Parzen 1963.
    """
    valid = np.isfinite(values)
    n_valid = int(valid.sum())
    if n_valid <= n_cosines or np.ptp(values[valid]) == 0:
        return Interval(np.nan, np.nan)
    mean = values[valid].mean()
    off = np.where(valid, values - mean, 0.0)
    place = (np.arange(values.size) + 0.5) / values.size
    waves = np.cos(np.pi * np.outer(np.arange(1, n_cosines + 1), place))
    standard_error = np.sqrt(2 * ((waves @ off) ** 2).mean()) / n_valid
    half = stdtrit(n_cosines, 0.975) * standard_error
    return Interval(float(mean - half), float(mean + half))
