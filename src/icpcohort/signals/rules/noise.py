"""Noise rules: an ICP that moves without a pulse, by noise alone."""

from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

import numpy as np

from icpcohort.contracts.setting import COMMON_PRACTICE, OF_THE_STUDY, Setting
from icpcohort.signals import nan_divide
from icpcohort.signals.cells import Cells, Reals, movement
from icpcohort.signals.rules.rule import (
    Events,
    Flags,
    Longest,
    Margin,
    Rule,
    Runs,
    Shortest,
    runs,
    spread,
    stepped,
    stretches,
)

Intracranial = Annotated[
    Literal["icp"], Setting("Signal that the rule masks", OF_THE_STUDY, "icp")
]
TimesNoise = Annotated[
    float,
    Setting(
        "Largest movement that noise explains, in times the spread that independent samples "
        "would give the 0.1-s means; ten such means span three times on average",
        "by simulation: noise stays below 6, a pulse of 0.7 mmHg at a noise of 0.15 mmHg is "
        "above 12",
        8.0,
        above=0,
        at_most=100,
    ),
]
_WINDOW = 10  # seconds in which a pulse is sought
_HIGH_PASS = 15  # 0.1-s means, whose mean is taken off: slower than 40 a minute goes
_PERIODS = range(3, 16)  # 0.1-s means: 40 to 200 a minute


@dataclass(frozen=True, kw_only=True)
class NoisyLine(Rule):
    """Masks an ICP that moves by noise alone: without a pulse, though it never stands still."""

    kind: ClassVar[str] = "noisy_line"
    waveforms_only: ClassVar[bool] = True
    needs_noise: ClassVar[bool] = True

    signal: Intracranial
    max_times_noise: TimesNoise
    max_correlation: Annotated[
        float,
        Setting(
            "Largest correlation of the signal with itself, a heart period or 0.1 s later, "
            "that still counts as none",
            "by simulation: in 10 s noise stays below 0.45, a regular pulse above 0.6",
            0.5,
            above=0,
            at_most=1,
        ),
    ]
    min_s: Shortest

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag stretches of `min_s` or more without a pulse in their noise.

        In 10 s around a second, slower than 40 a minute taken off, the 0.1-s means are
        correlated with themselves by no more than `max_correlation`, neither 0.1 s later, as
        any smooth pulse is, nor 0.3 to 1.5 s later, as a regular one is. Besides, most
        seconds move by no more than noise explains: so an irregular pulse stays.

        Source: common practice, no source; that a lost cardiac component is a sign of a
        failed signal: see `no_pulse`.
        """
        n = cells.t_s.size
        if n < _WINDOW:
            return np.zeros(n, np.bool_)
        by_noise = movement(cells) <= self.max_times_noise * cells.noise
        mostly = _windowed(by_noise.astype(np.float64)) >= _WINDOW / 2
        begins = mostly & (_correlation(cells.tenths) <= self.max_correlation)
        n_least = max(1, round(self.min_s) - _WINDOW + 1)
        long = runs(begins, width_s=1.0, min_s=n_least)
        # a window counts whole: each of its seconds lies in a stretch of that length
        return stretches(n, Runs(long.starts, long.ends + _WINDOW - 1))

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        return self.min_s + 2 * _WINDOW, self.min_s + 2 * _WINDOW

    def words(self, _unit: str) -> str:
        """See `Rule`."""
        return (
            f"without a pulse under noise for {self.min_s:g} s or longer: in {_WINDOW} s most"
            f" seconds move by no more than {self.max_times_noise:g} times what noise spreads"
            f" their 0.1-s means, and these are correlated by {self.max_correlation:g} or less"
            " with themselves 0.1 s and 0.3 to 1.5 s later"
        )


def _correlation(tenths: Reals) -> Reals:
    """Return the largest correlation of each 10 s with themselves 0.1 or 0.3 to 1.5 s later.

    NaN with a missing value. Sums are taken value by value in one order, so that they do not
    depend on where an array begins.
    """
    values = tenths.ravel()
    half = _HIGH_PASS // 2
    padded = np.concatenate([np.full(half, np.nan), values, np.full(half, np.nan)])
    slow = np.zeros(values.size)
    for place in range(_HIGH_PASS):
        slow += padded[place : place + values.size]
    fast = values - slow / _HIGH_PASS
    power = _sums(fast * fast, tenths.shape)
    most = np.full(power.size, -np.inf)
    for lag in (1, *_PERIODS):
        product = np.full(values.size, np.nan)
        np.multiply(fast[:-lag], fast[lag:], out=product[:-lag])
        most = np.maximum(most, _sums(product, tenths.shape))
    return nan_divide.divide(most, power, where=power > 0)


def _sums(values: Reals, shape: tuple[int, ...]) -> Reals:
    """Return the sum of each 10 s, of values that stand ten to a second."""
    seconds, total = values.reshape(shape), np.zeros(shape[0])
    for place in range(shape[1]):
        total += seconds[:, place]
    return _windowed(total)


def _windowed(seconds: Reals) -> Reals:
    """Return the sum of each `_WINDOW` seconds that follow one another."""
    n = seconds.size - _WINDOW + 1
    total = np.zeros(n)
    for place in range(_WINDOW):
        total += seconds[place : place + n]
    return total


@dataclass(frozen=True, kw_only=True)
class NoisyZeroing(Rule):
    """Masks a transducer open to air on a noisy line: at zero, without a pulse."""

    kind: ClassVar[str] = "noisy_zeroing"
    waveforms_only: ClassVar[bool] = True
    needs_noise: ClassVar[bool] = True

    signal: Intracranial
    max_offset_mmhg: Annotated[
        float,
        Setting(
            "Largest distance of a second from zero that still counts as zero",
            COMMON_PRACTICE,
            2.0,
            at_least=0,
            at_most=50,
        ),
    ]
    max_times_noise: TimesNoise
    min_step_mmhg: Annotated[
        float,
        Setting(
            "Smallest step into or out of the stretch, within two seconds",
            COMMON_PRACTICE,
            4.0,
            above=0,
            at_most=300,
        ),
    ]
    min_s: Shortest
    max_s: Longest
    margin_s: Margin

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag stretches at zero that move by noise alone, entered or left by a step.

        Source: common practice, no source: a transducer opened to air reads zero.
        """
        at_zero = np.abs(cells.mean) <= self.max_offset_mmhg
        at_zero &= movement(cells) <= self.max_times_noise * cells.noise
        some = runs(at_zero, width_s=cells.width_s, min_s=self.min_s, max_s=self.max_s)
        kept = stepped(some, cells.mean, min_step=self.min_step_mmhg)
        return spread(stretches(at_zero.size, kept), cells.width_s, self.margin_s)

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        return self.max_s + self.margin_s, self.max_s + self.margin_s

    def words(self, _unit: str) -> str:
        """See `Rule`."""
        return (
            f"within {self.max_offset_mmhg:g} mmHg of zero for {self.min_s:g} to"
            f" {self.max_s:g} s, moving by no more than {self.max_times_noise:g} times what"
            " noise spreads its 0.1-s means, entered or left by a step of"
            f" {self.min_step_mmhg:g} mmHg or more"
        )
