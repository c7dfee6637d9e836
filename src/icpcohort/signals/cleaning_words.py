"""Rule words: each cleaning rule as the methods table says it, from the same settings."""

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from icpcohort.signals import cleaning

Rule = Mapping[str, Any]


class Said(NamedTuple):
    """One rule in words: its name, its signal, which recordings, and what it masks."""

    name: str
    signal: str
    recordings: str
    masks: str


def words(rule: Rule) -> Said:
    """Return what a rule masks, for the methods text."""
    said = f"{_WORDS[rule['rule']](rule)}{_around(rule.get('margin_s', 0.0))}"
    tier = "waveform" if rule["rule"] in cleaning.OF_WAVEFORMS else rule.get("tier", "all")
    named = f": {rule['event']}" if rule["rule"] == "event" else ""
    return Said(
        f"{rule['rule']}{named}".replace("_", " "),
        str(rule["signal"]).upper(),
        str(tier).replace("_", " "),
        said.replace(" -", " \N{MINUS SIGN}"),
    )


def _flat_words(rule: Rule) -> str:
    spread = rule["max_spread_mmhg"]
    said = f"within {spread:g} mmHg" if spread else "without any change"
    return f"{said} for {rule['min_s']:g} s or longer"


def _still_words(rule: Rule) -> str:
    return (
        f"moving by {rule['max_movement_mmhg']:g} mmHg or less"
        f" for {rule['min_s']:g} to {rule['max_s']:g} s"
    )


def _zeroing_words(rule: Rule) -> str:
    step = rule["min_step_mmhg"]
    bound = f", entered or left by a step of {step:g} mmHg or more" if step else ""
    zero = f"within {rule['max_offset_mmhg']:g} mmHg of zero"
    return f"{zero}, {_still_words(rule)}{bound}"


def _sampling_words(rule: Rule) -> str:
    step = rule["min_step_mmhg"]
    away = f" and {step:g} mmHg or more from the median around" if step else ""
    return f"{_still_words(rule)}{away}"


def _beats_words(rule: Rule) -> str:
    counted = (
        f", a change from the beat before of more than"
        f" {rule['max_pressure_change_mmhg']:g} mmHg or {rule['max_period_change_s']:g} s,"
        if rule["changes"] == "counted"
        else ", changes from beat to beat not counted,"
    )
    return (
        f"touched by abnormal beats (systolic above {rule['max_systolic_mmhg']:g},"
        f" diastolic below {rule['min_diastolic_mmhg']:g}, mean outside"
        f" {rule['min_mean_mmhg']:g} to {rule['max_mean_mmhg']:g}, pulse pressure below"
        f" {rule['min_pulse_mmhg']:g} mmHg, rate outside {rule['min_rate_per_min']:g} to"
        f" {rule['max_rate_per_min']:g} per min, falling by more than"
        f" {rule['max_fall_mmhg_per_s']:g} mmHg/s on average{counted} after Sun, Reisner and"
        f" Mark 2006) where these are {100 * rule['min_abnormal_fraction']:g} % or more of the"
        f" beats in {rule['window_s']:g} s"
    )


def _event_words(rule: Rule) -> str:
    settle_s = rule["settle_s"]
    after = f" and the {settle_s:g} s after" if settle_s else ""
    return f"during '{str(rule['event']).replace('_', ' ')}'{after}"


_WORDS: dict[str, Callable[[Rule], str]] = {
    "range": lambda r: f"outside {r['min_mmhg']:g} to {r['max_mmhg']:g} mmHg",
    "saturation": lambda _: "at an end of what its file can express",
    "flat_line": _flat_words,
    "no_pulse": lambda r: (
        f"without a pulse, moving by {r['max_movement_mmhg']:g} mmHg or less"
        f" for {r['min_s']:g} s or longer"
    ),
    "zeroing": _zeroing_words,
    "sampling": _sampling_words,
    "disconnection": lambda r: (
        f"outside {r['min_mmhg']:g} to {r['max_mmhg']:g} mmHg and moving by"
        f" {r['max_movement_mmhg']:g} mmHg or less for {r['min_s']:g} s or longer"
    ),
    "flush": lambda r: f"of {r['min_mmhg']:g} mmHg or more and the {r['settle_s']:g} s after",
    "damping": lambda r: (
        f"with a pulse pressure below {100 * r['max_pulse_fraction']:g} % of its"
        f" median over the {r['look_back_s'] / 60:g} min before and a mean within"
        f" {r['max_mean_change_mmhg']:g} mmHg of it, for {r['min_s']:g} s or longer"
    ),
    "beats": _beats_words,
    "jump": lambda r: (
        f"changing by more than {r['max_step_mmhg']:g} mmHg from one second to the next"
        " (recordings of 1 Hz or more)"
    ),
    "event": _event_words,
}


def _around(margin_s: float) -> str:
    return f" with {margin_s:g} s around" if margin_s else ""
