"""Pulse: amplitude and rate of the fundamental of the ICP pulse wave (AMP)."""

import functools
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]


class Fundamental(NamedTuple):
    """One value a block; NaN where a block has no fundamental."""

    amplitude_mmhg: Reals
    rate_hz: Reals


def fundamental(
    blocks_mmhg: Reals, *, fs_hz: float, min_hz: float, max_hz: float, method: str
) -> Fundamental:
    """Find the largest harmonic of each block between `min_hz` and `max_hz`.

    Parameters
    ----------
    blocks_mmhg : (n_blocks, n_samples) mmHg
        A block with a NaN gives NaN.
    method : {"interpolated", "hann", "rectangular"}
        "interpolated" corrects the leakage of a frequency between two lines of the
        spectrum; the plain spectra read up to 15 % ("hann") or 36 % ("rectangular") low.

    Returns
    -------
    Fundamental
        Zero-to-peak amplitude and rate. NaN where the largest line lies at an edge of the
        band, which is then the flank of something outside it, or the block is constant.

    Source: AMP is the amplitude of the fundamental of the cardiac component of ICP
    (Czosnyka 1996, Acta Neurochir 138:531-542, citation from memory). Interpolation between
    the lines of a Hann spectrum: Grandke 1983, IEEE Trans Instrum Meas 32:350-355 (from
    memory).
    """
    n = blocks_mmhg.shape[1]
    hz = np.fft.rfftfreq(n, 1 / fs_hz)
    low, high = np.searchsorted(hz, [min_hz - 1e-9, max_hz + 1e-9])
    low, high = max(low, 1), min(high, hz.size - 1)
    if low >= high:
        nothing = np.full(blocks_mmhg.shape[0], np.nan)
        return Fundamental(nothing, nothing)
    lines = _lines(blocks_mmhg, first=int(low) - 1, last=int(high), method=method)
    place = 1 + np.argmax(lines[:, 1:-1], axis=1)
    rows = np.arange(place.size)
    peak, left, right = (lines[rows, place + side] for side in (0, -1, 1))
    is_peak = (peak >= left) & (peak >= right) & (peak > 1e-9)
    shift, gain = (
        _between_lines(peak, left, right)
        if method == "interpolated"
        else (0.0 * peak, 1.0 + 0.0 * peak)
    )
    return Fundamental(
        np.where(is_peak, peak * gain, np.nan),
        np.where(is_peak, (low - 1 + place + shift) * fs_hz / n, np.nan),
    )


def _lines(blocks_mmhg: Reals, *, first: int, last: int, method: str) -> Reals:
    """Return the amplitudes of the lines `first` to `last` of each block's spectrum.

    A few lines cost less as one product with their sines than a transform that gives all.
    """
    sines = _sines(blocks_mmhg.shape[1], first, last, method)
    found = blocks_mmhg @ sines
    n_lines = last - first + 1
    return np.asarray(np.hypot(found[:, :n_lines], found[:, n_lines:]))


@functools.lru_cache(maxsize=8)
def _sines(n: int, first: int, last: int, method: str) -> Reals:
    """Return tapered cosines and sines of the lines, blind to what is taken off a block first.

    That is its mean and, of "interpolated", its straight line, so that a slow wave does not
    leak into the band: taken off the sines instead, which are the same for all blocks.
    """
    turns = 2 * np.pi * np.arange(n) / n
    taper = np.ones(n) if method == "rectangular" else 0.5 - 0.5 * np.cos(turns)
    waves = turns[:, None] * np.arange(first, last + 1)
    sines = np.hstack([np.cos(waves), np.sin(waves)]) * (2 / taper.sum() * taper)[:, None]
    sines -= sines.mean(axis=0)
    if method == "interpolated":
        centred = np.arange(n) - (n - 1) / 2
        sines -= np.outer(centred, centred @ sines / (centred @ centred))
    sines.flags.writeable = False
    kept: Reals = sines
    return kept


def _between_lines(peak: Reals, left: Reals, right: Reals) -> tuple[Reals, Reals]:
    """Return how far from its line a peak lies, in lines, and what its height lacks."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.maximum(left, right) / peak
    size = np.clip((2 * ratio - 1) / (ratio + 1), 0.0, 0.5)
    gain = (1 - size**2) / np.sinc(size)
    return np.where(right >= left, size, -size), gain


def methods_sentence(*, min_hz: float, max_hz: float, method: str) -> str:
    """Return the report's sentence for `fundamental`, from the same settings."""
    how = {
        "interpolated": "interpolated between the lines of a Hann spectrum",
        "hann": "the highest line of a Hann spectrum, not corrected for leakage",
        "rectangular": "the highest line of a plain spectrum, not corrected for leakage",
    }[method]
    return (
        "The pulse amplitude of ICP (AMP) was the zero-to-peak amplitude of its fundamental"
        f" between {min_hz * 60:.0f} and {max_hz * 60:.0f} beats a minute, {how};"
        " it needs a waveform of 25 Hz or more and every sample of its 10 s."
    )
