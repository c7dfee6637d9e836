"""Asymmetric curves: two arms of their own steepness that share their lowest point."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from icpcohort.indices.cpp_curve import Sums
from icpcohort.signals import nan_divide

Reals = NDArray[np.float64]
POWERS = (1.0, 1.5, 2.0, 3.0)  # of the distance: a V, two half parabolas, a flat floor
SMOOTHING_MMHG = 8.0
LEAST_OUTSIDE = 0.02  # share of the minutes beyond which no lowest point is sought
LEAST_BESIDE = 0.1  # share of the weight on either side of a lowest point
UNIT_MMHG = 10.0  # of distance, so that powers of it stay near one


class Arms(NamedTuple):
    """How well curves with the lowest points of a grid fit; each (n_curves, n_points).

    `explained` is the sum of squares that the curve takes off, and -inf where not both arms
    rise; `below` and `above` are the arms' slopes against the power of distance / 10 mmHg.
    """

    explained: Reals
    below: Reals
    above: Reals


def lowest_points(sums: Sums, *, centres_mmhg: Reals, reach_mmhg: float) -> Reals:
    """Return the lowest points of asymmetric curves, many at once; NaN where no two arms rise.

    Parameters
    ----------
    sums : Sums, each (n_curves, n_bins)
        Of narrow bins, so that their place does not matter.
    centres_mmhg : (n_bins,) mmHg, evenly spaced
    reach_mmhg : float
        Minutes count less the farther they are from the lowest point of a smoothed curve
        (local quadratic), and not at all from here on. How the index goes on far away,
        where it ends near 1, then does not move the lowest point.

    Returns
    -------
    (n_curves,) mmHg
        Of a grid of half a bin: where value = constant + slope * distance ** power, with a
        slope of its own below and above, misfits least over all places and `POWERS`.

    Source: local quadratic regression: Cleveland 1979 (from memory); steeper below than above:
    Bogli 2025; the curve with two slopes: our own choice.
    """
    width_mmhg = centres_mmhg[1] - centres_mmhg[0]
    smoothed = _smoothed(sums, centres_mmhg=centres_mmhg)
    start = smoothed.argmin(axis=1)
    n_side = int(np.ceil(reach_mmhg / width_mmhg))
    around = start[:, None] + np.arange(2 * n_side + 1)
    off_mmhg = width_mmhg * np.arange(-n_side, n_side + 1)
    near = (1 - (off_mmhg / reach_mmhg) ** 2).clip(0)
    counts, values = (
        near * np.take_along_axis(np.pad(part, ((0, 0), (n_side, n_side))), around, axis=1)
        for part in (sums.counts, sums.values)
    )
    n_points = int(reach_mmhg * 0.6 / width_mmhg * 2)
    at_mmhg = width_mmhg / 2 * np.arange(-n_points, n_points + 1)
    explained = np.stack(
        [
            fit_arms(counts, values, off_mmhg=off_mmhg, at_mmhg=at_mmhg, power=p).explained
            for p in POWERS
        ]
    ).max(axis=0)
    rises = np.isfinite(explained.max(axis=1)) & np.isfinite(smoothed.min(axis=1))
    lowest_mmhg = centres_mmhg[start] + at_mmhg[explained.argmax(axis=1)]
    return np.where(rises, lowest_mmhg, np.nan)


def fit_arms(
    weights: Reals, totals: Reals, *, off_mmhg: Reals, at_mmhg: Reals, power: float
) -> Arms:
    """Fit curves of two arms by weighted least squares, in closed form.

    Parameters
    ----------
    weights, totals : (n_curves, n_bins)
        The weight of each bin, and the weight times its value.
    off_mmhg : (n_bins,) mmHg
        Places of the bins.
    at_mmhg : (n_points,) mmHg
        Lowest points to try.
    power : float
    """
    away = (off_mmhg[:, None] - at_mmhg) / UNIT_MMHG
    low, high = (-away).clip(0) ** power, away.clip(0) ** power  # never both: one is zero
    mass, total = weights @ np.ones_like(away), totals @ np.ones_like(away)

    def about_the_mean(arm: Reals) -> tuple[Reals, Reals, Reals]:
        mean = nan_divide.divide(weights @ arm, mass, where=mass > 0)
        return mean, weights @ arm**2 - mass * mean**2, totals @ arm - mean * total

    mean_low, squares_low, along_low = about_the_mean(low)
    mean_high, squares_high, along_high = about_the_mean(high)
    both = -mass * mean_low * mean_high
    determinant = squares_low * squares_high - both**2
    solvable = determinant > 1e-9 * squares_low * squares_high
    below = nan_divide.divide(
        squares_high * along_low - both * along_high, determinant, where=solvable
    )
    above = nan_divide.divide(
        squares_low * along_high - both * along_low, determinant, where=solvable
    )
    beside = nan_divide.divide(weights @ (away < 0), mass, where=mass > 0)
    inside = (beside >= LEAST_BESIDE) & (beside <= 1 - LEAST_BESIDE)
    rises = inside & (below > 0) & (above > 0)
    explained = np.where(rises, below * along_low + above * along_high, -np.inf)
    return Arms(explained, below, above)


def _smoothed(sums: Sums, *, centres_mmhg: Reals) -> Reals:
    """Return the curves smoothed at each bin; infinite where too few minutes lie beyond it."""
    off = (centres_mmhg[:, None] - centres_mmhg) / SMOOTHING_MMHG
    near = (1 - off**2).clip(0)
    s = [sums.counts @ (near * off**power) for power in range(5)]
    t = [sums.values @ (near * off**power) for power in range(3)]
    first = s[2] * s[4] - s[3] ** 2
    second = s[2] * s[3] - s[1] * s[4]
    third = s[1] * s[3] - s[2] ** 2
    determinant = s[0] * first + s[1] * second + s[2] * third
    known = determinant > 1e-9 * s[0] ** 3
    smoothed = nan_divide.divide(
        first * t[0] + second * t[1] + third * t[2], determinant, where=known
    )
    total = np.fmax(sums.counts.sum(axis=1, keepdims=True), 1)
    before = (np.cumsum(sums.counts, axis=1) - sums.counts / 2) / total
    inside = (before >= LEAST_OUTSIDE) & (before <= 1 - LEAST_OUTSIDE)
    return np.where(known & inside, smoothed, np.inf)
