"""Cells: a recording reduced to one row per second, small enough for rules to look at."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icpcohort.recordings import Chunk
from icpcohort.signals import clipping, nan_divide

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]
Counts = NDArray[np.int64]
# A sample this close before a boundary belongs after it: rounding of i / fs, not a time.
TIME_TOLERANCE_S = 1e-6
MIN_WAVEFORM_HZ = 25.0
_PER_SECOND = 10  # means of 0.1 s: most of the noise goes, the pulse stays


@dataclass(frozen=True)
class Stretch:
    """Samples of one recording without a gap in time, each signal on the patient's clock."""

    t_s: dict[str, float]
    samples: dict[str, Reals]
    fs_hz: dict[str, float]

    def end_s(self, name: str) -> float:
        """Return the end of a signal's last sample."""
        return self.t_s[name] + self.samples[name].size / self.fs_hz[name]


@dataclass(frozen=True)
class Cells:
    """One signal in cells of `width_s`: at most one second of a waveform, or one number.

    `n` counts the samples a cell holds, `n_valid` those with a reading; `mean`,
    `low` and `high` are over these and NaN where there are none. `pulse` is
    the span of a waveform's 0.1-s means, NaN for numbers. `held_low` and `held_high` say
    whether a waveform's extreme is held as a clipped one is, by `clipping`. `n_beats` and
    `n_abnormal` count the heart beats that touch a cell; `beats` fills them. `tenths` are a
    waveform's 0.1-s means, (n, 10), NaN where there is none and for numbers. `noise` is what
    these would spread (SD) if its samples were independent of each other: from their changes
    within the second; NaN unless asked for.
    """

    width_s: float
    t_s: Reals
    n: Counts
    n_valid: Counts
    mean: Reals
    low: Reals
    high: Reals
    pulse: Reals
    held_low: Flags
    held_high: Flags
    n_beats: Counts
    n_abnormal: Counts
    tenths: Reals
    noise: Reals

    def part(self, rows: slice) -> "Cells":
        """Return some of the cells."""
        return Cells(self.width_s, *(getattr(self, name)[rows] for name in _OF_A_CELL))


_OF_A_CELL = tuple(field.name for field in fields(Cells) if field.name != "width_s")


def join(pieces: Sequence[Cells]) -> Cells:
    """Return the cells of all pieces, which have one width."""
    columns = ([getattr(piece, name) for piece in pieces] for name in _OF_A_CELL)
    return Cells(pieces[0].width_s, *(np.concatenate(column) for column in columns))


IN_STEP: Mapping[str, float] = MappingProxyType({})  # no signal is moved


def align(
    chunks: Iterable[Chunk],
    *,
    start_s: float,
    block_s: float,
    shifts_s: Mapping[str, float] = IN_STEP,
) -> Iterator[Stretch]:
    """Cut a recording again, so that no block of `block_s` is divided between two stretches.

    Parameters
    ----------
    chunks : Chunk, in the order of time
    start_s : float, s
        Start of the recording on the patient's clock, on which blocks begin at multiples
        of `block_s`.
    shifts_s : mapping, s
        What is added to the times of a signal, by its name.

    Yields
    ------
    Stretch
        Every sample once. Memory is that of two chunks, whatever the recording's length.
    """
    held: Stretch | None = None
    for chunk in chunks:
        t_s = {
            name: start_s + chunk.start_s + shifts_s.get(name, 0.0) for name in chunk.samples
        }
        new = Stretch(t_s, chunk.samples, chunk.fs_hz)
        if held is not None and not _follows(held, new):
            yield held
            held = None
        held = new if held is None else _append(held, new)
        end_s = min(held.end_s(name) for name in held.fs_hz) + TIME_TOLERANCE_S
        whole_s = float(np.floor(end_s / block_s) * block_s)
        if whole_s > max(held.t_s.values()):
            ready, held = _cut(held, whole_s)
            yield ready
    if held is not None and any(samples.size for samples in held.samples.values()):
        yield held


def _follows(held: Stretch, new: Stretch) -> bool:
    return held.fs_hz == new.fs_hz and all(
        abs(held.end_s(name) - new.t_s[name]) <= 0.5 / fs_hz
        for name, fs_hz in held.fs_hz.items()
    )


def _append(held: Stretch, new: Stretch) -> Stretch:
    names = held.samples
    return Stretch(
        held.t_s,
        {n: _joined(held.samples[n], new.samples[n]) for n in names},
        held.fs_hz,
    )


def _joined(first: NDArray[Any], second: NDArray[Any]) -> NDArray[Any]:
    return np.concatenate([first, second]) if first.size else second


def _cut(stretch: Stretch, at_s: float) -> tuple[Stretch, Stretch]:
    """Divide each signal at its first sample at or after `at_s`."""
    fs_hz = stretch.fs_hz
    n = {
        name: min(samples.size, first_at(stretch.t_s[name], fs_hz[name], at_s))
        for name, samples in stretch.samples.items()
    }
    rest_t_s = {name: stretch.t_s[name] + n[name] / fs_hz[name] for name in n}
    parts = []
    for t_s, rows in (
        (stretch.t_s, {name: slice(None, n[name]) for name in n}),
        (rest_t_s, {name: slice(n[name], None) for name in n}),
    ):
        samples = {name: stretch.samples[name][rows[name]] for name in n}
        parts.append(Stretch(t_s, samples, fs_hz))
    return parts[0], parts[1]


def first_at(t_s: float, fs_hz: float, at_s: float) -> int:
    """Return the index of the first sample at or after `at_s`, of samples from `t_s` on."""
    return max(0, int(np.ceil((at_s - t_s - TIME_TOLERANCE_S) * fs_hz)))


def reduce(samples: Reals, *, t_s: float, fs_hz: float, with_noise: bool = False) -> Cells:
    """Reduce samples to cells: one for each second, or one for each slower sample.

    Parameters
    ----------
    samples : (n,) in the unit of the signal
        NaN where there is no reading.
    t_s : float, s
        Time of the first sample; seconds begin at whole numbers of this clock.
    with_noise : bool
        Whether `noise` is asked for; else it is NaN.
    """
    if fs_hz <= 1:
        return _cells_of_numbers(samples, t_s=t_s, fs_hz=fs_hz)
    per_s = _PER_SECOND if fs_hz >= MIN_WAVEFORM_HZ else 1
    first_s = np.floor(t_s + TIME_TOLERANCE_S)
    filled, starts, n_bin = _bins(samples.size, t_s=t_s, fs_hz=fs_hz, per_s=per_s)
    second = filled // per_s
    firsts = np.flatnonzero(np.append(True, np.diff(second)))  # the first bin of each second
    n = np.add.reduceat(n_bin, firsts)
    valid = np.isfinite(samples)
    if valid.all():
        held, least, most = samples, samples, samples
    else:
        n_bin = np.add.reduceat(valid, starts, dtype=np.int64)
        held = np.where(valid, samples, 0.0)
        least = np.where(valid, samples, np.inf)
        most = np.where(valid, samples, -np.inf)
    total = np.add.reduceat(held, starts)
    n_valid, begins = np.add.reduceat(n_bin, firsts), starts[firsts]
    some, zeros = n_valid > 0, np.zeros(firsts.size, np.int64)
    low = np.where(some, np.minimum.reduceat(least, begins), np.nan)
    high = np.where(some, np.maximum.reduceat(most, begins), np.nan)
    held_low, held_high = zeros > 0, zeros > 0
    if fs_hz >= MIN_WAVEFORM_HZ:
        held_low, held_high = clipping.held_extremes(samples, begins, low=low, high=high)
    means = nan_divide.divide(total, n_bin, where=n_bin > 0)
    return Cells(
        width_s=1.0,
        t_s=first_s + second[firsts],
        n=n,
        n_valid=n_valid,
        mean=nan_divide.divide(np.add.reduceat(total, firsts), n_valid, where=some),
        low=low,
        high=high,
        pulse=_span_of_means(means, firsts, per_s=per_s),
        held_low=held_low,
        held_high=held_high,
        n_beats=zeros,
        n_abnormal=zeros,
        tenths=_tenths(means, filled, second, firsts=firsts, per_s=per_s),
        noise=(
            _noise(samples, begins, n_valid, fs_hz=fs_hz)
            if with_noise and per_s == _PER_SECOND
            else np.full(firsts.size, np.nan)
        ),
    )


def _bins(
    n_samples: int, *, t_s: float, fs_hz: float, per_s: int
) -> tuple[Counts, Counts, Counts]:
    """Return place, first sample and number of samples of each bin that has any.

    The place counts bins since the first second began.
    """
    first_s = np.floor(t_s + TIME_TOLERANCE_S)
    last_s = np.ceil(t_s + n_samples / fs_hz - TIME_TOLERANCE_S)
    edges_s = first_s + np.arange(int(last_s - first_s) * per_s + 1) / per_s
    edges = np.ceil((edges_s - t_s - TIME_TOLERANCE_S) * fs_hz).astype(np.int64)
    edges = edges.clip(0, n_samples)
    edges[-1] = n_samples
    n = np.diff(edges)
    filled = np.flatnonzero(n)
    return filled, edges[filled], n[filled]


def _span_of_means(means: Reals, firsts: Counts, *, per_s: int) -> Reals:
    """Return, for each second, the highest less the lowest of the means of its bins."""
    if per_s == 1:
        return np.full(firsts.size, np.nan)
    return np.asarray(np.fmax.reduceat(means, firsts) - np.fmin.reduceat(means, firsts))


def _tenths(
    means: Reals, filled: Counts, second: Counts, *, firsts: Counts, per_s: int
) -> Reals:
    """Return the means of the bins, a row for each second that has any."""
    tenths = np.full((firsts.size, _PER_SECOND), np.nan)
    if per_s == _PER_SECOND:
        row = np.cumsum(np.diff(second, prepend=second[:1]) != 0)
        tenths[row, filled - second * per_s] = means
    return tenths


def _noise(samples: Reals, begins: Counts, n_valid: Counts, *, fs_hz: float) -> Reals:
    """Return, for each second, the SD of 0.1-s means of independent samples that change so.

    Independent samples of variance v change by 2 v on average of the squares, and a mean of k
    has the variance v / k. No pair of samples belongs to two seconds.
    """
    change = np.empty(samples.size)
    np.subtract(samples[1:], samples[:-1], out=change[1:])
    change[begins] = 0.0
    np.multiply(change, change, out=change)
    if n_valid.sum() < samples.size:
        np.nan_to_num(change, copy=False)
    total = np.add.reduceat(change, begins)
    per_mean = 2 * fs_hz / _PER_SECOND
    mean_square = nan_divide.divide(total, n_valid - 1, where=n_valid > 1)
    return np.asarray(np.sqrt(mean_square / per_mean))


def _cells_of_numbers(samples: Reals, *, t_s: float, fs_hz: float) -> Cells:
    zeros = np.zeros(samples.size, np.int64)
    return Cells(
        width_s=1 / fs_hz,
        t_s=t_s + np.arange(samples.size) / fs_hz,
        n=np.ones(samples.size, np.int64),
        n_valid=np.isfinite(samples).astype(np.int64),
        mean=samples,
        low=samples,
        high=samples,
        pulse=np.full(samples.size, np.nan),
        held_low=zeros > 0,
        held_high=zeros > 0,
        n_beats=zeros,
        n_abnormal=zeros,
        tenths=np.full((samples.size, _PER_SECOND), np.nan),
        noise=np.full(samples.size, np.nan),
    )


def movement(cells: Cells) -> Reals:
    """Return how much the signal moves in each cell, its slow drift taken off.

    Waveforms: `pulse` less the drift in a second, which is half the difference between
    the means of the seconds around. Numbers: the smaller of the changes from the number
    before and to the number after. NaN without a reading.

    Source: common practice, no source.
    """
    mean = cells.mean
    around = np.concatenate([[np.nan], mean, [np.nan]])
    if np.isnan(cells.pulse).all():
        before, after = np.abs(np.diff(around))[:-1], np.abs(np.diff(around))[1:]
        return np.where(np.isnan(mean), np.nan, np.fmin(before, after))
    drift = np.nan_to_num(np.abs(around[2:] - around[:-2]) / 2)
    return np.asarray(np.maximum(cells.pulse - drift, 0.0))
