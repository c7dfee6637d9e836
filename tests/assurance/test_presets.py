"""Promise: a preset is complete, keeps the schema, and says where each value is from."""

import json
from pathlib import Path

import pytest
import yaml

from icpcohort.study import settings

HOME = Path(__file__).parents[2]
PRESETS = yaml.safe_load((HOME / "config/presets.yaml").read_text(encoding="utf-8"))
CONFIG = yaml.safe_load((HOME / "config/config.yaml").read_text(encoding="utf-8"))
SCHEMA = json.loads((HOME / "workflow/schemas/config.schema.json").read_text(encoding="utf-8"))
ALL = [(block, name) for block, presets in PRESETS.items() for name in presets]
PARTS = ("confirmed", "from_memory", "own_choice")


@pytest.mark.parametrize(("block", "name"), ALL)
def test_a_preset_can_be_written_over_its_block(block, name):
    values = PRESETS[block][name]["values"]
    assert settings.problems(values, SCHEMA["properties"][block], file=name) == []
    needed = {
        other: CONFIG[other] | own for other, own in PRESETS[block][name]["needs"].items()
    }
    whole = CONFIG | needed | {block: values}
    assert settings.problems(whole, SCHEMA, file=name) == []
    assert settings.contradictions(whole, file=name) == []


@pytest.mark.parametrize(("block", "name"), ALL)
def test_each_value_of_a_preset_is_confirmed_or_from_memory_or_our_own(block, name):
    preset = PRESETS[block][name]
    assert set(preset) == {"source", "needs", "values", *PARTS}
    told = [value for part in PARTS for value in preset[part]]
    assert sorted(told) == sorted(preset["values"])
    assert not (preset["source"].startswith("no source") and preset["confirmed"])
