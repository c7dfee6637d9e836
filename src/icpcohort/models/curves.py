"""Curves: a restricted cubic spline of the exposure, straight beyond its outer knots."""

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

# Quantiles of the knots: Harrell 2015, table 2.3
QUANTILES = {
    3: (0.10, 0.50, 0.90),
    4: (0.05, 0.35, 0.65, 0.95),
    5: (0.05, 0.275, 0.50, 0.725, 0.95),
}
N_POINTS = 41  # of a drawn curve


def knots_of(values: Array, *, n_knots: int) -> tuple[float, ...]:
    """Return the knots of a curve, quantiles of the exposure by linear interpolation."""
    return tuple(float(knot) for knot in np.quantile(values, QUANTILES[n_knots]))


def problems(knots: tuple[float, ...]) -> list[str]:
    """Say when knots fall together, as they do where many patients share a value."""
    if len(set(knots)) == len(knots):
        return []
    places = ", ".join(f"{knot:g}" for knot in knots)
    return [f"knots of the curve fall together ({places}); write fewer curve_knots, or none"]


def basis(values: Array, *, knots: tuple[float, ...]) -> Array:
    """Return the columns of a restricted cubic spline: the values, then its bends.

    Parameters
    ----------
    values : array (n,)
    knots : 3 or more different numbers in order

    Returns
    -------
    array (n, len(knots) - 1)
        Every part but the first is zero below the first knot.

    Source: Harrell 2015, section 2.4.5: truncated power functions over the
    squared distance of the outer knots.
    """
    last, before = knots[-1], knots[-2]
    unit = (last - knots[0]) ** 2

    def cubed(knot: float) -> Array:
        return np.asarray(np.clip(values - knot, 0, None) ** 3, dtype=np.float64)

    parts = [values]
    for knot in knots[:-2]:
        bend = (
            cubed(knot)
            - cubed(before) * (last - knot) / (last - before)
            + cubed(last) * (before - knot) / (last - before)
        )
        parts.append(bend / unit)
    return np.column_stack(parts)
