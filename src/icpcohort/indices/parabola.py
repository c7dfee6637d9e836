"""Parabolas: weighted least squares of many small curves at once, in closed form."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from icpcohort.signals import nan_divide

Reals = NDArray[np.float64]


class Parabola(NamedTuple):
    """value = quadratic (c - centre)^2 + linear (c - centre) + constant, many at once.

    `quadratic_se` is the standard error of `quadratic` when the values have the variances
    that `fit` was given.
    """

    centre_mmhg: Reals
    quadratic: Reals
    linear: Reals
    constant: Reals
    r_squared: Reals
    quadratic_se: Reals

    def lowest_mmhg(self) -> Reals:
        """Return where a parabola that opens upward is lowest; NaN for any other."""
        opens = self.quadratic > 0
        return self.centre_mmhg + nan_divide.divide(
            -self.linear, 2 * self.quadratic, where=opens
        )

    def crossings_mmhg(self, level: float) -> tuple[Reals, Reals]:
        """Return where an upward parabola falls below and rises above `level`; else NaN."""
        lowest = self.lowest_mmhg()
        depth = level - self.at(lowest)
        square = nan_divide.divide(depth, self.quadratic, where=depth > 0)
        return lowest - np.sqrt(square), lowest + np.sqrt(square)

    def at(self, cpp_mmhg: Reals) -> Reals:
        """Return the fitted value."""
        d = cpp_mmhg - self.centre_mmhg
        fitted: Reals = (self.quadratic * d + self.linear) * d + self.constant
        return fitted


def fit(centres_mmhg: Reals, values: Reals, weights: Reals, *, variances: Reals) -> Parabola:
    """Fit a parabola by weighted least squares, many at once.

    Parameters
    ----------
    centres_mmhg : (n_bins,) mmHg
    values, weights : (..., n_bins)
        A bin of weight zero does not count, whatever its value.
    variances : (..., n_bins)
        Variance of each value, for `quadratic_se`; any where the weight is zero.

    Returns
    -------
    Parabola
        NaN where fewer than three bins count. `r_squared` is weighted, and NaN when all
        values are the same. Polynomials orthogonal under each curve's weights are fitted, so
        that no matrix is inverted and nothing cancels at 100 mmHg.

    Source: second-order polynomial of PRx on CPP: Aries 2012a; orthogonal polynomials: Forsythe
    1957.
    """
    used = weights > 0
    enough = used.sum(axis=-1) >= 3
    values = np.where(used, values, 0.0)
    total = weights.sum(axis=-1)

    def mean(of: Reals) -> Reals:
        return nan_divide.divide((weights * of).sum(axis=-1), total, where=enough)

    centre, level = mean(centres_mmhg), mean(values)
    # in memory as the weights are: with bin after bin, sums over bins add up whole columns
    d = np.subtract(centres_mmhg, centre[..., None], out=np.empty_like(weights))
    d_squared = d * d
    squares = mean(d_squared)
    tilt = nan_divide.divide(mean(d_squared * d), squares, where=enough)
    bend = d_squared - tilt[..., None] * d - squares[..., None]
    bends = mean(bend * bend)
    off = values - level[..., None]
    slope = nan_divide.divide(mean(d * off), squares, where=enough)
    quadratic = nan_divide.divide(mean(bend * off), bends, where=enough)
    spread = mean(off * off)
    r_squared = nan_divide.divide(
        slope**2 * squares + quadratic**2 * bends, spread, where=enough & (spread > 1e-12)
    )
    share = np.where(used, weights * bend, 0.0)
    scale = (total * bends) ** 2
    squared_se = nan_divide.divide(
        (share**2 * np.where(used, variances, 0.0)).sum(axis=-1), scale, where=enough
    )
    return Parabola(
        centre_mmhg=centre,
        quadratic=quadratic,
        linear=slope - quadratic * tilt,
        constant=level - quadratic * squares,
        r_squared=r_squared,
        quadratic_se=np.sqrt(squared_se),
    )
