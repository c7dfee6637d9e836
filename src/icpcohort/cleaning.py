"""Cleaning: which seconds of a recording are masked, and by which rule.

Rules are data: an ordered list of settings. The first rule that masks a cell gives its
reason. Samples are never altered.
"""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.cells import Cells, join

Rule = Mapping[str, Any]
Flags = NDArray[np.bool_]
VALID = -1


class Masked(NamedTuple):
    """Cells and, for each, the index of the rule that masks it, or `VALID`."""

    cells: Cells
    code: NDArray[np.int64]


def reason_of(rule: Rule) -> str:
    """Return the reason that a rule gives: its own name, or the event's."""
    return str(rule["event"]) if rule["rule"] == "event" else str(rule["rule"])


def rules_for(rules: Sequence[Rule], *, signal: str, tier: str, cell_s: float) -> list[Rule]:
    """Choose the rules for one signal of one recording, in their order.

    A jump is one between successive seconds: coarser numbers have none.
    """
    return [
        rule
        for rule in rules
        if rule["signal"] == signal
        and rule.get("tier", tier) == tier
        and (rule["rule"] != "jump" or cell_s <= 1.0)
    ]


class Masker:
    """Masks the cells of one signal as they come, holding back only what the rules reach.

    Parameters
    ----------
    rules : from `rules_for`
    events : rows with `event`, `start_s` and `end_s`
        A null `end_s` lasts for ever.
    """

    def __init__(self, *, rules: Sequence[Rule], events: Sequence[Mapping[str, Any]]) -> None:
        self._rules, self._events = rules, events
        self._held: Cells | None = None
        self._n_done = 0

    def push(self, piece: Cells) -> list[Masked]:
        """Take the next cells; return those that later cells can no longer change.

        Successive pieces touch or leave a gap; no rule looks across a gap.
        """
        ready = []
        if self._held is not None and not _touches(self._held, piece):
            ready += self.finish()
        held = piece if self._held is None else join(self._held, piece)
        n_reach = int(np.ceil(_reach_s(self._rules) / held.width_s)) + 1
        n_ready = held.t_s.size - n_reach
        if n_ready > self._n_done:
            ready.append(self._coded(held, n_ready))
            n_dropped = max(0, n_ready - n_reach)
            held, self._n_done = held.part(slice(n_dropped, None)), n_ready - n_dropped
        self._held = held
        return ready

    def finish(self) -> list[Masked]:
        """Return what is still held back."""
        held, self._held = self._held, None
        ready = []
        if held is not None and self._n_done < held.t_s.size:
            ready.append(self._coded(held, held.t_s.size))
        self._n_done = 0
        return ready

    def _coded(self, held: Cells, n_ready: int) -> Masked:
        code = np.full(held.t_s.size, VALID)
        for index in reversed(range(len(self._rules))):
            code[_flags(held, self._rules[index], self._events)] = index
        chosen = slice(self._n_done, n_ready)
        return Masked(held.part(chosen), code[chosen])


def _flags(cells: Cells, rule: Rule, events: Sequence[Mapping[str, Any]]) -> Flags:
    if rule["rule"] == "event":
        return during(cells, rule, events)
    return SAMPLE_RULES[rule["rule"]](cells, rule)


def _touches(held: Cells, piece: Cells) -> bool:
    return bool(abs(held.t_s[-1] + held.width_s - piece.t_s[0]) < held.width_s / 2)


def _reach_s(rules: Sequence[Rule]) -> float:
    """Return how far from a cell a rule can look, or its mask can spread."""
    reaches = [float(rule.get("min_s", 0.0) + rule.get("margin_s", 0.0)) for rule in rules]
    return max(reaches, default=0.0)


def out_of_range(cells: Cells, rule: Rule) -> Flags:
    """Flag cells with a sample outside `min_mmhg`..`max_mmhg`, and `margin_s` around them.

    Source: limits are settings; published ones differ (PhysioNet's arterial signal-quality
    rules: systolic above 300, diastolic below 20 mmHg). For ICP common practice, no source.
    """
    outside = (cells.low_mmhg < rule["min_mmhg"]) | (cells.high_mmhg > rule["max_mmhg"])
    return _spread(outside, cells.width_s, rule["margin_s"])


def flat_line(cells: Cells, rule: Rule) -> Flags:
    """Flag cells in a stretch of `min_s` or more whose samples span `max_spread_mmhg` or less.

    A cell without a reading ends a stretch. Source: common practice, no source.
    """
    n = max(1, round(rule["min_s"] / cells.width_s))
    if n > cells.t_s.size:
        return np.zeros(cells.t_s.size, np.bool_)
    high = np.where(np.isnan(cells.high_mmhg), np.inf, cells.high_mmhg)
    low = np.where(np.isnan(cells.low_mmhg), -np.inf, cells.low_mmhg)
    highest = pl.Series(high).rolling_max(n).to_numpy()[n - 1 :]  # of n cells from each on
    lowest = pl.Series(low).rolling_min(n).to_numpy()[n - 1 :]
    begins = highest - lowest <= rule["max_spread_mmhg"]
    covered = np.zeros(cells.t_s.size + 1, np.int64)
    np.add.at(covered, np.flatnonzero(begins), 1)
    np.add.at(covered, np.flatnonzero(begins) + n, -1)
    return np.cumsum(covered)[:-1] > 0


def jump(cells: Cells, rule: Rule) -> Flags:
    """Flag both seconds of a step above `max_step_mmhg`, and `margin_s` around them.

    Source: common practice, no source.
    """
    step = np.abs(np.diff(cells.mean_mmhg)) > rule["max_step_mmhg"]
    flags = np.zeros(cells.t_s.size, np.bool_)
    flags[1:] |= step
    flags[:-1] |= step
    return _spread(flags, cells.width_s, rule["margin_s"])


def during(cells: Cells, rule: Rule, events: Sequence[Mapping[str, Any]]) -> Flags:
    """Flag cells that overlap an event of the rule's kind, or the `settle_s` after it."""
    flags = np.zeros(cells.t_s.size, np.bool_)
    for event in events:
        if event["event"] == rule["event"]:
            end_s = np.inf if event["end_s"] is None else event["end_s"] + rule["settle_s"]
            flags |= (cells.t_s < end_s) & (cells.t_s + cells.width_s > event["start_s"])
    return flags


SAMPLE_RULES = {"range": out_of_range, "flat_line": flat_line, "jump": jump}


def _spread(flags: Flags, width_s: float, margin_s: float) -> Flags:
    n = round(margin_s / width_s)
    before = np.concatenate([[0], np.cumsum(flags)])
    here = np.arange(flags.size)
    nearby = before[np.minimum(here + n + 1, flags.size)] - before[np.maximum(here - n, 0)]
    return np.asarray(nearby > 0)


def without_effect(
    kinds: Sequence[str], *, rules: Sequence[Rule], not_during: Sequence[str]
) -> list[str]:
    """Return the kinds of event that no rule masks and no index is withheld during."""
    used = {rule["event"] for rule in rules if rule["rule"] == "event"} | set(not_during)
    return sorted(set(kinds) - used)


def methods_sentence(*, rules: Sequence[Rule]) -> str:
    """Return the report's sentence for `mask`, from the same settings."""
    if not rules:
        return "No part of the recordings was masked."
    return (
        "Artefacts were masked, never altered, by rules in this order: "
        + "; ".join(_words(rule) for rule in rules)
        + "."
    )


def _words(rule: Rule) -> str:
    signal = str(rule["signal"]).upper()
    where = f"{signal} ({rule['tier'].replace('_', ' ')})" if "tier" in rule else signal
    match rule["rule"]:
        case "range":
            said = f"outside {rule['min_mmhg']:g} to {rule['max_mmhg']:g} mmHg"
            return f"{where} {said}{_around(rule['margin_s'])}".replace("-", "\N{MINUS SIGN}")
        case "flat_line":
            spread = rule["max_spread_mmhg"]
            said = f"within {spread:g} mmHg" if spread else "without any change"
            return f"{where} {said} for {rule['min_s']:g} s or longer"
        case "jump":
            said = (
                f"changing by more than {rule['max_step_mmhg']:g} mmHg from one second to the"
            )
            return (
                f"{where} {said} next (recordings of 1 Hz or more){_around(rule['margin_s'])}"
            )
        case _:
            settle_s = rule["settle_s"]
            after = f" and the {settle_s:g} s after" if settle_s else ""
            return f"{where} during '{str(rule['event']).replace('_', ' ')}'{after}"


def _around(margin_s: float) -> str:
    return f" with {margin_s:g} s around" if margin_s else ""
