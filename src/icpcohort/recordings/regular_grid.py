"""The regular grid of one stretch without a long gap, filled as rows come."""

from collections.abc import Iterator, Mapping

import numpy as np

from icpcohort.recordings.chunks import Chunk, Samples
from icpcohort.recordings.sampling import N_FIRST_ROWS


class Grid:
    """Lays rows on intervals; readings that share one are averaged, none is missing (NaN).

    A time stamp marks the start of its interval and may lie up to half an interval from it.
    `n_shared` counts rows whose interval another row of a different time has already taken.
    """

    def __init__(
        self, t_s: Samples, *, fs_hz: float, n_in_chunk: int, signals: tuple[str, ...]
    ) -> None:
        self.start_s, self.fs_hz, self.n_in_chunk = float(t_s[0]), fs_hz, n_in_chunk
        self.signals, self.n_shared = signals, 0
        self._last_slot, self._first_slot, self._last_s = -1, 0, np.nan
        turns = np.exp(2j * np.pi * fs_hz * (t_s[:N_FIRST_ROWS] - self.start_s))
        self._phase = float(np.angle(turns.mean()) / (2 * np.pi))  # first row's own jitter
        self._open()

    def _open(self) -> None:
        self._sums = {signal: np.zeros(0) for signal in self.signals}
        self._counts = {signal: np.zeros(0) for signal in self.signals}

    def _reach(self, n: int) -> None:
        """Make room for n intervals in the open chunk."""
        for sums in (self._sums, self._counts):
            for signal in self.signals:
                sums[signal] = np.append(sums[signal], np.zeros(max(0, n - len(sums[signal]))))

    def _chunk(self, n: int) -> Chunk:
        self._reach(n)
        with np.errstate(invalid="ignore"):  # 0 / 0 is missing
            samples = {
                signal: self._sums[signal][:n] / self._counts[signal][:n]
                for signal in self.signals
            }
        start_s = self.start_s + self._first_slot / self.fs_hz
        return Chunk(start_s, samples, dict.fromkeys(self.signals, self.fs_hz))

    def add(self, t_s: Samples, values: Mapping[str, Samples]) -> Iterator[Chunk]:
        """Place rows in the order of time and yield the chunks that are full."""
        slots = np.rint((t_s - self.start_s) * self.fs_hz - self._phase).astype(np.int64)
        other_time = np.diff(t_s, prepend=self._last_s) != 0
        self.n_shared += int(
            (other_time & (np.diff(slots, prepend=self._last_slot) == 0)).sum()
        )
        self._last_slot, self._last_s = int(slots[-1]), float(t_s[-1])
        begin = 0
        while begin < len(slots):
            if slots[begin] >= self._first_slot + self.n_in_chunk:
                yield self._chunk(self.n_in_chunk)
                self._first_slot += self.n_in_chunk
                self._open()
            end = int(np.searchsorted(slots, self._first_slot + self.n_in_chunk))
            places = slots[begin:end] - self._first_slot
            n = int(places[-1]) + 1 if len(places) else 0
            self._reach(n)
            for signal in self.signals:
                v = values[signal][begin:end]
                valid = np.isfinite(v)
                self._sums[signal][:n] += np.bincount(places[valid], v[valid], n)
                self._counts[signal][:n] += np.bincount(places[valid], minlength=n)
            begin = end

    def rest(self) -> Chunk:
        """Return what is left when the stretch ends."""
        return self._chunk(self._last_slot + 1 - self._first_slot)
