"""Plan: one block of the analysis plan, checked."""

import difflib
import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, fields

from icpcohort import contracts

MISSING_DATA = ("complete_cases",)


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
        Every field of `Plan` but `name`, and nothing else.

    Raises
    ------
    ValueError
        For a missing, unknown or mistyped key, or keys that contradict each other.

    Source: the project's own format.
    """
    kinds = {field.name: field.type for field in fields(Plan) if field.name != "name"}
    found = [
        f"{key}: unknown key{did_you_mean(key, kinds)}" for key in block if key not in kinds
    ]
    found += [f"{key}: missing; write it" for key in kinds if key not in block]
    for key, kind in kinds.items():
        if key in block:
            found += _mistyped(key, block[key], kind)
    refuse(f"models.{name}", found)
    values = {
        key: tuple(value) if isinstance(value, list) else value for key, value in block.items()
    }
    values["unit_of_effect"] = float(str(block["unit_of_effect"]))
    return Plan(name=name, **values)  # type: ignore[arg-type]  # types were checked above


def did_you_mean(name: str, known: Collection[str]) -> str:
    """Return "; did you mean '...'?" for the nearest known name, or an empty text."""
    near = difflib.get_close_matches(name, sorted(known), n=1)
    return f"; did you mean {near[0]!r}?" if near else ""


def refuse(where: str, found: Collection[str]) -> None:
    """Raise ValueError naming every problem found, or do nothing."""
    if found:
        lines = "\n".join(f"  {line}" for line in found)
        raise ValueError(f"{where}: {len(found)} problem(s)\n{lines}")


def _mistyped(key: str, value: object, kind: object) -> list[str]:
    if kind is str:
        right = isinstance(value, str) and bool(value.strip())
        return [] if right else [f"{key}: {value!r} is not a text; write one"]
    if kind is float:
        right = isinstance(value, int | float) and not isinstance(value, bool)
        return [] if right else [f"{key}: {value!r} is not a number; write for example 1.0"]
    right = isinstance(value, list | tuple) and all(isinstance(name, str) for name in value)
    return [] if right else [f"{key}: {value!r} is not a list of columns; write [] for none"]


def _contradictions(plan: Plan) -> list[str]:
    found = []
    if not math.isfinite(plan.unit_of_effect) or plan.unit_of_effect <= 0:
        found.append(f"unit_of_effect: {plan.unit_of_effect} is not above 0; write 1.0")
    if plan.missing_data not in MISSING_DATA:
        found.append(
            f"missing_data: {plan.missing_data!r} is unknown; write {' or '.join(MISSING_DATA)}"
        )
    for name in plan.as_categories:
        if name not in plan.adjust_for:
            near = did_you_mean(name, plan.adjust_for)
            found.append(f"as_categories: {name!r} is not in adjust_for{near}")
    right_side = (plan.exposure, *plan.adjust_for)
    for name in sorted({name for name in right_side if right_side.count(name) > 1}):
        found.append(f"adjust_for: {name!r} stands twice, counting the exposure; write it once")
    for name in dict.fromkeys(right_side):
        if name in contracts.KNOWN_AFTERWARDS or name == plan.outcome:
            found.append(
                f"{name}: known only after the exposure window, so it can be neither exposure "
                "nor adjustment; take it out"
            )
    return found
