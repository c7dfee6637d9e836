"""Pulse: amplitude and rate of the fundamental of the ICP pulse wave (AMP)."""

import functools
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from icpcohort.signals.trend_settings import Settings

Reals = NDArray[np.float64]
_CLEAR_TIMES = 8.0  # the median line: noise reaches 3 times it, a slow wander mostly 6
_SHARE_OF_HIGHEST = 0.5
_LEAST_MMHG = 1e-9


class Fundamental(NamedTuple):
    """One value per block; NaN where a block has no fundamental."""

    amplitude_mmhg: Reals
    rate_hz: Reals


class Spectrum(NamedTuple):
    """The lines of each block's spectrum, zero to peak, and their rates.

    `lines_mmhg` is (n_blocks, n_lines), `hz` (n_lines,); a block with a NaN has none.
    """

    lines_mmhg: Reals
    hz: Reals
    method: str


def spectrum(blocks_mmhg: Reals, *, fs_hz: float, up_to_hz: float, method: str) -> Spectrum:
    """Return the spectrum of each block, as far as it is asked for.

    Parameters
    ----------
    blocks_mmhg : (n_blocks, n_samples) mmHg
        A block with a NaN gives NaN.
    up_to_hz : float, Hz
        The lines to the first beyond it.
    method : {"interpolated", "hann", "rectangular"}
        "interpolated" corrects the leakage of a frequency between two lines of the
        spectrum; the plain spectra read up to 15 % ("hann") or 36 % ("rectangular") low.
    """
    n = blocks_mmhg.shape[1]
    hz = np.asarray(np.fft.rfftfreq(n, 1 / fs_hz), np.float64)
    last = min(int(np.searchsorted(hz, up_to_hz + 1e-9, side="right")), hz.size - 1)
    lines = _lines(blocks_mmhg, n_lines=last + 1, method=method)
    return Spectrum(lines, hz[: last + 1], method)


def highest(spectrum: Spectrum, *, min_hz: float, max_hz: float) -> Fundamental:
    """Return the highest line of each block between `min_hz` and `max_hz`.

    Returns
    -------
    Fundamental
        Zero-to-peak amplitude and rate. NaN where the highest line lies at an edge of the
        band, which is then the flank of something outside it, or the block is constant.

    Source: AMP is the amplitude of the fundamental of the cardiac component of ICP (Czosnyka
    1996). Interpolation between the lines of a Hann spectrum: Grandke 1983.
    """
    band = _band(spectrum, min_hz=min_hz, max_hz=max_hz)
    if band.start >= band.stop:
        return _nothing(spectrum)
    inside = np.nan_to_num(spectrum.lines_mmhg[:, band])
    return _at(spectrum, band.start + np.argmax(inside, axis=1))


def near(spectrum: Spectrum, *, rate_hz: Reals, tolerance_hz: float) -> Fundamental:
    """Return the highest line of each block within `tolerance_hz` of its own `rate_hz`.

    Parameters
    ----------
    rate_hz : (n_blocks,) Hz
        The heart rate that ABP shows; NaN where it shows none.
    tolerance_hz : float, Hz
        At least half of the distance between two lines is taken, so that one is inside.

    Returns
    -------
    Fundamental
        NaN where no peak lies there: the rise of a breath's harmonic is not one.

    Source: that harmonics of the ventilator's rate are mistaken for the heart, and that the
    spectrum of ABP tells them apart: reviews of ICP processing (from memory).
    """
    known = np.isfinite(rate_hz)
    if spectrum.hz.size < 3 or not known.any():
        return _nothing(spectrum)
    within_hz = max(tolerance_hz, spectrum.hz[1] / 2) + 1e-9
    last = np.searchsorted(spectrum.hz, rate_hz[known].max() + within_hz, side="right")
    last = min(int(last), spectrum.hz.size - 1)
    allowed = np.abs(spectrum.hz[1:last] - rate_hz[:, None]) <= within_hz
    inside = np.where(allowed, np.nan_to_num(spectrum.lines_mmhg[:, 1:last]), -1.0)
    peaks = _at(spectrum, 1 + np.argmax(inside, axis=1))
    seen = known & allowed.any(axis=1)
    return Fundamental(*(np.where(seen, values, np.nan) for values in peaks))


def heart_rate_hz(spectrum: Spectrum, *, min_hz: float, max_hz: float) -> Reals:
    """Return the rate of an arterial pulse where its fundamental is clear, else NaN.

    The fundamental is the lowest peak of the band that reaches half of the highest line, so
    that a strong overtone is not taken for it. Clear: the highest line is a peak, and at
    least 8 times the median line of the band.

    Source: own choice.
    """
    band = _band(spectrum, min_hz=min_hz, max_hz=max_hz)
    if band.start >= band.stop:
        return _nothing(spectrum).rate_hz
    lines = spectrum.lines_mmhg[:, band]
    rows, top = np.arange(lines.shape[0]), np.argmax(np.nan_to_num(lines), axis=1)
    most = lines[rows, top]
    before = spectrum.lines_mmhg[:, band.start - 1 : band.stop - 1]
    after = spectrum.lines_mmhg[:, band.start + 1 : band.stop + 1]
    peaks = (lines >= before) & (lines >= after)
    clear = peaks[rows, top] & (most >= _CLEAR_TIMES * np.median(lines, axis=1))
    lowest = np.argmax(peaks & (lines >= _SHARE_OF_HIGHEST * most[:, None]), axis=1)
    return np.where(clear, _at(spectrum, band.start + lowest).rate_hz, np.nan)


def _band(spectrum: Spectrum, *, min_hz: float, max_hz: float) -> slice:
    """Return the lines of a band that have a neighbour on both sides."""
    low, high = np.searchsorted(spectrum.hz, [min_hz - 1e-9, max_hz + 1e-9])
    return slice(max(int(low), 1), min(int(high), spectrum.hz.size - 1))


def _nothing(spectrum: Spectrum) -> Fundamental:
    nothing = np.full(spectrum.lines_mmhg.shape[0], np.nan)
    return Fundamental(nothing, nothing)


def _at(spectrum: Spectrum, top: NDArray[np.int64]) -> Fundamental:
    """Return the peak at one line of each block; NaN where that line is no peak."""
    lines, rows = spectrum.lines_mmhg, np.arange(top.size)
    peak, left, right = lines[rows, top], lines[rows, top - 1], lines[rows, top + 1]
    is_peak = (peak >= left) & (peak >= right) & (peak > _LEAST_MMHG)
    shift, gain = (
        _between_lines(peak, left, right)
        if spectrum.method == "interpolated"
        else (0.0 * peak, 1.0 + 0.0 * peak)
    )
    return Fundamental(
        np.where(is_peak, peak * gain, np.nan),
        np.where(is_peak, (top + shift) * spectrum.hz[1], np.nan),
    )


def _lines(blocks_mmhg: Reals, *, n_lines: int, method: str) -> Reals:
    """Return the amplitudes of the first lines of each block's spectrum.

    A few lines cost less as one product with their sines than a transform that gives all.
    """
    sums = blocks_mmhg @ _sines(blocks_mmhg.shape[1], n_lines, method)
    return np.asarray(np.hypot(sums[:, :n_lines], sums[:, n_lines:]))


@functools.lru_cache(maxsize=8)
def _sines(n: int, n_lines: int, method: str) -> Reals:
    """Return tapered cosines and sines of the lines, without what is taken off a block first.

    That is its mean and, of "interpolated", its straight line, so that a slow wave does not
    leak into the band: taken off the sines instead, which are the same for all blocks.
    """
    turns = 2 * np.pi * np.arange(n) / n
    taper = np.ones(n) if method == "rectangular" else 0.5 - 0.5 * np.cos(turns)
    waves = turns[:, None] * np.arange(n_lines)
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


def methods_sentence(settings: Settings) -> str:
    """Return the report's sentences for AMP."""
    how = {
        "interpolated": "interpolated between the lines of a Hann spectrum (Grandke 1983)",
        "hann": "the highest line of a Hann spectrum, not corrected for leakage",
        "rectangular": "the highest line of a plain spectrum, not corrected for leakage",
    }[settings.amplitude_method]
    heart = {
        "abp": (
            " Where the ABP of the same block was valid and had a clear fundamental, AMP was"
            f" the peak of ICP within {settings.pulse_tolerance_hz:g} Hz of that rate, so that"
            " a harmonic of the breath was not taken for the heart, and missing where there"
            " was no such peak; elsewhere it was the highest peak of ICP alone."
        ),
        "icp": " It was not compared with the pulse of ABP.",
    }[settings.pulse_rate_from]
    return (
        "The pulse amplitude of ICP (AMP; Czosnyka 1996) was the zero-to-peak amplitude of its"
        f" fundamental between {settings.pulse_min_hz * 60:.0f} and"
        f" {settings.pulse_max_hz * 60:.0f} beats a minute, {how}; it needs a waveform of 25 Hz"
        f" or more and every sample of its 10 s.{heart}"
    )
