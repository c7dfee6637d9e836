"""Accounts: each recorded second of a signal once, valid, masked by a reason or missing."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.cells import TIME_TOLERANCE_S
from icpcohort.cleaning import VALID, Masked

BLOCK_S = 10.0
MIN_GAP_S = 10.0
# Seconds are whole multiples of this; being a power of two, they add up without rounding.
TICK_S = 2.0**-26

Reals = NDArray[np.float64]
Counts = NDArray[np.int64]

SECONDS = ("recorded_s", "valid_s", "masked_s", "missing_s", "negative_s")
GAPS_SCHEMA = {"start_s": pl.Float64(), "end_s": pl.Float64()}


class Account(NamedTuple):
    """One signal of one recording. `negative_s` is a part of `valid_s`.

    `blocks` has `t_s` (start of a 10-s block) and `SECONDS`; `masked` has `t_s`, `reason`,
    `masked_s`; `gaps` has `start_s`, `end_s` of stretches of 10 s or more without a reading.
    """

    blocks: pl.DataFrame
    masked: pl.DataFrame
    gaps: pl.DataFrame


NOTHING = Account(
    pl.DataFrame(schema=dict.fromkeys(("t_s", *SECONDS), pl.Float64())),
    pl.DataFrame(schema={"t_s": pl.Float64(), "reason": pl.String(), "masked_s": pl.Float64()}),
    pl.DataFrame(schema=GAPS_SCHEMA),
)


class Keeper:
    """Keeps the account of one signal while its cells are masked.

    Samples are counted as whole numbers and divided by their rate once for each block.
    Numbers stand for the time until the next one, divided between blocks. Gaps are known to
    the second in waveforms, and to the number otherwise.
    """

    def __init__(self, *, fs_hz: float, start_s: float, reasons: Sequence[str]) -> None:
        self._fs_hz, self._start_s, self._reasons = fs_hz, start_s, list(reasons)
        self._valid, self._empty, self._negative = (len(reasons) + i for i in range(3))
        self._counted: list[tuple[Counts, Counts, Reals]] = []
        self._absent: list[tuple[Counts, Reals]] = []
        self._gaps: list[Reals] = []
        self._sampled_until_s = self._read_until_s = start_s

    def add_samples(self, *, t_s: float, n: int) -> None:
        """Note that `n` samples follow from `t_s` on; what lies before it is a gap."""
        if t_s - self._sampled_until_s > 0.5 / self._fs_hz:
            self._note_absent(self._sampled_until_s, t_s)
        self._sampled_until_s = t_s + n / self._fs_hz

    def add(self, masked: Masked) -> None:
        """Count the next cells."""
        cells, code = masked
        clean = code == VALID
        state = np.where(clean, self._valid, code)
        negative = clean & (cells.mean_mmhg < 0)
        if self._fs_hz > 1:
            row, share = np.arange(cells.t_s.size), np.ones(cells.t_s.size)
            block = np.floor(cells.t_s / BLOCK_S).astype(np.int64)
        else:
            row, block, share = _divided(cells.t_s, cells.t_s + cells.width_s)
        n_valid, n_empty = cells.n_valid[row] * share, (cells.n - cells.n_valid)[row] * share
        for states, amounts in (
            (state[row], n_valid),
            (np.full(block.size, self._empty), n_empty),
            (np.full(block.size, self._negative), np.where(negative[row], n_valid, 0.0)),
        ):
            self._count(block, states, amounts)
        read = cells.n_valid > 0
        self._note_gaps(cells.t_s[read], cells.t_s[read] + cells.width_s)

    def finish(self, end_s: float) -> Account:
        """Return the account of the recording that ends at `end_s`."""
        end_s = max(end_s, self._sampled_until_s)
        if end_s - self._sampled_until_s > 0.5 / self._fs_hz:
            self._note_absent(self._sampled_until_s, end_s)
        self._note_gaps(np.array([end_s]), np.array([end_s]))
        by_state = self._by_state()
        amount = pl.col("amount_s")
        blocks = by_state.group_by("t_s", maintain_order=True).agg(
            recorded_s=amount.filter(pl.col("state") != self._negative).sum(),
            valid_s=amount.filter(pl.col("state") == self._valid).sum(),
            masked_s=amount.filter(pl.col("state") < self._valid).sum(),
            missing_s=amount.filter(pl.col("state") == self._empty).sum(),
            negative_s=amount.filter(pl.col("state") == self._negative).sum(),
        )
        names = pl.DataFrame(
            {"state": np.arange(len(self._reasons)), "reason": self._reasons},
            schema={"state": pl.Int64(), "reason": pl.String()},
        )
        masked = (
            by_state.join(names, on="state", how="inner")
            .group_by("t_s", "reason")
            .agg(masked_s=amount.sum())
            .sort("t_s", "reason")
        )
        gaps = np.concatenate([np.empty((0, 2)), *self._gaps])
        return Account(blocks, masked, pl.DataFrame(gaps, schema=GAPS_SCHEMA))

    def _count(self, block: Counts, state: Counts, amount: Reals) -> None:
        some = amount > 0
        n_states = self._negative + 1
        key, row = np.unique(block[some] * n_states + state[some], return_inverse=True)
        total = np.bincount(row, amount[some], key.size).astype(np.float64)
        self._counted.append((key // n_states, key % n_states, total))

    def _note_absent(self, start_s: float, end_s: float) -> None:
        _, block, share_s = _divided(np.array([start_s]), np.array([end_s]))
        self._absent.append((block, share_s))

    def _note_gaps(self, start_s: Reals, end_s: Reals) -> None:
        """Keep the stretches before each reading that last long enough."""
        if start_s.size:
            before_s = np.concatenate([[self._read_until_s], end_s[:-1]])
            wide = start_s - before_s >= MIN_GAP_S - TIME_TOLERANCE_S
            self._gaps.append(np.column_stack([before_s, start_s])[wide])
            self._read_until_s = float(end_s[-1])

    def _by_state(self) -> pl.DataFrame:
        """Return t_s, state and amount_s in ticks, one row a block and state."""
        counted = _table(self._counted)
        per_amount = self._fs_hz if self._fs_hz > 1 else 1.0
        absent = _table(
            [(block, np.full(block.size, self._empty), s) for block, s in self._absent]
        )
        return (
            pl.concat([counted.with_columns(pl.col("amount") / per_amount), absent])
            .group_by("block", "state")
            .agg(pl.col("amount").sum())
            .select(
                t_s=pl.col("block") * BLOCK_S,
                state="state",
                amount_s=(pl.col("amount") / TICK_S).round() * TICK_S,
            )
            .sort("t_s", "state")
        )


def _table(parts: Sequence[tuple[Counts, Counts, Reals]]) -> pl.DataFrame:
    """Add up amounts by block and state."""
    columns = {"block": pl.Int64(), "state": pl.Int64(), "amount": pl.Float64()}
    together = (np.concatenate([np.empty(0), *column]) for column in zip(*parts, strict=True))
    table = pl.DataFrame(dict(zip(columns, together, strict=False)), schema=columns)
    return table.group_by("block", "state").agg(pl.col("amount").sum())


def _divided(start_s: Reals, end_s: Reals) -> tuple[Counts, Counts, Reals]:
    """Divide intervals at the ends of blocks: index of the interval, block, seconds in it."""
    start_s, end_s = (np.round(t_s / TICK_S) * TICK_S for t_s in (start_s, end_s))
    first = np.floor(start_s / BLOCK_S).astype(np.int64)
    n_blocks = np.ceil(end_s / BLOCK_S).astype(np.int64) - first
    row = np.repeat(np.arange(start_s.size), n_blocks)
    block = (
        first[row] + np.arange(row.size) - np.repeat(np.cumsum(n_blocks) - n_blocks, n_blocks)
    )
    share_s = np.minimum(end_s[row], (block + 1) * BLOCK_S)
    return row, block, np.asarray(share_s - np.maximum(start_s[row], block * BLOCK_S))


def total(accounts: dict[str, Account]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the seconds of each signal, and its masked seconds by reason."""
    seconds, masked = [], []
    for signal, account in accounts.items():
        gaps = account.gaps
        seconds.append(
            account.blocks.select(pl.col(SECONDS).sum()).select(
                pl.lit(signal).alias("signal"), pl.all(), *gap_columns(gaps)
            )
        )
        masked.append(
            account.masked.group_by("reason", maintain_order=True)
            .agg(pl.col("masked_s").sum())
            .select(pl.lit(signal).alias("signal"), "reason", "masked_s")
        )
    return (
        pl.concat([pl.DataFrame(schema=SECONDS_SCHEMA), *seconds]),
        pl.concat([pl.DataFrame(schema=MASKED_SCHEMA), *masked]).sort("signal", "reason"),
    )


SECONDS_SCHEMA = (
    {"signal": pl.String()}
    | dict.fromkeys(SECONDS, pl.Float64())
    | {"n_gaps": pl.Int64(), "longest_gap_s": pl.Float64()}
)
MASKED_SCHEMA = {"signal": pl.String(), "reason": pl.String(), "masked_s": pl.Float64()}


def gap_columns(gaps: pl.DataFrame) -> list[pl.Expr]:
    """Return the number of gaps and the seconds of the longest, null where there is none."""
    longest_s = (gaps["end_s"] - gaps["start_s"]).max() if gaps.height else None
    return [
        pl.lit(gaps.height, pl.Int64()).alias("n_gaps"),
        pl.lit(longest_s, pl.Float64()).alias("longest_gap_s"),
    ]
