"""Missing values inside arrays: NaN, which never reaches a table."""

import numpy as np
from numpy.typing import NDArray


def divide(
    numerator: NDArray[np.float64],
    denominator: NDArray[np.float64] | NDArray[np.int64],
    *,
    where: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Return `numerator / denominator` where `where` holds, NaN elsewhere."""
    ratio: NDArray[np.float64] = np.empty_like(where, np.float64)
    if np.all(where):
        np.divide(numerator, denominator, out=ratio)
    else:
        ratio.fill(np.nan)
        np.divide(numerator, denominator, out=ratio, where=where)
    return ratio
