"""Overlaps: the recordings of one patient on one clock, each second counted once."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import polars as pl

from icpcohort import store
from icpcohort.trends import BLOCK_S, RECORDED, ROUNDING, Summary

OF_SIGNAL = {
    "icp": (
        *("icp_mmhg", "icp_valid_fraction", "icp_interval_s"),
        *("amp_mmhg", "pulse_rate_per_min"),
    ),
    "abp": ("abp_mmhg", "abp_valid_fraction", "abp_interval_s"),
}
SECONDS = ("recorded_s", "valid_s", "masked_s", "missing_s")


class Part(NamedTuple):
    """One recording: its summary, and its place on the patient's clock."""

    summary: Summary
    start_s: float
    end_s: float


class Combined(NamedTuple):
    """All recordings of a patient: contracts TRENDS, seconds by signal, and what was unused.

    `unused` has part, signal and n_blocks: blocks with readings that another part gave.
    """

    trends: pl.DataFrame
    seconds: pl.DataFrame
    unused: pl.DataFrame


def combine(parts: Sequence[Part]) -> Combined:
    """Put the recordings of one patient on one clock.

    Where several recordings cover the same block, a signal is taken from the one that has
    readings of it, masked or not, with the shortest sampling interval; among equals from one
    that has a mean, and then from the first. So a coarser recording fills gaps, but not what
    was masked in a finer one. The seconds of the others in such a block are not counted.
    """
    if not parts:
        nothing = pl.DataFrame(
            schema={"part": pl.Int64(), "signal": pl.String(), "n_blocks": pl.UInt32()}
        )
        seconds = {"signal": pl.String()} | dict.fromkeys(SECONDS, pl.Float64())
        return Combined(
            store.empty(RECORDED),
            pl.DataFrame(schema=seconds),
            nothing,
        )
    chosen, lost = [], []
    for signal in OF_SIGNAL:
        rows = pl.concat([_blocks(part, i, signal) for i, part in enumerate(parts)]).sort(
            "t_s",
            pl.col("reading_s") <= 0,
            f"{signal}_interval_s",
            pl.col(f"{signal}_mmhg").is_null(),
            "part",
            nulls_last=True,
        )
        rank = pl.int_range(pl.len()).over("t_s")
        crowded = pl.col("recorded_s").sum().over("t_s") > BLOCK_S + ROUNDING
        chosen.append(rows.filter(rank == 0).select("t_s", *OF_SIGNAL[signal]))
        lost.append(rows.filter((rank > 0) & crowded).with_columns(signal=pl.lit(signal)))
    joined = chosen[0].join(chosen[1], on="t_s", how="full", coalesce=True, validate="1:1")
    has_block = pl.concat([part.summary.trends.select("t_s") for part in parts]).unique()
    table = joined.join(has_block, on="t_s", how="semi").with_columns(
        pl.col("icp_valid_fraction", "abp_valid_fraction").fill_null(0.0),
        cpp_mmhg=pl.col("abp_mmhg") - pl.col("icp_mmhg"),
    )
    twice = pl.concat([rows.select("part", "signal", "reading_s", *SECONDS) for rows in lost])
    return Combined(
        table.select(list(RECORDED.columns)).sort("t_s"),
        _count_once([part.summary.seconds for part in parts], twice),
        twice.filter(pl.col("reading_s") > 0)
        .group_by("part", "signal")
        .agg(n_blocks=pl.len())
        .sort("part", "signal"),
    )


def _blocks(part: Part, number: int, signal: str) -> pl.DataFrame:
    """Return a row for each block that a recording of the signal covers, gaps included."""
    has_signal = signal in part.summary.seconds["signal"]
    first_s = np.floor(part.start_s / BLOCK_S) * BLOCK_S
    t_s = np.arange(first_s, part.end_s, BLOCK_S) if has_signal else np.empty(0)
    recorded_s = np.minimum(t_s + BLOCK_S, part.end_s) - np.maximum(t_s, part.start_s)
    grid = pl.DataFrame({"t_s": t_s, "recorded_s": recorded_s})
    readings = part.summary.trends.select(
        "t_s", *OF_SIGNAL[signal], pl.col(f"{signal}_reading_s").alias("reading_s")
    )
    valid_s = BLOCK_S * pl.col(f"{signal}_valid_fraction").fill_null(0.0)
    return (
        grid.join(readings, on="t_s", how="left", validate="1:1")
        .with_columns(pl.col("reading_s").fill_null(0.0), part=pl.lit(number, pl.Int64()))
        .with_columns(
            valid_s=valid_s,
            masked_s=pl.col("reading_s") - valid_s,
            missing_s=pl.col("recorded_s") - pl.col("reading_s"),
        )
    )


def _count_once(seconds: Sequence[pl.DataFrame], twice: pl.DataFrame) -> pl.DataFrame:
    """Add up the recordings' seconds by signal, less those that another recording gave."""
    less = twice.select("signal", *(-pl.col(name) for name in SECONDS))
    return (
        pl.concat([*(part.select("signal", *SECONDS) for part in seconds), less])
        .group_by("signal")
        .agg(pl.col(SECONDS).sum())
        .sort("signal")
    )
