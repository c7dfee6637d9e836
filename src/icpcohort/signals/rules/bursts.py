"""Burst rules: movement, coughs and spikes, which leave the level and come back to it."""

from dataclasses import dataclass
from typing import Annotated, ClassVar

import numpy as np
import polars as pl

from icpcohort.contracts.setting import COMMON_PRACTICE, Setting
from icpcohort.signals.cells import Cells, Reals
from icpcohort.signals.rules.rule import (
    Events,
    Flags,
    Margin,
    Pressure,
    Rule,
    Runs,
    Tier,
    runs,
    spread,
    stretches,
)


@dataclass(frozen=True, kw_only=True)
class Burst(Rule):
    """Masks short excursions of a pressure, as by a cough, a movement or a loose cable."""

    kind: ClassVar[str] = "burst"

    signal: Pressure
    tier: Tier
    min_excess_mmhg: Annotated[
        float,
        Setting(
            "Smallest excess of a second's highest or lowest reading beyond the median of "
            "these around",
            COMMON_PRACTICE,
            6.0,
            above=0,
            at_most=300,
        ),
    ]
    min_pulses: Annotated[
        float,
        Setting(
            "The excess is also this many times the median span of a second around, the pulse; "
            "0 asks for none",
            COMMON_PRACTICE,
            1.0,
            at_least=0,
            at_most=20,
        ),
    ]
    min_step_mmhg: Annotated[
        float,
        Setting(
            "Smallest change of the highest or lowest reading within two seconds, which a slow "
            "wave does not have",
            COMMON_PRACTICE,
            5.0,
            at_least=0,
            at_most=300,
        ),
    ]
    around_s: Annotated[
        float,
        Setting(
            "Time before and after, over which the medians are taken, in seconds",
            COMMON_PRACTICE,
            60.0,
            above=0,
            at_most=3600,
        ),
    ]
    max_s: Annotated[
        float,
        Setting(
            "Longest burst that is masked for this reason, in seconds",
            COMMON_PRACTICE,
            60.0,
            above=0,
            at_most=3600,
        ),
    ]
    margin_s: Margin

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag seconds beyond the usual highest or lowest reading, in bursts up to `max_s`.

        Bursts whose margins touch are one. Source: common practice, no source.
        """
        beyond, sudden = self._beyond(cells)
        near = spread(beyond, cells.width_s, self.margin_s)
        some = runs(near, width_s=cells.width_s, min_s=0.0, max_s=self.max_s)
        n_sudden = np.concatenate([[0], np.cumsum(sudden)])
        kept = n_sudden[some.ends] > n_sudden[some.starts]
        return stretches(near.size, Runs(some.starts[kept], some.ends[kept]))

    def _beyond(self, cells: Cells) -> tuple[Flags, Flags]:
        """Return which seconds exceed what is usual, and which change suddenly."""
        sudden = np.full(cells.t_s.size, self.min_step_mmhg == 0)
        for values in (cells.high, cells.low):
            sudden |= _change(values) >= self.min_step_mmhg
        beyond = np.zeros(cells.t_s.size, np.bool_)
        if not sudden.any():
            return beyond, sudden
        ends = pl.DataFrame(
            {"high": cells.high, "low": -cells.low, "span": cells.high - cells.low},
            nan_to_null=True,
        )
        n = 2 * int(self.around_s / cells.width_s) + 1
        usual = ends.select(pl.all().rolling_median(n, min_samples=n // 4, center=True))
        most = np.maximum(self.min_excess_mmhg, self.min_pulses * usual["span"].to_numpy())
        for end, values in (("high", cells.high), ("low", -cells.low)):
            beyond |= values - usual[end].to_numpy() > most
        return beyond, sudden

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        reach_s = self.max_s + self.margin_s + self.around_s
        return reach_s, reach_s

    def words(self, _unit: str) -> str:
        """See `Rule`."""
        pulses = (
            f" and {self.min_pulses:g} times the median span of a second"
            if self.min_pulses
            else ""
        )
        step = (
            f", with a change of {self.min_step_mmhg:g} mmHg or more within two seconds"
            if self.min_step_mmhg
            else ""
        )
        return (
            f"more than {self.min_excess_mmhg:g} mmHg{pulses} beyond the median highest or"
            f" lowest reading of the {self.around_s:g} s around, for up to {self.max_s:g} s"
            f"{step}"
        )


def _change(values: Reals) -> Reals:
    """Return the largest change to the one or two values before or after."""
    padded = np.concatenate([[np.nan] * 2, values, [np.nan] * 2])
    beside = [padded[2 + k : 2 + k + values.size] for k in (-2, -1, 1, 2)]
    change = np.zeros(values.size)
    for other in beside:
        change = np.fmax(change, np.abs(other - values))
    return change
