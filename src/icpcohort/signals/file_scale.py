"""File scale: whether a file's scale ends at the data's own extremes.

Some writers scale each file to its own lowest and highest reading. These lie at the ends of
what the file can express, as saturated readings do, and are none.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

MOST_TOGETHER = 3  # a saturated reading lasts; an extreme of a pulse does not


class Ends(NamedTuple):
    """What is known of the readings at the ends of a file's scale.

    `lowest` and `highest` are of the readings that lie there, `longest` the most successive
    ones.
    """

    lowest: float = np.inf
    highest: float = -np.inf
    longest: int = 0

    def with_more(self, samples: NDArray[np.float64], at_limit: NDArray[np.bool_]) -> "Ends":
        """Return the same with more readings, of which some lie at an end of the scale."""
        places = np.flatnonzero(at_limit)
        if not places.size:
            return self
        starts = np.flatnonzero(np.diff(places, prepend=-2) > 1)
        lengths = np.diff(np.append(starts, places.size))
        values = samples[places]
        return Ends(
            min(self.lowest, float(values.min())),
            max(self.highest, float(values.max())),
            max(self.longest, int(lengths.max())),
        )

    @property
    def are_the_datas_own(self) -> bool:
        """Whether both ends are reached, and neither for long."""
        return self.lowest < self.highest and self.longest <= MOST_TOGETHER
