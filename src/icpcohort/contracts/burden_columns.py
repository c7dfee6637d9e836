"""Burden columns: the names of the burden measures in the analysis table, and their words."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any, NamedTuple

from icpcohort.contracts import declared_signals
from icpcohort.contracts.columns import Column, unit_words
from icpcohort.contracts.declared_signals import Series
from icpcohort.contracts.indices import BURDEN

SIDES = ("above", "below", "outside")
MEASURES = ("dose", "dose_per_h", "percent_time", "n_episodes", "longest_episode_min")
_NAMES = {"dose": "dose_{suffix}_h", "dose_per_h": "dose_per_h_{suffix}"}
_UNITS = {"dose": "{ucum}.h", "dose_per_h": "{ucum}"}
_WORDS = {
    "dose": "the {signal} dose {beyond} ({unit}·h)",
    "dose_per_h": "the {signal} dose {beyond} per monitored hour ({unit}·h/h)",
    "percent_time": "the time with {signal} {beyond} (% of the valid minutes)",
    "n_episodes": "the number of episodes with {signal} {beyond}",
    "longest_episode_min": "the longest episode with {signal} {beyond} (min)",
}


NAME = re.compile(
    r"(?P<signal>[a-z][a-z0-9_]*?)_(?P<side>above|below|outside)_(?P<low>[0-9]+(?:_[0-9]+)*)_"
    r"(?P<measure>dose_per_h|dose|percent_time|n_episodes|longest_episode_min)"
    r"(?:_(?P<suffix>[a-z][a-z0-9_]*))?"
)


class Threshold(NamedTuple):
    """What burden lies beyond: one threshold, or outside of two."""

    signal: str
    side: str
    threshold: float
    upper_threshold: float  # the same, unless the side is outside

    def values(self) -> str:
        """Return the threshold as people write it: 20, or 30 to 45."""
        limits = (self.threshold, self.upper_threshold)[: 1 + (self.side == "outside")]
        return " to ".join(f"{limit:g}" for limit in limits)


class Named(NamedTuple):
    """A burden column taken apart: what it is beyond, and its measure in `BURDEN`."""

    threshold: Threshold
    measure: str


def thresholds(declared: Mapping[str, Any]) -> Iterator[Threshold]:
    """Yield every threshold beyond which burden is added up, in order.

    Parameters
    ----------
    declared : mapping
        Sections of the settings by their names, of which `burden.thresholds` is read: for
        each signal the values of the sides `above` and `below`, and the ranges `outside`,
        each with `low` and `high`. Without it there is no threshold.
    """
    for signal, sides in declared.get("burden", {}).get("thresholds", {}).items():
        for side in ("above", "below"):
            for value in sides.get(side, ()):
                yield Threshold(signal, side, value, value)
        for limits in sides.get("outside", ()):
            yield Threshold(signal, "outside", limits["low"], limits["high"])


def name(threshold: Threshold, measure: str, declared: Mapping[str, Any]) -> str:
    """Return the analysis table's name of one burden measure, as `icp_above_20_dose_mmhg_h`."""
    signal = declared_signals.series(declared)[threshold.signal]
    return _name(threshold, measure, signal)


def _name(threshold: Threshold, measure: str, signal: Series) -> str:
    suffix = signal.column.removeprefix(f"{threshold.signal}_")
    values = threshold.values().replace(" to ", "_").replace(".", "_").replace("-", "minus_")
    of_measure = _NAMES.get(measure, measure).format(suffix=suffix)
    return f"{threshold.signal}_{threshold.side}_{values}_{of_measure}"


def taken_apart(declared: Mapping[str, Any]) -> dict[str, Named]:
    """Return what each burden column of the analysis table is, in order; see `thresholds`."""
    signals = declared_signals.series(declared)
    return {
        _name(threshold, measure, signals[threshold.signal]): Named(threshold, measure)
        for threshold in thresholds(declared)
        for measure in MEASURES
    }


def words(column: str) -> str | None:
    """Return a burden column in words with its unit; None for any other column.

    For where no declaration is at hand: a signal is then called by its name, in capitals.
    """
    parts = NAME.fullmatch(column)
    if not parts:
        return None
    suffix = (parts["suffix"] or "").removesuffix("_h" if parts["measure"] == "dose" else "")
    units = {unit.suffix: unit_words(unit.ucum) for unit in declared_signals.UNITS.values()}
    unit = units.get(suffix, "mmHg")
    low = parts["low"].replace("_", " to " if parts["side"] == "outside" else ".")
    return _WORDS[parts["measure"]].format(
        signal=parts["signal"].upper(), beyond=f"{parts['side']} {low} {unit}", unit=unit
    )


def names(declared: Mapping[str, Any]) -> list[str]:
    """Return the names of the burden columns of the analysis table; see `thresholds`."""
    signals = declared_signals.series(declared)
    return [
        _name(threshold, measure, signals[threshold.signal])
        for threshold in thresholds(declared)
        for measure in MEASURES
    ]


def beyond(threshold: Threshold, declared: Mapping[str, Any]) -> str:
    """Return a signal and its threshold in words: ICP above 20 mmHg."""
    about = declared_signals.series(declared)[threshold.signal].about
    return f"{about.label} {_beyond(threshold, about)}"


def _beyond(threshold: Threshold, about: Column) -> str:
    return f"{threshold.side} {threshold.values()} {unit_words(about.unit)}".strip()


def wide(declared: Mapping[str, Any]) -> dict[str, Column]:
    """Return the burden columns of the analysis table, in order; see `thresholds`."""
    signals, columns = declared_signals.series(declared), {}
    for column, (threshold, measure) in taken_apart(declared).items():
        about = signals[threshold.signal].about
        words = {
            "signal": about.label,
            "beyond": _beyond(threshold, about),
            "unit": unit_words(about.unit),
        }
        of_measure = BURDEN.columns[measure]
        columns[column] = replace(
            of_measure,
            unit=_UNITS.get(measure, of_measure.unit).format(ucum=about.unit),
            about=f"{of_measure.label} of {words['signal']} {words['beyond']}",
            label="",
            in_full=_WORDS[measure].format(**words),
            formerly="",
        )
    return columns
