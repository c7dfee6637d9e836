"""Plan: one block of the analysis plan, checked."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Annotated, Literal

from icpcohort.contracts.setting import COMMON_PRACTICE, NO_KEY, OF_THE_STUDY, Setting
from icpcohort.study import blocks, families
from icpcohort.study.blocks import did_you_mean
from icpcohort.study.families import FAMILIES, Family
from icpcohort.study.plan_parts import (
    COMPARISON_METHODS,
    Bootstrap,
    Comparisons,
    Imputation,
)

MISSING_DATA = ("complete_cases", "multiple_imputation")
PURPOSES = ("association", "prediction")
KNOTS = (3, 4, 5)
_MOST = 1000000


NO_KEYS = ("name", "worse")


@dataclass(frozen=True)
class Plan:
    """One model.

    The fields are the keys of its block in the analysis plan, and its name. What has a default
    may be left out of the block: then it is not done.

    Raises
    ------
    ValueError
        If the fields contradict each other; all problems together.
    """

    name: Annotated[str, NO_KEY]
    question: Annotated[
        str,
        Setting(
            "The question that the model answers, as a sentence",
            OF_THE_STUDY,
            "Does ICP dose above 20 mmHg in the first 72 h go with an unfavourable outcome?",
        ),
    ]
    family: Annotated[
        str,
        Setting(
            "Kind of regression", COMMON_PRACTICE, next(iter(FAMILIES)), one_of=tuple(FAMILIES)
        ),
    ]
    outcome: Annotated[
        str, Setting("Outcome column of the analysis table", OF_THE_STUDY, "unfavourable")
    ]
    window: Annotated[
        str, Setting("Exposure window, as named in config.yaml", OF_THE_STUDY, "first_72_h")
    ]
    exposure: Annotated[
        str,
        Setting(
            "Exposure column of the analysis table",
            OF_THE_STUDY,
            "icp_above_20_dose_per_h_mmhg",
        ),
    ]
    unit_of_effect: Annotated[
        float,
        Setting(
            "The ratio or difference is for this much more of the exposure",
            OF_THE_STUDY,
            1.0,
            above=0,
            at_most=_MOST,
        ),
    ]
    adjust_for: Annotated[
        tuple[str, ...],
        Setting(
            "Columns of the analysis table to adjust for; may be empty",
            OF_THE_STUDY,
            ["impact_core_logit"],
            each="A column",
        ),
    ]
    as_categories: Annotated[
        tuple[str, ...],
        Setting(
            "Those of adjust_for that enter one level at a time; may be empty",
            OF_THE_STUDY,
            ["gcs_motor"],
            each="A column",
        ),
    ]
    reason: Annotated[
        str,
        Setting(
            "Why these columns are adjusted for",
            "von Elm 2007, item 16a, rationale of confounders (from memory, high)",
            "IMPACT core risk joins age, motor score and pupils, known before monitoring "
            "began.",
        ),
    ]
    missing_data: Annotated[
        str,
        Setting(
            "What is done with patients who lack a value",
            COMMON_PRACTICE,
            "complete_cases",
            one_of=MISSING_DATA,
        ),
    ]
    purpose: Annotated[
        str,
        Setting(
            "association, or prediction: calibration and discrimination are then corrected "
            "for optimism. Left out: association",
            "TRIPOD 2015, items 10d, 16 (from memory, high)",
            "association",
            one_of=PURPOSES,
        ),
    ] = "association"
    clusters: Annotated[
        str | None,
        Setting(
            "Column of patients who are alike, such as centre: errors between clusters; gee "
            "needs it. Left out: patients are independent",
            "Liang 1986 (from memory)",
            "centre",
        ),
    ] = None
    horizon_h: Annotated[
        float | None,
        Setting(
            "End of a Cox model's follow-up since time zero [h]; only Cox models have it. Not "
            "after the hour to which survivors are known (`deaths_before_h` of a score)",
            OF_THE_STUDY,
            2160.0,
            above=0,
            at_most=_MOST,
        ),
    ] = None
    event: Annotated[
        str | None,
        Setting(
            "Event that counts, of an outcome of events; every other event censors. Left out: "
            "the outcome is death",
            "Prentice 1978 (from memory)",
            "death",
        ),
    ] = None
    incidence_at_h: Annotated[
        tuple[float, ...],
        Setting(
            "Hours since time zero at which the cumulative incidence of each event is given. "
            "Left out: the horizon",
            OF_THE_STUDY,
            [720.0, 2160.0],
            each="An hour after the landmark, not after the horizon",
            above=0,
            at_most=_MOST,
        ),
    ] = ()
    incidence_split: Annotated[
        float | None,
        Setting(
            "Value of the exposure below and from which cumulative incidence is given beside "
            "that of all patients. Left out: the median of the fit",
            OF_THE_STUDY,
            5.0,
            at_least=-_MOST,
            at_most=_MOST,
        ),
    ] = None
    time_varying: Annotated[
        tuple[str, ...],
        Setting(
            "Variables of the repeated values to adjust for, each with the value in force at "
            "the time; only a model whose exposure changes with time has them. Left out: none",
            "Therneau 2000, section 3.7 (from memory)",
            ["therapy_intensity"],
            each="A variable",
        ),
    ] = ()
    risks_at: Annotated[
        tuple[float, ...],
        Setting(
            "Exposure values at which absolute risks are given. Left out: none",
            "von Elm 2007, item 16c (from memory, high)",
            [0.0, 2.0, 5.0],
            each="An exposure value, in its own unit",
            at_least=-_MOST,
            at_most=_MOST,
        ),
    ] = ()
    curve_knots: Annotated[
        int | None,
        Setting(
            "Knots of a restricted cubic spline of the exposure: 3, 4 or 5. Left out: a "
            "straight line",
            "Harrell 2015, table 2.3 (from memory)",
            4,
            at_least=KNOTS[0],
            at_most=KNOTS[-1],
        ),
    ] = None
    interaction: Annotated[
        str | None,
        Setting(
            "A category or flag of adjust_for; the exposure has its own slope in each of its "
            "levels. Left out: none",
            OF_THE_STUDY,
            "sex",
        ),
    ] = None
    imputation: Imputation | None = None
    bootstrap: Bootstrap | None = None
    comparisons: Comparisons | None = None
    # Which way the outcome's scale is worse, as the study declares it.
    worse: Annotated[Literal["lower", "higher"], NO_KEY] = "lower"

    @property
    def at_or_beyond(self) -> str:
        """The sign of a score that is at a cut or worse."""
        return "<=" if self.worse == "lower" else ">="

    def from_worst(self, scores: Iterable[int]) -> list[int]:
        """Return scores of the outcome in order, the worst first."""
        return sorted(scores, reverse=self.worse == "higher")

    @property
    def covariates(self) -> tuple[str, ...]:
        """What the model is adjusted for: columns of the analysis, then repeated values."""
        return (*self.adjust_for, *self.time_varying)

    def __post_init__(self) -> None:
        """Refuse a plan whose fields contradict each other."""
        blocks.refuse(f"models.{self.name}", _contradictions(self))


def from_block(
    name: str,
    *,
    block: Mapping[str, object],
    outcomes: Mapping[str, Mapping[str, object]],
) -> Plan:
    """Turn one block of the analysis plan into a Plan.

    Parameters
    ----------
    name : str
        The block's name, which names the folder of its results.
    block : mapping
        Every field of `Plan` that is a key, and nothing else; those that have a default may be
        left out.
    outcomes : mapping of name to mapping
        The section of that name; see `contracts.variables.Outcome`.

    Raises
    ------
    ValueError
        For a missing, unknown or mistyped key, or keys that contradict each other.

    Source: the project's own format.
    """
    blocks.refuse(f"models.{name}", blocks.faults(Plan, block, fixed=NO_KEYS))
    better = outcomes.get(str(block["outcome"]), {}).get("better")
    worse = "higher" if better == "lower" else "lower"
    made: Plan = blocks.build(Plan, block, name=name, worse=worse)
    return made


def contradictions(name: str, *, block: Mapping[str, object]) -> list[str]:
    """List how the keys of a block contradict each other; none where a key is mistyped."""
    if blocks.faults(Plan, block, fixed=NO_KEYS):
        return []
    try:
        blocks.build(Plan, block, name=name)
    except ValueError as error:
        return [line.strip() for line in str(error).splitlines()[1:]]
    return []


def _contradictions(plan: Plan) -> list[str]:
    problems = []
    if not math.isfinite(plan.unit_of_effect) or plan.unit_of_effect <= 0:
        problems.append(f"unit_of_effect: {plan.unit_of_effect} is not above 0; write 1.0")
    problems += _unknown_choices(plan) + _parts_that_do_not_fit(plan)
    for name in plan.as_categories:
        if name not in plan.adjust_for:
            near = did_you_mean(name, plan.adjust_for)
            problems.append(f"as_categories: {name!r} is not in adjust_for{near}")
    right_side = (plan.exposure, *plan.covariates)
    for name in sorted({name for name in right_side if right_side.count(name) > 1}):
        problems.append(
            f"adjust_for: {name!r} stands twice, counting the exposure; write it once"
        )
    auxiliary = plan.imputation.auxiliary if plan.imputation else ()
    for name in dict.fromkeys((*right_side, *auxiliary)):
        if name == plan.outcome:
            problems.append(
                f"{name}: known only after the exposure window, so it can be neither exposure "
                "nor adjustment; take it out"
            )
    return problems


def _unknown_choices(plan: Plan) -> list[str]:
    asked = [
        ("missing_data", plan.missing_data, MISSING_DATA),
        ("purpose", plan.purpose, PURPOSES),
    ]
    if plan.comparisons:
        asked.append(("comparisons.method", plan.comparisons.method, COMPARISON_METHODS))
    problems = [
        f"{key}: {value!r} is unknown; write {' or '.join(choices)}"
        for key, value, choices in asked
        if value not in choices
    ]
    if plan.curve_knots is not None and plan.curve_knots not in KNOTS:
        problems.append(f"curve_knots: {plan.curve_knots} is not one of 3, 4, 5; write 4")
    return problems


def _parts_that_do_not_fit(plan: Plan) -> list[str]:
    """List optional keys that the family or another key forbids, or needs.

    A family that is not known forbids nothing: its name is the problem, and is named elsewhere.
    """
    family = families.named(plan.family)
    rules = {
        **(_follow_up_and_clusters(plan, family) if family else {}),
        **(_events(plan, family) if family else {}),
        **_imputation(plan, family),
        **_prediction(plan, family),
        **_interaction(plan),
    }
    return [words for words, is_broken in rules.items() if is_broken]


def _follow_up_and_clusters(plan: Plan, family: Family) -> dict[str, bool]:
    offered = [one.name for one in FAMILIES.values() if one.clusters != "refused"]
    name, clusters = family.name, family.clusters
    return {
        f"horizon_h: missing; {name} follows patients to a stated hour, write 2160.0 for "
        "90 days": family.timed and plan.horizon_h is None,
        f"horizon_h: {name} has no follow-up; take it out": not family.timed
        and plan.horizon_h is not None,
        f"clusters: missing; {name} needs them, write clusters: centre": clusters == "needed"
        and plan.clusters is None,
        f"clusters: not offered for {name}; take it out, or write one of "
        f"{', '.join(offered)}": clusters == "refused" and plan.clusters is not None,
        f"risks_at: an exposure that changes with time gives {name} no absolute risk; write "
        "cox_landmark, or take it out": family.time_dependent and bool(plan.risks_at),
        f"time_varying: {name} takes each value once; take it out, or write family "
        "cox_time_dependent": bool(plan.time_varying) and not family.time_dependent,
    }


def _events(plan: Plan, family: Family) -> dict[str, bool]:
    offered = [one.name for one in FAMILIES.values() if one.events != "refused"]
    late = [h for h in plan.incidence_at_h if h > (plan.horizon_h or math.inf)]
    asked = bool(plan.incidence_at_h) or plan.incidence_split is not None
    return {
        f"event: missing; {family.name} needs the event that counts, write event: death": (
            family.events == "needed" and plan.event is None
        ),
        f"event: {family.name} has no events to choose from; take it out, or write one of "
        f"{', '.join(offered)}": family.events == "refused" and plan.event is not None,
        f"risks_at: the rate of one event alone gives {family.name} no absolute risk; read the "
        "cumulative incidence, or take it out": family.events == "needed"
        and bool(plan.risks_at),
        "incidence_at_h, incidence_split: only a model with an event has a cumulative "
        "incidence; take them out": asked and plan.event is None,
        f"incidence_at_h: {', '.join(f'{h:g}' for h in late)} h is after the horizon at "
        f"{plan.horizon_h} h; take it out, or write a later horizon_h": bool(late),
    }


def _imputation(plan: Plan, family: Family | None) -> dict[str, bool]:
    imputing = plan.missing_data == "multiple_imputation"
    deltas = plan.imputation.deltas if plan.imputation else ()
    return {
        "imputation: missing; multiple_imputation needs its block": imputing
        and plan.imputation is None,
        "imputation: nothing is imputed with complete_cases; take it out": not imputing
        and plan.imputation is not None,
        f"imputation.deltas: not offered for {plan.family}; write []": bool(deltas)
        and family is not None
        and not family.deltas,
    }


def _prediction(plan: Plan, family: Family | None) -> dict[str, bool]:
    offered = [one.name for one in FAMILIES.values() if one.prediction]
    imputing = plan.missing_data == "multiple_imputation"
    predicting = plan.purpose == "prediction"
    return {
        f"purpose: prediction is offered for {', '.join(offered)} with complete_cases; write "
        "association": predicting
        and (imputing or (family is not None and not family.prediction)),
        "bootstrap: missing; a prediction needs its block": predicting
        and plan.bootstrap is None,
        "bootstrap: only a prediction is fitted again; take it out": not predicting
        and plan.bootstrap is not None,
    }


def _interaction(plan: Plan) -> dict[str, bool]:
    modifier, curved = plan.interaction, plan.curve_knots is not None
    return {
        f"interaction: {modifier!r} is not in adjust_for; add it there": modifier is not None
        and modifier not in plan.adjust_for,
        "comparisons: a curve or an interaction has no single p to hold; take it out, or give "
        "the group a model without": plan.comparisons is not None
        and (modifier is not None or curved),
        "interaction: not together with curve_knots; take one out": modifier is not None
        and curved,
    }
