"""Overlaps: the recordings of one patient on one clock, each second counted once."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import polars as pl

from icpcohort import accounts, store
from icpcohort.cells import TIME_TOLERANCE_S
from icpcohort.trends import BLOCK_S, RECORDED, Summary

OF_SIGNAL = {
    "icp": (
        *("icp_mmhg", "icp_valid_fraction", "icp_interval_s"),
        *("amp_mmhg", "pulse_rate_per_min"),
    ),
    "abp": ("abp_mmhg", "abp_valid_fraction", "abp_interval_s"),
}


class Part(NamedTuple):
    """One recording: its summary, and its place on the patient's clock."""

    summary: Summary
    start_s: float
    end_s: float


class Combined(NamedTuple):
    """All recordings of a patient: contracts TRENDS, seconds by signal, and what was unused.

    `seconds` and `masked` are as in `trends.Summary`, each second once. `unused` has part,
    signal and n_blocks: blocks with readings that another part gave.
    """

    trends: pl.DataFrame
    seconds: pl.DataFrame
    masked: pl.DataFrame
    unused: pl.DataFrame


def combine(parts: Sequence[Part]) -> Combined:
    """Put the recordings of one patient on one clock.

    Where several recordings cover the same block, a signal is taken from the one that has
    readings of it, masked or not, with the shortest sampling interval; among equals from one
    that has a mean, and then from the first. So a coarser recording fills gaps, but not what
    was masked in a finer one. The seconds of the others in such a block are not counted,
    unless no two of them overlap: then they only share the block.

    A gap is a stretch of 10 s or more that was recorded and has no reading in any recording.
    """
    if not parts:
        return _nothing()
    chosen, lost, counted = [], [], {}
    for signal in OF_SIGNAL:
        rows = _ranked([_blocks(part, i, signal) for i, part in enumerate(parts)], signal)
        used = (pl.col("rank") == 0) | ~pl.col("crowded")
        chosen.append(rows.filter(pl.col("rank") == 0).select("t_s", *OF_SIGNAL[signal]))
        lost.append(rows.filter(~used).with_columns(signal=pl.lit(signal)))
        if rows.height:
            counted[signal] = _account(parts, signal, rows.filter(used))
    joined = chosen[0].join(chosen[1], on="t_s", how="full", coalesce=True, validate="1:1")
    has_block = pl.concat([part.summary.trends.select("t_s") for part in parts]).unique()
    table = joined.join(has_block, on="t_s", how="semi").with_columns(
        pl.col("icp_valid_fraction", "abp_valid_fraction").fill_null(0.0),
        cpp_mmhg=pl.col("abp_mmhg") - pl.col("icp_mmhg"),
    )
    seconds, masked = accounts.total(counted)
    return Combined(
        table.select(list(RECORDED.columns)).sort("t_s"),
        seconds.sort("signal"),
        masked,
        pl.concat([rows.select("part", "signal", "reading_s") for rows in lost])
        .filter(pl.col("reading_s") > 0)
        .group_by("part", "signal")
        .agg(n_blocks=pl.len())
        .sort("part", "signal"),
    )


def _nothing() -> Combined:
    unused = {"part": pl.Int64(), "signal": pl.String(), "n_blocks": pl.UInt32()}
    return Combined(store.empty(RECORDED), *accounts.total({}), pl.DataFrame(schema=unused))


def _account(parts: Sequence[Part], signal: str, used: pl.DataFrame) -> accounts.Account:
    """Return the patient's account of a signal from the blocks that are used."""
    by_reason = pl.concat(
        part.summary.accounts[signal].masked.with_columns(part=pl.lit(number, pl.Int64()))
        for number, part in enumerate(parts)
        if signal in part.summary.accounts
    )
    kept = by_reason.join(used, on=["part", "t_s"], how="semi")
    return accounts.Account(used, kept, _gaps(parts, signal))


def _blocks(part: Part, number: int, signal: str) -> pl.DataFrame:
    """Return a row for each block that a recording of the signal covers, gaps included."""
    account = part.summary.accounts.get(signal, accounts.NOTHING)
    readings = part.summary.trends.select(
        "t_s", *OF_SIGNAL[signal], pl.col(f"{signal}_reading_s").alias("reading_s")
    )
    t_s = pl.col("t_s")
    return account.blocks.join(readings, on="t_s", how="left", validate="1:1").with_columns(
        pl.col("reading_s").fill_null(0.0),
        part=pl.lit(number, pl.Int64()),
        from_s=pl.max_horizontal(t_s, pl.lit(part.start_s)),
        until_s=pl.min_horizontal(t_s + BLOCK_S, pl.lit(part.end_s)),
    )


def _ranked(blocks: Sequence[pl.DataFrame], signal: str) -> pl.DataFrame:
    """Rank the recordings of each block, the best 0, and say whether any two overlap in it."""
    before_s = pl.col("until_s").cum_max().shift(1).over("t_s")
    return (
        pl.concat(blocks)
        .sort("t_s", "from_s", "until_s")
        .with_columns(
            crowded=(before_s - pl.col("from_s") > TIME_TOLERANCE_S)
            .fill_null(False)
            .any()
            .over("t_s")
        )
        .sort(
            "t_s",
            pl.col("reading_s") <= 0,
            f"{signal}_interval_s",
            pl.col(f"{signal}_mmhg").is_null(),
            "part",
            nulls_last=True,
        )
        .with_columns(rank=pl.int_range(pl.len()).over("t_s"))
    )


def _gaps(parts: Sequence[Part], signal: str) -> pl.DataFrame:
    """Return the stretches that were recorded without a reading in any of the recordings."""
    recorded, read = [], []
    for part in parts:
        if signal in part.summary.accounts:
            gaps = part.summary.accounts[signal].gaps.to_numpy()
            recorded.append(np.array([[part.start_s, part.end_s]]))
            ends = np.concatenate([[part.start_s], gaps.ravel(), [part.end_s]])
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
    long = spans[:, 1] - spans[:, 0] >= accounts.MIN_GAP_S - TIME_TOLERANCE_S
    return pl.DataFrame(spans[long], schema=accounts.GAPS_SCHEMA)
