"""Beats: the heart beats of an arterial waveform, and which of them cannot be real."""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from icpcohort.signals.cells import (
    TIME_TOLERANCE_S,
    Cells,
    Counts,
    Flags,
    Reals,
    first_at,
    reduce,
)
from icpcohort.signals.rules import Beats

PIECE_S = 600.0  # pieces begin at multiples of it, whatever the chunks
PADDING_S = 10.0  # of the neighbours, looked at with each piece
PUBLISHED_FS_HZ = 125.0  # rate for which the rules' slope was published
MAX_PERIOD_S = 5.0  # a longer one is no beat but a loss of pulse
_CUTOFF_HZ = 16.0
_UPSTROKE_S = 0.128
_MIN_DISTANCE_S = 0.25
_NEIGHBOURS_S = 1.5
_MIN_OF_NEIGHBOURS_FRACTION = 0.4
_MIN_UPSTROKE_MMHG = 3.0
_ONSET_S = 0.3


class Features(NamedTuple):
    """What the rules ask of each beat, from one onset to the next; (n,) each.

    `fall_mmhg_per_s` is the mean of a beat's falling slopes, a negative number.
    """

    start_s: Reals
    end_s: Reals
    systolic_mmhg: Reals
    diastolic_mmhg: Reals
    mean_mmhg: Reals
    onset_mmhg: Reals
    fall_mmhg_per_s: Reals


def find(samples_mmhg: Reals, *, t_s: float, fs_hz: float) -> Features:
    """Return the beats of an arterial waveform.

    Parameters
    ----------
    samples_mmhg : (n,) mmHg
        NaN where there is no reading; a beat with one is left out.
    t_s : float, s
        Time of the first sample.

    An upstroke is a peak of the rise summed over 128 ms, after a low pass of 16 Hz: the
    largest within 0.25 s, of at least 3 mmHg and 40 % of the largest in 1.5 s. A beat begins
    at the lowest sample in the 0.3 s before it, and lasts at most 5 s.

    Source: the summed rise is that of Zong 2003; thresholds are our own.
    """
    n_mean = max(1, int(fs_hz / PUBLISHED_FS_HZ + TIME_TOLERANCE_S))
    whole = samples_mmhg[: samples_mmhg.size // n_mean * n_mean]
    thin = whole.reshape(-1, n_mean).mean(axis=1)
    rate_hz = fs_hz / n_mean
    onsets = _onsets(thin, fs_hz=rate_hz)
    if onsets.size < 2:
        return Features(*(np.empty(0) for _ in Features._fields))
    starts, ends = onsets[:-1], onsets[1:]
    slope = np.diff(thin, append=thin[-1]) * rate_hz
    falling = slope < 0
    n_falling = np.add.reduceat(falling, onsets, dtype=np.int64)[:-1]
    fall = np.add.reduceat(np.where(falling, slope, 0.0), onsets)[:-1]
    features = Features(
        t_s + starts / rate_hz,
        t_s + ends / rate_hz,
        np.maximum.reduceat(thin, onsets)[:-1],
        np.minimum.reduceat(thin, onsets)[:-1],
        np.add.reduceat(thin, onsets)[:-1] / (ends - starts),
        thin[starts],
        fall / np.maximum(n_falling, 1),
    )
    kept = (ends - starts <= MAX_PERIOD_S * rate_hz) & np.isfinite(features.mean_mmhg)
    return Features(*(values[kept] for values in features))


def _onsets(samples_mmhg: Reals, *, fs_hz: float) -> NDArray[np.int64]:
    """Return the index of each beat's first sample, increasing."""
    n_up, n_back = max(1, round(_UPSTROKE_S * fs_hz)), max(1, round(_ONSET_S * fs_hz))
    if samples_mmhg.size < 10 * n_up:
        return np.empty(0, np.int64)
    from scipy import ndimage  # slow to import, and only needed where there are waveforms

    missing = np.isnan(samples_mmhg)
    filled = _held(samples_mmhg) if missing.any() else samples_mmhg
    # a Gaussian falls to half power at sqrt(ln 2) / (2 pi sigma)
    sigma = np.sqrt(np.log(2)) / (2 * np.pi * _CUTOFF_HZ) * fs_hz
    smooth = ndimage.gaussian_filter1d(filled, sigma)
    rise = np.cumsum(np.maximum(np.diff(smooth, prepend=smooth[0]), 0.0))
    summed = rise - np.concatenate([np.zeros(n_up), rise[:-n_up]])
    tops = (summed[1:-1] > summed[:-2]) & (summed[1:-1] >= summed[2:])
    peaks = np.flatnonzero(tops & (summed[1:-1] >= _MIN_UPSTROKE_MMHG)) + 1
    alone = _largest_near(peaks, summed[peaks], n_near=round(_MIN_DISTANCE_S * fs_hz) - 1)
    peaks = peaks[summed[peaks] == alone]
    largest = _largest_near(peaks, summed[peaks], n_near=round(_NEIGHBOURS_S * fs_hz))
    peaks = peaks[summed[peaks] >= _MIN_OF_NEIGHBOURS_FRACTION * largest]
    rows = np.maximum(peaks[:, None] - np.arange(n_back), 0)
    return np.unique(peaks - filled[rows].argmin(axis=1)).clip(0)


def _largest_near(peaks: NDArray[np.int64], heights: Reals, *, n_near: int) -> Reals:
    """Return the largest height among the peaks up to `n_near` samples from each."""
    largest = heights.copy()
    for step in range(1, peaks.size):
        near = peaks[step:] - peaks[:-step] <= n_near
        if not near.any():
            break
        later, earlier = largest[step:], largest[:-step]
        np.maximum(later, heights[:-step], out=later, where=near)
        np.maximum(earlier, heights[step:], out=earlier, where=near)
    return largest


def _held(samples_mmhg: Reals) -> Reals:
    """Fill samples without a reading with the last one before, or the first of all."""
    known = np.flatnonzero(np.isfinite(samples_mmhg))
    if not known.size:
        return np.zeros(samples_mmhg.size)
    last = np.searchsorted(known, np.arange(samples_mmhg.size), side="right") - 1
    return np.asarray(samples_mmhg[known[last.clip(0)]])


def abnormal(beats: Features, rule: Beats) -> Flags:
    """Flag beats outside the limits of a rule, and with `changes: counted` changed ones.

    A change is one from the beat just before.

    Source: Sun 2006, and the file published with it, which contradicts itself: it tests a pulse
    pressure below 20 mmHg, its header says 30. Slopes there are in mmHg a sample of 125 Hz; -3
    is 375 mmHg/s falling.
    """
    period_s = beats.end_s - beats.start_s
    flags = (
        (beats.systolic_mmhg > rule.max_systolic_mmhg)
        | (beats.diastolic_mmhg < rule.min_diastolic_mmhg)
        | (beats.mean_mmhg < rule.min_mean_mmhg)
        | (beats.mean_mmhg > rule.max_mean_mmhg)
        | (period_s > 60 / rule.min_rate_per_min)
        | (period_s < 60 / rule.max_rate_per_min)
        | (beats.systolic_mmhg - beats.diastolic_mmhg < rule.min_pulse_mmhg)
        | (beats.fall_mmhg_per_s < -rule.max_fall_mmhg_per_s)
    )
    if rule.changes == "counted":
        follows = np.abs(beats.start_s[1:] - beats.end_s[:-1]) < TIME_TOLERANCE_S
        limits = (
            (beats.systolic_mmhg, rule.max_pressure_change_mmhg),
            (beats.diastolic_mmhg, rule.max_pressure_change_mmhg),
            (beats.onset_mmhg, rule.max_pressure_change_mmhg),
            (period_s, rule.max_period_change_s),
        )
        for values, most in limits:
            flags[1:] |= follows & (np.abs(np.diff(values)) > most)
    return np.asarray(flags)


@dataclass(frozen=True)
class _Held:
    samples_mmhg: Reals
    at_limit: Flags
    t_s: float


class Finder:
    """Gives the cells of an arterial waveform with their beats counted, a piece at a time.

    Each piece is looked at with 10 s on both sides, as far as these exist without a gap; so
    what a cell gets does not depend on how the samples came.
    """

    def __init__(self, rule: Beats, *, fs_hz: float) -> None:
        self._rule, self._fs_hz = rule, fs_hz
        self._held: _Held | None = None
        self._from_s = -np.inf  # before it, cells are given already

    def push(self, samples_mmhg: Reals, at_limit: Flags, *, t_s: float) -> list[Cells]:
        """Take the next samples; return the cells of the pieces that are now complete."""
        ready = []
        held = self._held
        if held is not None:
            end_s = held.t_s + held.samples_mmhg.size / self._fs_hz
            if abs(end_s - t_s) > 0.5 / self._fs_hz:
                ready += self.finish()
                held = None
        if held is None:
            held = _Held(samples_mmhg, at_limit, t_s)
        else:
            held = _Held(
                np.concatenate([held.samples_mmhg, samples_mmhg]),
                np.concatenate([held.at_limit, at_limit]),
                held.t_s,
            )
        self._held = held
        end_s = held.t_s + held.samples_mmhg.size / self._fs_hz
        while (next_s := self._next_s()) + PADDING_S <= end_s:
            ready.append(self._piece(next_s, until_s=next_s + PADDING_S))
            self._from_s = next_s
            self._drop(next_s - PADDING_S)
        return ready

    def finish(self) -> list[Cells]:
        """Return the cells that are still held back."""
        if self._held is None:
            return []
        end_s = self._held.t_s + self._held.samples_mmhg.size / self._fs_hz
        pieces = []
        while (next_s := self._next_s()) < end_s:
            pieces.append(self._piece(next_s, until_s=next_s + PADDING_S))
            self._from_s = next_s
        if end_s > self._from_s + TIME_TOLERANCE_S:
            pieces.append(self._piece(np.inf, until_s=np.inf))
        self._held, self._from_s = None, -np.inf
        return pieces

    def _next_s(self) -> float:
        """Return the end of the piece that is being gathered."""
        assert self._held is not None
        begun_s = max(self._from_s, self._held.t_s)
        return float((np.floor((begun_s + TIME_TOLERANCE_S) / PIECE_S) + 1) * PIECE_S)

    def _index(self, at_s: float) -> int:
        assert self._held is not None
        if at_s == np.inf:
            return self._held.samples_mmhg.size
        return 0 if at_s == -np.inf else first_at(self._held.t_s, self._fs_hz, at_s)

    def _drop(self, before_s: float) -> None:
        assert self._held is not None
        n = self._index(before_s)
        t_s = self._held.t_s + n / self._fs_hz
        self._held = _Held(self._held.samples_mmhg[n:], self._held.at_limit[n:], t_s)

    def _piece(self, next_s: float, *, until_s: float) -> Cells:
        assert self._held is not None
        held, fs_hz = self._held, self._fs_hz
        core = slice(self._index(self._from_s), self._index(next_s))
        wide = slice(self._index(self._from_s - PADDING_S), self._index(until_s))
        cells = reduce(
            held.samples_mmhg[core],
            t_s=held.t_s + core.start / fs_hz,
            fs_hz=fs_hz,
            at_limit=held.at_limit[core],
        )
        beats = find(held.samples_mmhg[wide], t_s=held.t_s + wide.start / fs_hz, fs_hz=fs_hz)
        odd = abnormal(beats, self._rule)
        return replace(
            cells,
            n_beats=_touching(cells, beats.start_s, beats.end_s),
            n_abnormal=_touching(cells, beats.start_s[odd], beats.end_s[odd]),
        )


def _touching(cells: Cells, start_s: Reals, end_s: Reals) -> Counts:
    """Count the beats, in the order of time, that touch each cell."""
    begins = np.searchsorted(start_s, cells.t_s + cells.width_s - TIME_TOLERANCE_S)
    over = np.searchsorted(end_s, cells.t_s + TIME_TOLERANCE_S, side="right")
    return np.asarray(begins - over, dtype=np.int64)
