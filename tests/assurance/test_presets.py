"""Promise: a preset keeps the schema, says where its values are from, and is no copy."""

import json
from pathlib import Path

import pytest
import yaml

from icpcohort.study import presets, settings

HOME = Path(__file__).parents[2]
STATED = yaml.safe_load((HOME / "config/presets.yaml").read_text(encoding="utf-8"))
CONFIG = yaml.safe_load((HOME / "config/config.yaml").read_text(encoding="utf-8"))
SCHEMA = json.loads((HOME / "workflow/schemas/config.schema.json").read_text(encoding="utf-8"))
ALL = [(section, name) for section, of_section in STATED.items() for name in of_section]


@pytest.mark.parametrize(("section", "name"), ALL)
def test_a_study_can_name_the_preset(section, name):
    preset = SCHEMA["properties"][section]["x-presets"][name]
    others = {key: v for key, v in CONFIG[section].items() if key not in preset["values"]}
    needed = {other: CONFIG[other] | values for other, values in preset["needs"].items()}
    named = CONFIG | needed | {section: others | {"preset": name}}
    done, problems = presets.applied(named, SCHEMA, file="config.yaml")
    assert problems == []
    assert done[section] == others | preset["values"]
    assert settings.problems(done, SCHEMA, file="config.yaml") == []
    assert settings.contradictions(done, file="config.yaml") == []


@pytest.mark.parametrize(("section", "name"), ALL)
def test_what_is_confirmed_or_from_memory_is_stated_and_the_rest_our_own(section, name):
    preset = STATED[section][name]
    assert set(preset) <= {"source", "like", "needs", "confirmed", "from_memory", "values"}
    confirmed, from_memory = preset.get("confirmed", []), preset.get("from_memory", [])
    assert not set(confirmed) & set(from_memory)
    assert {*confirmed, *from_memory} <= set(preset["values"])
    assert not (preset["source"].startswith("no source") and confirmed)


@pytest.mark.parametrize(("section", "name"), ALL)
def test_a_value_as_in_the_published_settings_stands_only_where_the_source_states_it(
    section, name
):
    preset = STATED[section][name]
    like = (
        presets.resolved(STATED[section])[preset["like"]]["values"] if "like" in preset else {}
    )
    sourced = {*preset.get("confirmed", ()), *preset.get("from_memory", ())}
    same = {
        key for key, value in preset["values"].items() if (CONFIG[section] | like)[key] == value
    }
    assert preset["source"].startswith("no source") or same <= sourced
