"""Pulse shape: the single pulses of ICP, their height, and the peaks P1, P2 and P3."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from icpcohort.signals import nan_divide

Reals = NDArray[np.float64]
Counts = NDArray[np.int64]
Flags = NDArray[np.bool_]
N_PEAKS = 3
_LEAST_RISE = 1e-6  # mmHg times samples: on a plateau rounding leaves 1e-12
# Shares of a period, counted from a pulse's rise.
_REACH = 0.6  # of the trough before it and of the highest sample after it
_FOOT_FROM, _PEAKS_FROM, _PEAKS_TO = -0.5, -0.15, 0.75
# A peak stands out of the noise, the strongest curvature and the height; two stand apart.
_MIN_STANDARD_ERRORS = 4.0
_MIN_SHARE_OF_CURVATURE = 0.05
_MIN_SHARE_OF_HEIGHT = 0.1
_MAX_SHARE_BETWEEN = 0.5
_APEX_REACH = 0.06  # of a period, from the strongest curvature of a peak to its top
# Where only two peaks stand apart, they are P1 and P2 if the first is this early after the rise
# and the second this soon after it; a merged P1 and P2 come later, and P3 later still.
_MAX_RISE_TO_P1, _MAX_P1_TO_P2 = 0.12, 0.20


class Pulses(NamedTuple):
    """The pulses of some blocks: `block` and `rise` are (n_pulses,), in order of time.

    `rise` is the sample of the block at which a pulse rises, with a whole period before and
    after it. `half` is half of each block's period in samples, (n_blocks,), 0 without one.
    """

    block: Counts
    rise: Counts
    half: Counts


class Peaks(NamedTuple):
    """The average pulse of each block, (n_blocks,): NaN where its peaks merge.

    Heights are above the foot. `n_pulses` counts the pulses averaged. P1 and P2 may be known
    where P3 is NaN, having merged or drowned.
    """

    n_pulses: Counts
    p1_mmhg: Reals
    p2_mmhg: Reals
    p3_mmhg: Reals


def find(blocks_mmhg: Reals, *, rate_hz: Reals, fs_hz: float) -> Pulses:
    """Find the pulses of each block, given its pulse rate.

    Parameters
    ----------
    blocks_mmhg : (n_blocks, n_samples) mmHg
    rate_hz : (n_blocks,) Hz
        NaN where a block has no pulse.

    A pulse rises where the mean of half a period less that of the half before is highest,
    between two changes of its sign; the same half a period away is taken off by halves,
    which leaves no trend. So the notch between two peaks of one pulse is no rise.

    Source: own choice; a difference of means is the simplest wavelet (Haar 1910).
    """
    n = blocks_mmhg.shape[1]
    known = np.isfinite(rate_hz) & np.isfinite(blocks_mmhg).all(axis=1)
    half = np.zeros(rate_hz.size, np.int64)
    half[known] = np.maximum(1, np.rint(fs_hz / rate_hz[known] / 2)).astype(np.int64)
    rows = np.flatnonzero(known & (4 * half < n))
    rises = _rises(blocks_mmhg[rows], half[rows])
    row, rise = _tops(rises, half[rows])
    return Pulses(rows[row], rise, half)


def _rises(blocks: Reals, half: Counts) -> Reals:
    """Return how much each block rises at each sample; 0 within a period of its ends."""
    n_rows, n = blocks.shape
    total = np.zeros((n_rows, n + 1))
    np.cumsum(blocks - blocks.mean(axis=1, keepdims=True), axis=1, out=total[:, 1:])
    flat, at = total.ravel(), np.arange(n) + np.arange(n_rows)[:, None] * (n + 1)
    step = half[:, None]
    # of sums to i, five half periods apart: u(i) - (u(i - h) + u(i + h)) / 2
    rises = -3.0 * flat[at]
    for shift, weight in ((1, 2.0), (2, -0.5)):
        for way in (-shift, shift):
            rises += weight * flat.take(at + way * step, mode="clip")
    sample = np.arange(n)
    rises[(sample < 2 * step) | (sample > n - 2 * step)] = 0.0
    return np.asarray(rises)


def _tops(rises: Reals, half: Counts) -> tuple[Counts, Counts]:
    """Return row and sample of the highest rise of each run above zero.

    A run shorter than a quarter of a period, or highest at an end, is none.
    """
    n = rises.shape[1] if rises.size else 1
    flat = rises.ravel()
    above = flat > _LEAST_RISE
    edges = np.diff(above.astype(np.int8), prepend=0, append=0)
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    if not starts.size:
        return starts, starts
    most = np.maximum.reduceat(flat, starts)
    run = np.repeat(np.arange(starts.size), ends - starts)
    inside = np.flatnonzero(above)
    is_top = flat[inside] == most[run]
    tops, first = inside[is_top], run[is_top]
    tops = tops[np.diff(first, prepend=-1) > 0]
    row = tops // n
    kept = (ends - starts >= half[row] / 2) & (tops > starts) & (tops < ends - 1)
    return row[kept], (tops % n)[kept]


def peak_to_trough(blocks_mmhg: Reals, pulses: Pulses) -> Reals:
    """Return the median height of each block's pulses, (n_blocks,); NaN without a pulse.

    The height of a pulse is its highest sample less the lowest one before it.

    Source: mean over beats of the systolic maximum less the diastolic minimum before it
    (common practice, from memory); here the median, which one odd beat does not move.
    """
    n_blocks, n = blocks_mmhg.shape
    reach = np.maximum(1, np.rint(_REACH * 2 * pulses.half[pulses.block])).astype(np.int64)
    at = pulses.block * n + pulses.rise
    flat = np.append(blocks_mmhg.ravel(), np.nan)
    if not at.size:
        return np.full(n_blocks, np.nan)
    high = np.maximum.reduceat(flat, np.column_stack([at, at + reach + 1]).ravel())[::2]
    low = np.minimum.reduceat(flat, np.column_stack([at - reach, at + 1]).ravel())[::2]
    return _medians(high - low, pulses.block, n_blocks=n_blocks)


def _medians(values: Reals, block: Counts, *, n_blocks: int) -> Reals:
    """Return the median of the values of each block, which come in the order of blocks."""
    ordered = values[np.lexsort((values, block))]
    n = np.bincount(block, minlength=n_blocks)
    some, first = n > 0, np.cumsum(n) - n
    medians = np.full(n_blocks, np.nan)
    low, high = (first[some] + (n[some] - k) // 2 for k in (1, 0))
    medians[some] = (ordered[low] + ordered[high]) / 2
    return medians


def peaks(
    blocks_mmhg: Reals, pulses: Pulses, *, min_pulses: int, smoothing_fraction: float
) -> Peaks:
    """Find P1, P2 and P3 in the average pulse of each block.

    Parameters
    ----------
    min_pulses : int
        A block with fewer has no average.
    smoothing_fraction : float, share of a period
        Standard deviation of the Gaussian under which the curvature is taken.

    Returns
    -------
    Peaks
        The pulses of a block are averaged by their rises and freed of the drift from one to
        the next. A peak is where the average curves down most: 4 standard errors, 5 % of the
        strongest curvature and 10 % of the height, so a shoulder is one too. The three
        strongest are P1, P2 and P3 in the order of time. Each has the height of its apex, the
        top of the average nearest to it; a shoulder has none, and the height at its strongest
        curvature. Where the curvature between two stays above half of theirs, all are NaN.
        With two peaks they are P1 and P2 if they come as early and as close as those do, and
        all are NaN otherwise: which of them have merged cannot be told.

    Source: peaks of an average pulse by its curvature: Hu 2009; limits are our own.
    """
    n = np.bincount(pulses.block, minlength=blocks_mmhg.shape[0])
    rows = np.flatnonzero(n >= min_pulses)
    all_peaks = Peaks(n, *(np.full(n.size, np.nan) for _ in range(N_PEAKS)))
    if not rows.size:
        return all_peaks
    half, blocks, count = pulses.half[rows], blocks_mmhg[rows], n[rows, None]
    row = np.repeat(np.arange(rows.size), n[rows])[:, None]
    firsts, reach = np.cumsum(n[rows]) - n[rows], 2 * half.max()
    offsets = np.arange(-reach, reach)
    rise = pulses.rise[np.isin(pulses.block, rows), None]
    at = np.clip(rise + offsets, 0, blocks.shape[1] - 1)
    phase = offsets / (2 * half[:, None])
    average = np.add.reduceat(blocks[row, at], firsts) / count
    drift = _drift(average, phase, half)[:, None] * phase
    sigma = np.asarray(2 * smoothing_fraction * half, np.float64)
    smooth, bend = _smoothed(blocks, sigma)
    bends = bend[row, at]
    curvature = np.add.reduceat(bends, firsts) / count
    squares = np.add.reduceat((bends - curvature[row[:, 0]]) ** 2, firsts)
    whole = np.abs(phase) <= 0.5
    variance = np.where(whole, squares, 0.0).sum(axis=1) / whole.sum(axis=1)
    error = np.sqrt(variance / ((n[rows] - 1) * n[rows]))
    low = np.add.reduceat(smooth[row, at], firsts) / count - drift
    early = (phase >= _FOOT_FROM) & (phase <= 0)
    height = average - drift - np.where(early, low, np.inf).min(axis=1)[:, None]
    places, known = _strongest(height, curvature, phase, error)
    # the Gaussian lowers a top by half its variance times the curvature, and so may hide it
    sharp = low + 0.5 * sigma[:, None] ** 2 * curvature
    heights = np.take_along_axis(height, _apexes(sharp, places, phase), axis=1)
    for k, values in enumerate(all_peaks[1:]):
        values[rows] = np.where(known > k, heights[:, k], np.nan)
    return all_peaks


def _smoothed(blocks: Reals, sigma: Reals) -> tuple[Reals, Reals]:
    """Return blocks under a Gaussian of their own `sigma` samples, and how they curve down.

    Through their spectra, so that the ends of a block touch; no pulse comes near them.
    """
    n = blocks.shape[1]
    angle = 2 * np.pi * np.fft.rfftfreq(n)
    level = blocks.mean(axis=1, keepdims=True)
    lines = np.fft.rfft(blocks - level, axis=1)
    lines *= np.exp(-0.5 * (angle * sigma[:, None]) ** 2)
    smooth, bend = (np.fft.irfft(part, n, axis=1) for part in (lines, lines * angle**2))
    return np.asarray(smooth + level), np.asarray(bend)


def _drift(average: Reals, phase: Reals, half: Counts) -> Reals:
    """Return by how much each average rises from the period before to the period after."""
    before, after = (phase >= -1) & (phase < 0), (phase >= 0) & (phase < 1)
    means = (np.where(part, average, 0.0).sum(axis=1) / (2 * half) for part in (after, before))
    return np.asarray(np.subtract(*means))


def _strongest(
    height: Reals, curvature: Reals, phase: Reals, error: Reals
) -> tuple[Counts, Counts]:
    """Return where the strongest peaks are, (n, 3) in the order of time, and how many: 3, 2, 0.

    Where there are 2, the third place means nothing.
    """
    here = (phase >= _PEAKS_FROM) & (phase <= _PEAKS_TO)
    most = np.where(here, curvature, 0.0).max(axis=1)
    highest = np.where(here, height, 0.0).max(axis=1)
    least = np.maximum(_MIN_STANDARD_ERRORS * error, _MIN_SHARE_OF_CURVATURE * most)
    is_peak = np.zeros(here.shape, np.bool_)
    is_peak[:, 1:-1] = (curvature[:, 1:-1] > curvature[:, :-2]) & (
        curvature[:, 1:-1] >= curvature[:, 2:]
    )
    is_peak &= here & (curvature >= least[:, None]) & (most > 0)[:, None]
    is_peak &= height >= _MIN_SHARE_OF_HEIGHT * highest[:, None]
    strength = np.where(is_peak, curvature, -np.inf)
    places = np.argsort(-strength, axis=1, kind="stable")[:, :N_PEAKS]
    n = is_peak.sum(axis=1)
    last = phase.shape[1] - 1
    places = np.sort(np.where(np.arange(N_PEAKS) < n[:, None], places, last), axis=1)
    first_apart, second_apart = _apart(curvature, places)
    p1, p2, _ = np.take_along_axis(phase, places, axis=1).T
    early = (p1 <= _MAX_RISE_TO_P1) & (p2 - p1 <= _MAX_P1_TO_P2)
    three = (n >= N_PEAKS) & first_apart & second_apart
    two = (n == N_PEAKS - 1) & first_apart & early
    return places, np.where(three, 3, np.where(two, 2, 0))


def _apart(curvature: Reals, places: Counts) -> list[Flags]:
    """Return whether each two neighbours stand apart."""
    of_peaks = np.take_along_axis(curvature, places, axis=1)
    column = np.arange(curvature.shape[1])
    apart = []
    for k in range(N_PEAKS - 1):
        between = (column > places[:, [k]]) & (column < places[:, [k + 1]])
        lowest = np.where(between, curvature, np.inf).min(axis=1)
        lower = np.minimum(of_peaks[:, k], of_peaks[:, k + 1])
        apart.append(lowest <= _MAX_SHARE_BETWEEN * lower)
    return apart


def _apexes(average: Reals, places: Counts, phase: Reals) -> Counts:
    """Return the top of the average nearest to each place, or the place itself.

    A top counts within `_APEX_REACH`, and on the place's side of the middle between two.
    """
    is_top = np.zeros(average.shape, np.bool_)
    is_top[:, 1:-1] = (average[:, 1:-1] > average[:, :-2]) & (
        average[:, 1:-1] >= average[:, 2:]
    )
    at = np.take_along_axis(phase, places, axis=1)
    middle = (at[:, 1:] + at[:, :-1]) / 2
    apexes = places.copy()
    for k in range(places.shape[1]):
        away = np.abs(phase - at[:, [k]])
        counts = is_top & (away <= _APEX_REACH)
        if k > 0:
            counts &= phase >= middle[:, [k - 1]]
        if k < places.shape[1] - 1:
            counts &= phase <= middle[:, [k]]
        nearest = np.where(counts, away, np.inf).argmin(axis=1)
        apexes[:, k] = np.where(counts.any(axis=1), nearest, places[:, k])
    return apexes


def ratio(p2_mmhg: Reals, p1_mmhg: Reals) -> Reals:
    """Return P2 / P1; NaN where either is missing or P1 is not above the foot."""
    return nan_divide.divide(p2_mmhg, p1_mmhg, where=np.nan_to_num(p1_mmhg) > 0)
