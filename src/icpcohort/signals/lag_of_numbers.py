"""Lag of numbers: how far ICP is behind ABP where one of them has no waveform.

Numbers once a second keep the breath, and what is left of the pulse. Slow waves, below 0.05 Hz,
are of no use: ICP follows ABP there by seconds, or opposes it, as autoregulation has it.
"""

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from icpcohort.signals import device_lag
from icpcohort.signals.cells import TIME_TOLERANCE_S, Stretch
from icpcohort.signals.device_lag import PART_S, Lag, Reals

MIN_HZ = 1.0
MIN_LAG_S = 5.0  # a smaller one is not told from none
ABOVE_HZ = 0.06
_N_PART = round(PART_S * MIN_HZ)
_EDGE_S = 15.0
Fast = NDArray[np.float32]


class Keeper:
    """Keeps what changes faster than slow waves in one signal, by parts of 10 min.

    Parts are those of the patient's clock. Memory is that of a value a second.
    """

    def __init__(self, signal: str) -> None:
        self._signal = signal
        self._part, self._held = 0, np.full(_N_PART, np.nan)
        self._kept: dict[int, Fast] = {}

    def push(self, stretch: Stretch) -> None:
        """Take a stretch; one with a reading less often than every second is passed over."""
        fs_hz = stretch.fs_hz.get(self._signal, 0.0)
        if fs_hz < MIN_HZ:
            return
        first_s, end_s = stretch.t_s[self._signal], stretch.end_s(self._signal)
        first = int(np.ceil((first_s - 1 / fs_hz + TIME_TOLERANCE_S) * MIN_HZ))
        n = int(np.floor((end_s + TIME_TOLERANCE_S) * MIN_HZ)) - first
        means = device_lag.thin(
            stretch, self._signal, from_s=first / MIN_HZ, n=max(0, n), rate_hz=MIN_HZ
        )
        while means.size:
            part, at = divmod(first, _N_PART)
            if part != self._part:
                self._close(part)
            fitting = means[: _N_PART - at]
            self._held[at : at + fitting.size] = fitting
            first, means = first + fitting.size, means[fitting.size :]

    def finish(self) -> dict[int, Fast]:
        """Return what was kept by number of the part, counted from time zero."""
        self._close(0)
        return self._kept

    def _close(self, part: int) -> None:
        if np.isfinite(self._held).mean() >= device_lag.MIN_VALID:
            self._kept[self._part] = _fast(device_lag.filled(self._held)).astype(np.float32)
        self._part, self._held = part, np.full(_N_PART, np.nan)


def _fast(values: Reals) -> Reals:
    """Return the part of the values above slow waves, without the ends."""
    spectrum = np.fft.rfft(values - values.mean())
    spectrum[np.fft.rfftfreq(values.size, 1 / MIN_HZ) < ABOVE_HZ] = 0
    n_edge = round(_EDGE_S * MIN_HZ)
    return np.asarray(np.fft.irfft(spectrum, values.size)[n_edge:-n_edge])


def between(icp: Mapping[int, Fast], abp: Mapping[int, Fast]) -> Iterator[Lag]:
    """Yield the lag of each part that both have, from what `Keeper` kept of each."""
    for part in sorted(icp.keys() & abp.keys()):
        lag = device_lag.where_they_agree(
            abp[part].astype(np.float64),
            icp[part].astype(np.float64),
            from_s=part * PART_S,
            length_s=PART_S,
            step_s=1 / MIN_HZ,
        )
        yield lag._replace(least_s=MIN_LAG_S)
