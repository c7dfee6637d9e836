"""Device lag: by how much ICP comes after ABP in one recording, from the heart rate of both.

Two devices, or two inputs of one, may have clocks of their own. Where ICP and ABP are out of
step by some seconds, slow waves no longer meet and an index of reactivity falls towards zero.
"""

from collections.abc import Iterator, Mapping
from typing import Any, ClassVar, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.contracts import declared_signals
from icpcohort.signals.cells import MIN_WAVEFORM_HZ, TIME_TOLERANCE_S, Stretch

Reals = NDArray[np.float64]
PART_S = 600.0  # one lag is measured in each part; a shorter one at the end counts from half on
RATE_HZ = 10.0  # means of 0.1 s keep the pulse up to 240 a minute
MAX_LAG_S = 90.0
IN_STEP_S = 1.0  # a smaller lag is not corrected
_NAMES = (declared_signals.ICP, declared_signals.ABP)
_N_PART = round(PART_S * RATE_HZ)
_BAND_HZ = (0.67, 4.0)  # as of AMP: 40 to 240 beats a minute
_HALF_WIDTH_HZ = 0.4  # around the heart rate, in which its changes lie
_SMOOTH_S = 2.0
_STEP = 4  # of the rates at 10 Hz, smoothed over 2 s, each fourth is enough
_EDGE_S = 15.0  # of a part: a filter in frequency joins its two ends
MIN_VALID = 0.8
_MIN_WIDTH_HZ = 0.1
# Of unrelated hearts the best correlation in 10 min was at most 0.40, and at most 0.13 above
# the best elsewhere (450 simulated pairs); of 5 min 0.54 and 0.17.
MIN_CORRELATION = 0.55
MIN_ABOVE_ELSEWHERE = 0.2
_ELSEWHERE_S = 5.0


class Lag(NamedTuple):
    """The lag of a part: where it begins, and its middle.

    One of `least_s` or less cannot be told from none, and is not clear.
    """

    from_s: float
    t_s: float
    lag_s: float
    correlation: float
    elsewhere: float
    least_s: float = 0.0

    @property
    def is_clear(self) -> bool:
        """Whether the correlation is high, and higher than 5 s or more away."""
        above = self.correlation - self.elsewhere
        is_high = self.correlation >= MIN_CORRELATION and above >= MIN_ABOVE_ELSEWHERE
        return is_high and abs(self.lag_s) >= self.least_s


class Follower:
    """Gathers the means of 0.1 s of both waveforms, and measures the lag of each part.

    Memory is that of one part.
    """

    def __init__(self) -> None:
        self._held = np.empty((2, 0))  # ICP and ABP
        self._from_s = self._to_s = np.nan

    def push(self, stretch: Stretch) -> Iterator[Lag]:
        """Take a stretch and yield the lag of each part that is now whole."""
        if min(stretch.fs_hz.get(name, 0.0) for name in _NAMES) < MIN_WAVEFORM_HZ:
            return
        from_s = max(stretch.t_s[name] for name in _NAMES)
        to_s = min(stretch.end_s(name) for name in _NAMES)
        if not abs(from_s - self._to_s) <= 1 / RATE_HZ:
            yield from self.finish()
            self._from_s = from_s
        n = max(0, int((to_s - from_s) * RATE_HZ + TIME_TOLERANCE_S))
        new = [thin(stretch, name, from_s=from_s, n=n) for name in _NAMES]
        self._held, self._to_s = np.hstack([self._held, new]), to_s
        while self._held.shape[1] >= _N_PART:
            yield from _measured(*self._held[:, :_N_PART], from_s=self._from_s)
            self._held = self._held[:, _N_PART:]
            self._from_s += PART_S

    def finish(self) -> Iterator[Lag]:
        """Yield the lag of what is held, unless it is too short or has too few readings."""
        held, self._held = self._held, np.empty((2, 0))
        if held.shape[1] >= _N_PART / 2:
            yield from _measured(*held, from_s=self._from_s)


Rates = NDArray[np.float32]


class Keeper:
    """Keeps how the rate of one pulse changes, for the lag behind a pulse of another file.

    Parts are 10 min of the patient's clock, so that those of two files meet. Memory is that
    of one part, and of 2.5 values a second. `min_hz` is the least rate of a signal that is
    looked at, `rate_hz` that of the means which a part is made of.
    """

    min_hz: ClassVar[float] = MIN_WAVEFORM_HZ
    rate_hz: ClassVar[float] = RATE_HZ

    def __init__(self, signal: str) -> None:
        self._signal = signal
        self._n_part = round(PART_S * self.rate_hz)
        self._part, self._held = 0, np.full(self._n_part, np.nan)
        self._kept: dict[int, Rates] = {}

    def push(self, stretch: Stretch) -> None:
        """Take a stretch; one in which the signal is sampled less often is passed over."""
        fs_hz, rate_hz = stretch.fs_hz.get(self._signal, 0.0), self.rate_hz
        if fs_hz < self.min_hz:
            return
        first_s, end_s = stretch.t_s[self._signal], stretch.end_s(self._signal)
        first = int(np.ceil((first_s - 1 / fs_hz + TIME_TOLERANCE_S) * rate_hz))
        n = max(0, int(np.floor((end_s + TIME_TOLERANCE_S) * rate_hz)) - first)
        means = thin(stretch, self._signal, from_s=first / rate_hz, n=n, rate_hz=rate_hz)
        while means.size:
            part, at = divmod(first, self._n_part)
            if part != self._part:
                self._close(part)
            fitting = means[: self._n_part - at]
            self._held[at : at + fitting.size] = fitting
            first, means = first + fitting.size, means[fitting.size :]

    def finish(self) -> dict[int, Rates]:
        """Return what was kept by number of the part, counted from time zero."""
        self._close(0)
        return self._kept

    def _close(self, part: int) -> None:
        if np.isfinite(self._held).mean() >= MIN_VALID:
            kept = self.of_part(filled(self._held))
            if kept is not None:
                self._kept[self._part] = kept.astype(np.float32)
        self._part, self._held = part, np.full(self._n_part, np.nan)

    def of_part(self, values: Reals) -> Reals | None:
        """Return how the heart rate changes in the means of a part; None without a pulse."""
        heart_hz = _heart_hz(values)
        return None if heart_hz is None else _rate(values, heart_hz)


def between(icp: Mapping[int, Rates], abp: Mapping[int, Rates]) -> Iterator[Lag]:
    """Yield the lag of each part that two files share, from what `Keeper` kept of each."""
    for part in sorted(icp.keys() & abp.keys()):
        rates = (abp[part].astype(np.float64), icp[part].astype(np.float64))
        yield where_they_agree(*rates, from_s=part * PART_S, length_s=PART_S)


def thin(
    stretch: Stretch, name: str, *, from_s: float, n: int, rate_hz: float = RATE_HZ
) -> Reals:
    """Return `n` successive means of 0.1 s, or of a rate, NaN where a reading is missing."""
    samples, fs_hz = stretch.samples[name], stretch.fs_hz[name]
    edges_s = from_s - stretch.t_s[name] + np.arange(n + 1) / rate_hz
    edges = np.ceil((edges_s - TIME_TOLERANCE_S) * fs_hz).astype(np.int64)
    edges = edges.clip(0, samples.size)
    counts = np.diff(edges)
    if not n or not counts.all():
        return np.full(n, np.nan)
    if (counts == counts[0]).all():
        return np.asarray(samples[edges[0] : edges[-1]].reshape(n, -1).mean(axis=1))
    return np.asarray(np.add.reduceat(samples[: edges[-1]], edges[:-1]) / counts)


def _measured(icp: Reals, abp: Reals, *, from_s: float) -> Iterator[Lag]:
    """Yield the lag of two series of 0.1-s means, if both show a pulse at one rate."""
    if min(np.isfinite(icp).mean(), np.isfinite(abp).mean()) < MIN_VALID:
        return
    icp, abp = filled(icp), filled(abp)
    heart_hz = _heart_hz(abp)
    if heart_hz is None:
        return
    yield where_they_agree(
        *(_rate(values, heart_hz) for values in (abp, icp)),
        from_s=from_s,
        length_s=icp.size / RATE_HZ,
    )


def where_they_agree(
    abp: Reals,
    icp: Reals,
    *,
    from_s: float,
    length_s: float,
    step_s: float = _STEP / RATE_HZ,
) -> Lag:
    """Return the lag at which two series of one step agree best, such as two heart rates."""
    correlations = _correlations(abp, icp, most=round(MAX_LAG_S / step_s))
    at = int(np.argmax(correlations))
    lags_s = (np.arange(correlations.size) - correlations.size // 2) * step_s
    elsewhere = correlations[np.abs(lags_s - lags_s[at]) >= _ELSEWHERE_S]
    return Lag(
        from_s,
        from_s + length_s / 2,
        float(lags_s[at] + _beside(correlations, at) * step_s),
        float(correlations[at]),
        float(elsewhere.max()),
    )


def filled(values: Reals) -> Reals:
    """Return values with straight lines in place of those that are missing."""
    known = np.flatnonzero(np.isfinite(values))
    return np.interp(np.arange(values.size), known, values[known])


def _heart_hz(values: Reals) -> float | None:
    """Return where the spectrum is highest in the band, over a tenth of 1 Hz; None if flat."""
    power = np.abs(np.fft.rfft((values - values.mean()) * np.hanning(values.size))) ** 2
    frequency_hz = np.fft.rfftfreq(values.size, 1 / RATE_HZ)
    width = max(1, round(_MIN_WIDTH_HZ * values.size / RATE_HZ))
    power = np.convolve(power, np.ones(width) / width, "same")
    band = (frequency_hz >= _BAND_HZ[0]) & (frequency_hz <= _BAND_HZ[1])
    best = np.flatnonzero(band)[np.argmax(power[band])]
    return float(frequency_hz[best]) if power[best] > 0 else None


def _rate(values: Reals, heart_hz: float) -> Reals:
    """Return how the rate of the pulse changes [Hz], its slope of phase near the heart rate."""
    frequency_hz = np.fft.fftfreq(values.size, 1 / RATE_HZ)
    away = np.abs(frequency_hz - heart_hz) / _HALF_WIDTH_HZ
    weight = np.where((frequency_hz > 0) & (away < 1), np.cos(np.pi / 2 * away) ** 2, 0.0)
    wave = np.fft.ifft(np.fft.fft(values - values.mean()) * weight)
    slope_hz = np.angle(wave[1:] * np.conj(wave[:-1])) * RATE_HZ / (2 * np.pi)
    n_smooth, n_edge = round(_SMOOTH_S * RATE_HZ), round(_EDGE_S * RATE_HZ)
    smooth = np.convolve(slope_hz, np.ones(n_smooth) / n_smooth, "same")[n_edge:-n_edge:_STEP]
    smooth = smooth - np.median(smooth)
    most = 6 * np.median(np.abs(smooth))  # about four standard deviations: outliers end here
    return np.asarray(smooth.clip(-most, most))


def _correlations(abp: Reals, icp: Reals, *, most: int) -> Reals:
    """Return Pearson's correlation at each lag of ICP behind ABP, up to `most` steps."""
    n = abp.size
    n_transform = 1 << int(np.ceil(np.log2(2 * n)))
    lags = np.arange(-most, most + 1)

    def sums(first: Reals, second: Reals) -> Reals:
        product = np.conj(np.fft.rfft(first, n_transform)) * np.fft.rfft(second, n_transform)
        return np.asarray(np.fft.irfft(product, n_transform)[lags])

    ones = np.ones(n)
    count, of_abp, of_icp = sums(ones, ones), sums(abp, ones), sums(ones, icp)
    covariance = sums(abp, icp) - of_abp * of_icp / count
    variances = (
        sums(abp**2, ones) - of_abp**2 / count,
        sums(ones, icp**2) - of_icp**2 / count,
    )
    scale = np.sqrt(np.maximum(variances[0], 0) * np.maximum(variances[1], 0))
    return np.where(scale > 0, covariance / np.where(scale > 0, scale, 1), 0.0)


def _beside(values: Reals, at: int) -> float:
    """Return how far from a maximum its parabola through three values has its own, in steps."""
    if not 0 < at < values.size - 1:
        return 0.0
    before, highest, after = values[at - 1 : at + 2]
    bend = before - 2 * highest + after
    return float(0.5 * (before - after) / bend) if bend < 0 else 0.0


PAIR = ("recording_id", "abp_recording_id")
_VALUES = ("lag_s", "drift_s_per_h", "corrected_s")


def of_recordings(lags: pl.DataFrame) -> pl.DataFrame:
    """Return the lag of each recording or pair, and how it changes, from its clear parts.

    Parameters
    ----------
    lags : contracts.LAGS

    Returns
    -------
    DataFrame
        One row per recording, or pair of them, with a lag: patient_id, recording_id,
        abp_recording_id, n_parts, n_clear, lag_s (median; null without a clear part),
        drift_s_per_h (null with fewer than three clear parts), corrected_s.

    Source: median and the median of slopes between all pairs (Theil 1950; Sen 1968, from
    memory), which single wrong parts do not move.
    """
    rows = []
    for names, parts in lags.group_by(PAIR, maintain_order=True):
        clear = parts.filter("is_clear")
        t_s, lag_s = (clear[name].to_numpy() for name in ("t_s", "lag_s"))
        rows.append(
            (
                parts["patient_id"][0],
                *names,
                parts.height,
                clear.height,
                clear["lag_s"].median(),
                _drift_s_per_h(t_s, lag_s),
                parts["corrected_s"][0],
            )
        )
    names_of_rows = ("patient_id", *PAIR, "n_parts", "n_clear", *_VALUES)
    types = [*[pl.String()] * 3, *[pl.Int64()] * 2, *[pl.Float64()] * len(_VALUES)]
    schema = dict(zip(names_of_rows, types, strict=True))
    return pl.DataFrame(rows, schema=schema, orient="row")


def _drift_s_per_h(t_s: Reals, lag_s: Reals) -> float | None:
    if t_s.size < 3:
        return None
    first, second = np.triu_indices(t_s.size, 1)
    return float(np.median((lag_s[second] - lag_s[first]) / (t_s[second] - t_s[first])) * 3600)


def methods_sentence(*, declared: Mapping[str, Any]) -> str:
    """Return the report's sentence for `Follower`; empty without ICP and ABP."""
    signals = declared_signals.recorded(declared)
    if not set(_NAMES) <= set(signals):
        return ""
    icp, abp = (signals[name]["label"] for name in _NAMES)
    corrected = _corrected_words(declared.get("trends", {}), icp)
    return (
        f"Where both had waveforms, the lag of {icp} behind {abp} was measured in each"
        f" {PART_S / 60:g} min, up to {MAX_LAG_S:g} s either way, as that at which the changes"
        " of the heart rate in both agree best; it is clear with a correlation of"
        f" {MIN_CORRELATION:g} or more, {MIN_ABOVE_ELSEWHERE:g} or more above any elsewhere"
        " (own choice, by simulation). Where one had numbers alone, at least every second, it"
        f" was that of their changes above 0.06 Hz, clear from 5 s on. {corrected}"
    )


def _corrected_words(trends: Mapping[str, Any], icp: str) -> str:
    if trends.get("correct_lag", "none") == "none":
        return "It was not corrected."
    return (
        f"Where the middle nine tenths of a recording's clear lags lay within"
        f" {trends['max_lag_s']:g} s, at least three, and their median was over"
        f" {IN_STEP_S:g} s, it was taken from the times of {icp}; other lags were not"
        " corrected."
    )
