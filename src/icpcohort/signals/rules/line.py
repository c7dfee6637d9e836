"""Line rules: what staff do to a transducer and its line: zeroing, sampling, flushing, air."""

from dataclasses import dataclass
from typing import Annotated, ClassVar

import numpy as np
import polars as pl

from icpcohort.contracts.setting import COMMON_PRACTICE, Setting
from icpcohort.signals.cells import Cells, movement
from icpcohort.signals.rules.rule import (
    Arterial,
    Events,
    Flags,
    Longest,
    Margin,
    Movement,
    Pressure,
    Rule,
    Shortest,
    Tier,
    nearby,
    runs,
    spread,
    stepped,
    stretches,
)


@dataclass(frozen=True, kw_only=True)
class Still(Rule):
    """A stretch of some length without movement."""

    signal: Pressure
    tier: Tier
    max_movement_mmhg: Movement
    min_s: Shortest
    max_s: Longest
    margin_s: Margin

    def still_words(self) -> str:
        """Return how still, and for how long, in words."""
        return (
            f"moving by {self.max_movement_mmhg:g} mmHg or less"
            f" for {self.min_s:g} to {self.max_s:g} s"
        )


@dataclass(frozen=True, kw_only=True)
class Zeroing(Still):
    """Masks the zeroing of a transducer: short, at zero, entered or left by a step."""

    kind: ClassVar[str] = "zeroing"

    max_offset_mmhg: Annotated[
        float,
        Setting(
            "Largest distance from zero that still counts as zero",
            COMMON_PRACTICE,
            2.0,
            at_least=0,
            at_most=50,
        ),
    ]
    min_step_mmhg: Annotated[
        float,
        Setting(
            "Smallest step into or out of the stretch, within two readings; 0 asks for none",
            COMMON_PRACTICE,
            4.0,
            at_least=0,
            at_most=300,
        ),
    ]

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag stretches at zero without movement, entered or left by a step.

        At zero: within `max_offset_mmhg`. A step: `min_step_mmhg` or more within two cells.

        Source: common practice, no source: a transducer opened to air reads zero.
        """
        still = movement(cells) <= self.max_movement_mmhg
        still &= np.abs(cells.mean) <= self.max_offset_mmhg
        still_runs = runs(still, width_s=cells.width_s, min_s=self.min_s, max_s=self.max_s)
        kept = stepped(still_runs, cells.mean, min_step=self.min_step_mmhg)
        return spread(stretches(still.size, kept), cells.width_s, self.margin_s)

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        return self.max_s + self.margin_s, self.max_s + self.margin_s

    def words(self, _unit: str) -> str:
        """See `Rule`."""
        step = self.min_step_mmhg
        bound = f", entered or left by a step of {step:g} mmHg or more" if step else ""
        return f"within {self.max_offset_mmhg:g} mmHg of zero, {self.still_words()}{bound}"


@dataclass(frozen=True, kw_only=True)
class BloodSampling(Still):
    """Masks blood sampling from the arterial line: the pulse is lost and returns."""

    kind: ClassVar[str] = "blood_sampling"

    signal: Arterial
    min_step_mmhg: Annotated[
        float,
        Setting(
            "Smallest distance from the median of the longest stretch before and after; 0 asks"
            " for none",
            COMMON_PRACTICE,
            0.0,
            at_least=0,
            at_most=300,
        ),
    ]

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag stretches without movement, away from the usual level.

        The line is closed to the patient: the pressure stands still or ramps, without pulse.
        Away: by `min_step_mmhg` or more from the median of the `max_s` before and after; 0
        asks for nothing, but numbers, which hold still by themselves, need it.

        Source: common practice, no source.
        """
        still = movement(cells) <= self.max_movement_mmhg
        if self.min_step_mmhg > 0:
            n_around = 2 * int(self.max_s / cells.width_s) + 1
            mean = pl.DataFrame({"mean": cells.mean}, nan_to_null=True)
            around = pl.col("mean").rolling_median(n_around, min_samples=1, center=True)
            usual = mean.select(around)["mean"].to_numpy()
            still &= np.abs(cells.mean - usual) >= self.min_step_mmhg
        still_runs = runs(still, width_s=cells.width_s, min_s=self.min_s, max_s=self.max_s)
        return spread(stretches(still.size, still_runs), cells.width_s, self.margin_s)

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        return 2 * self.max_s + self.margin_s, 2 * self.max_s + self.margin_s

    def words(self, _unit: str) -> str:
        """See `Rule`."""
        step = self.min_step_mmhg
        away = f" and {step:g} mmHg or more from the median around" if step else ""
        return f"{self.still_words()}{away}"


@dataclass(frozen=True, kw_only=True)
class Disconnection(Rule):
    """Masks a pressure that no patient has and that does not move."""

    kind: ClassVar[str] = "disconnection"

    signal: Pressure
    tier: Tier
    min_mmhg: Annotated[
        float,
        Setting(
            "No patient's pressure can be below this",
            COMMON_PRACTICE,
            -10.0,
            at_least=-500,
            at_most=500,
        ),
    ]
    max_mmhg: Annotated[
        float,
        Setting(
            "No patient's pressure can be above this",
            COMMON_PRACTICE,
            100.0,
            at_least=-500,
            at_most=500,
        ),
    ]
    max_movement_mmhg: Movement
    min_s: Shortest

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag stretches of `min_s` or more outside the limits without movement.

        Source: common practice, no source.
        """
        mean = cells.mean
        outside = (mean < self.min_mmhg) | (mean > self.max_mmhg)
        still = outside & (movement(cells) <= self.max_movement_mmhg)
        return stretches(still.size, runs(still, width_s=cells.width_s, min_s=self.min_s))

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        return self.min_s, self.min_s

    def words(self, _unit: str) -> str:
        """See `Rule`."""
        return (
            f"outside {self.min_mmhg:g} to {self.max_mmhg:g} mmHg and moving by"
            f" {self.max_movement_mmhg:g} mmHg or less for {self.min_s:g} s or longer"
        )


@dataclass(frozen=True, kw_only=True)
class Flush(Rule):
    """Masks the fast flush of an arterial line and the ringing after it."""

    kind: ClassVar[str] = "flush"

    signal: Arterial
    tier: Tier
    min_mmhg: Annotated[
        float,
        Setting(
            "Readings from this on are near the pressure of the flush bag",
            "common practice, no source: the bag is held at 300 mmHg",
            250.0,
            at_least=100,
            at_most=500,
        ),
    ]
    settle_s: Annotated[
        float,
        Setting(
            "Time after the flush that is also masked, in seconds",
            COMMON_PRACTICE,
            3.0,
            at_least=0,
            at_most=3600,
        ),
    ]

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag cells that reach `min_mmhg`, near the bag's pressure, and the ringing after.

        The cell before is flagged too, and `settle_s` after.

        Source: common practice, no source: bags are held at 300 mmHg.
        """
        high = cells.high >= self.min_mmhg
        n_after = int(np.ceil(self.settle_s / cells.width_s))
        return nearby(high, n_before=n_after, n_after=1)

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        return self.settle_s, 0.0

    def words(self, _unit: str) -> str:
        """See `Rule`."""
        return f"of {self.min_mmhg:g} mmHg or more and the {self.settle_s:g} s after"
