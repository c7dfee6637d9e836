"""The names of the report's figures, which the workflow must know before any is drawn."""

from collections.abc import Mapping
from typing import Any

NAMES = ("flow", "burden", "reactivity", "curves", "forest")  # in the order of the report
FILE_KINDS = ("svg", "pdf", "png")


def names_of(models: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """Return the name of every figure in order; a model with a curved exposure adds its own."""
    return [*NAMES, *(f"curve-{name}" for name, plan in models.items() if is_curved(plan))]


def is_curved(plan: Mapping[str, Any]) -> bool:
    """Return whether a model's exposure is a curve, which has a figure of its own."""
    return bool(plan.get("curve_knots"))
