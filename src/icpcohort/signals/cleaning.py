"""Cleaning: which seconds of a recording are masked, and by which rule.

Rules are data: an ordered list of settings. The first rule that masks a cell gives its
reason. Samples are never altered.
"""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.signals import nan_divide
from icpcohort.signals.cells import Cells, Reals, join, movement

Rule = Mapping[str, Any]
Flags = NDArray[np.bool_]
VALID = -1
OF_WAVEFORMS = ("no_pulse", "damping", "beats")
ROUNDING_S = 1e-6
_CELLS_AROUND = 8  # that a rule sees beyond the times it is set to
_GATHERED_CELLS = 3600


class Masked(NamedTuple):
    """Cells and, for each, the index of the rule that masks it, or `VALID`."""

    cells: Cells
    code: NDArray[np.int64]


def reason_of(rule: Rule) -> str:
    """Return the reason that a rule gives: its own name, or the event's."""
    return str(rule["event"]) if rule["rule"] == "event" else str(rule["rule"])


def rules_for(rules: Sequence[Rule], *, signal: str, tier: str, cell_s: float) -> list[Rule]:
    """Choose the rules for one signal of one recording, in their order.

    A jump is one between successive seconds: coarser numbers have none. Rules of the pulse
    are for waveforms.
    """
    return [
        rule
        for rule in rules
        if rule["signal"] == signal
        and rule.get("tier", tier) == tier
        and (rule["rule"] != "jump" or cell_s <= 1.0)
        and (rule["rule"] not in OF_WAVEFORMS or tier == "waveform")
    ]


class Masker:
    """Masks the cells of one signal as they come, holding back only what the rules reach.

    Cells are gathered to an hour of seconds before the rules are asked: what a rule sees
    around them would else be computed again for every short piece.

    Parameters
    ----------
    rules : from `rules_for`
    events : rows with `event`, `start_s` and `end_s`
        A null `end_s` lasts for ever.
    """

    def __init__(self, *, rules: Sequence[Rule], events: Sequence[Mapping[str, Any]]) -> None:
        self._rules, self._events = rules, events
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
        if self._n_held - self._n_done < _GATHERED_CELLS:
            return ready
        held = join(self._held)
        n_before, n_after = (
            max((reach[side] for reach in self._reaches(held)), default=1) for side in (0, 1)
        )
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
        return [_reach(rule, width_s=held.width_s) for rule in self._rules]

    def _coded(self, held: Cells, n_ready: int) -> Masked:
        """Ask every rule of as many cells as it can see, the last rule first."""
        code = np.full(n_ready - self._n_done, VALID)
        reaches = self._reaches(held)
        for index in reversed(range(len(self._rules))):
            n_before, n_after = reaches[index]
            first = max(0, self._n_done - n_before)
            seen = held.part(slice(first, n_ready + n_after))
            flags = _flags(seen, self._rules[index], self._events)
            code[flags[self._n_done - first : n_ready - first]] = index
        return Masked(held.part(slice(self._n_done, n_ready)), code)


def _flags(cells: Cells, rule: Rule, events: Sequence[Mapping[str, Any]]) -> Flags:
    if rule["rule"] == "event":
        return during(cells, rule, events)
    return SAMPLE_RULES[rule["rule"]](cells, rule)


def _touches(held: Cells, piece: Cells) -> bool:
    return bool(abs(held.t_s[-1] + held.width_s - piece.t_s[0]) < held.width_s / 2)


def _reach(rule: Rule, *, width_s: float) -> tuple[int, int]:
    """Return how many cells before and after a cell a rule must see to decide on it."""
    longest_s = rule.get("max_s", rule.get("min_s", 0.0)) + rule.get("margin_s", 0.0)
    longest_s += rule["max_s"] if rule["rule"] == "sampling" else 0.0
    before_s = longest_s + rule.get("settle_s", 0.0) * (rule["rule"] == "flush")
    before_s += rule.get("look_back_s", 0.0) + rule.get("window_s", 0.0)
    after_s = longest_s + rule.get("window_s", 0.0)
    return (
        int(np.ceil(before_s / width_s)) + _CELLS_AROUND,
        int(np.ceil(after_s / width_s)) + _CELLS_AROUND,
    )


def out_of_range(cells: Cells, rule: Rule) -> Flags:
    """Flag cells with a sample outside `min_mmhg`..`max_mmhg`, and `margin_s` around them.

    Source: limits are settings; published ones differ (PhysioNet's arterial signal-quality
    rules: systolic above 300, diastolic below 20 mmHg). For ICP common practice, no source.
    """
    outside = (cells.low_mmhg < rule["min_mmhg"]) | (cells.high_mmhg > rule["max_mmhg"])
    return _spread(outside, cells.width_s, rule["margin_s"])


def saturation(cells: Cells, rule: Rule) -> Flags:
    """Flag cells with a sample at an end of what the file can express, `margin_s` around.

    Source: common practice, no source; EDF, for one, has no code for an invalid sample.
    """
    return _spread(cells.at_limit, cells.width_s, rule["margin_s"])


def flat_line(cells: Cells, rule: Rule) -> Flags:
    """Flag cells in a stretch of `min_s` or more whose samples span `max_spread_mmhg` or less.

    A cell without a reading ends a stretch. Source: common practice, no source.
    """
    n = max(1, round(rule["min_s"] / cells.width_s))
    if n > cells.t_s.size:
        return np.zeros(cells.t_s.size, np.bool_)
    high = np.where(np.isnan(cells.high_mmhg), np.inf, cells.high_mmhg)
    low = np.where(np.isnan(cells.low_mmhg), -np.inf, cells.low_mmhg)
    begins = (
        _of_each(np.maximum, high, n) - _of_each(np.minimum, low, n)
        <= (rule["max_spread_mmhg"])
    )
    covered = np.zeros(cells.t_s.size + 1, np.int64)
    np.add.at(covered, np.flatnonzero(begins), 1)
    np.add.at(covered, np.flatnonzero(begins) + n, -1)
    return np.cumsum(covered)[:-1] > 0


def _of_each(extreme: np.ufunc, values: Reals, n: int) -> Reals:
    """Return the extreme of each `n` values that follow one another, in log2(n) passes."""
    width = 1  # of which `values` already has the extremes
    while 2 * width <= n:
        values, width = extreme(values[:-width], values[width:]), 2 * width
    left = n - width  # two windows of `width` that overlap make one of `n`
    return np.asarray(extreme(values[: values.size - left], values[left:]))


def no_pulse(cells: Cells, rule: Rule) -> Flags:
    """Flag stretches of `min_s` or more in which no second moves above `max_movement_mmhg`.

    Source: a loss of the cardiac component is named as a sign of a failed signal in reviews
    of ICP processing (from memory); limits common practice, no source.
    """
    still = movement(cells) <= rule["max_movement_mmhg"]
    return _stretches(still, _of_length(still, rule, cells.width_s))


def zeroing(cells: Cells, rule: Rule) -> Flags:
    """Flag stretches of `min_s` to `max_s` at zero without movement, entered or left by a step.

    At zero: within `max_offset_mmhg`. A step: `min_step_mmhg` or more within two cells.

    Source: common practice, no source: a transducer opened to air reads zero.
    """
    still = movement(cells) <= rule["max_movement_mmhg"]
    return _bounded(cells, still & (np.abs(cells.mean_mmhg) <= rule["max_offset_mmhg"]), rule)


def sampling(cells: Cells, rule: Rule) -> Flags:
    """Flag stretches of `min_s` to `max_s` without movement, away from the usual level.

    The line is closed to the patient: the pressure stands still or ramps, without pulse. Away:
    by `min_step_mmhg` or more from the median of the `max_s` before and after; 0 asks for
    nothing, but numbers, which hold still by themselves, need it.

    Source: common practice, no source.
    """
    still = movement(cells) <= rule["max_movement_mmhg"]
    if rule["min_step_mmhg"] > 0:
        n_around = 2 * int(rule["max_s"] / cells.width_s) + 1
        mean = pl.DataFrame({"mean": cells.mean_mmhg}, nan_to_null=True)
        around = pl.col("mean").rolling_median(n_around, min_samples=1, center=True)
        usual = mean.select(around)["mean"].to_numpy()
        still &= np.abs(cells.mean_mmhg - usual) >= rule["min_step_mmhg"]
    found = _stretches(still, _of_length(still, rule, cells.width_s))
    return _spread(found, cells.width_s, rule["margin_s"])


def disconnection(cells: Cells, rule: Rule) -> Flags:
    """Flag stretches of `min_s` or more outside `min_mmhg`..`max_mmhg` without movement.

    Source: common practice, no source.
    """
    mean = cells.mean_mmhg
    outside = (mean < rule["min_mmhg"]) | (mean > rule["max_mmhg"])
    still = outside & (movement(cells) <= rule["max_movement_mmhg"])
    return _stretches(still, _of_length(still, rule, cells.width_s))


def flush(cells: Cells, rule: Rule) -> Flags:
    """Flag cells that reach `min_mmhg`, near the bag's pressure, and the ringing after them.

    The cell before is flagged too, and `settle_s` after.

    Source: common practice, no source: bags are held at 300 mmHg.
    """
    high = cells.high_mmhg >= rule["min_mmhg"]
    n_after = int(np.ceil(rule["settle_s"] / cells.width_s))
    return _nearby(high, n_before=n_after, n_after=1)


def damping(cells: Cells, rule: Rule) -> Flags:
    """Flag stretches of `min_s` or more with a small pulse and the mean of before.

    Small: below `max_pulse_fraction` of the median over the `look_back_s` before, which must
    be there to the half. The pulse is the largest movement of three seconds; the mean, a
    median of ten, may differ by `max_mean_change_mmhg` from that of the look-back.

    Source: common practice, no source.
    """
    n = round(rule["look_back_s"])
    both = pl.DataFrame({"pulse": movement(cells), "mean": cells.mean_mmhg}, nan_to_null=True)
    pulse = pl.col("pulse").rolling_max(3, min_samples=1, center=True)
    mean = pl.col("mean")
    seen = both.select(
        pulse=pulse,
        usual_pulse=pulse.rolling_median(n, min_samples=max(1, n // 2)).shift(1),
        mean=mean.rolling_median(10, min_samples=1, center=True),
        usual_mean=mean.rolling_median(n, min_samples=max(1, n // 2)).shift(1),
    )
    values = {name: seen[name].to_numpy() for name in seen.columns}
    small = values["pulse"] < rule["max_pulse_fraction"] * values["usual_pulse"]
    change = np.abs(values["mean"] - values["usual_mean"])
    kept = change <= rule["max_mean_change_mmhg"]
    damped = small & kept & (cells.n_valid > 0)
    return _stretches(damped, _of_length(damped, rule, cells.width_s))


def abnormal_beats(cells: Cells, rule: Rule) -> Flags:
    """Flag cells that abnormal beats touch, where these are many.

    Many: at least `min_abnormal_fraction` of the beats within half of `window_s`, each beat
    counted in every cell that it touches. See `beats.abnormal` for the rules and their source.
    """
    n = int(rule["window_s"] / 2 / cells.width_s)
    n_beats, n_abnormal = (_count(c, n, n) for c in (cells.n_beats, cells.n_abnormal))
    share = nan_divide.divide(n_abnormal.astype(np.float64), n_beats, where=n_beats > 0)
    many = share >= rule["min_abnormal_fraction"]
    return np.asarray((cells.n_abnormal > 0) & many)


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


SAMPLE_RULES = {
    "range": out_of_range,
    "saturation": saturation,
    "flat_line": flat_line,
    "no_pulse": no_pulse,
    "zeroing": zeroing,
    "sampling": sampling,
    "disconnection": disconnection,
    "flush": flush,
    "damping": damping,
    "beats": abnormal_beats,
    "jump": jump,
}


class _Runs(NamedTuple):
    """Runs of flagged cells: the first of each, and the one after its last."""

    starts: NDArray[np.int64]
    ends: NDArray[np.int64]


def _runs(flags: Flags) -> _Runs:
    edges = np.diff(flags.astype(np.int8), prepend=0, append=0)
    return _Runs(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1))


def _of_length(flags: Flags, rule: Rule, width_s: float) -> _Runs:
    """Return the runs that last from `min_s` to `max_s`, if the rule has one."""
    starts, ends = _runs(flags)
    long_s = (ends - starts) * width_s
    kept = long_s >= rule["min_s"] - ROUNDING_S
    kept &= long_s <= rule.get("max_s", np.inf) + ROUNDING_S
    return _Runs(starts[kept], ends[kept])


def _stretches(flags: Flags, runs: _Runs) -> Flags:
    covered = np.zeros(flags.size + 1, np.int64)
    covered[runs.starts] = 1
    covered[runs.ends] -= 1
    return np.cumsum(covered)[:-1] > 0


def _bounded(cells: Cells, flags: Flags, rule: Rule) -> Flags:
    """Return the runs of the rule's length that a step enters or leaves, and their margin."""
    runs = _of_length(flags, rule, cells.width_s)
    mean = np.concatenate([[np.nan] * 2, cells.mean_mmhg, [np.nan] * 2])
    first, last = mean[runs.starts + 2], mean[runs.ends + 1]
    steps = [mean[runs.starts + 2 - k] - first for k in (1, 2)]
    steps += [mean[runs.ends + 1 + k] - last for k in (1, 2)]
    stepped = np.zeros(first.size, np.bool_) | (rule["min_step_mmhg"] == 0)
    for step in steps:
        stepped |= np.abs(step) >= rule["min_step_mmhg"]
    found = _stretches(flags, _Runs(runs.starts[stepped], runs.ends[stepped]))
    return _spread(found, cells.width_s, rule["margin_s"])


def _spread(flags: Flags, width_s: float, margin_s: float) -> Flags:
    """Flag cells that a margin touches: of numbers slower than it, still the one beside.

    A number averages its interval, so the ones beside may hold a part of what is wrong.
    """
    n = int(np.ceil(margin_s / width_s - ROUNDING_S))
    return _nearby(flags, n_before=n, n_after=n)


def _nearby(flags: Flags, *, n_before: int, n_after: int) -> Flags:
    """Flag cells with a flag among themselves, the `n_before` before, the `n_after` after."""
    return _count(flags, n_before, n_after) > 0


def _count(counts: NDArray[Any], n_before: int, n_after: int) -> NDArray[np.int64]:
    """Add up the counts of each cell, the `n_before` before and the `n_after` after."""
    total = np.concatenate([[0], np.cumsum(counts, dtype=np.int64)])
    here = np.arange(counts.size)
    last = np.minimum(here + n_after + 1, counts.size)
    return np.asarray(total[last] - total[np.maximum(here - n_before, 0)])


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
    signals = sorted({str(rule["signal"]).upper() for rule in rules}, reverse=True)
    return (
        f"Artefacts of {' and '.join(signals)} were masked, never altered, by {len(rules)} "
        f"{'rule' if len(rules) == 1 else 'rules'} in a stated order; the first that fits "
        "gives the reason. Of numbers recorded less often than the seconds around, the "
        "ones beside were masked too, since they average their interval."
    )
