"""Families: what is known of each kind of model before anything is computed.

A plan is checked by these records and the report is worded by them. What computes a family
stands under the same name in `models.registry`: `study` may not import `models`, and a plan is
checked without loading the libraries that fit it. No code asks for a family by its name.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.contracts.columns import Column, Kind


class Outcome(NamedTuple):
    """A kind of outcome: what may be it, and what a family expects of a patient."""

    kind: Literal["flag", "score", "number", "count", "event"]
    takes: tuple[Kind, ...]  # kinds of columns
    types: tuple[pl.DataType, ...]
    words: str
    expected: Literal["risk", "mean", "count"]  # a risk lies between 0 and 1, a count above 0
    expected_of: str  # what it is of, from the outcome, the horizon and the cut of a score
    is_death: bool = False  # whether it must mean death, which has a time


class Effect(NamedTuple):
    """A kind of effect: how slopes become it, and its name."""

    scale: str  # of the slopes
    words: str
    of: str | None  # what a ratio is a ratio of; None of a difference

    @property
    def is_ratio(self) -> bool:
        """Whether a slope is the logarithm of the effect; else it is the effect itself."""
        return self.of is not None

    @property
    def none(self) -> float:
        """The effect of an exposure that changes nothing."""
        return 1.0 if self.is_ratio else 0.0


@dataclass(frozen=True)
class Family:
    """A kind of model: what a plan may ask of it, and how it is put into words."""

    name: str
    outcome: Outcome
    effect: Effect
    words: str  # the method; a plan with an event puts its name in the place of death
    direction: str  # what an effect beside none means; the same
    intervals: str = "Wald intervals"
    sources: tuple[str, ...] = ()  # of the method, by their keys in the bibliography
    timed: bool = False  # follows patients from the landmark to a horizon
    time_dependent: bool = False  # the exposure changes while patients are followed
    clusters: Literal["refused", "offered", "needed"] = "refused"
    events: Literal["refused", "offered", "needed"] = "refused"  # one of several, by its name
    deltas: bool = False  # unknown outcomes can be drawn with a shift
    prediction: bool = False  # calibration and discrimination can be corrected for optimism
    joint_test: bool = False  # specifications can be tested together
    if_sparse: str | None = None  # the family that stays finite where this one does not
    each_cut: str | None = None  # the family that is fitted beside it at each cut of a score


FLAG = Outcome(
    "flag", ("flag",), (contracts.FLAG,), "a flag such as unfavourable", "risk", "{outcome}"
)
SCORE = Outcome(
    "score",
    ("score",),
    (contracts.COUNT,),
    "an ordered scale of whole numbers",
    "risk",
    "{outcome} {cut}",
)
NUMBER = Outcome(
    "number",
    ("score", "count", "number"),
    (contracts.REAL, contracts.COUNT),
    "a number, a count or a scale",
    "mean",
    "mean of {outcome}",
)
COUNT = Outcome(
    "count",
    ("count",),
    (contracts.COUNT, contracts.REAL),
    "a count such as days, whole and not below zero",
    "count",
    "expected {outcome}",
)
DEATH = Outcome(
    "flag",
    ("flag",),
    (contracts.FLAG,),
    "death, with its time",
    "risk",
    "death by {horizon_h:g} h",
    is_death=True,
)
EVENT = Outcome(
    "event",
    ("event",),
    (contracts.TEXT,),
    "a time with the event that ended it",
    "risk",
    "{event} by {horizon_h:g} h",
)

ODDS_RATIO = Effect("log_or", "odds ratio", of="odds")
HAZARD_RATIO = Effect("log_hr", "hazard ratio", of="hazard")
RISK_RATIO = Effect("log_rr", "risk ratio", of="risk")
RATE_RATIO = Effect("log_irr", "rate ratio", of="mean")
CAUSE_SPECIFIC = Effect("log_cshr", "cause-specific hazard ratio", of="rate")
DIFFERENCE = Effect("difference", "difference", of=None)

# A term on another scale (an intercept, a threshold, a part of a curve) has no effect to show
EFFECTS = {
    one.scale: one
    for one in (
        ODDS_RATIO,
        HAZARD_RATIO,
        RISK_RATIO,
        DIFFERENCE,
        RATE_RATIO,
        CAUSE_SPECIFIC,
    )
}
RATIOS = tuple(scale for scale, effect in EFFECTS.items() if effect.is_ratio)

_ODDS_OF_THE_OUTCOME = "An odds ratio above 1 means higher odds of the outcome."
_EARLIER = "A hazard ratio above 1 means a higher rate of death."
EVENT_SUFFIX, TIME_SUFFIX = "_event", "_h"  # of the two columns of an outcome of events

FAMILIES = {
    family.name: family
    for family in (
        Family(
            "logistic",
            FLAG,
            ODDS_RATIO,
            "logistic regression",
            _ODDS_OF_THE_OUTCOME,
            clusters="offered",
            deltas=True,
            prediction=True,
            joint_test=True,
            if_sparse="firth_logistic",
        ),
        Family(
            "firth_logistic",
            FLAG,
            ODDS_RATIO,
            "logistic regression with Firth's penalty, which stays finite in sparse or "
            "separated data",
            _ODDS_OF_THE_OUTCOME,
            intervals="profile intervals of the penalised likelihood",
            sources=("Firth 1993", "Heinze 2002"),
            deltas=True,
            prediction=True,
        ),
        Family(
            "proportional_odds",
            SCORE,
            ODDS_RATIO,
            "proportional-odds (ordinal logistic) regression",
            "An odds ratio above 1 means higher odds of a worse ({worse}) score, at every cut "
            "of the score alike; a score test (Peterson 1990) examines whether it is alike, "
            "and the odds ratio of each cut stands beside it.",
            sources=("McCullagh 1980",),
            deltas=True,
            each_cut="logistic",
        ),
        Family(
            "modified_poisson",
            FLAG,
            RISK_RATIO,
            "Poisson regression with robust errors (modified Poisson)",
            "A risk ratio above 1 means a higher risk of the outcome.",
            sources=("Zou 2004",),
            clusters="offered",
            deltas=True,
        ),
        Family(
            "linear",
            NUMBER,
            DIFFERENCE,
            "linear regression",
            "A difference above 0 means a higher outcome.",
            clusters="offered",
            deltas=True,
        ),
        Family(
            "negative_binomial",
            COUNT,
            RATE_RATIO,
            "negative binomial regression, whose variance is the mean and a multiple of its "
            "square",
            "A rate ratio above 1 means a higher expected count; a likelihood-ratio test "
            "against Poisson regression examines whether counts are spread out more than by "
            "chance.",
            sources=("Hilbe 2011", "Venables 2002"),
            clusters="offered",
            deltas=True,
        ),
        Family(
            "gee",
            FLAG,
            ODDS_RATIO,
            "logistic generalised estimating equations with one correlation within clusters "
            "and robust errors",
            _ODDS_OF_THE_OUTCOME,
            sources=("Liang 1986",),
            clusters="needed",
            deltas=True,
        ),
        Family(
            "cox_landmark",
            DEATH,
            HAZARD_RATIO,
            "Cox regression of the time from the landmark to death, tied deaths by Efron's "
            "rule",
            _EARLIER,
            sources=("Cox 1972", "Efron 1977"),
            timed=True,
            clusters="offered",
            prediction=True,
        ),
        Family(
            "cox_time_dependent",
            DEATH,
            HAZARD_RATIO,
            "Cox regression of the time to death with an exposure that changes with time: from "
            "the landmark on it was the exposure since time zero, renewed at the end of each "
            "day, and after the end of monitoring its last value",
            _EARLIER,
            sources=("Cox 1972", "Therneau 2000"),
            timed=True,
            time_dependent=True,
            clusters="offered",
            events="offered",
        ),
        Family(
            "cause_specific_cox",
            EVENT,
            CAUSE_SPECIFIC,
            "Cox regression of the time from the landmark to one of several events, tied "
            "events by Efron's rule",
            "A cause-specific hazard ratio above 1 means a higher rate of this event among "
            "those who have had none so far; how many come to have it depends on the other "
            "events too, and the cumulative incidence of each event stands beside it.",
            sources=("Cox 1972", "Prentice 1978", "Andersen 2012"),
            timed=True,
            clusters="offered",
            events="needed",
        ),
    )
}


def named(name: object) -> Family | None:
    """Return the family of a name; None for anything else, whatever its type."""
    return FAMILIES.get(name) if isinstance(name, str) else None


def kind_of(column: Column) -> Kind:
    """Return the kind of a column: the one it states, or the one that its type implies."""
    if column.kind:
        return column.kind
    if column.dtype == contracts.COUNT:
        return "score" if column.unit == "{score}" else "count"
    of_type: dict[pl.DataType, Kind] = {contracts.FLAG: "flag", contracts.REAL: "number"}
    return of_type.get(column.dtype, "category")


def outcomes_of(family: Family, columns: Mapping[str, Column]) -> tuple[str, ...]:
    """Return the outcomes that a family can have, in the order of the columns.

    Parameters
    ----------
    family : Family
    columns : mapping of name to Column
        Those of the analysis table. An outcome of events is two of them, `{name}_h` and
        `{name}_event`, and a plan names it by `name`.
    """
    outcomes = {name: column for name, column in columns.items() if column.role == "outcome"}
    takes = family.outcome
    fitting = [
        name
        for name, column in outcomes.items()
        if kind_of(column) in takes.takes
        and takes.kind != "event"
        and (column.is_death or not takes.is_death)
    ]
    if family.events != "refused":
        fitting += [
            name.removesuffix(EVENT_SUFFIX)
            for name, column in outcomes.items()
            if kind_of(column) == "event"
            and name.endswith(EVENT_SUFFIX)
            and name.removesuffix(EVENT_SUFFIX) + TIME_SUFFIX in outcomes
        ]
    return tuple(fitting)
