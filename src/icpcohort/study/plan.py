"""Plan: one block of the analysis plan, checked."""

import difflib
import math
from collections.abc import Collection, Mapping
from dataclasses import MISSING, dataclass, fields
from typing import Any

from icpcohort import contracts
from icpcohort.study import families
from icpcohort.study.families import FAMILIES, Family

MISSING_DATA = ("complete_cases", "multiple_imputation")
PURPOSES = ("association", "prediction")
COMPARISON_METHODS = ("holm", "hochberg")
KNOTS = (3, 4, 5)


@dataclass(frozen=True)
class Imputation:
    """How missing adjustment values are filled in, and what is tried beside it."""

    min_imputations: int
    n_cycles: int
    seed: int
    auxiliary: tuple[str, ...]  # columns that help to impute and are not adjusted for
    deltas: tuple[float, ...]  # shifts of unknown outcomes: log odds, or SD of a number


@dataclass(frozen=True)
class Bootstrap:
    """How often a prediction is fitted again to see its optimism."""

    repeats: int
    seed: int


@dataclass(frozen=True)
class Comparisons:
    """Models whose exposures are tested together, and the rule that holds their p values."""

    group: str
    method: str


@dataclass(frozen=True)
class Plan:
    """One model of the analysis plan; the fields are the keys of its block, and its name.

    Raises
    ------
    ValueError
        If the fields contradict each other; all problems together.
    """

    name: str
    question: str
    family: str
    outcome: str
    window: str
    exposure: str
    unit_of_effect: float
    adjust_for: tuple[str, ...]
    as_categories: tuple[str, ...]
    reason: str
    missing_data: str
    # What follows may be left out of the block: then it is not done.
    purpose: str = "association"
    clusters: str | None = None
    horizon_h: float | None = None
    risks_at: tuple[float, ...] = ()
    curve_knots: int | None = None
    interaction: str | None = None
    imputation: Imputation | None = None
    bootstrap: Bootstrap | None = None
    comparisons: Comparisons | None = None

    def __post_init__(self) -> None:
        """Refuse a plan whose fields contradict each other."""
        refuse(f"models.{self.name}", _contradictions(self))


def from_block(name: str, *, block: Mapping[str, object]) -> Plan:
    """Turn one block of the analysis plan into a Plan.

    Parameters
    ----------
    name : str
        The block's name, which names the folder of its results.
    block : mapping
        Every field of `Plan` but `name`, and nothing else; those that have a default may be
        left out.

    Raises
    ------
    ValueError
        For a missing, unknown or mistyped key, or keys that contradict each other.

    Source: the project's own format.
    """
    refuse(f"models.{name}", _faults(Plan, block, known=("name",)))
    made: Plan = _build(Plan, block, name=name)
    return made


def contradictions(name: str, *, block: Mapping[str, object]) -> list[str]:
    """List how the keys of a block contradict each other; none where a key is mistyped."""
    if _faults(Plan, block, known=("name",)):
        return []
    try:
        _build(Plan, block, name=name)
    except ValueError as error:
        return [line.strip() for line in str(error).splitlines()[1:]]
    return []


def _faults(kind: Any, block: Mapping[str, object], *, known: tuple[str, ...]) -> list[str]:
    """List the unknown, missing and mistyped keys of a block and of the blocks in it."""
    asked = {field.name: field for field in fields(kind) if field.name not in known}
    problems = [
        f"{key}: unknown key{did_you_mean(key, asked)}" for key in block if key not in asked
    ]
    problems += [
        f"{key}: missing; write it"
        for key, field in asked.items()
        if key not in block and field.default is MISSING
    ]
    for key, field in asked.items():
        if key in block:
            wrong = _mistyped(key, block[key], field.type)
            problems += wrong
            inner = block[key]
            if not wrong and isinstance(inner, Mapping):
                problems += [
                    f"{key}.{line}" for line in _faults(BLOCKS[field.type], inner, known=())
                ]
    return problems


def _build(kind: Any, block: Mapping[str, object], **fixed: str) -> Any:
    """Build a dataclass from a block without faults."""
    types = {field.name: field.type for field in fields(kind)}
    return kind(**fixed, **{key: _value(value, types[key]) for key, value in block.items()})


def _value(value: object, kind: object) -> object:
    """Return a checked value in the type of its field."""
    if isinstance(value, Mapping):
        return _build(BLOCKS[kind], value)
    if isinstance(value, list | tuple):
        return (
            tuple(float(str(v)) for v in value) if kind == tuple[float, ...] else tuple(value)
        )
    return float(str(value)) if kind in (float, float | None) else value


BLOCKS: dict[object, Any] = {
    Imputation | None: Imputation,
    Bootstrap | None: Bootstrap,
    Comparisons | None: Comparisons,
}


def did_you_mean(name: str, known: Collection[str]) -> str:
    """Return "; did you mean '...'?" for the nearest known name, or an empty text."""
    near = difflib.get_close_matches(name, sorted(known), n=1)
    return f"; did you mean {near[0]!r}?" if near else ""


def refuse(where: str, problems: Collection[str]) -> None:
    """Raise ValueError naming every problem, or do nothing."""
    if problems:
        lines = "\n".join(f"  {line}" for line in problems)
        raise ValueError(f"{where}: {len(problems)} problem(s)\n{lines}")


def _mistyped(key: str, value: object, kind: object) -> list[str]:
    if kind in BLOCKS:
        right, words = isinstance(value, Mapping), "a block of keys; write its keys below it"
    elif kind in (str, str | None):
        right, words = isinstance(value, str) and bool(value.strip()), "a text; write one"
    elif kind in (float, float | None):
        right, words = _is_number(value), "a number; write for example 1.0"
    elif kind in (int, int | None):
        right, words = type(value) is int, "a whole number; write for example 4"
    else:
        numbers = kind == tuple[float, ...]
        right = isinstance(value, list | tuple) and all(
            _is_number(v) if numbers else isinstance(v, str) for v in value
        )
        words = f"a list of {'numbers' if numbers else 'columns'}; write [] for none"
    return [] if right else [f"{key}: {value!r} is not {words}"]


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _contradictions(plan: Plan) -> list[str]:
    problems = []
    if not math.isfinite(plan.unit_of_effect) or plan.unit_of_effect <= 0:
        problems.append(f"unit_of_effect: {plan.unit_of_effect} is not above 0; write 1.0")
    problems += _unknown_choices(plan) + _parts_that_do_not_fit(plan)
    for name in plan.as_categories:
        if name not in plan.adjust_for:
            near = did_you_mean(name, plan.adjust_for)
            problems.append(f"as_categories: {name!r} is not in adjust_for{near}")
    right_side = (plan.exposure, *plan.adjust_for)
    for name in sorted({name for name in right_side if right_side.count(name) > 1}):
        problems.append(
            f"adjust_for: {name!r} stands twice, counting the exposure; write it once"
        )
    auxiliary = plan.imputation.auxiliary if plan.imputation else ()
    for name in dict.fromkeys((*right_side, *auxiliary)):
        if name in contracts.KNOWN_AFTERWARDS or name == plan.outcome:
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
        **_imputation(plan, family),
        **_prediction(plan, family),
        **_interaction(plan),
    }
    return [words for words, is_broken in rules.items() if is_broken]


def _follow_up_and_clusters(plan: Plan, family: Family) -> dict[str, bool]:
    offered = [one.name for one in FAMILIES.values() if one.clusters != "refused"]
    name, clusters = family.name, family.clusters
    return {
        f"horizon_h: missing; {name} follows patients to a stated hour, write 4383.0 for "
        "6 months": family.timed and plan.horizon_h is None,
        f"horizon_h: {name} has no follow-up; take it out": not family.timed
        and plan.horizon_h is not None,
        f"clusters: missing; {name} needs them, write clusters: centre": clusters == "needed"
        and plan.clusters is None,
        f"clusters: not offered for {name}; take it out, or write one of "
        f"{', '.join(offered)}": clusters == "refused" and plan.clusters is not None,
        f"risks_at: an exposure that changes with time gives {name} no absolute risk; write "
        "cox_landmark, or take it out": family.time_dependent and bool(plan.risks_at),
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
