"""Suspicion: what in a whole recording is hard to believe, and the signals as they are read."""

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

Reals = NDArray[np.float64]
S_PER_H = 3_600.0
LEAVE_OUT = "or leave the recording out in left_out.csv with a reason"


class Suspicion(NamedTuple):
    """What was seen, where, and what to look at; `recording_id` is empty of a whole patient."""

    recording_id: str
    kind: str
    signal: str
    from_s: float
    to_s: float
    seen: str
    look_at: str


class Course(NamedTuple):
    """One signal of one recording as it stands in the file, one entry per minute.

    `width_s` is the time that an entry stands for, `pulse` is NaN for numbers.
    """

    recording_id: str
    signal: str
    t_s: Reals
    width_s: Reals
    level: Reals
    pulse: Reals

    @property
    def label(self) -> str:
        """What a sentence calls the signal."""
        return self.signal.upper()

    @property
    def hours(self) -> float:
        """Time with a reading."""
        return float(self.width_s.sum()) / S_PER_H

    @property
    def median(self) -> float:
        """Median level."""
        return float(np.median(self.level))

    @property
    def median_pulse(self) -> float:
        """Median height of the pulse; NaN for numbers."""
        known = self.pulse[np.isfinite(self.pulse)]
        return float(np.median(known)) if known.size else float("nan")

    @property
    def has_pulse(self) -> bool:
        """Whether this is a waveform."""
        return bool(np.isfinite(self.pulse).any())

    @property
    def from_s(self) -> float:
        """Begin of the first minute with a reading."""
        return float(self.t_s[0])

    @property
    def to_s(self) -> float:
        """End of the last minute with a reading."""
        return float(self.t_s[-1] + max(60.0, self.width_s[-1]))

    def spread(self, low: float = 10, high: float = 90) -> float:
        """Return the span of the levels between two percentiles."""
        first, last = np.percentile(self.level, [low, high])
        return float(last - first)

    def suspect(self, kind: str, seen: str, look_at: str) -> Suspicion:
        """Return a suspicion of this signal, over all of its time."""
        return Suspicion(
            self.recording_id, kind, self.signal, self.from_s, self.to_s, seen, look_at
        )

    def medians(self, factor: float = 1.0) -> str:
        """Return level and pulse in words, times a factor."""
        level = f"{factor * self.median:.1f} mmHg"
        pulse = f" with a pulse of {factor * self.median_pulse:.1f} mmHg"
        return level + (pulse if self.has_pulse else "")


def courses(raw: pl.DataFrame) -> list[Course]:
    """Return every signal of every recording.

    Parameters
    ----------
    raw : DataFrame
        The columns of `raw_minutes.SCHEMA`, and `recording_id`.
    """
    by = ["recording_id", "signal"]
    return [
        Course(str(recording_id), str(signal), *_arrays(part.sort("t_s")))
        for (recording_id, signal), part in raw.group_by(by, maintain_order=True)
    ]


def _arrays(part: pl.DataFrame) -> Iterable[Reals]:
    for name in ("t_s", "width_s", "level", "pulse"):
        yield part[name].fill_null(float("nan")).to_numpy()
