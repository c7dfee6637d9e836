"""Pulse rules: a waveform without its pulse, with a damped one, or with abnormal beats."""

from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

import numpy as np
import polars as pl

from icpcohort.contracts.setting import COMMON_PRACTICE, Setting
from icpcohort.signals import nan_divide
from icpcohort.signals.cells import Cells, movement
from icpcohort.signals.rules.rule import (
    Arterial,
    Events,
    Flags,
    Movement,
    Pressure,
    Rule,
    Shortest,
    count,
    runs,
    stretches,
)

_MARK = "Sun 2006 [confirmed]"
_EDGE_S = 60  # of damping that comes or goes


@dataclass(frozen=True, kw_only=True)
class NoPulse(Rule):
    """Masks waveforms without a pulse; other recordings are left alone."""

    kind: ClassVar[str] = "no_pulse"
    waveforms_only: ClassVar[bool] = True

    signal: Pressure
    max_movement_mmhg: Movement
    min_s: Shortest

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag stretches of `min_s` or more in which no second moves by more.

        Source: a loss of the cardiac component is named as a sign of a failed signal in
        reviews of ICP processing (from memory); limits common practice, no source.
        """
        still = movement(cells) <= self.max_movement_mmhg
        return stretches(still.size, runs(still, width_s=cells.width_s, min_s=self.min_s))

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        return self.min_s, self.min_s

    def words(self, _unit: str) -> str:
        """See `Rule`."""
        return (
            f"without a pulse, moving by {self.max_movement_mmhg:g} mmHg or less"
            f" for {self.min_s:g} s or longer"
        )


@dataclass(frozen=True, kw_only=True)
class Damping(Rule):
    """Masks a pulse pressure that falls while the mean stays; waveforms only."""

    kind: ClassVar[str] = "damping"
    waveforms_only: ClassVar[bool] = True

    signal: Arterial
    look_back_s: Annotated[
        float,
        Setting(
            "Length of the time before, over which the usual pulse pressure and mean are taken;"
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
            "Pulses below this share of the usual one are damped",
            COMMON_PRACTICE,
            0.5,
            above=0,
            below=1,
        ),
    ]
    max_mean_change_mmhg: Annotated[
        float,
        Setting(
            "With a larger change of the mean it is not damping",
            COMMON_PRACTICE,
            15.0,
            at_least=0,
            at_most=100,
        ),
    ]
    min_s: Shortest
    edge_pulse_fraction: Annotated[
        float | None,
        Setting(
            "A damped stretch goes on before and after, for a minute at most, while pulses are"
            " below this share of the usual one: damping comes and goes slowly. Left out: it"
            " does not",
            COMMON_PRACTICE,
            0.8,
            above=0,
            at_most=1,
        ),
    ] = None

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag stretches of `min_s` or more with a small pulse and an unchanged mean.

        Small: below `max_pulse_fraction` of the median over the `look_back_s` before, half of
        which must have readings. The pulse is the largest movement of three seconds; the
        mean, a median of ten, may differ by `max_mean_change_mmhg` from that of the look-back.
        The stretch goes on as `edge_pulse_fraction` says.

        Source: common practice, no source.
        """
        n = round(self.look_back_s)
        both = pl.DataFrame({"pulse": movement(cells), "mean": cells.mean}, nan_to_null=True)
        pulse = pl.col("pulse").rolling_max(3, min_samples=1, center=True)
        mean = pl.col("mean")
        seen = both.select(
            pulse=pulse,
            usual_pulse=pulse.rolling_median(n, min_samples=max(1, n // 2)).shift(1),
            mean=mean.rolling_median(10, min_samples=1, center=True),
            usual_mean=mean.rolling_median(n, min_samples=max(1, n // 2)).shift(1),
        )
        values = {name: seen[name].to_numpy() for name in seen.columns}
        change = np.abs(values["mean"] - values["usual_mean"])
        kept = (change <= self.max_mean_change_mmhg) & (cells.n_valid > 0)
        damped = kept & (values["pulse"] < self.max_pulse_fraction * values["usual_pulse"])
        long = stretches(damped.size, runs(damped, width_s=cells.width_s, min_s=self.min_s))
        if self.edge_pulse_fraction is None:
            return long
        small = values["pulse"] < self.edge_pulse_fraction * values["usual_pulse"]
        after = _goes_on(long, kept & small)
        return long | after | _goes_on(long[::-1], (kept & small)[::-1])[::-1]

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        edge_s = 0.0 if self.edge_pulse_fraction is None else _EDGE_S
        return self.min_s + self.look_back_s + edge_s, self.min_s + edge_s

    def words(self, _unit: str) -> str:
        """See `Rule`."""
        edge = ""
        if self.edge_pulse_fraction is not None:
            edge = f", and beside it below {100 * self.edge_pulse_fraction:g} %"
        return (
            f"with a pulse pressure below {100 * self.max_pulse_fraction:g} % of its"
            f" median over the {self.look_back_s / 60:g} min before and a mean within"
            f" {self.max_mean_change_mmhg:g} mmHg of it, for {self.min_s:g} s or longer{edge}"
        )


def _goes_on(flags: Flags, same: Flags) -> Flags:
    """Flag cells that follow a flagged one within `_EDGE_S`, `same` all the way."""
    here = np.arange(flags.size)
    last = np.maximum.accumulate(np.where(flags, here, -_EDGE_S - 1))
    other = np.maximum.accumulate(np.where(same | flags, -1, here))
    return np.asarray((here - last <= _EDGE_S) & (other < last))


@dataclass(frozen=True, kw_only=True)
class Beats(Rule):
    """Masks abnormal beats of an arterial waveform, where they are many."""

    kind: ClassVar[str] = "beats"
    waveforms_only: ClassVar[bool] = True

    signal: Arterial
    max_systolic_mmhg: Annotated[
        float,
        Setting(
            "Beats with a systolic pressure above this are abnormal",
            _MARK,
            300.0,
            above=0,
            at_most=500,
        ),
    ]
    min_diastolic_mmhg: Annotated[
        float,
        Setting(
            "Beats with a diastolic pressure below this are abnormal",
            _MARK,
            20.0,
            at_least=-100,
            at_most=200,
        ),
    ]
    min_mean_mmhg: Annotated[
        float,
        Setting(
            "Beats with a mean below this are abnormal", _MARK, 30.0, at_least=-100, at_most=200
        ),
    ]
    max_mean_mmhg: Annotated[
        float,
        Setting(
            "Beats with a mean above this are abnormal", _MARK, 200.0, above=0, at_most=500
        ),
    ]
    min_rate_per_min: Annotated[
        float,
        Setting(
            "Beats slower than this are abnormal",
            "Sun 2006 [confirmed]; beats of more than 5 s are not beats at all, hence 12 or "
            "more",
            20.0,
            at_least=12,
            at_most=200,
        ),
    ]
    max_rate_per_min: Annotated[
        float,
        Setting(
            "Beats faster than this are abnormal",
            "Sun 2006 [confirmed]; beats less than 0.25 s apart are not seen, hence 240 or "
            "less",
            200.0,
            above=0,
            at_most=240,
        ),
    ]
    min_pulse_mmhg: Annotated[
        float,
        Setting(
            "Beats with a pulse pressure below this are abnormal",
            "Sun 2006 [confirmed]; the published code tests 20, its own header says 30",
            20.0,
            at_least=0,
            at_most=200,
        ),
    ]
    min_resemblance: Annotated[
        float | None,
        Setting(
            "Beats are abnormal whose shape correlates by less with at least three of the two"
            " before and the two after, whatever their size, rate and damping. Left out: not"
            " looked at",
            "correlation with other beats is common practice; the limit is our own, from real"
            " beats (docs/validation.md)",
            0.85,
            at_least=-1,
            below=1,
        ),
    ] = None
    max_fall_mmhg_per_s: Annotated[
        float | None,
        Setting(
            "Beats whose falling slopes are steeper on average, in means of 20 ms, are"
            " abnormal. An absolute limit: it also takes fast hearts and underdamped lines,"
            " whose mean is right. Left out: none",
            "Sun 2006 [confirmed]: 3 mmHg a sample of 125 Hz",
            375.0,
            above=0,
            at_most=10000,
        ),
    ] = None
    changes: Annotated[
        Literal["ignored", "counted"],
        Setting(
            "Whether a beat that only differs from the one before is abnormal: `counted` as "
            "published, or `ignored`, since an irregular rhythm is no artefact",
            "Sun 2006 [confirmed] counts them; ignored is our own choice",
            "ignored",
        ),
    ]
    max_pressure_change_mmhg: Annotated[
        float,
        Setting(
            "Changes of the systolic, diastolic or onset pressure from one beat to the next "
            "above this are abnormal, if counted",
            _MARK,
            20.0,
            above=0,
            at_most=300,
        ),
    ]
    max_period_change_s: Annotated[
        float,
        Setting(
            "Changes of the period above this are abnormal, if counted",
            _MARK,
            0.5,
            above=0,
            at_most=5,
        ),
    ]
    window_s: Annotated[
        float,
        Setting(
            "Stretch around an abnormal beat in which beats are counted",
            COMMON_PRACTICE,
            10.0,
            above=0,
            at_most=3600,
        ),
    ]
    min_abnormal_fraction: Annotated[
        float,
        Setting(
            "Share of the surrounding beats that must be abnormal",
            "common practice, no source: single ectopic beats stay",
            0.5,
            above=0,
            at_most=1,
        ),
    ]

    def flags(self, cells: Cells, _events: Events) -> Flags:
        """Flag cells that abnormal beats touch, where there are many of them.

        Many: at least `min_abnormal_fraction` of the beats within half of `window_s`, each
        beat counted in every cell that it touches. `beats.abnormal` has the limits of a beat.
        """
        n = int(self.window_s / 2 / cells.width_s)
        n_beats, n_abnormal = (count(c, n, n) for c in (cells.n_beats, cells.n_abnormal))
        share = nan_divide.divide(n_abnormal.astype(np.float64), n_beats, where=n_beats > 0)
        many = share >= self.min_abnormal_fraction
        return np.asarray((cells.n_abnormal > 0) & many)

    def looks_s(self) -> tuple[float, float]:
        """See `Rule`."""
        return self.window_s, self.window_s

    def words(self, _unit: str) -> str:
        """See `Rule`."""
        counted = (
            f", a change from the beat before of more than {self.max_pressure_change_mmhg:g}"
            f" mmHg or {self.max_period_change_s:g} s,"
            if self.changes == "counted"
            else ", changes from beat to beat not counted,"
        )
        return (
            f"touched by abnormal beats (systolic above {self.max_systolic_mmhg:g},"
            f" diastolic below {self.min_diastolic_mmhg:g}, mean outside"
            f" {self.min_mean_mmhg:g} to {self.max_mean_mmhg:g}, pulse pressure below"
            f" {self.min_pulse_mmhg:g} mmHg, rate outside {self.min_rate_per_min:g} to"
            f" {self.max_rate_per_min:g} per min{self._fall_words()}{counted} after Sun 2006"
            f"{self._shape_words()})"
            f" where these are {100 * self.min_abnormal_fraction:g} % or more of the beats in"
            f" {self.window_s:g} s"
        )

    def _fall_words(self) -> str:
        if self.max_fall_mmhg_per_s is None:
            return ""
        return f", falling by more than {self.max_fall_mmhg_per_s:g} mmHg/s on average"

    def _shape_words(self) -> str:
        if self.min_resemblance is None:
            return ""
        return (
            f"; a shape that correlates by less than {self.min_resemblance:g} with three or"
            " more of the four beats around"
        )
