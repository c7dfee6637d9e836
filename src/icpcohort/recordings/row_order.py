"""Rows put in the order of time within a bounded look-back, and what was out of order."""

from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from icpcohort.recordings.chunks import RecordingError, Samples

LOOK_BACK_ROWS = 65_536
MAX_CONTRADICTIONS = 60


class Rows(NamedTuple):
    """Some rows of a file: times, numbers of rows, values by column; NaN is missing."""

    t_s: Samples
    number: NDArray[np.int64]
    values: dict[str, Samples]

    def take(self, which: slice | NDArray[np.int64]) -> "Rows":
        """Return some of the rows."""
        values = {name: column[which] for name, column in self.values.items()}
        return Rows(self.t_s[which], self.number[which], values)


def in_order(batches: Iterable[Rows], *, where: str) -> Iterator[Rows]:
    """Yield all rows in the order of time, rows of one time in the order of the file.

    A row may come up to 65,536 rows too late. One pass; memory does not grow with length.

    Raises
    ------
    RecordingError
        `bad_times` for a row that comes later than that.
    """
    held: list[Rows] = []
    n_held, last_s = 0, -np.inf
    for rows in batches:
        late = np.flatnonzero(rows.t_s < last_s)
        if len(late):
            i = int(late[0])
            raise RecordingError(
                "bad_times",
                f"{where}, row {rows.number[i]}: {last_s - rows.t_s[i]:.6g} s or more before "
                f"rows that stand more than {LOOK_BACK_ROWS} rows above it; sort the rows by "
                "time or, if the clock was set back there, split the file",
            )
        held.append(rows)
        n_held += len(rows.t_s)
        if n_held >= 2 * LOOK_BACK_ROWS:
            n_done = n_held - LOOK_BACK_ROWS
            ordered = _sorted(held)
            yield ordered.take(slice(n_done))
            last_s = ordered.t_s[n_done - 1]
            # copied, else a view keeps all of the ordered rows
            held, n_held = [ordered.take(np.arange(n_done, n_held))], LOOK_BACK_ROWS
            del ordered
    if held:
        yield _sorted(held)


def _sorted(parts: list[Rows]) -> Rows:
    rows = _joined(parts)
    if (rows.t_s[1:] < rows.t_s[:-1]).any():
        return rows.take(np.argsort(rows.t_s, kind="stable"))
    return rows


def _joined(parts: list[Rows]) -> Rows:
    return Rows(
        np.concatenate([part.t_s for part in parts]),
        np.concatenate([part.number for part in parts]),
        {name: np.concatenate([p.values[name] for p in parts]) for name in parts[0].values},
    )


class Disorder:
    """Counts rows that stand below a later one, while they pass in the order of the file."""

    def __init__(self) -> None:
        self.n_unordered, self._latest_s = 0, -np.inf

    def watch(self, batches: Iterable[Rows]) -> Iterator[Rows]:
        """Pass the rows on and count."""
        for rows in batches:
            latest_s = np.maximum.accumulate(np.append(self._latest_s, rows.t_s))
            self.n_unordered += int((rows.t_s < latest_s[:-1]).sum())
            self._latest_s = latest_s[-1]
            yield rows


class Contradictions:
    """Watches ordered rows for two sources of one moment, such as a clock that was set back.

    A contradiction is two rows that are neighbours in time, less than `within_s` apart, stand
    apart in the file and have different readings.
    """

    def __init__(self, where: str, *, within_s: float) -> None:
        self.where, self.within_s = where, within_s
        self._n = 0

    def watch(self, batches: Iterable[Rows]) -> Iterator[Rows]:
        """Pass the rows on.

        Raises
        ------
        RecordingError
            `bad_times` from 61 contradictions on.
        """
        last: Rows | None = None
        for rows in batches:
            both = rows if last is None else _joined([last, rows])
            i = np.flatnonzero(np.abs(np.diff(both.number)) > 1)
            i = i[both.t_s[i + 1] - both.t_s[i] < self.within_s]
            differ = np.zeros(len(i), dtype=bool)
            for column in both.values.values():
                differ |= np.abs(column[i + 1] - column[i]) > 0  # NaN contradicts nothing
            self._n += int(differ.sum())
            if self._n > MAX_CONTRADICTIONS:
                n_row = both.number[i[differ][0] : i[differ][0] + 2].max()
                raise RecordingError(
                    "bad_times",
                    f"{self.where}, near row {n_row}: more than {MAX_CONTRADICTIONS} rows "
                    "differ from rows of the same moment elsewhere in the file; if the clock "
                    "was set back there, split the file, or keep one row of each time",
                )
            last = rows.take(slice(-1, None))
            yield rows
