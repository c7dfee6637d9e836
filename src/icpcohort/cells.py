"""Cells: a recording reduced to one row a second, small enough for rules to look at."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from icpcohort import missing
from icpcohort.recordings import Chunk

Reals = NDArray[np.float64]
# A sample this close before a boundary belongs after it: rounding of i / fs, not a time.
TIME_TOLERANCE_S = 1e-6


@dataclass(frozen=True)
class Stretch:
    """Samples of one recording without a gap in time, each signal on the patient's clock."""

    t_s: dict[str, float]
    samples_mmhg: dict[str, Reals]
    fs_hz: dict[str, float]

    def end_s(self, name: str) -> float:
        """Return the end of a signal's last sample."""
        return self.t_s[name] + self.samples_mmhg[name].size / self.fs_hz[name]


@dataclass(frozen=True)
class Cells:
    """One signal in cells of `width_s`: at most one second of a waveform, or one number.

    `n` counts the samples a cell holds, `n_valid` those with a reading; `mean_mmhg`,
    `low_mmhg` and `high_mmhg` are over these and NaN where there are none.
    """

    t_s: Reals
    width_s: float
    n: NDArray[np.int64]
    n_valid: NDArray[np.int64]
    mean_mmhg: Reals
    low_mmhg: Reals
    high_mmhg: Reals

    def part(self, rows: slice) -> "Cells":
        """Return some of the cells."""
        return Cells(
            self.t_s[rows],
            self.width_s,
            self.n[rows],
            self.n_valid[rows],
            self.mean_mmhg[rows],
            self.low_mmhg[rows],
            self.high_mmhg[rows],
        )


def join(first: Cells, second: Cells) -> Cells:
    """Return the cells of `first`, then those of `second`."""
    return Cells(
        np.concatenate([first.t_s, second.t_s]),
        first.width_s,
        np.concatenate([first.n, second.n]),
        np.concatenate([first.n_valid, second.n_valid]),
        np.concatenate([first.mean_mmhg, second.mean_mmhg]),
        np.concatenate([first.low_mmhg, second.low_mmhg]),
        np.concatenate([first.high_mmhg, second.high_mmhg]),
    )


def align(chunks: Iterable[Chunk], *, start_s: float, block_s: float) -> Iterator[Stretch]:
    """Cut a recording again, so that no block of `block_s` is divided between two stretches.

    Parameters
    ----------
    chunks : Chunk, in the order of time
    start_s : float, s
        Start of the recording on the patient's clock, on which blocks begin at multiples
        of `block_s`.

    Yields
    ------
    Stretch
        Every sample once. Memory is that of two chunks, whatever the recording's length.
    """
    held: Stretch | None = None
    for chunk in chunks:
        t_s = dict.fromkeys(chunk.samples_mmhg, start_s + chunk.start_s)
        new = Stretch(t_s, chunk.samples_mmhg, chunk.fs_hz)
        if held is not None and not _follows(held, new):
            yield held
            held = None
        held = new if held is None else _append(held, new)
        end_s = min(held.end_s(name) for name in held.fs_hz) + TIME_TOLERANCE_S
        whole_s = float(np.floor(end_s / block_s) * block_s)
        if whole_s > max(held.t_s.values()):
            ready, held = _cut(held, whole_s)
            yield ready
    if held is not None and any(samples.size for samples in held.samples_mmhg.values()):
        yield held


def _follows(held: Stretch, new: Stretch) -> bool:
    return held.fs_hz == new.fs_hz and all(
        abs(held.end_s(name) - new.t_s[name]) <= 0.5 / fs_hz
        for name, fs_hz in held.fs_hz.items()
    )


def _append(held: Stretch, new: Stretch) -> Stretch:
    joined = {
        name: np.concatenate([samples, new.samples_mmhg[name]])
        for name, samples in held.samples_mmhg.items()
    }
    return Stretch(held.t_s, joined, held.fs_hz)


def _cut(stretch: Stretch, at_s: float) -> tuple[Stretch, Stretch]:
    """Divide each signal at its first sample at or after `at_s`."""
    fs_hz = stretch.fs_hz
    n = {
        name: min(samples.size, _first_at(stretch.t_s[name], fs_hz[name], at_s))
        for name, samples in stretch.samples_mmhg.items()
    }
    rest_t_s = {name: stretch.t_s[name] + n[name] / fs_hz[name] for name in n}
    before = {name: stretch.samples_mmhg[name][: n[name]] for name in n}
    after = {name: stretch.samples_mmhg[name][n[name] :] for name in n}
    return Stretch(stretch.t_s, before, fs_hz), Stretch(rest_t_s, after, fs_hz)


def _first_at(t_s: float, fs_hz: float, at_s: float) -> int:
    return max(0, int(np.ceil((at_s - t_s - TIME_TOLERANCE_S) * fs_hz)))


def reduce(samples_mmhg: Reals, *, t_s: float, fs_hz: float) -> Cells:
    """Reduce samples to cells: one for each second, or one for each slower sample.

    Parameters
    ----------
    samples_mmhg : (n,) mmHg
        NaN where there is no reading.
    t_s : float, s
        Time of the first sample; seconds begin at whole numbers of this clock.
    """
    if fs_hz <= 1:
        return _cells_of_numbers(samples_mmhg, t_s=t_s, fs_hz=fs_hz)
    first_s = np.floor(t_s + TIME_TOLERANCE_S)
    last_s = np.ceil(t_s + samples_mmhg.size / fs_hz - TIME_TOLERANCE_S)
    seconds = np.arange(first_s, last_s)
    starts = np.ceil((seconds - t_s - TIME_TOLERANCE_S) * fs_hz).astype(np.int64).clip(0)
    inside = starts < samples_mmhg.size
    seconds, starts = seconds[inside], starts[inside]
    valid = np.isfinite(samples_mmhg)
    n_valid = np.add.reduceat(valid, starts, dtype=np.int64)
    total = np.add.reduceat(np.where(valid, samples_mmhg, 0.0), starts)
    low = np.minimum.reduceat(np.where(valid, samples_mmhg, np.inf), starts)
    high = np.maximum.reduceat(np.where(valid, samples_mmhg, -np.inf), starts)
    some = n_valid > 0
    return Cells(
        seconds,
        1.0,
        np.diff(starts, append=samples_mmhg.size),
        n_valid,
        missing.divide(total, n_valid, where=some),
        np.where(some, low, np.nan),
        np.where(some, high, np.nan),
    )


def _cells_of_numbers(samples_mmhg: Reals, *, t_s: float, fs_hz: float) -> Cells:
    return Cells(
        t_s + np.arange(samples_mmhg.size) / fs_hz,
        1 / fs_hz,
        np.ones(samples_mmhg.size, np.int64),
        np.isfinite(samples_mmhg).astype(np.int64),
        samples_mmhg,
        samples_mmhg,
        samples_mmhg,
    )
