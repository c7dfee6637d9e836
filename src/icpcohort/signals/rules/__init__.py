"""Rules: what is masked as artefact; one class per rule, with its settings and its words."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from icpcohort.contracts import declared_signals
from icpcohort.contracts.setting import Kinds, Setting
from icpcohort.signals.rules.bursts import Burst
from icpcohort.signals.rules.findings import DrainBySignal, LevelStep
from icpcohort.signals.rules.levels import FlatLine, Jump, Range, Saturation
from icpcohort.signals.rules.line import BloodSampling, Disconnection, Flush, Zeroing
from icpcohort.signals.rules.noise import NoisyLine, NoisyZeroing
from icpcohort.signals.rules.noted import Event
from icpcohort.signals.rules.pulse import Beats, Damping, NoPulse
from icpcohort.signals.rules.repeated import Hold, Repeat, ZeroLine
from icpcohort.signals.rules.rule import Events, Flags, Rule

__all__ = [
    "KINDS",
    "Beats",
    "Event",
    "Events",
    "Flags",
    "Rule",
    "Settings",
    "from_blocks",
    "methods_sentence",
    "without_effect",
]

KINDS: dict[str, type[Rule]] = {
    rule.kind: rule
    for rule in (
        *(Range, Saturation, FlatLine, NoPulse, Jump, Zeroing),
        *(Disconnection, Flush, BloodSampling, Damping, Beats, Event),
        *(Hold, Repeat, ZeroLine, NoisyLine, NoisyZeroing, Burst, LevelStep, DrainBySignal),
    )
}


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What is masked as artefact."""

    rules: Annotated[
        Sequence[Rule],
        Setting(
            "Cleaning rules in their order; the first that masks a second gives the reason",
            "each rule names its own",
            [{"rule": "jump", "signal": "icp", "max_step": 15.0, "margin_s": 5.0}],
        ),
        Kinds(KINDS, "One cleaning rule; `rule` says which settings it has", "range"),
    ]


def from_blocks(blocks: Sequence[Mapping[str, Any]]) -> list[Rule]:
    """Return the rules of `cleaning.rules` of the settings, in their order."""
    return [
        KINDS[block["rule"]](**{name: value for name, value in block.items() if name != "rule"})
        for block in blocks
    ]


def _listed(words: Sequence[str]) -> str:
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last


def without_effect(
    kinds: Sequence[str], *, rules: Sequence[Rule], not_during: Sequence[str]
) -> list[str]:
    """Return the kinds of event without effect: no rule masks them, no index stops for them."""
    used = {rule.event for rule in rules if isinstance(rule, Event)} | set(not_during)
    used |= {rule.kind for rule in rules if rule.is_finding and rule.masks}
    return sorted(set(kinds) - used)


def methods_sentence(rules: Sequence[Rule], *, declared: Mapping[str, Any]) -> str:
    """Return the report's sentence for the masking."""
    found = _found(rules)
    rules = [rule for rule in rules if rule.masks]
    if not rules:
        return f"No part of the recordings was masked.{found}"
    masked = {rule.signal for rule in rules}
    labels = declared_signals.labels(declared)
    signals = [label for name, label in labels.items() if name in masked]
    return (
        f"Artefacts of {_listed(signals)} were masked, never altered, by {len(rules)} "
        f"{'rule' if len(rules) == 1 else 'rules'} in a stated order; the first that fits "
        "gives the reason. Of numbers recorded less often than the seconds around, the "
        f"ones beside were masked too, since they average their interval.{found}"
    )


def _found(rules: Sequence[Rule]) -> str:
    """Return a sentence, after a blank, for what is noted from the signals without masking."""
    kinds = sorted({f"'{r.kind.replace('_', ' ')}'" for r in rules if not r.masks})
    if not kinds:
        return ""
    return f" Noted from the signals as events, without masking: {_listed(kinds)}."
