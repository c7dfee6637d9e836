"""Plan cautions: what a reviewer will ask of a model before any number is known."""

from collections.abc import Mapping
from typing import Any

from icpcohort.contracts import burden_columns
from icpcohort.contracts.columns import Column
from icpcohort.study.published_scores import SCORES


def of_plan(
    plan: Mapping[str, Any], *, columns: Mapping[str, Column], declared: Mapping[str, Any]
) -> list[str]:
    """Return the cautions of one model of the plan, each a sentence without its stop.

    Parameters
    ----------
    plan : mapping
        A checked block of `models.yaml`.
    columns : mapping of name to Column
        Those of the analysis table.
    declared : mapping
        The sections `signals` and `derived_signals` of the settings.

    Source: adjusting for what an exposure causes: Schisterman 2009; mathematical coupling:
    Archie 1981; a score beside its parts: common practice, no source.
    """
    exposure, beside = str(plan["exposure"]), [str(name) for name in plan["adjust_for"]]
    mediators = [name for name in beside if _is_measured(name, columns)]
    coupled = [name for name in mediators if _is_coupled(exposure, name, declared)]
    sentences = []
    if coupled:
        sentences.append(
            f"{exposure} and {_and(coupled)} are computed from one another's signals, so that "
            "their relation is partly arithmetic, and neither can change while the other stays"
        )
    if mediators:
        sentences.append(
            f"{_and(mediators)}, adjusted for, may be a consequence of {exposure}: both are "
            "measured in the same window, and what passes through it is taken away"
        )
    if _is_amount_of_monitoring(exposure, columns):
        sentences.append(
            f"{exposure} says how long or how well a patient was monitored, which depends on "
            "the course and on who died or was discharged early"
        )
    for name in beside:
        parts = (
            [part for part in SCORES[name].parts if part in beside] if name in SCORES else []
        )
        if parts:
            sentences.append(f"{name} is adjusted for beside its own parts ({_and(parts)})")
    return sentences


def of_all(
    plans: Mapping[str, Mapping[str, Any]],
    *,
    columns: Mapping[str, Column],
    declared: Mapping[str, Any],
) -> list[str]:
    """Return the cautions of every model, each led by the model's name."""
    return [
        f"models.{name}: {sentence}"
        for name, plan in plans.items()
        for sentence in of_plan(plan, columns=columns, declared=declared)
    ]


def multiplicity(plans: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """Say by how much several tests at 5 % raise the chance of one by luck; [] where not."""
    alone = [name for name, plan in plans.items() if not plan.get("comparisons")]
    if len(alone) < 2:
        return []
    by_luck = 100 * (1 - 0.95 ** len(alone))
    return [
        f"{len(alone)} models are tested each at 5 % and not together (no comparisons): the "
        f"chance that one has a p below 0.05 by luck alone is up to {by_luck:.0f} %"
    ]


def _is_measured(name: str, columns: Mapping[str, Column]) -> bool:
    """Return whether a column is computed from the recordings of the window."""
    column = columns.get(name)
    if column is None:
        return burden_columns.words(name) is not None
    return column.role == "exposure"


def _is_amount_of_monitoring(name: str, columns: Mapping[str, Column]) -> bool:
    column = columns.get(name)
    is_hours = column is not None and column.role == "exposure" and column.unit == "h"
    return is_hours or name.endswith("_yield_percent")


def _is_coupled(one: str, other: str, declared: Mapping[str, Any]) -> bool:
    """Return whether one of two columns is of a difference that the other is a part of."""
    first, second = _signal(one, declared), _signal(other, declared)
    parts = {
        name: {block.get("minuend"), block.get("subtrahend")}
        for name, block in declared["derived_signals"].items()
    }
    return second in parts.get(first, set()) or first in parts.get(second, set())


def _signal(column: str, declared: Mapping[str, Any]) -> str:
    """Return the signal that a column is of, by the beginning of its name; else nothing."""
    names = [*declared["signals"], *declared["derived_signals"]]
    return next((name for name in names if column.startswith(f"{name}_")), "")


def _and(names: list[str]) -> str:
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last
