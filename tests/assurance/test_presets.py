"""Promise: a preset is complete, keeps the schema, and says where each value is from."""

import json
from pathlib import Path

import pytest
import yaml

from icpcohort import settings

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
    found = settings.contradictions(CONFIG | {block: values}, file=name)
    if PRESETS[block][name]["needs"] == "nothing":
        assert found == []
    else:
        assert found == [
            f"{name}, reactivity.block_s: means of 5 s cannot be made of the 10-s blocks of "
            "the trends; write a multiple of 10"
        ]


@pytest.mark.parametrize(("block", "name"), ALL)
def test_each_value_of_a_preset_is_confirmed_or_from_memory_or_our_own(block, name):
    preset = PRESETS[block][name]
    assert set(preset) == {"source", "needs", "values", *PARTS}
    told = [value for part in PARTS for value in preset[part]]
    assert sorted(told) == sorted(preset["values"])
    assert not (preset["source"].startswith("no source") and preset["confirmed"])
