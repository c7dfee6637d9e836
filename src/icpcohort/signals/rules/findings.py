"""Findings: what a signal shows and need not be wrong; masked only where a setting asks."""

from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

import numpy as np
import polars as pl

from icpcohort.contracts import DRAIN_BY_SIGNAL, LEVEL_STEP
from icpcohort.contracts.setting import COMMON_PRACTICE, OF_THE_STUDY, Setting
from icpcohort.signals.cells import Cells, movement
from icpcohort.signals.rules.noise import Intracranial
from icpcohort.signals.rules.rule import (
    Events,
    Flags,
    Rule,
    Runs,
    Shortest,
    Tier,
    nearby,
    runs,
    stretches,
)
from icpcohort.signals.rules.windows import covered_by

_INNER = (0.1, 0.9)  # what a side spans: without the tenth at each end, where coughs lie
_LEAST_OF_A_SIDE = 5  # numbers
_SUDDEN = 1.5  # times: by so much the pulse falls where a drain is opened
_USUAL = 0.75  # of the pulses around: up to three quarters of them may be small
_PULSE_S = 10
_LEVEL_S = 30
_BESIDE_S = 3  # not looked at, on either side of the opening


@dataclass(frozen=True, kw_only=True)
class LevelStep(Rule):
    """Notes a step of the level that stays: transducer moved, unit switched, zeroed anew."""

    kind: ClassVar[str] = LEVEL_STEP
    is_finding: ClassVar[bool] = True

    tier: Tier
    min_step: Annotated[
        float,
        Setting(
            "Smallest difference of the medians before and after, in the unit of the signal",
            "common practice, no source: 10 cm of height are 7.4 mmHg",
            5.0,
            above=0,
            at_most=300,
        ),
    ]
    within_s: Annotated[
        float,
        Setting(
            "Time within which the level changes, in seconds; of slower numbers from one to "
            "the next",
            COMMON_PRACTICE,
            5.0,
            above=0,
            at_most=600,
        ),
    ]
    side_s: Annotated[
        float,
        Setting(
            "Length of the steady stretch before and after, in seconds; at least five numbers",
            COMMON_PRACTICE,
            60.0,
            above=0,
            at_most=3600,
        ),
    ]
    max_spread: Annotated[
        float,
        Setting(
            "Both sides are steady: the middle 80 % of their readings span no more, in the "
            "unit of the signal",
            COMMON_PRACTICE,
            4.0,
            above=0,
            at_most=100,
        ),
    ]
    mask_after_s: Annotated[
        float,
        Setting(
            "Masked from the step on, in seconds; with 0 it is an event that the signal shows, "
            "and nothing is masked: what comes after is not known to be wrong",
            OF_THE_STUDY,
            0.0,
            at_least=0,
            at_most=86400,
        ),
    ]

    @property
    def masks(self) -> bool:
        """See `Rule`."""
        return self.mask_after_s > 0

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag the cells in which the level changes, and `mask_after_s` after them.

        Before them and after them the signal is steady for `side_s`, at medians that differ
        by `min_step` or more, and so do the cells themselves. Source: own choice.
        """
        n, n_gap, n_side = cells.t_s.size, *self._lengths(cells.width_s)
        if n < 2 * n_side + n_gap - 1:
            return np.zeros(n, np.bool_)
        mean = pl.DataFrame({"mean": cells.mean}, nan_to_null=True)
        level = pl.col("mean").rolling_median(n_side, min_samples=n_side)
        low, high = (
            pl.col("mean").rolling_quantile(
                of, interpolation="nearest", window_size=n_side, min_samples=n_side
            )
            for of in _INNER
        )
        sides = mean.select(level=level, spread=high - low)
        median, span = (sides[name].to_numpy() for name in sides.columns)
        # the sides of the change from one cell to the one `n_gap` later, by where they end
        before, after = (
            slice(n_side - 1, n - n_gap - n_side + 1),
            slice(2 * n_side + n_gap - 2, n),
        )
        stepped = np.abs(median[after] - median[before]) >= self.min_step
        stepped &= (span[before] <= self.max_spread) & (span[after] <= self.max_spread)
        change = cells.mean[n_side - 1 + n_gap : n - n_side + 1] - cells.mean[before]
        stepped &= np.abs(change) >= self.min_step
        begins = np.zeros(n - n_gap, np.bool_)
        begins[before] = stepped
        flags = covered_by(begins, n_gap + 1)
        return nearby(flags, n_before=int(self.mask_after_s / cells.width_s), n_after=0)

    def _lengths(self, width_s: float) -> tuple[int, int]:
        """Return how many cells the change takes, and how many a side has."""
        n_side = max(_LEAST_OF_A_SIDE, round(self.side_s / width_s))
        return max(1, round(self.within_s / width_s)), n_side

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        width_s = {"waveform": 1.0, "seconds": 1.0, "ten_seconds": 10.0}.get(self.tier, 300.0)
        reach_s = self.within_s + max(self.side_s, _LEAST_OF_A_SIDE * width_s)
        return reach_s + self.mask_after_s, reach_s

    def words(self, unit: str) -> str:
        """See `Rule`."""
        after = (
            f", and the {self.mask_after_s:g} s after" if self.masks else ": noted, not masked"
        )
        return (
            f"a step of the level by {self.min_step:g} {unit} or more within"
            f" {self.within_s:g} s, steady (within {self.max_spread:g} {unit} but for a fifth)"
            f" for {self.side_s:g} s before and after{after}"
        )


@dataclass(frozen=True, kw_only=True)
class DrainBySignal(Rule):
    """Notes an ICP as of an open drain: suddenly a small pulse at a steady level."""

    kind: ClassVar[str] = DRAIN_BY_SIGNAL
    is_finding: ClassVar[bool] = True
    waveforms_only: ClassVar[bool] = True

    signal: Intracranial
    look_around_s: Annotated[
        float,
        Setting(
            "Length of the time before, and of that after, over which the usual pulse is taken;"
            " half of it must have readings",
            COMMON_PRACTICE,
            1800.0,
            at_least=60,
            at_most=86400,
        ),
    ]
    max_pulse_fraction: Annotated[
        float,
        Setting(
            "Pulses below this share of the usual one are small",
            COMMON_PRACTICE,
            0.5,
            above=0,
            below=1,
        ),
    ]
    max_spread_mmhg: Annotated[
        float,
        Setting(
            "The level is steady: the middle 80 % of the means of the 30 s before or after "
            "span no more",
            COMMON_PRACTICE,
            2.0,
            above=0,
            at_most=50,
        ),
    ]
    min_s: Shortest
    then: Annotated[
        Literal["noted", "masked"],
        Setting(
            "What is done with it: `noted` as an event that the signal shows, or `masked` too; "
            "a damped catheter looks the same",
            OF_THE_STUDY,
            "noted",
        ),
    ]

    @property
    def masks(self) -> bool:
        """See `Rule`."""
        return self.then == "masked"

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag stretches of `min_s` or more with a small pulse at a steady level.

        The usual pulse, 1 mmHg or more, is the larger of the upper quartiles before and after.
        It falls to two thirds or less within 16 s where the stretch begins. A stretch longer
        than `look_around_s` has no usual pulse beside it. Source: own choice.
        """
        n = round(self.look_around_s)
        both = pl.DataFrame({"pulse": movement(cells), "mean": cells.mean}, nan_to_null=True)
        pulse, mean = pl.col("pulse").rolling_max(3, min_samples=1, center=True), pl.col("mean")
        before = pulse.rolling_quantile(
            _USUAL, interpolation="nearest", window_size=n, min_samples=n // 2
        )
        low, high = (
            mean.rolling_quantile(
                of, interpolation="nearest", window_size=_LEVEL_S, min_samples=_LEVEL_S // 2
            )
            for of in _INNER
        )
        spread = high - low
        seen = both.select(
            pulse=pulse.rolling_median(5, min_samples=3, center=True),
            usual=pl.max_horizontal(before, before.shift(1 - n)),
            spread=pl.min_horizontal(spread, spread.shift(1 - _LEVEL_S)),
            recent=pulse.rolling_median(_PULSE_S, min_samples=_PULSE_S // 2),
        )
        values = {name: seen[name].to_numpy() for name in seen.columns}
        small = values["pulse"] < self.max_pulse_fraction * values["usual"]
        small &= (values["usual"] >= 1.0) & (values["spread"] <= self.max_spread_mmhg)
        some = runs(small, width_s=cells.width_s, min_s=self.min_s, max_s=self.look_around_s)
        recent = values["recent"]
        first = recent[np.maximum(some.starts - _BESIDE_S, 0)]
        then = recent[np.minimum(some.starts + _BESIDE_S + _PULSE_S - 1, recent.size - 1)]
        sudden = first >= _SUDDEN * then
        return stretches(small.size, Runs(some.starts[sudden], some.ends[sudden]))

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        reach_s = 2 * self.look_around_s + _LEVEL_S
        return reach_s, reach_s

    def words(self, _unit: str) -> str:
        """See `Rule`."""
        return (
            f"with a pulse suddenly below {100 * self.max_pulse_fraction:g} % of its upper"
            f" quartile over the {self.look_around_s:g} s before or after, at a level"
            f" within {self.max_spread_mmhg:g} mmHg in {_LEVEL_S} s but for a fifth, for"
            f" {self.min_s:g} s or longer{'' if self.masks else ': noted, not masked'}"
        )
