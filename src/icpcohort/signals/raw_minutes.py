"""Raw minutes: level and pulse of one signal in each minute, before anything is masked.

What is wrong with a whole recording, such as its unit, is often masked whole: only the readings
as they stand in the file can tell.
"""

from array import array
from collections.abc import Iterable

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.recordings import Chunk
from icpcohort.signals import cells, nan_divide

MINUTE_S = 60.0
SCHEMA = {
    "signal": pl.String(),
    "t_s": pl.Float64(),  # start of the minute since time zero
    "width_s": pl.Float64(),  # time with a reading; more than a minute for slower numbers
    "level": pl.Float64(),  # mean, in the unit of the signal
    "pulse": pl.Float64(),  # mean height of the pulse; null for numbers
}
_N_SUMS = 5  # minute, width, width x level, width with a pulse, width x pulse
_DECIMALS = 6  # sums of one minute in two pieces must not tell where it was cut


class Keeper:
    """Adds up the cells of one signal in minutes; a day takes 60 kB."""

    def __init__(self) -> None:
        self._sums = array("d")

    def add(self, some: cells.Cells) -> None:
        """Count the next cells, masked or not; those without a reading count nothing."""
        read = some.n_valid > 0
        if not read.any():
            return
        minute = np.floor((some.t_s[read] + cells.TIME_TOLERANCE_S) / MINUTE_S)
        pulse = some.pulse[read]
        beating = np.isfinite(pulse)
        width_s = some.width_s
        rows = (
            np.full(minute.size, width_s),
            width_s * some.mean[read],
            np.where(beating, width_s, 0.0),
            np.where(beating, width_s * pulse, 0.0),
        )
        self._sums.frombytes(_by_minute(minute, rows).tobytes())

    def finish(self, signal: str) -> pl.DataFrame:
        """Return the minutes, in the columns of `SCHEMA`."""
        minute, *rows = np.frombuffer(self._sums).reshape(-1, _N_SUMS).T
        if minute.size:
            minute, *rows = _by_minute(minute, tuple(rows)).T
        width_s, level, beating_s, pulse = rows
        return pl.DataFrame(
            {
                "signal": pl.repeat(signal, minute.size, eager=True),
                "t_s": minute * MINUTE_S,
                "width_s": width_s,
                "level": np.round(level / width_s, _DECIMALS),
                "pulse": pl.Series(
                    np.round(
                        nan_divide.divide(pulse, beating_s, where=beating_s > 0), _DECIMALS
                    ),
                    nan_to_null=True,
                ),
            },
            schema=SCHEMA,
        )


def _by_minute(
    minute: NDArray[np.float64], rows: tuple[NDArray[np.float64], ...]
) -> NDArray[np.float64]:
    """Return one row for each run of cells in one minute."""
    starts = np.flatnonzero(np.diff(minute, prepend=np.nan) != 0)
    return np.column_stack([minute[starts], *(np.add.reduceat(row, starts) for row in rows)])


def of_chunks(chunks: Iterable[Chunk], *, start_s: float) -> pl.DataFrame:
    """Return the minutes of the samples as read, of every signal.

    Parameters
    ----------
    chunks : Chunk, in the order of time
        Of a whole recording, or of its beginning.
    start_s : float, s
        Start of the recording on the patient's clock.

    Returns
    -------
    DataFrame, in the columns of `SCHEMA`
    """
    keepers: dict[str, Keeper] = {}
    for stretch in cells.align(chunks, start_s=start_s, block_s=MINUTE_S):
        for signal, samples in stretch.samples.items():
            if samples.size:
                keepers.setdefault(signal, Keeper()).add(
                    cells.reduce(samples, t_s=stretch.t_s[signal], fs_hz=stretch.fs_hz[signal])
                )
    empty = pl.DataFrame(schema=SCHEMA)
    return pl.concat([empty, *(keeper.finish(name) for name, keeper in keepers.items())])
