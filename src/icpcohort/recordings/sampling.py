"""The sampling interval of rows, from all their times in one pass."""

import numpy as np
from numpy.typing import NDArray

from icpcohort.recordings.chunks import Samples

N_FIRST_ROWS = 1_000  # give the first estimate of the interval
MAX_GAP_INTERVALS = 10.0  # a longer gap starts a new stretch
MAX_UNEVEN_FRACTION = 0.05

_CONVENTIONAL_S = (
    *(1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1200.0, 1800.0),
    *(3600.0, 7200.0, 10_800.0, 14_400.0, 21_600.0, 28_800.0, 43_200.0, 86_400.0),
)
_NEAR_FRACTION = 0.15


class Times:
    """Takes the times of a file in order and tells their sampling rate.

    The median difference of the first rows tells how many intervals each step is; the interval
    is then the slope of time over intervals. The median alone would be wrong where times are
    rounded: 240 Hz written in whole milliseconds has a median of 4 ms, which is 250 Hz.
    A row between two that are one interval apart is an extra reading and is ignored.
    Numbers at 1 Hz or slower of which more than 5 % of steps are no whole multiples (within a
    quarter) of the median are charted by hand or irregularly: their interval is the
    conventional one (1, 2, 5, 10 s ... 1, 2, 5, 10 min ... 1, 2, 3 h ...) within 15 % of the
    median, if there is one.

    Source: the project's own rule.
    """

    def __init__(self) -> None:
        self._slope = _Slope()
        self._median_s = 0.0
        self.last_s = self._last_kept_s = np.nan
        self.n_rows = self.n_duplicates = self._n_uneven = 0

    def add(self, t_s: Samples) -> None:
        """Add the next times, none earlier than the ones before."""
        steps_s = np.diff(t_s, prepend=self.last_s)
        new = steps_s != 0
        self.n_rows += len(t_s)
        self.n_duplicates += int((~new).sum())
        t_s, steps_s = t_s[new], steps_s[new]
        if len(t_s) == 0:
            return
        last_s = float(t_s[-1])
        if not self._median_s and np.isfinite(steps_s).any():
            self._median_s = float(np.nanmedian(steps_s[: N_FIRST_ROWS + 1]))
        if self._median_s:
            steps = steps_s / self._median_s
            off = np.abs(steps - np.maximum(1, np.rint(steps)))
            self._n_uneven += int(((off > 0.25) & (steps <= MAX_GAP_INTERVALS)).sum())
            t_s = t_s[~_extra(steps)]
            steps = np.diff(t_s, prepend=self._last_kept_s) / self._median_s
            self._slope.add(t_s, steps)
            self._last_kept_s = float(t_s[-1])
        self.last_s = last_s

    def fs_hz(self) -> float | None:
        """Return the rate, or none without two rows that belong together."""
        interval_s = self._slope.interval_s()
        if interval_s is None:
            return None
        n_different = self.n_rows - self.n_duplicates
        if self._median_s > 0.9 and self._n_uneven > MAX_UNEVEN_FRACTION * n_different:
            nearest_s = min(_CONVENTIONAL_S, key=lambda s: abs(np.log(s / self._median_s)))
            if abs(nearest_s / self._median_s - 1) <= _NEAR_FRACTION:
                return 1 / nearest_s
        return _round_rate(1 / interval_s, duration_s=self.last_s)


def _extra(steps: Samples) -> NDArray[np.bool_]:
    """Tell which rows stand between two that are one interval apart, or close to the last."""
    next_steps = np.append(steps[1:], np.inf)
    between = (steps < 0.97) & (next_steps < 0.97) & (steps + next_steps < 1.15)
    extra: NDArray[np.bool_] = between | (steps < 0.1)
    return extra


class _Slope:
    """Least squares of time over the count of intervals, one intercept per stretch.

    `sums` of the open stretch: n, k, t, kk, kt with k the count and t the time since its start.
    """

    def __init__(self) -> None:
        self.numerator_s, self.denominator = 0.0, 0.0
        self.start_s = self.last = 0.0
        self.sums = np.zeros(5)

    def add(self, t_s: Samples, steps: Samples) -> None:
        """Add times and their distances to the one before, in nominal intervals.

        Up to 1.8 intervals is one that is late: two neighbours may deviate by 0.4 each.
        """
        cut = ~(steps <= MAX_GAP_INTERVALS + 0.5)
        counts = np.where(steps < 1.8, 1.0, np.rint(steps))
        counts[cut] = 0.0
        goes_on = not cut[0]
        if not goes_on:
            self._close(self.sums[:, None])
            self.sums = np.zeros(5)
        stretch = np.cumsum(cut) - (0 if goes_on else 1)  # of each row, from 0
        begins = np.flatnonzero(np.diff(stretch, prepend=-1))
        k, starts_s = np.cumsum(counts), t_s[begins]
        offsets = k[begins]
        if goes_on:
            starts_s[0], offsets[0] = self.start_s, -self.last
        k, t = k - offsets[stretch], t_s - starts_s[stretch]
        n = np.diff(begins, append=len(k)).astype(np.float64)
        parts = (np.add.reduceat(each, begins) for each in (k, t, k * k, k * t))
        sums = np.stack([n, *parts])
        sums[:, 0] += self.sums
        self._close(sums[:, :-1])
        self.sums = sums[:, -1]
        self.start_s, self.last = float(starts_s[-1]), float(k[-1])

    def _close(self, sums: Samples) -> None:
        n, k, t_s, kk, kt_s = sums[:, sums[0] > 1]
        self.numerator_s += float((kt_s - k * t_s / n).sum())
        self.denominator += float((kk - k * k / n).sum())

    def interval_s(self) -> float | None:
        """Return the slope, or None without two rows that belong together."""
        self._close(self.sums[:, None])
        self.sums = np.zeros(5)
        return self.numerator_s / self.denominator if self.denominator > 0 else None


def _round_rate(fs_hz: float, *, duration_s: float) -> float:
    """Return the roundest rate, or interval from 1 s on, that fits the times as well."""
    for digits in range(12):
        rounded = round(fs_hz, digits) if fs_hz > 1 else round(1 / fs_hz, digits)
        candidate_hz = rounded if fs_hz > 1 or rounded == 0 else 1 / rounded
        if candidate_hz and abs(candidate_hz - fs_hz) * duration_s < 0.1:
            return candidate_hz
    return fs_hz
