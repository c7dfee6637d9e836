"""The names of the report's figures, which the workflow must know before any is drawn."""

from collections.abc import Iterable, Mapping
from typing import Any

NAMES = (  # in the order of the report
    *("flow", "recorded", "drift", "burden", "burden-by-state", "intensity"),
    *("intensity-outcome", "reactivity", "curves", "forest"),
)
# A dot or a line is a patient or a monitor: no rows, but nearly.
DRAW_EACH_PATIENT = (
    *("recorded", "drift", "burden", "burden-by-state", "reactivity", "curves"),
)
NOT_FOR_SHARING = "Patient-level data, not for sharing."
FILE_KINDS = ("svg", "pdf", "png")


def names_of(
    models: Mapping[str, Mapping[str, Any]], questions: Iterable[str] = ()
) -> list[str]:
    """Return the name of every figure in order.

    A model with a curved exposure adds its own, and so does a question with specifications.
    """
    curves = [f"curve-{name}" for name, plan in models.items() if is_curved(plan)]
    return [*NAMES, *curves, *(f"specifications-{name}" for name in questions)]


def is_curved(plan: Mapping[str, Any]) -> bool:
    """Return whether a model's exposure is a curve, which has a figure of its own."""
    return bool(plan.get("curve_knots"))
