"""Repeated rules: values that a device gives again: held, written twice, or a line of zeros."""

from dataclasses import dataclass
from typing import Annotated, ClassVar

import numpy as np
import polars as pl

from icpcohort.contracts.setting import COMMON_PRACTICE, Setting
from icpcohort.signals.cells import Cells, Reals, movement
from icpcohort.signals.rules.rule import (
    AnySignal,
    Events,
    Flags,
    Rule,
    Runs,
    Shortest,
    Tier,
    runs,
    stepped,
    stretches,
)
from icpcohort.signals.rules.windows import covered_by, extreme_of_each, without

_TENTH_S = 0.1
_SAME = 1e-9  # of the value: a mean of equal samples is rounded by less
_FINGERPRINT = 10  # successive 0.1-s means that are compared as one
_MIN_CHANGES = 6  # among them; with fewer they may be equal by chance in coarse steps


@dataclass(frozen=True, kw_only=True)
class Hold(Rule):
    """Masks a stretch that stands still among readings that usually move."""

    kind: ClassVar[str] = "hold"

    tier: Tier
    max_spread: Annotated[
        float,
        Setting(
            "Highest minus lowest 0.1-s mean of a waveform, or number, that still counts as "
            "one value, in the unit of the signal",
            COMMON_PRACTICE,
            0.0,
            at_least=0,
            at_most=50,
        ),
    ]
    min_s: Shortest
    min_usual_movement: Annotated[
        float,
        Setting(
            "Movement that a quarter of the readings around reach, in the unit of the signal: "
            "what moves less, or is recorded in coarse steps, may stand still by itself",
            COMMON_PRACTICE,
            1.0,
            above=0,
            at_most=100,
        ),
    ]
    around_s: Annotated[
        float,
        Setting(
            "Time before and after, over which that quarter is taken, in seconds",
            COMMON_PRACTICE,
            60.0,
            above=0,
            at_most=86400,
        ),
    ]

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag cells that touch a stretch of `min_s` or more within `max_spread`.

        Asked only where a quarter of the `around_s` before, or of those after, move by
        `min_usual_movement` or more. Source: common practice, no source.
        """
        is_wave = not np.isnan(cells.pulse).all()
        values = cells.tenths.ravel() if is_wave else cells.mean
        n = max(2, round(self.min_s / (_TENTH_S if is_wave else cells.width_s)))
        if n > values.size:
            return np.zeros(cells.t_s.size, np.bool_)
        most, least = (extreme_of_each(of, values, n) for of in (np.maximum, np.minimum))
        same = most - least <= self.max_spread + _SAME * np.maximum(1.0, np.abs(most))
        held = covered_by(same, n)
        if is_wave:
            held = np.asarray(held.reshape(-1, cells.tenths.shape[1]).any(axis=1))
        return held & self._usually_moves(cells)

    def _usually_moves(self, cells: Cells) -> Flags:
        """Return whether the cells before or after usually move; a still one among them too."""
        n = max(1, int(self.around_s / cells.width_s))
        moved = pl.DataFrame({"moved": movement(cells)}, nan_to_null=True)
        usual = pl.col("moved").rolling_quantile(
            0.75, interpolation="nearest", window_size=n, min_samples=max(1, n // 2)
        )
        before = moved.select(usual)["moved"].to_numpy()
        after = np.concatenate([before[n - 1 :], np.full(min(n - 1, before.size), np.nan)])
        least = self.min_usual_movement
        return np.asarray((before >= least) | (after[: before.size] >= least))

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        return self.min_s + self.around_s, self.min_s + self.around_s

    def words(self, unit: str) -> str:
        """See `Rule`."""
        span = self.max_spread
        still = f"within {span:g} {unit}" if span else "at one value"
        return (
            f"{still} for {self.min_s:g} s or longer, where a quarter of the"
            f" {self.around_s:g} s before or after move by {self.min_usual_movement:g} {unit}"
            " or more"
        )


@dataclass(frozen=True, kw_only=True)
class Repeat(Rule):
    """Masks samples that are the same as those just before: a buffer written again."""

    kind: ClassVar[str] = "repeat"
    waveforms_only: ClassVar[bool] = True

    signal: AnySignal
    min_s: Shortest
    max_s: Annotated[
        float,
        Setting(
            "Longest buffer that is looked for, in seconds",
            COMMON_PRACTICE,
            60.0,
            above=0,
            at_most=600,
        ),
    ]

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag cells that touch a stretch equal to the one of the same length just before.

        Equal: each 0.1-s mean, to rounding, so that a buffer of whole tenths of a second (of
        whole fifths at 125 Hz) is seen. A second of 0.1-s means is one fingerprint; equal
        ones, with at least six changes in them, are looked up by sorting.

        Source: common practice, no source.
        """
        tenths = cells.tenths.ravel()
        lag = _lags(tenths, max_lag=round(self.max_s / _TENTH_S))
        lag[lag < round(self.min_s / _TENTH_S)] = 0
        starts = np.flatnonzero((lag != 0) & (np.diff(lag, prepend=0) != 0))
        ends = np.append(np.flatnonzero(np.diff(lag)) + 1, lag.size)
        ends = ends[np.searchsorted(ends, starts, side="right")]
        # a buffer that begins within a tenth has one fingerprint less
        whole = ends - starts >= lag[starts] - _FINGERPRINT
        flags = stretches(tenths.size, Runs(starts[whole], ends[whole] + _FINGERPRINT - 1))
        return np.asarray(flags.reshape(cells.tenths.shape).any(axis=1))

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        return 2 * self.max_s + 2, self.max_s + 2

    def words(self, _unit: str) -> str:
        """See `Rule`."""
        return f"the same as the {self.min_s:g} to {self.max_s:g} s just before"


def _lags(tenths: Reals, *, max_lag: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Return by how many means the nearest equal fingerprint lies before each; 0: by none."""
    n = tenths.size - _FINGERPRINT + 1
    lag = np.zeros(tenths.size, np.int64)
    if n < 2:
        return lag
    whole = np.rint(np.nan_to_num(tenths) * 1e9)
    changes = np.append(0, np.cumsum(np.diff(whole) != 0))
    print_of = np.zeros(n)
    for place in range(_FINGERPRINT):  # irrational weights: equal sums are equal values
        print_of += np.sqrt(2 + place) * whole[place : place + n]
    lively = changes[_FINGERPRINT - 1 :] - changes[:n] >= _MIN_CHANGES
    lively &= without(np.isnan(tenths), _FINGERPRINT)
    rows = np.flatnonzero(lively)
    if (np.diff(np.sort(print_of[rows])) != 0).all():
        return lag  # as nearly always; an order that keeps ties costs more
    order = rows[np.argsort(print_of[rows], kind="stable")]
    apart = np.diff(order)
    equal = (np.diff(print_of[order]) == 0) & (apart > 0) & (apart <= max_lag)
    lag[order[1:][equal]] = apart[equal]
    return lag


@dataclass(frozen=True, kw_only=True)
class ZeroLine(Rule):
    """Masks successive readings of exactly zero."""

    kind: ClassVar[str] = "zero_line"

    tier: Tier
    min_s: Shortest
    min_step: Annotated[
        float,
        Setting(
            "Smallest step into or out of the stretch, within two readings, in the unit of the "
            "signal; 0 asks for none",
            COMMON_PRACTICE,
            4.0,
            at_least=0,
            at_most=300,
        ),
    ]
    always_s: Annotated[
        float,
        Setting(
            "From this length on no step is asked for, in seconds",
            COMMON_PRACTICE,
            1800.0,
            above=0,
            at_most=86400,
        ),
    ]

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag stretches of `min_s` or more at exactly 0.

        They are entered or left by a step, or last for `always_s` or longer: a patient's
        pressure near zero comes and goes by less. Source: common practice, no source.
        """
        n, width_s = cells.t_s.size, cells.width_s
        at_zero = (cells.low == 0) & (cells.high == 0)
        long = stretches(n, runs(at_zero, width_s=width_s, min_s=self.always_s))
        zeros = runs(at_zero, width_s=width_s, min_s=self.min_s)
        return long | stretches(n, stepped(zeros, cells.mean, min_step=self.min_step))

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        return self.always_s, self.always_s

    def words(self, unit: str) -> str:
        """See `Rule`."""
        bound = (
            f", entered or left by a step of {self.min_step:g} {unit} or more, or for"
            f" {self.always_s:g} s or longer"
            if self.min_step
            else ""
        )
        return f"exactly 0 for {self.min_s:g} s or longer{bound}"
