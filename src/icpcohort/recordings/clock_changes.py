"""Clock changes: whether a clock was put back and forward when its zone says so.

In the shown times alone, a clock that was put back shows an hour twice, and one that was put
forward leaves an hour out. One that was not set goes on as if nothing were: then its times are
no times of that zone. Where rows are missing at the change, either may be true.

Source: the project's own rule.
"""

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

Micros = NDArray[np.int64]
Kind = Literal["back", "forward", "not_back", "not_forward", "unknown"]

COARSE_US = 1_800_000_000  # from here on a second pass may go on where the first one ended
MAX_PAUSE_US = 60_000_000
_MAX_INTERVALS = 1.5
_NEAR = 0.25  # of the interval, by which a coarse one may vary


class Change(NamedTuple):
    """A change of the clock before a row: which, and the offset from UTC that came before."""

    row: int
    kind: Kind
    offset_us: int


class Changes:
    """Watches shown times and what they were read as, batch by batch.

    Parameters of `add` have one value per row: the shown time and UTC [us], whether the zone
    shows that time twice, and whether the row was taken as the second of them.
    """

    def __init__(self) -> None:
        self._last: tuple[Micros, Micros, NDArray[np.bool_]] | None = None
        self._largest_us, self._smallest_us = -np.inf, np.inf  # steps since before the hour

    def add(
        self,
        shown_us: Micros,
        utc_us: Micros,
        twice: NDArray[np.bool_],
        second: NDArray[np.bool_],
        *,
        interval_us: float | None,
    ) -> list[Change]:
        """Return the changes before rows of this batch, numbered from 0."""
        n_carried = 0
        if self._last is not None:
            n_carried = 1
            shown_us, utc_us, twice = (
                np.append(last, now)
                for last, now in zip(self._last, (shown_us, utc_us, twice), strict=True)
            )
            second = np.append(False, second)
        steps_us, elapsed_us = np.diff(shown_us), np.diff(utc_us)
        changes = []
        for i in np.flatnonzero(elapsed_us != steps_us).tolist():
            step_us, true_us = int(steps_us[i]), int(elapsed_us[i])
            kind: Kind | None = "back" if second[i + 1] and true_us > step_us else None
            if kind is None and step_us >= 0:  # else a row that comes late
                around = float(step_us), float(step_us)
                if true_us > step_us:
                    around = self._steps_to(i, steps_us, twice)
                kind = _kind(step_us, true_us, around, interval_us)
            if kind is not None:
                changes.append(Change(i + 1 - n_carried, kind, int(shown_us[i] - utc_us[i])))
        self._largest_us, self._smallest_us = self._steps_to(len(steps_us), steps_us, twice)
        self._last = (shown_us[-1:], utc_us[-1:], twice[-1:])
        return changes

    def _steps_to(
        self, i: int, steps_us: Micros, twice: NDArray[np.bool_]
    ) -> tuple[float, float]:
        """Return the largest and smallest step up to the i-th since the hour was entered."""
        outside = np.flatnonzero(~twice[: i + 1])
        part = steps_us[outside[-1] if len(outside) else 0 : i + 1]
        largest_us, smallest_us = -np.inf, np.inf
        if not len(outside):
            largest_us, smallest_us = self._largest_us, self._smallest_us
        if not len(part):
            return largest_us, smallest_us
        return max(largest_us, float(part.max())), min(smallest_us, float(part.min()))


def _kind(
    step_us: int, true_us: int, around_us: tuple[float, float], interval_us: float | None
) -> Kind:
    """Tell what happened at a change that the zone has and the order of rows does not show."""
    if interval_us is None:
        return "unknown"
    put_back, coarse = true_us > step_us, interval_us >= COARSE_US
    goes_on = around_us[0] <= max(_MAX_INTERVALS * interval_us, MAX_PAUSE_US)
    if coarse:
        goes_on = all(abs(us - interval_us) <= _NEAR * interval_us for us in around_us)
    if goes_on:
        return "not_back" if put_back else "not_forward"
    if coarse:
        as_read = abs(true_us - interval_us) <= _NEAR * interval_us
    else:
        as_read = not put_back and true_us <= max(_MAX_INTERVALS * interval_us, MAX_PAUSE_US)
    if as_read:
        return "back" if put_back else "forward"
    return "unknown"
