"""Overlaps: the recordings of one patient on one clock, each second counted once."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort import contracts
from icpcohort.contracts import declared_signals, store
from icpcohort.signals import pulse_blocks, time_accounting
from icpcohort.signals.cells import TIME_TOLERANCE_S
from icpcohort.signals.trends import Summary, as_table, at_times, recorded

Reals = NDArray[np.float64]


def _columns_of(declared: Mapping[str, Any]) -> dict[str, tuple[str, ...]]:
    """Return the columns of the trends that are of each signal."""
    series = declared_signals.series(declared)
    of_each: dict[str, tuple[str, ...]] = {
        name: (series[name].column, f"{name}_valid_fraction", f"{name}_interval_s")
        for name in declared_signals.recorded(declared)
    }
    if declared_signals.ICP in of_each:
        of_each[declared_signals.ICP] += pulse_blocks.COLUMNS
    return of_each


class Part(NamedTuple):
    """One recording: its summary, and its place on the patient's clock."""

    summary: Summary
    start_s: float
    end_s: float

    def span(self, signal: str) -> tuple[float, float]:
        """Return when a signal begins and ends, as its times were moved."""
        shift_s = self.summary.shifts_s.get(signal, 0.0)
        return self.start_s + shift_s, self.end_s + shift_s


class Combined(NamedTuple):
    """All recordings of a patient: `trends.recorded`, seconds by signal, what was unused.

    `seconds` and `masked` are as in `trends.Summary`, each second once. `unused` has part,
    signal and n_blocks: blocks with readings that another part gave. `sources` has of each
    signal t_s and part: from which of several recordings a block is.
    """

    trends: pl.DataFrame
    seconds: pl.DataFrame
    masked: pl.DataFrame
    unused: pl.DataFrame
    sources: dict[str, pl.DataFrame]


def combine(parts: Sequence[Part], *, block_s: float, declared: Mapping[str, Any]) -> Combined:
    """Put the recordings of one patient on one clock.

    Where several recordings cover the same block, a signal is taken from the one that has
    readings of it, masked or not, with the shortest sampling interval; among equals from one
    that has a mean, and then from the first. So a coarser recording fills gaps, but not what
    was masked in a finer one. The seconds of the others in such a block are not counted,
    unless no two of them overlap: then they only share the block.

    A gap is a stretch of 10 s or more that was recorded and has no reading in any recording.
    """
    if len(parts) < 2:
        table = recorded(declared)
        return _alone(parts[0].summary, table) if parts else _nothing(table)
    t_s = np.unique(np.concatenate([part.summary.trends["t_s"] for part in parts]))
    columns, lost, counted, sources = {"t_s": t_s}, [], {}, {}
    for signal, names in _columns_of(declared).items():
        rows = _ranked(
            pl.concat(
                _blocks(part, i, signal, mean=names[0], block_s=block_s)
                for i, part in enumerate(parts)
            )
        )
        used = (pl.col("rank") == 0) | ~pl.col("crowded")
        best = rows.filter(pl.col("rank") == 0)
        columns |= _taken(parts, best, t_s, names=names, fraction=f"{signal}_valid_fraction")
        sources[signal] = best.select("t_s", "part")
        lost.append(rows.filter(~used).with_columns(signal=pl.lit(signal)))
        if rows.height:
            counted[signal] = _account(parts, signal, rows.filter(used))
    seconds, masked = time_accounting.total(counted)
    return Combined(
        as_table(columns, list(recorded(declared).columns)),
        seconds.sort("signal"),
        masked,
        pl.concat([rows.select("part", "signal", "reading_s") for rows in lost])
        .filter(pl.col("reading_s") > 0)
        .group_by("part", "signal")
        .agg(n_blocks=pl.len())
        .sort("part", "signal"),
        sources,
    )


_UNUSED = {"part": pl.Int64(), "signal": pl.String(), "n_blocks": pl.UInt32()}


def _nothing(table: contracts.Table) -> Combined:
    return Combined(
        store.empty(table), *time_accounting.total({}), pl.DataFrame(schema=_UNUSED), {}
    )


def _alone(only: Summary, table: contracts.Table) -> Combined:
    """Return the tables of a single recording, not copied."""
    return Combined(
        only.trends.select(list(table.columns)),
        only.seconds.sort("signal"),
        only.masked,
        pl.DataFrame(schema=_UNUSED),
        {},
    )


def _blocks(part: Part, number: int, signal: str, *, mean: str, block_s: float) -> pl.DataFrame:
    """Return a row for each block that a recording of the signal covers, gaps included."""
    table = part.summary.trends
    t_s = np.unique(part.summary.accounts.get(signal, time_accounting.NOTHING).states["t_s"])
    read_s, interval_s, means = (
        at_times(t_s, table["t_s"].to_numpy(), table[name].to_numpy())
        for name in (f"{signal}_reading_s", f"{signal}_interval_s", mean)
    )
    from_s, until_s = part.span(signal)
    return pl.DataFrame(
        {
            "part": np.full(t_s.size, number),
            "t_s": t_s,
            "reading_s": np.nan_to_num(read_s, nan=0.0),
            "interval_s": interval_s,
            "no_mean": np.isnan(means),
            "from_s": np.maximum(t_s, from_s),
            "until_s": np.minimum(t_s + block_s, until_s),
        },
        nan_to_null=True,
    )


def _ranked(rows: pl.DataFrame) -> pl.DataFrame:
    """Rank the recordings of each block, the best 0, and say whether any two overlap in it."""
    shared = rows["t_s"].is_duplicated()
    before_s = pl.col("until_s").cum_max().shift(1).over("t_s")
    overlap = (before_s - pl.col("from_s") > TIME_TOLERANCE_S).fill_null(False)
    return pl.concat(
        [
            rows.filter(~shared).with_columns(crowded=False, rank=pl.lit(0, pl.Int64())),
            rows.filter(shared)
            .sort("t_s", "from_s", "until_s")
            .with_columns(crowded=overlap.any().over("t_s"))
            .sort(
                "t_s",
                pl.col("reading_s") <= 0,
                "interval_s",
                "no_mean",
                "part",
                nulls_last=True,
            )
            .with_columns(rank=pl.int_range(pl.len()).over("t_s")),
        ]
    )


def _taken(
    parts: Sequence[Part],
    best: pl.DataFrame,
    t_s: Reals,
    *,
    names: Sequence[str],
    fraction: str,
) -> dict[str, Reals]:
    """Return the signal's columns at the times `t_s`, each block from its best recording."""
    best = best.sort("t_s")
    number_at = at_times(t_s, best["t_s"].to_numpy(), best["part"].to_numpy())
    columns = {name: np.full(t_s.size, np.nan) for name in names}
    for number, part in enumerate(parts):
        table, here = part.summary.trends, number_at == number
        for name, values in columns.items():
            placed = at_times(t_s, table["t_s"].to_numpy(), table[name].to_numpy())
            values[here] = placed[here]
    return columns | {fraction: np.nan_to_num(columns[fraction], nan=0.0)}


def _account(parts: Sequence[Part], signal: str, used: pl.DataFrame) -> time_accounting.Account:
    """Return the patient's account of a signal from the blocks that are used."""
    states = []
    for number, part in enumerate(parts):
        if signal in part.summary.accounts:
            own_t_s = used.filter(pl.col("part") == number)["t_s"]
            states.append(
                part.summary.accounts[signal]
                .states.filter(pl.col("t_s").is_in(own_t_s.implode()))
                .with_columns(pl.col("state").cast(pl.String()))  # each has reasons of its own
            )
    return time_accounting.Account(pl.concat(states), _gaps(parts, signal))


def _gaps(parts: Sequence[Part], signal: str) -> pl.DataFrame:
    """Return the stretches that were recorded without a reading in any of the recordings."""
    recorded, read = [], []
    for part in parts:
        if signal in part.summary.accounts:
            gaps = part.summary.accounts[signal].gaps.to_numpy()
            from_s, until_s = part.span(signal)
            recorded.append(np.array([[from_s, until_s]]))
            ends = np.concatenate([[from_s], gaps.ravel(), [until_s]])
            read.append(ends.reshape(-1, 2))
    edges = np.concatenate([*recorded, *read])
    t_s = edges.ravel()
    is_read = np.repeat(np.arange(len(edges)) >= len(recorded), 2)
    step = np.tile([1, -1], len(edges))
    order = np.argsort(t_s, kind="stable")
    t_s, step, is_read = t_s[order], step[order], is_read[order]
    n_recorded, n_read = (
        np.cumsum(np.where(chosen, step, 0)) for chosen in (~is_read, is_read)
    )
    last = np.append(np.diff(t_s) > TIME_TOLERANCE_S, True)  # of edges at the same time
    t_s, bare = t_s[last], ((n_recorded > 0) & (n_read == 0))[last]
    begins = np.flatnonzero(bare & ~np.concatenate([[False], bare[:-1]]))
    ends = np.flatnonzero(~bare & np.concatenate([[False], bare[:-1]]))
    spans = np.column_stack([t_s[begins], t_s[ends]])
    long = spans[:, 1] - spans[:, 0] >= time_accounting.MIN_GAP_S - TIME_TOLERANCE_S
    return pl.DataFrame(spans[long], schema=time_accounting.GAPS_SCHEMA)
