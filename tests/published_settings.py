"""The published settings as a nested dictionary, and the same with some values changed."""

from pathlib import Path
from typing import Any

import yaml

CONFIG = Path(__file__).parents[1] / "config" / "config.yaml"
PUBLISHED: dict[str, Any] = yaml.safe_load(CONFIG.read_text(encoding="utf-8"))


def changed(**sections: dict[str, Any]) -> dict[str, Any]:
    """Return the published settings with some values of some sections changed."""
    return {name: values | sections.get(name, {}) for name, values in PUBLISHED.items()}
