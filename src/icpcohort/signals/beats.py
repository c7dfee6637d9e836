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
COMMON_HZ = 50.0  # at which every waveform is looked at, but slower ones at their own rate
MAX_PERIOD_S = 5.0  # a longer one is no beat but a loss of pulse
_CUTOFF_HZ = 16.0
_UPSTROKE_S = 0.128
_MIN_DISTANCE_S = 0.25
_NEIGHBOURS_S = 1.5
_MIN_OF_NEIGHBOURS_FRACTION = 0.4
_MIN_UPSTROKE_MMHG = 3.0
_ONSET_S = 0.3
# What is compared between beats, around the end of the upstroke: it, and the systole after it.
_SHAPE_BEFORE_S, _SHAPE_AFTER_S = 0.20, 0.28


class Features(NamedTuple):
    """What the rules ask of each beat, from one onset to the next; (n,) each.

    `fall_mmhg_per_s` is the mean of a beat's falling slopes, a negative number. `resemblance`
    is the second highest correlation of its shape with those of the two beats before and the
    two after; NaN where fewer than two of them have one.
    """

    start_s: Reals
    end_s: Reals
    systolic_mmhg: Reals
    diastolic_mmhg: Reals
    mean_mmhg: Reals
    onset_mmhg: Reals
    fall_mmhg_per_s: Reals
    resemblance: Reals


class _Even(NamedTuple):
    """Means over successive intervals of 1 / `rate_hz`, the first from `t_s` on."""

    samples_mmhg: Reals
    t_s: float
    rate_hz: float


def find(samples_mmhg: Reals, *, t_s: float, fs_hz: float) -> Features:
    """Return the beats of an arterial waveform.

    Parameters
    ----------
    samples_mmhg : (n,) mmHg
        NaN where there is no reading; a beat with one is left out.
    t_s : float, s
        Time of the first sample.

    Every waveform is brought to `COMMON_HZ` first, so that its own rate changes no beat. An
    upstroke is a peak of the rise summed over 128 ms, after a low pass of 16 Hz: the
    largest within 0.25 s, of at least 3 mmHg and 40 % of the largest in 1.5 s. A beat begins
    at the lowest sample in the 0.3 s before it, and lasts at most 5 s.

    Source: the summed rise is that of Zong 2003; thresholds are our own.
    """
    even, start_s, rate_hz = _at_common_rate(samples_mmhg, t_s=t_s, fs_hz=fs_hz)
    onsets, resemblance = _onsets(even, fs_hz=rate_hz)
    if onsets.size < 2:
        return Features(*(np.empty(0) for _ in Features._fields))
    starts, ends = onsets[:-1], onsets[1:]
    slope = np.diff(even, append=even[-1]) * rate_hz
    falling = slope < 0
    n_falling = np.add.reduceat(falling, onsets, dtype=np.int64)[:-1]
    fall = np.add.reduceat(np.where(falling, slope, 0.0), onsets)[:-1]
    features = Features(
        start_s + starts / rate_hz,
        start_s + ends / rate_hz,
        np.maximum.reduceat(even, onsets)[:-1],
        np.minimum.reduceat(even, onsets)[:-1],
        np.add.reduceat(even, onsets)[:-1] / (ends - starts),
        even[starts],
        fall / np.maximum(n_falling, 1),
        resemblance[:-1],
    )
    kept = (ends - starts <= MAX_PERIOD_S * rate_hz) & np.isfinite(features.mean_mmhg)
    return Features(*(values[kept] for values in features))


def _at_common_rate(samples_mmhg: Reals, *, t_s: float, fs_hz: float) -> _Even:
    """Return the means of whole intervals of the common rate, counted from time zero.

    A sample holds until the next one, so that an interval may cut one. An interval with a
    part that has no reading is NaN.
    """
    rate_hz = min(COMMON_HZ, fs_hz)
    first = int(np.ceil((t_s - TIME_TOLERANCE_S) * rate_hz))
    last = int(np.floor((t_s + samples_mmhg.size / fs_hz + TIME_TOLERANCE_S) * rate_hz))
    edges = (np.arange(first, last + 1) / rate_hz - t_s) * fs_hz
    valid = np.isfinite(samples_mmhg)
    all_valid = bool(valid.all())
    means = _of_intervals(
        samples_mmhg if all_valid else np.where(valid, samples_mmhg, 0), edges
    )
    if not all_valid:
        means[_of_intervals(valid.astype(np.float64), edges) < 1 - TIME_TOLERANCE_S] = np.nan
    return _Even(means, first / rate_hz, rate_hz)


def _of_intervals(samples: Reals, edges: Reals) -> Reals:
    """Return the means between edges, which count samples, by the running sum."""
    if edges.size < 2:
        return np.empty(0)
    running = np.concatenate([[0.0], np.cumsum(samples)])
    at_edges = np.interp(edges, np.arange(running.size), running)
    return np.asarray(np.diff(at_edges) / (edges[1] - edges[0]))


def _onsets(samples_mmhg: Reals, *, fs_hz: float) -> tuple[NDArray[np.int64], Reals]:
    """Return the index of each beat's first sample, increasing, and its resemblance."""
    n_back = max(1, round(_ONSET_S * fs_hz))
    if samples_mmhg.size < 10 * max(1, round(_UPSTROKE_S * fs_hz)):
        return np.empty(0, np.int64), np.empty(0)
    from scipy import ndimage  # slow to import, and only needed where there are waveforms

    missing = np.isnan(samples_mmhg)
    filled = _held(samples_mmhg) if missing.any() else samples_mmhg
    # a Gaussian falls to half power at sqrt(ln 2) / (2 pi sigma)
    sigma = np.sqrt(np.log(2)) / (2 * np.pi * _CUTOFF_HZ) * fs_hz
    smooth = ndimage.gaussian_filter1d(filled, sigma)
    peaks = _upstrokes(smooth, fs_hz=fs_hz)
    rows = np.maximum(peaks[:, None] - np.arange(n_back), 0)
    onsets = (peaks - filled[rows].argmin(axis=1)).clip(0)
    onsets, first = np.unique(onsets, return_index=True)
    return onsets, _resemblance(smooth, peaks, fs_hz=fs_hz)[first]


def _upstrokes(smooth: Reals, *, fs_hz: float) -> NDArray[np.int64]:
    """Return the peaks of the summed rise, where upstrokes end."""
    n_up = max(1, round(_UPSTROKE_S * fs_hz))
    rise = np.cumsum(np.maximum(np.diff(smooth, prepend=smooth[0]), 0.0))
    summed = rise - np.concatenate([np.zeros(n_up), rise[:-n_up]])
    tops = (summed[1:-1] > summed[:-2]) & (summed[1:-1] >= summed[2:])
    peaks = np.flatnonzero(tops & (summed[1:-1] >= _MIN_UPSTROKE_MMHG)) + 1
    alone = _largest_near(peaks, summed[peaks], n_near=round(_MIN_DISTANCE_S * fs_hz) - 1)
    peaks = peaks[summed[peaks] == alone]
    largest = _largest_near(peaks, summed[peaks], n_near=round(_NEIGHBOURS_S * fs_hz))
    return np.asarray(peaks[summed[peaks] >= _MIN_OF_NEIGHBOURS_FRACTION * largest])


def _resemblance(smooth: Reals, peaks: NDArray[np.int64], *, fs_hz: float) -> Reals:
    """Return how much each beat resembles its neighbours, as `Features` says.

    Of four neighbours the second highest: a single odd beat says nothing against the ones
    around it, and two shapes that take turns each have two like them.

    Source: correlation with other beats is common practice; this form is our own.
    """
    n_before, n_after = round(_SHAPE_BEFORE_S * fs_hz), round(_SHAPE_AFTER_S * fs_hz)
    within = (peaks >= n_before) & (peaks + n_after <= smooth.size)
    rows = np.where(within, peaks, n_before)[:, None] + np.arange(-n_before, n_after)
    shapes = smooth[np.minimum(rows, smooth.size - 1)]
    shapes -= shapes.mean(axis=1, keepdims=True)
    size = np.sqrt(np.einsum("ij,ij->i", shapes, shapes))
    within &= size > 0
    shapes /= np.where(within, size, np.inf)[:, None]
    alike = np.full((4, peaks.size), np.nan)
    for step in (1, 2):
        both = within[step:] & within[:-step]
        pairs = np.einsum("ij,ij->i", shapes[step:], shapes[:-step])
        alike[2 * step - 2, step:] = alike[2 * step - 1, :-step] = np.where(both, pairs, np.nan)
    second = np.sort(np.where(np.isnan(alike), -np.inf, alike), axis=0)[2]
    return np.where(np.isfinite(second), second, np.nan)


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

    A change is one from the beat just before. A limit that is None asks for nothing.

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
        | (period_s > 60 / rule.min_rate_per_min + TIME_TOLERANCE_S)
        | (period_s < 60 / rule.max_rate_per_min - TIME_TOLERANCE_S)
        | (beats.systolic_mmhg - beats.diastolic_mmhg < rule.min_pulse_mmhg)
    )
    if rule.min_resemblance is not None:
        flags |= beats.resemblance < rule.min_resemblance
    if rule.max_fall_mmhg_per_s is not None:
        flags |= beats.fall_mmhg_per_s < -rule.max_fall_mmhg_per_s
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

    def push(self, samples_mmhg: Reals, *, t_s: float) -> list[Cells]:
        """Take the next samples; return the cells of the pieces that are now complete."""
        ready = []
        held = self._held
        if held is not None:
            end_s = held.t_s + held.samples_mmhg.size / self._fs_hz
            if abs(end_s - t_s) > 0.5 / self._fs_hz:
                ready += self.finish()
                held = None
        if held is None:
            held = _Held(samples_mmhg, t_s)
        else:
            held = _Held(np.concatenate([held.samples_mmhg, samples_mmhg]), held.t_s)
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
        self._held = _Held(self._held.samples_mmhg[n:], t_s)

    def _piece(self, next_s: float, *, until_s: float) -> Cells:
        assert self._held is not None
        held, fs_hz = self._held, self._fs_hz
        core = slice(self._index(self._from_s), self._index(next_s))
        wide = slice(self._index(self._from_s - PADDING_S), self._index(until_s))
        cells = reduce(
            held.samples_mmhg[core],
            t_s=held.t_s + core.start / fs_hz,
            fs_hz=fs_hz,
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
