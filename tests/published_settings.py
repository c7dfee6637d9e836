"""The published settings as a nested dictionary, and the same with some values changed."""

from pathlib import Path
from typing import Any

from icpcohort.study import settings

ROOT = Path(__file__).parents[1]
CONFIG = ROOT / "config" / "config.yaml"
PUBLISHED: dict[str, Any] = settings.load(
    CONFIG, CONFIG.with_name("models.yaml"), schema_folder=ROOT / "workflow" / "schemas"
)[0]
# What the demo study declares of its patients: the dictionaries patient and tbi.
DECLARED: dict[str, Any] = {
    name: PUBLISHED[name] for name in ("variables", "outcomes", "scores")
}


def changed(**sections: dict[str, Any]) -> dict[str, Any]:
    """Return the published settings with some values of some sections changed."""
    return {name: values | sections.get(name, {}) for name, values in PUBLISHED.items()}
