"""Level rules: readings that no patient or sensor can give, steps, and flat lines."""

from dataclasses import dataclass
from typing import Annotated, ClassVar

import numpy as np
from numpy.typing import NDArray

from icpcohort.contracts.setting import COMMON_PRACTICE, OF_THE_STUDY, Setting
from icpcohort.signals.cells import Cells, Reals
from icpcohort.signals.rules.rule import Events, Flags, Margin, Rule, Tier, nearby, spread
from icpcohort.signals.rules.windows import covered_by, extreme_of_each

_LIMITS = (
    "plausible limits of ICP -10 to 100 mmHg, some use -15 to 200 (from memory, medium); of "
    "ABP: beat rules of Sun 2006, "
)
_AROUND = 4  # times the shortest stretch, in which the steps of numbers are looked at
_ROUNDING = 1e-6

_AROUND_S = 5  # seconds before and after one, among which a clipped value is the extreme
_MIN_SECONDS = 4  # of these that hold it
_MIN_STANDING_S = 3  # of a stretch at one value
_LONGEST_S = 60  # of it that is seen from each of its ends


def _of_sensor(side: str, end: str, example: float) -> Setting:
    return Setting(
        f"The {end} reading that the sensor can give, in the unit of the signal; readings at it"
        f" or {side} are masked. Left out: not known",
        OF_THE_STUDY,
        example,
        at_least=-500,
        at_most=500,
    )


@dataclass(frozen=True, kw_only=True)
class Range(Rule):
    """Masks readings outside plausible limits."""

    kind: ClassVar[str] = "range"

    min: Annotated[
        float,
        Setting(
            "Readings below this are masked, in the unit of the signal",
            f"{_LIMITS}diastolic below 20 mmHg [confirmed]",
            -10.0,
            at_least=-500,
            at_most=500,
        ),
    ]
    max: Annotated[
        float,
        Setting(
            "Readings above this are masked, in the unit of the signal",
            f"{_LIMITS}systolic above 300 mmHg [confirmed]",
            100.0,
            at_least=-500,
            at_most=500,
        ),
    ]
    margin_s: Margin

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag cells with a sample outside the limits, and the margin around them.

        Source: limits are settings; published ones differ (PhysioNet's arterial signal-quality
        rules: systolic above 300, diastolic below 20 mmHg). For ICP common practice, no source.
        """
        outside = (cells.low < self.min) | (cells.high > self.max)
        return spread(outside, cells.width_s, self.margin_s)

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        return self.margin_s, self.margin_s

    def words(self, unit: str) -> str:
        """See `Rule`."""
        return f"outside {self.min:g} to {self.max:g} {unit}"


@dataclass(frozen=True, kw_only=True)
class Saturation(Rule):
    """Masks readings that a sensor or a file holds at its limit."""

    kind: ClassVar[str] = "saturation"

    margin_s: Margin
    sensor_min: Annotated[float | None, _of_sensor("below", "lowest", -50.0)] = None
    sensor_max: Annotated[float | None, _of_sensor("above", "highest", 300.0)] = None

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag cells with a reading at a limit of the sensor, or held at one value.

        Held, in waveforms: the value is the extreme of eleven seconds, and `clipping` has it
        in `_MIN_SECONDS` of these; or it is all that `_MIN_STANDING_S`
        successive seconds have, beyond the readings of the second before or after. Where such
        a stretch is long, only `_LONGEST_S` of it at each end are seen; `flat_line` has what
        is longer.

        Source: common practice, no source; the limits are our own.
        """
        at_limit = np.zeros(cells.t_s.size, np.bool_)
        if self.sensor_min is not None:
            at_limit |= cells.low <= self.sensor_min
        if self.sensor_max is not None:
            at_limit |= cells.high >= self.sensor_max
        if not np.isnan(cells.pulse).all():
            at_limit |= _clipped(cells.high, cells.held_high)
            at_limit |= _clipped(-cells.low, cells.held_low)
            at_limit |= _standing(cells)
        return spread(at_limit, cells.width_s, self.margin_s)

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        reach_s = max(2 * _AROUND_S, _LONGEST_S) + self.margin_s
        return reach_s, reach_s

    def words(self, unit: str) -> str:
        """See `Rule`."""
        limits = [
            f"at or {side} {limit:g} {unit}, the limit of the sensor"
            for side, limit in (("below", self.sensor_min), ("above", self.sensor_max))
            if limit is not None
        ]
        return " or ".join(["held at one extreme value, as at a limit of a sensor", *limits])


def _clipped(high: Reals, held: Flags) -> Flags:
    """Flag cells at the highest value of a stretch that holds it in several cells."""
    if not held.any():
        return held
    n, size = _AROUND_S, high.size
    around = 2 * n + 1
    top = extreme_of_each(
        np.maximum, np.pad(np.nan_to_num(high, nan=-np.inf), n, constant_values=-np.inf), around
    )
    held_at = np.pad(np.where(held, high, np.nan), n, constant_values=np.nan)
    n_held = np.zeros(size, np.int64)
    for step in range(around):
        n_held += held_at[step : step + size] == top
    limit = np.pad(np.where(n_held >= _MIN_SECONDS, top, np.nan), n, constant_values=np.nan)
    flags = np.zeros(size, np.bool_)
    for step in range(around):
        flags |= limit[step : step + size] == high
    return flags


def _standing(cells: Cells) -> Flags:
    """Flag cells in stretches of one value that a step enters or leaves.

    The step: further from the readings of the second beside than these span themselves.
    """
    one: Flags = np.asarray(cells.low == cells.high)
    if not one.any():
        return one
    here = np.arange(one.size)
    begins = one & (np.append(True, ~one[:-1] | (cells.low[1:] != cells.low[:-1])))
    ends = one & np.append(begins[1:] | ~one[1:], True)
    first = np.maximum.accumulate(np.where(begins, here, 0))
    last = np.minimum.accumulate(np.where(ends, here, one.size)[::-1])[::-1]
    before, after = np.maximum(first - 1, 0), np.minimum(last + 1, one.size - 1)
    entered = _beyond(cells, before) & (here - first < _LONGEST_S)
    left = _beyond(cells, after) & (last - here < _LONGEST_S)
    return np.asarray(one & (last - first + 1 >= _MIN_STANDING_S) & (entered | left))


def _beyond(cells: Cells, beside: NDArray[np.int64]) -> Flags:
    """Return whether each cell lies further from the one beside than that one spans."""
    span = cells.high[beside] - cells.low[beside]
    away = np.maximum(cells.low - cells.high[beside], cells.low[beside] - cells.high)
    return np.asarray((span > 0) & (away > span))


@dataclass(frozen=True, kw_only=True)
class Jump(Rule):
    """Masks sudden steps."""

    kind: ClassVar[str] = "jump"
    up_to_cell_s: ClassVar[float] = 1.0  # a jump is one between successive seconds

    max_step: Annotated[
        float,
        Setting(
            "Larger steps are masked, in the unit of the signal",
            "common practice, no source: 10 to 20 mmHg within 1 to 2 s is usual for ICP (from "
            "memory, medium)",
            15.0,
            above=0,
            at_most=300,
        ),
    ]
    margin_s: Margin

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag both seconds of a larger step, and the margin around them.

        Source: common practice, no source.
        """
        step = np.abs(np.diff(cells.mean)) > self.max_step
        flags = np.zeros(cells.t_s.size, np.bool_)
        flags[1:] |= step
        flags[:-1] |= step
        return spread(flags, cells.width_s, self.margin_s)

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        return self.margin_s, self.margin_s

    def words(self, unit: str) -> str:
        """See `Rule`."""
        return (
            f"changing by more than {self.max_step:g} {unit} from one second to the next"
            " (recordings of 1 Hz or more)"
        )


@dataclass(frozen=True, kw_only=True)
class FlatLine(Rule):
    """Masks stretches in which the signal hardly moves."""

    kind: ClassVar[str] = "flat_line"

    tier: Tier
    max_spread: Annotated[
        float,
        Setting(
            "Highest minus lowest reading that still counts as flat, in the unit of the signal",
            "common practice, no source: a standard deviation below 0.05 mmHg for 30 to 60 s "
            "is usual at waveform rate (from memory, medium)",
            0.1,
            at_least=0,
            at_most=50,
        ),
    ]
    min_s: Annotated[
        float,
        Setting(
            "Shortest flat stretch that is masked, in seconds",
            "common practice, no source: 30 to 60 s is usual at waveform rate (from memory, "
            "medium)",
            30.0,
            above=0,
            at_most=86400,
        ),
    ]
    max_step: Annotated[
        float | None,
        Setting(
            "Asked of numbers only where some change from one to the next by no more than "
            "this, in the unit of the signal, within four times `min_s`: a steady patient in "
            "coarse steps stands still. Left out: of all",
            COMMON_PRACTICE,
            0.25,
            above=0,
            at_most=50,
        ),
    ] = None

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag cells in a stretch of `min_s` or more whose samples span no more than the limit.

        A cell without a reading ends a stretch. Source: common practice, no source.
        """
        n = max(1, round(self.min_s / cells.width_s))
        if n > cells.t_s.size:
            return np.zeros(cells.t_s.size, np.bool_)
        high = np.where(np.isnan(cells.high), np.inf, cells.high)
        low = np.where(np.isnan(cells.low), -np.inf, cells.low)
        spans = extreme_of_each(np.maximum, high, n) - extreme_of_each(np.minimum, low, n)
        flat = covered_by(spans <= self.max_spread, n)
        if self.max_step is None:
            return flat
        step = np.abs(np.diff(cells.mean, prepend=np.nan))
        fine = (step > 0) & (step <= self.max_step + _ROUNDING)
        return flat & nearby(fine, n_before=_AROUND * n, n_after=_AROUND * n)

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        reach_s = self.min_s if self.max_step is None else self.min_s * _AROUND
        return reach_s, reach_s

    def words(self, unit: str) -> str:
        """See `Rule`."""
        span = self.max_spread
        still = f"within {span:g} {unit}" if span else "without any change"
        fine = (
            f", where numbers change by {self.max_step:g} {unit} or less within"
            f" {_AROUND * self.min_s:g} s"
            if self.max_step
            else ""
        )
        return f"{still} for {self.min_s:g} s or longer{fine}"
