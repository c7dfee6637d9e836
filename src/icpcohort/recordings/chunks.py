"""What every reader gives: a description, chunks of samples, or the reason why not."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

MAX_FS_HZ = 100_000.0
MAX_CHANNELS = 1_000
MAX_SAMPLES = 10**11  # of one channel; three years at 1 kHz
MAX_DURATION_S = 366 * 86_400.0
MAX_BLOCK_BYTES = 16_000_000  # read at once, of all channels; shorter chunks where it binds

Samples = NDArray[np.float64]


class RecordingError(Exception):
    """A recording that cannot be used.

    Parameters
    ----------
    reason : str
        Short code, for counting.
    detail : str
        "where: what is wrong; what to do", for people.
    """

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason
        self.detail = detail


class Whose(NamedTuple):
    """Of which patient rows are read where a file has those of several, by their column."""

    column: str
    patient_id: str


class Source(NamedTuple):
    """Where a signal lies in a file: channel, unit there, rate, and the declared unit."""

    channel: str
    unit: str
    fs_hz: float
    to_unit: str


@dataclass(frozen=True)
class Description:
    """What a recording is, from its header or the times of its rows.

    `signals` has those of the declared signals that the file has, in their order, at least
    one; `tier` is that of the rate of the first of them.
    `n_duplicate_times` and `n_unordered_times` count rows of CSV and Parquet whose time another
    row has, and rows that stand below a later one. `notes` says what a person may want to look
    at, a line each.
    """

    format: str
    tier: str
    duration_s: float
    signals: Mapping[str, Source]
    n_duplicate_times: int = 0
    n_unordered_times: int = 0
    notes: tuple[str, ...] = ()

    @property
    def fastest_hz(self) -> float:
        """The highest sampling rate of the signals that are there."""
        return max(source.fs_hz for source in self.signals.values())


@dataclass(frozen=True)
class Chunk:
    """A stretch of a recording without a gap in time.

    `start_s` counts from the recording's first sample. `samples` has those of each signal, in
    its declared unit; NaN is a sample without a valid reading and stays inside the signal code.
    `fs_hz` has the same keys.
    """

    start_s: float
    samples: dict[str, Samples]
    fs_hz: dict[str, float]


def tier_of(fs_hz: float) -> str:
    """Return the tier of a sampling rate: waveform, seconds, ten_seconds, minutes or hourly.

    Source: the project's own grouping; 25 Hz is where the ICP pulse can still be analysed.
    """
    if fs_hz >= 25:
        return "waveform"
    interval_s = round(1 / fs_hz, 6)
    if interval_s < 10:
        return "seconds"
    if interval_s < 60:
        return "ten_seconds"
    return "minutes" if interval_s < 3600 else "hourly"


def check_size(where: str, *, fs_hz: float, n_samples: int) -> None:
    """Refuse rates and lengths that no recording has, before anything is allocated.

    Raises
    ------
    RecordingError
        `bad_header` for an absurd rate or length, `empty` without samples.
    """
    if not 0 < fs_hz <= MAX_FS_HZ:
        raise RecordingError(
            "bad_header",
            f"{where}: a sampling rate of {fs_hz:g} Hz; correct the header "
            f"(above 0, at most {MAX_FS_HZ:g} Hz)",
        )
    if n_samples == 0:
        raise RecordingError("empty", f"{where}: no samples; remove it from recordings.csv")
    duration_s = n_samples / fs_hz
    if not (0 < n_samples <= MAX_SAMPLES and duration_s <= MAX_DURATION_S):
        raise RecordingError(
            "bad_header",
            f"{where}: {n_samples} samples at {fs_hz:g} Hz ({duration_s / 86_400:.3g} days) is "
            "no recording of a patient; correct the header",
        )


def samples_in(chunk_s: float, *, fs_hz: float) -> int:
    """Return how many samples (or rows, or frames) fill at most `chunk_s`, and at least one."""
    return max(1, math.floor(chunk_s * fs_hz + 1e-9))
