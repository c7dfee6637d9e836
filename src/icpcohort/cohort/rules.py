"""Rules: who stays in the cohort, one class per rule, each with its settings and its words."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal, NamedTuple

import polars as pl

from icpcohort.contracts import MONITOR_TYPES, Column
from icpcohort.contracts.setting import COMMON_PRACTICE, OF_THE_STUDY, Setting
from icpcohort.exposures.window import Window

Columns = Mapping[str, Column]

IfMissing = Annotated[
    Literal["drop", "keep"],
    Setting(
        "Whether a patient without the value leaves, under a reason of its own, or stays",
        OF_THE_STUDY,
        "drop",
    ),
]
_MISSING_WORDS = {
    "keep": " (patients without the value stay)",
    "drop": " (patients without the value leave)",
}


class Step(NamedTuple):
    """One question to every patient left; `drop_when` is never null."""

    name: str
    reason: str
    drop_when: pl.Expr
    detail: pl.Expr


@dataclass(frozen=True, kw_only=True)
class Rule:
    """One eligibility rule: its settings, its questions for a window, and its words."""

    kind: ClassVar[str]  # as `rule` in the settings

    def steps(self, window: Window, columns: Columns) -> list[Step]:
        """Return the questions that the rule asks of a window's patients, in their order.

        `columns` are those of the analysis table, for the words about declared variables.
        """
        raise NotImplementedError

    def words(self, columns: Columns) -> str:  # noqa: ARG002 - for variables alone
        """Return a phrase for the methods text; empty where every study has the rule."""
        return ""


@dataclass(frozen=True, kw_only=True)
class UsableRecording(Rule):
    """At least one recording of ICP can be used."""

    kind: ClassVar[str] = "usable_recording"

    def steps(self, _window: Window, _columns: Columns) -> list[Step]:
        """See `Rule`."""
        return [
            Step(
                "Usable ICP recording",
                "no_usable_recording",
                ~pl.col("has_recording"),
                pl.lit("no recording could be used; see excluded.parquet"),
            )
        ]


@dataclass(frozen=True, kw_only=True)
class Variable(Rule):
    """A declared variable lies within limits, or is one of some levels."""

    kind: ClassVar[str] = "variable"

    name: Annotated[str, Setting("Name of the variable", OF_THE_STUDY, "age_years")]
    min: Annotated[
        float | None,
        Setting("Lowest value", OF_THE_STUDY, 16.0, at_least=-1000000, at_most=1000000),
    ] = None
    max: Annotated[
        float | None,
        Setting("Highest value", OF_THE_STUDY, 120.0, at_least=-1000000, at_most=1000000),
    ] = None
    one_of: Annotated[
        Sequence[str],
        Setting("Levels that are allowed", OF_THE_STUDY, ["female", "male"], each="A level"),
    ] = ()
    if_missing: IfMissing

    def steps(self, _window: Window, columns: Columns) -> list[Step]:
        """See `Rule`."""
        column, value = columns[self.name], pl.col(self.name)
        unit = f" {column.plain_unit()}" if column.plain_unit() else ""
        return [
            *_known(column.label, self.name, value, if_missing=self.if_missing),
            Step(
                f"{column.label} {self._limits()}{unit}",
                f"{self.name}_outside",
                _false(~self._within()),
                pl.format(f"{column.label.lower()} {{}}{unit}", value),
            ),
        ]

    def _within(self) -> pl.Expr:
        value = pl.col(self.name)
        tests = [value.cast(pl.String).is_in(list(self.one_of))] if self.one_of else []
        tests += [] if self.min is None else [value >= self.min]
        tests += [] if self.max is None else [value <= self.max]
        return pl.all_horizontal(pl.lit(True), *tests)

    def _limits(self) -> str:
        if self.one_of:
            return " or ".join(self.one_of)
        if self.min is None:
            return f"up to {self.max:g}"
        return f"from {self.min:g}" if self.max is None else f"{self.min:g} to {self.max:g}"

    def words(self, columns: Columns) -> str:
        """See `Rule`."""
        column = columns[self.name]
        unit = f" {column.plain_unit()}" if column.plain_unit() else ""
        return f"{column.label} {self._limits()}{unit}{_MISSING_WORDS[self.if_missing]}"


@dataclass(frozen=True, kw_only=True)
class MonitoringStart(Rule):
    """The first recording that is used begins early enough."""

    kind: ClassVar[str] = "monitoring_start"

    within_h: Annotated[
        float,
        Setting(
            "Hours since time zero within which it begins",
            OF_THE_STUDY,
            72.0,
            at_least=0,
            at_most=8760,
        ),
    ]

    def steps(self, _window: Window, _columns: Columns) -> list[Step]:
        """See `Rule`."""
        start_h = pl.col("monitoring_start_h")
        return [
            Step(
                f"First recording begins within {self.within_h:g} h of time zero",
                "monitored_too_late",
                _false(start_h > self.within_h),
                pl.format("first recording begins at {} h", start_h.round(1)),
            ),
        ]

    def words(self, _columns: Columns) -> str:
        """See `Rule`."""
        return f"a first recording that begins within {self.within_h:g} h of time zero"


@dataclass(frozen=True, kw_only=True)
class MonitorKind(Rule):
    """All monitors of the patient are of an allowed kind."""

    kind: ClassVar[str] = "monitor_kind"

    kinds: Annotated[
        Sequence[str],
        Setting(
            "Kinds of monitor that are allowed; a patient with any other leaves",
            OF_THE_STUDY,
            ["strain_gauge", "fibre_optic"],
            each="A kind of monitor",
            least_items=1,
            one_of=MONITOR_TYPES,
        ),
    ]
    if_missing: IfMissing

    def steps(self, _window: Window, _columns: Columns) -> list[Step]:
        """See `Rule`."""
        kinds = pl.col("monitor_kinds")
        other = kinds.list.eval(~pl.element().is_in(list(self.kinds))).list.any()
        return [
            *_known("Kind of monitor", "monitor_kind", kinds, if_missing=self.if_missing),
            Step(
                f"Monitors only of kind {' or '.join(self.kinds)}".replace("_", " "),
                "other_monitor",
                _false(other),
                pl.format("monitors: {}", kinds.list.join(", ")),
            ),
        ]

    def words(self, _columns: Columns) -> str:
        """See `Rule`."""
        kinds = " or ".join(self.kinds).replace("_", " ")
        return f"monitors only of kind {kinds}{_MISSING_WORDS[self.if_missing]}"


@dataclass(frozen=True, kw_only=True)
class Craniectomy(Rule):
    """No craniectomy is noted before a moment; no event means none."""

    kind: ClassVar[str] = "craniectomy"

    none_before: Annotated[
        Literal["monitoring", "landmark"],
        Setting(
            "The moment: the first recording, or the window's end",
            COMMON_PRACTICE,
            "monitoring",
        ),
    ]

    def steps(self, window: Window, _columns: Columns) -> list[Step]:
        """See `Rule`."""
        at_h, before_monitoring = pl.col("craniectomy_h"), self.none_before == "monitoring"
        limit_h = pl.col("monitoring_start_h") if before_monitoring else window["end_h"]
        moment = "monitoring" if before_monitoring else f"{window['end_h']:g} h"
        return [
            Step(
                f"No craniectomy before {moment}",
                "craniectomy",
                _false(at_h < limit_h),
                pl.format("craniectomy at {} h", at_h.round(1)),
            )
        ]

    def words(self, _columns: Columns) -> str:
        """See `Rule`."""
        moment = {"monitoring": "monitoring", "landmark": "the landmark"}[self.none_before]
        return f"no craniectomy before {moment}"


@dataclass(frozen=True, kw_only=True)
class Landmark(Rule):
    """Alive and in the unit at the window's end."""

    kind: ClassVar[str] = "landmark"

    def steps(self, window: Window, _columns: Columns) -> list[Step]:
        """Return the questions on death and discharge.

        The landmark is the window's end: who died or left the unit before it is not in the
        analysis, because no exposure of the whole window exists for them (immortal time).

        Source: Anderson 1983.
        """
        end_h, left_h = window["end_h"], pl.col("left_unit_h")
        undated = pl.col("scored_dead") & pl.col("death_h").is_null()
        return [
            Step(
                "Time of death known, if dead",
                "death_time_unknown",
                _false(undated & (left_h.is_null() | (left_h < end_h))),
                pl.lit("dead, but when is not known: alive at the landmark or not"),
            ),
            Step(
                f"Alive at {end_h:g} h",
                "died_before_landmark",
                _false(pl.col("death_h") < end_h),
                pl.format("died at {} h", pl.col("death_h")),
            ),
            Step(
                f"In the unit at {end_h:g} h",
                "left_before_landmark",
                _false(left_h < end_h),
                pl.format("left the unit at {} h", left_h),
            ),
        ]


@dataclass(frozen=True, kw_only=True)
class MonitoredHours(Rule):
    """min_monitored_h of the window is reached."""

    kind: ClassVar[str] = "monitored_hours"

    def steps(self, window: Window, _columns: Columns) -> list[Step]:
        """See `Rule`."""
        start_h, end_h, least_h = (
            window["start_h"],
            window["end_h"],
            window["min_monitored_h"],
        )
        return [
            Step(
                f"At least {least_h:g} h of valid ICP between {start_h:g} and {end_h:g} h",
                "monitored_too_short",
                pl.col("monitored_h") < least_h,
                pl.format("{} h monitored", pl.col("monitored_h").round(1)),
            )
        ]


@dataclass(frozen=True, kw_only=True)
class CoveredShare(Rule):
    """Valid ICP covers enough of the window."""

    kind: ClassVar[str] = "covered_share"

    min_fraction: Annotated[
        float,
        Setting(
            "Valid hours of ICP / hours of the window", OF_THE_STUDY, 0.5, at_least=0, at_most=1
        ),
    ]

    def steps(self, window: Window, _columns: Columns) -> list[Step]:
        """See `Rule`."""
        start_h, end_h, percent = window["start_h"], window["end_h"], 100 * self.min_fraction
        share = pl.col("monitored_h") / (end_h - start_h)
        return [
            Step(
                f"Valid ICP in {percent:g} % of the time between {start_h:g} and {end_h:g} h",
                "covered_too_little",
                share < self.min_fraction,
                pl.format("valid in {} % of the window", (100 * share).round(1)),
            )
        ]

    def words(self, _columns: Columns) -> str:
        """See `Rule`."""
        return f"valid ICP in {100 * self.min_fraction:g} % of the window or more"


@dataclass(frozen=True, kw_only=True)
class Tier(Rule):
    """The coarsest recording of the patient in the window is sampled as one of these."""

    kind: ClassVar[str] = "tier"

    tiers: Annotated[
        Sequence[Literal["waveform", "seconds", "ten_seconds", "minutes", "hourly"]],
        Setting(
            "Samplings that are allowed",
            OF_THE_STUDY,
            ["waveform", "seconds", "ten_seconds"],
            each="A sampling",
            least_items=1,
        ),
    ]

    def steps(self, _window: Window, _columns: Columns) -> list[Step]:
        """See `Rule`."""
        tier = pl.col("tier")
        return [
            Step(
                f"Recordings in the window sampled as {' or '.join(self.tiers)}".replace(
                    "_", " "
                ),
                "other_tier",
                ~tier.is_in(list(self.tiers)).fill_null(False),
                pl.format("sampled as {}", tier.fill_null("nothing").str.replace("_", " ")),
            )
        ]

    def words(self, _columns: Columns) -> str:
        """See `Rule`."""
        return f"recordings sampled as {' or '.join(self.tiers)}".replace("_", " ")


KINDS: dict[str, type[Rule]] = {
    rule.kind: rule
    for rule in (
        *(UsableRecording, Variable, MonitoringStart, MonitorKind),
        *(Craniectomy, Landmark, MonitoredHours, CoveredShare, Tier),
    )
}


def from_blocks(blocks: Sequence[Mapping[str, Any]]) -> list[Rule]:
    """Return the rules of `cohort.eligibility` of the settings, in their order."""
    return [
        KINDS[block["rule"]](**{name: value for name, value in block.items() if name != "rule"})
        for block in blocks
    ]


def _known(words: str, code: str, value: pl.Expr, *, if_missing: str) -> list[Step]:
    """Return the question whether the value is there, where a patient without it leaves."""
    if if_missing == "keep":
        return []
    detail = pl.lit(f"no {words[0].lower() + words[1:]} in the study's tables")
    return [Step(f"{words} known", f"{code}_unknown", value.is_null(), detail)]


def _false(test: pl.Expr) -> pl.Expr:
    """Let a patient whose value is missing stay: `_known` has asked for it, or nothing asks."""
    return test.fill_null(False)
