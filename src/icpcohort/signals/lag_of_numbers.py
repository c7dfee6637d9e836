"""Lag of numbers: how far ICP is behind ABP where one of them has no waveform.

Numbers once a second keep the breath, and what is left of the pulse. Slow waves, below 0.05 Hz,
are of no use: ICP follows ABP there by seconds, or opposes it, as autoregulation has it.
"""

from collections.abc import Iterator, Mapping
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from icpcohort.signals import device_lag
from icpcohort.signals.device_lag import PART_S, Lag, Reals

MIN_HZ = 1.0
MIN_LAG_S = 5.0  # a smaller one is not told from none
ABOVE_HZ = 0.06
_EDGE_S = 15.0
Fast = NDArray[np.float32]


class Keeper(device_lag.Keeper):
    """Keeps what changes faster than slow waves in one signal, by parts of 10 min.

    Memory is that of a value a second.
    """

    min_hz: ClassVar[float] = MIN_HZ
    rate_hz: ClassVar[float] = MIN_HZ

    def of_part(self, values: Reals) -> Reals:
        """Return what is faster than slow waves in the numbers of a part."""
        return _fast(values)


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
