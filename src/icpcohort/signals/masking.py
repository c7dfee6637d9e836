"""Masking: which seconds of a recording are masked, and by which rule.

The first rule that masks a cell gives its reason. Samples are never altered.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort import contracts
from icpcohort.signals.cells import TIME_TOLERANCE_S, Cells, join
from icpcohort.signals.rules import Events, Rule

VALID = -1
_CELLS_AROUND = 8  # that a rule sees beyond the times it is set to
_GATHERED_CELLS = 3600


class Masked(NamedTuple):
    """Cells and, for each, the index of the rule that masks it, or `VALID`."""

    cells: Cells
    code: NDArray[np.int64]


def rules_for(rules: Sequence[Rule], *, signal: str, tier: str, cell_s: float) -> list[Rule]:
    """Choose the rules for one signal of one recording, in their order."""
    return [
        rule
        for rule in rules
        if rule.signal == signal and rule.tiers in (tier, "all") and cell_s <= rule.up_to_cell_s
    ]


class Masker:
    """Masks the cells of one signal as they come, holding back only what the rules reach.

    Cells are gathered to an hour of seconds, and what rules see after them, before these are
    asked: what a rule sees around would else be computed again for every short piece.

    Parameters
    ----------
    rules : from `rules_for`
    events : see `Events`
    """

    def __init__(self, *, rules: Sequence[Rule], events: Events) -> None:
        self._rules, self._events = rules, events
        self._n_after = 0  # cells that a rule must see beyond what it decides on
        self._held: list[Cells] = []
        self._n_done = self._n_held = 0

    def push(self, piece: Cells) -> list[Masked]:
        """Take the next cells; return those that later cells can no longer change.

        Successive pieces touch or leave a gap; no rule looks across a gap.
        """
        ready = []
        if self._held and not _touches(self._held[-1], piece):
            ready += self.finish()
        self._held.append(piece)
        self._n_held += piece.t_s.size
        if self._n_held - self._n_done < _GATHERED_CELLS + self._n_after:
            return ready
        held = join(self._held)
        n_before, n_after = (
            max((reach[side] for reach in self._reaches(held)), default=1) for side in (0, 1)
        )
        self._n_after = n_after
        n_ready = held.t_s.size - n_after
        if n_ready > self._n_done:
            ready.append(self._coded(held, n_ready))
            n_dropped = max(0, n_ready - n_before)
            held, self._n_done = held.part(slice(n_dropped, None)), n_ready - n_dropped
        self._held, self._n_held = [held], held.t_s.size
        return ready

    def finish(self) -> list[Masked]:
        """Return what is still held back."""
        ready = []
        if self._n_done < self._n_held:
            ready.append(self._coded(join(self._held), self._n_held))
        self._held, self._n_done, self._n_held = [], 0, 0
        return ready

    def _reaches(self, held: Cells) -> list[tuple[int, int]]:
        return [_n_cells(rule, width_s=held.width_s) for rule in self._rules]

    def _coded(self, held: Cells, n_ready: int) -> Masked:
        """Apply every rule to as many cells as it can see, the last rule first."""
        code = np.full(n_ready - self._n_done, VALID)
        reaches = self._reaches(held)
        for index in reversed(range(len(self._rules))):
            n_before, n_after = reaches[index]
            first = max(0, self._n_done - n_before)
            seen = held.part(slice(first, n_ready + n_after))
            flags = self._rules[index].flags(seen, self._events)
            code[flags[self._n_done - first : n_ready - first]] = index
        return Masked(held.part(slice(self._n_done, n_ready)), code)


def merge_spans(spans: pl.DataFrame) -> pl.DataFrame:
    """Merge spans of one signal and reason that touch or overlap, as do those of two pieces."""
    begins = pl.col("start_s") > (
        pl.col("end_s").cum_max().shift(1).over("signal", "reason") + TIME_TOLERANCE_S
    ).fill_null(-np.inf)
    return (
        spans.sort("signal", "reason", "start_s")
        .with_columns(run=begins.cum_sum().over("signal", "reason"))
        .group_by("signal", "reason", "run", maintain_order=True)
        .agg(pl.col("start_s").min(), pl.col("end_s").max())
        .select(list(contracts.ARTEFACTS.columns))
    )


def _touches(held: Cells, piece: Cells) -> bool:
    return bool(abs(held.t_s[-1] + held.width_s - piece.t_s[0]) < held.width_s / 2)


def _n_cells(rule: Rule, *, width_s: float) -> tuple[int, int]:
    """Return how many cells before and after a cell a rule must see to decide on it."""
    before_s, after_s = rule.looks_s()
    return (
        int(np.ceil(before_s / width_s)) + _CELLS_AROUND,
        int(np.ceil(after_s / width_s)) + _CELLS_AROUND,
    )
