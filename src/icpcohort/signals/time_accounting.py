"""Accounts: each recorded second of a signal once, valid, masked by a reason or missing."""

from array import array
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.signals.cells import TIME_TOLERANCE_S
from icpcohort.signals.masking import VALID, Masked

MIN_GAP_S = 10.0
# Seconds are whole multiples of this; being a power of two, they add up without rounding.
TICK_S = 2.0**-26

Reals = NDArray[np.float64]
Counts = NDArray[np.int64]

SECONDS = ("recorded_s", "valid_s", "masked_s", "missing_s", "negative_s")
GAPS_SCHEMA = {"start_s": pl.Float64(), "end_s": pl.Float64()}


# What a second can be besides masked by a reason. A negative one is valid too.
STATES = ("valid", "missing", "negative")


class Account(NamedTuple):
    """One signal of one recording.

    `states` has `t_s` (start of a block), `state` (a reason, or one of `STATES`) and
    `amount_s`: a row for each state that a block has, in the order of time. `gaps` has
    `start_s`, `end_s` of stretches of 10 s or more without a reading.
    """

    states: pl.DataFrame
    gaps: pl.DataFrame


NOTHING = Account(
    pl.DataFrame(schema={"t_s": pl.Float64(), "state": pl.String(), "amount_s": pl.Float64()}),
    pl.DataFrame(schema=GAPS_SCHEMA),
)


class Keeper:
    """Keeps the account of one signal while its cells are masked.

    Samples are counted as whole numbers and divided by their rate once for each block.
    Numbers stand for the time until the next one, divided between blocks. Gaps are known to
    the second in waveforms, and to the number otherwise.
    """

    def __init__(
        self, *, fs_hz: float, start_s: float, block_s: float, reasons: Sequence[str]
    ) -> None:
        self._fs_hz, self._start_s, self._names = fs_hz, start_s, [*reasons, *STATES]
        self._block_s = block_s
        self._valid, self._empty, self._negative = (len(reasons) + i for i in range(3))
        self._n_states = len(self._names)
        # block and state in one number, and the amount; one array leaves no holes behind
        self._counted = array("d")
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
        negative = clean & (cells.mean < 0)
        if self._fs_hz > 1:
            row, share = np.arange(cells.t_s.size), np.ones(cells.t_s.size)
            block = np.floor(cells.t_s / self._block_s).astype(np.int64)
        else:
            row, block, share = self._divided(cells.t_s, cells.t_s + cells.width_s)
        n_valid, n_empty = cells.n_valid[row] * share, (cells.n - cells.n_valid)[row] * share
        states = [state[row], *(np.full(row.size, n) for n in (self._empty, self._negative))]
        amounts = [n_valid, n_empty, np.where(negative[row], n_valid, 0.0)]
        self._count(np.tile(block, 3), np.concatenate(states), np.concatenate(amounts))
        read = cells.n_valid > 0
        self._note_gaps(cells.t_s[read], cells.t_s[read] + cells.width_s)

    def finish(self, end_s: float) -> Account:
        """Return the account of the recording that ends at `end_s`."""
        end_s = max(end_s, self._sampled_until_s)
        if end_s - self._sampled_until_s > 0.5 / self._fs_hz:
            self._note_absent(self._sampled_until_s, end_s)
        self._note_gaps(np.array([end_s]), np.array([end_s]))
        block, state, amount_s = self._by_state()
        # a name for each number takes a byte per row
        names = pl.Series(self._names, dtype=pl.Enum(sorted(set(self._names))))
        states = {
            "t_s": block * self._block_s,
            "state": names.gather(state),
            "amount_s": amount_s,
        }
        gaps = np.concatenate([np.empty((0, 2)), *self._gaps])
        return Account(pl.DataFrame(states), pl.DataFrame(gaps, schema=GAPS_SCHEMA))

    def _count(self, block: Counts, state: Counts, amount: Reals) -> None:
        some = amount > 0
        key = block[some] * self._n_states + state[some]
        self._counted.frombytes(np.column_stack(_added([(key, amount[some])])).tobytes())

    def _note_absent(self, start_s: float, end_s: float) -> None:
        _, block, share_s = self._divided(np.array([start_s]), np.array([end_s]))
        self._absent.append((block * self._n_states + self._empty, share_s))

    def _note_gaps(self, start_s: Reals, end_s: Reals) -> None:
        """Keep the stretches before each reading that last long enough."""
        if start_s.size:
            before_s = np.concatenate([[self._read_until_s], end_s[:-1]])
            wide = start_s - before_s >= MIN_GAP_S - TIME_TOLERANCE_S
            self._gaps.append(np.column_stack([before_s, start_s])[wide])
            self._read_until_s = float(end_s[-1])

    def _divided(self, start_s: Reals, end_s: Reals) -> tuple[Counts, Counts, Reals]:
        """Divide intervals at the ends of blocks: index of the interval, block, seconds."""
        block_s = self._block_s
        start_s, end_s = (np.round(t_s / TICK_S) * TICK_S for t_s in (start_s, end_s))
        first = np.floor(start_s / block_s).astype(np.int64)
        n_blocks = np.ceil(end_s / block_s).astype(np.int64) - first
        row = np.repeat(np.arange(start_s.size), n_blocks)
        before = np.cumsum(n_blocks) - n_blocks
        block = first[row] + np.arange(row.size) - np.repeat(before, n_blocks)
        share_s = np.minimum(end_s[row], (block + 1) * block_s)
        return row, block, np.asarray(share_s - np.maximum(start_s[row], block * block_s))

    def _by_state(self) -> tuple[Counts, Counts, Reals]:
        """Return block, state and seconds in ticks: one entry per block and state, in order."""
        keys, amounts = np.frombuffer(self._counted).reshape(-1, 2).T
        key, amount = _added([(keys.astype(np.int64), amounts)])
        absent_key, absent_s = _added(self._absent)
        per_amount = self._fs_hz if self._fs_hz > 1 else 1.0
        key, amount_s = _added([(key, amount / per_amount), (absent_key, absent_s)])
        return *np.divmod(key, self._n_states), np.round(amount_s / TICK_S) * TICK_S


def _added(parts: Sequence[tuple[Counts, Reals]]) -> tuple[Counts, Reals]:
    """Add up the amounts of equal keys, in the order of the keys."""
    if not parts:
        return np.empty(0, np.int64), np.empty(0)
    keys, amounts = (np.concatenate(column) for column in zip(*parts, strict=True))
    key, row = np.unique(keys, return_inverse=True)
    return key, np.bincount(row, amounts, key.size).astype(np.float64)


def total(accounts: dict[str, Account]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the seconds of each signal, and its masked seconds by reason."""
    seconds, masked = [], []
    state, amount_s = pl.col("state"), pl.col("amount_s")
    is_masked = ~state.is_in(STATES)
    for signal, account in accounts.items():
        sums = (
            account.states.group_by("state", maintain_order=True)
            .agg(amount_s.sum())
            .with_columns(pl.lit(signal).alias("signal"), state.cast(pl.String()))
        )
        seconds.append(
            sums.select(
                pl.lit(signal).alias("signal"),
                recorded_s=amount_s.filter(state != "negative").sum(),
                valid_s=amount_s.filter(state == "valid").sum(),
                masked_s=amount_s.filter(is_masked).sum(),
                missing_s=amount_s.filter(state == "missing").sum(),
                negative_s=amount_s.filter(state == "negative").sum(),
            ).with_columns(gap_columns(account.gaps))
        )
        masked.append(
            sums.filter(is_masked).select("signal", reason="state", masked_s="amount_s")
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
