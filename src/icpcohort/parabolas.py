"""Parabolas: weighted least squares of many small curves at once."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from icpcohort import missing

Reals = NDArray[np.float64]


class Parabola(NamedTuple):
    """value = quadratic c^2 + linear c + constant, along the leading axes of the input.

    `quadratic_se` is the standard error of `quadratic` when a value of weight one has a
    standard deviation of one.
    """

    quadratic: Reals
    linear: Reals
    constant: Reals
    r_squared: Reals
    quadratic_se: Reals

    def lowest_mmhg(self) -> Reals:
        """Return where a parabola that opens upward is lowest; NaN for any other."""
        opens = self.quadratic > 0
        return missing.divide(-self.linear, 2 * self.quadratic, where=opens)

    def crossings_mmhg(self, level: float) -> tuple[Reals, Reals]:
        """Return where an upward parabola falls below and rises above `level`; else NaN."""
        lowest = self.lowest_mmhg()
        square = (self.linear**2 - 4 * self.quadratic * (self.constant - level)).clip(0)
        below = self.at(lowest) < level
        half = missing.divide(np.sqrt(square), 2 * self.quadratic, where=below)
        return lowest - half, lowest + half

    def at(self, cpp_mmhg: Reals) -> Reals:
        """Return the fitted value."""
        fitted: Reals = self.quadratic * cpp_mmhg**2 + self.linear * cpp_mmhg + self.constant
        return fitted


def fit(centres_mmhg: Reals, values: Reals, weights: Reals) -> Parabola:
    """Fit a parabola by weighted least squares, many at once.

    Parameters
    ----------
    centres_mmhg : (n_bins,) mmHg
    values, weights : (..., n_bins)
        A bin of weight zero does not count, whatever its value.

    Returns
    -------
    Parabola
        NaN where fewer than three bins count. `r_squared` is weighted, and NaN when all
        values are the same.

    Source: second-order polynomial of PRx on CPP: Aries 2012, Crit Care Med 40:2456-2463.
    """
    level = float(centres_mmhg.mean())
    scale = float(np.ptp(centres_mmhg)) / 2 or 1.0
    x = (centres_mmhg - level) / scale
    values = np.where(weights > 0, values, 0.0)
    powers = np.stack([x**k for k in range(5)])
    moments = weights @ powers.T
    right = (weights * values) @ powers[:3].T
    order = np.array([[0, 1, 2], [1, 2, 3], [2, 3, 4]])
    enough = (weights > 0).sum(axis=-1) >= 3
    left = np.where(enough[..., None, None], moments[..., order], np.eye(3))
    inverse = np.linalg.inv(left)
    c0, c1, c2 = np.moveaxis((inverse @ right[..., None])[..., 0], -1, 0)
    total = moments[..., 0]
    mean = np.divide(right[..., 0], total, out=np.zeros_like(total), where=enough)
    residual = values - (c0[..., None] + c1[..., None] * x + c2[..., None] * x**2)
    unexplained = (weights * residual**2).sum(axis=-1)
    spread = (weights * (values - mean[..., None]) ** 2).sum(axis=-1)
    r_squared = 1 - missing.divide(unexplained, spread, where=enough & (spread > 1e-12))
    quadratic = np.where(enough, c2 / scale**2, np.nan)
    linear = np.where(enough, c1 / scale - 2 * c2 * level / scale**2, np.nan)
    constant = np.where(enough, c0 - c1 * level / scale + c2 * level**2 / scale**2, np.nan)
    quadratic_se = np.where(enough, np.sqrt(inverse[..., 2, 2]) / scale**2, np.nan)
    return Parabola(quadratic, linear, constant, r_squared, quadratic_se)
