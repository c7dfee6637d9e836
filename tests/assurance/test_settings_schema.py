"""The schemas are closed, explained and sourced; a wrong setting is always named."""

import copy
import difflib
import json
import math
from dataclasses import dataclass
from pathlib import Path

import jsonschema
import pytest
import yaml
from published_settings import DECLARED

from icpcohort import contracts
from icpcohort.commands import settings_schema
from icpcohort.contracts import burden_columns
from icpcohort.contracts.columns import Column
from icpcohort.study import declared_checks, families, settings, tables, values
from icpcohort.study.families import FAMILIES

DECLARED_OUTCOMES = {  # as a study may declare them
    "icu_days": Column(contracts.COUNT, "d", "Days in intensive care", role="outcome"),
    "stay_h": Column(contracts.REAL, "h", "Time to the first", role="outcome", kind="time"),
    "stay_event": Column(contracts.TEXT, "", "First event", role="outcome", kind="event"),
}
REPOSITORY = Path(__file__).resolve().parents[2]
FILES = ("config", "models")
ALL = (*FILES, "variables")
SCHEMAS = {
    name: json.loads(
        (REPOSITORY / "workflow" / "schemas" / f"{name}.schema.json").read_text(
            encoding="utf-8"
        )
    )
    for name in ALL
}
CONTENTS = {
    name: yaml.safe_load((REPOSITORY / "config" / f"{name}.yaml").read_text(encoding="utf-8"))
    for name in ALL
}
EVERY_TABLE = tables.TABLES | tables.OPTIONAL
# The renamed columns are optional, so the published settings have none: here is one of each.
CONTENTS["config"]["study"]["columns"] = {
    name: {column: f"their {column}" for column in table.columns}
    for name, table in EVERY_TABLE.items()
}
CONTENTS["config"]["study"]["codings"] = {
    name: {column: {"their value": "our value"} for column in table.columns}
    for name, table in EVERY_TABLE.items()
}
FLAT_LINE = {"rule": "flat_line", "signal": "icp", "tier": "minutes", "max_spread": 0.0}
CONTENTS["config"]["cleaning"]["rules"].append(FLAT_LINE | {"min_s": 60.0})
# Blocks in which any name is a new one.
FREE = {(name,) for name in ("windows", "models", "signals", "derived_signals", "indices")}
FREE |= {(section, "thresholds") for section in ("burden", "intensity_duration")}
UNITS = ("_s", "_h", "_hz", "_min", "_mmhg", "_years", "_minutes", "_kg_m3", "_score")
BARE = (
    *("min", "max", "max_spread", "max_step"),  # in the unit of the signal that the rule names
    *("above", "below", "low", "high"),  # thresholds, in the unit of the signal above them
    *("first", "last", "step"),
    *("min_span_index", "reactivity_limit", "impaired_above"),  # of an index, a correlation
    *("sensor_min", "sensor_max", "min_step", "min_usual_movement"),  # likewise
    *("max_times_noise", "max_correlation", "min_resemblance", "min_pulses"),  # ratios, counts
    "n_blocks",
    "n_cosines",
    "min_bins",
    "n_bands",
    "min_cell",  # a count; so the literature calls it
    "exposed_above",
    "share_from",  # in the unit of its variable
    *("from_value", "subtract"),  # in the unit of the variable, and of the signal
    "min_curvature_z",
    "min_arm_z",
    "min_r_squared",
    "edge_weight",
    "seed",
    "n_resamples",
    "n_surrogates",
    "n_yield_surrogates",
    "min_patients",
    "shape_min_pulses",
    "chunk_samples",
    "fisher_clip",
    "min",  # of a variable, which wears its unit itself
    "max",
    "decimals",
    "unit_of_effect",
    "incidence_split",
    "risks_at",
    "curve_knots",
    "min_imputations",
    "n_cycles",
    "seed",
    "deltas",
    "repeats",
)


def _problems(name, content):
    return settings.problems(content, SCHEMAS[name], file=f"{name}.yaml")


def _places(content, path=()):
    """Yield the path of everything that stands in the content, the whole included."""
    yield path
    if isinstance(content, dict):
        for name, value in content.items():
            yield from _places(value, (*path, name))
    elif isinstance(content, list):
        for i, value in enumerate(content):
            yield from _places(value, (*path, i))


def _at(content, path):
    for step in path:
        content = content[step]
    return content


def _changed(content, path, value):
    content = copy.deepcopy(content)
    _at(content, path[:-1])[path[-1]] = value
    return content


PLACES = [(name, path) for name in FILES for path in _places(CONTENTS[name])]
BLOCKS = [(name, path) for name, path in PLACES if isinstance(_at(CONTENTS[name], path), dict)]
VALUES = [
    (name, path)
    for name, path in PLACES
    if path and not isinstance(_at(CONTENTS[name], path), (dict, list))
]
LISTS = [(name, path) for name, path in PLACES if isinstance(_at(CONTENTS[name], path), list)]


def _names_the_place(line, name, path):
    """Whether a line begins with the file and the last name or entry of the path."""
    where = line.split(": ")[0]
    last = f"entry {path[-1] + 1}" if isinstance(path[-1], int) else path[-1]
    return where.startswith(f"{name}.yaml") and last in where


def test_there_is_enough_to_change():
    assert len(VALUES) > 150
    assert {name for name, _ in BLOCKS} == set(FILES)


@pytest.mark.parametrize("name", ALL)
def test_the_published_settings_keep_their_schema(name):
    assert _problems(name, CONTENTS[name]) == []


@pytest.mark.parametrize("name", ALL)
def test_the_schemas_are_json_schemas_and_an_unchanged_validator_agrees(name):
    """Reference: the jsonschema library's own Draft 2020-12 metaschema and validator."""
    jsonschema.Draft202012Validator.check_schema(SCHEMAS[name])
    assert jsonschema.Draft202012Validator(SCHEMAS[name]).is_valid(CONTENTS[name])


@pytest.mark.parametrize(("name", "path"), BLOCKS)
def test_an_unknown_name_is_refused_in_every_block(name, path):
    problems = _problems(name, _changed(CONTENTS[name], (*path, "zz_unknown"), 1))
    if (
        path[:2] == ("study", "codings") and len(path) == 4
    ):  # here any name is a value of theirs
        assert len(problems) == 1
        assert "zz_unknown: 1 is not text" in problems[0]
    elif path in FREE:
        assert len(problems) == 1
        assert "zz_unknown: 1 is not a block of settings" in problems[0]
    else:
        assert len(problems) == 1
        assert "zz_unknown: unknown setting; " in problems[0]


@pytest.mark.parametrize(("name", "path"), VALUES)
def test_a_value_of_another_type_is_refused_and_named(name, path):
    value = _at(CONTENTS[name], path)
    wrong = [None, [value], {"a": value}, math.nan, math.inf]
    wrong += [1] if isinstance(value, bool) else [True]
    wrong += [5] if isinstance(value, str) else [f"{value} x"]
    wrong += [value + 0.5, float(value)] if type(value) is int else []
    for other in wrong:
        problems = _problems(name, _changed(CONTENTS[name], path, other))
        assert problems, f"{path} accepts {other!r}"
        assert _names_the_place(problems[0], name, path), problems


@pytest.mark.parametrize(("name", "path"), LISTS + BLOCKS)
def test_a_list_or_block_cannot_be_a_number_or_text(name, path):
    for other in (1, "text", None, True):
        content = _changed(CONTENTS[name], path, other) if path else other
        problems = _problems(name, content)
        assert problems, f"{path} accepts {other!r}"
        assert not path or _names_the_place(problems[0], name, path), problems


@pytest.mark.parametrize(
    ("name", "path"), [p for p in PLACES if p[1] and isinstance(p[1][-1], str)]
)
def test_a_setting_that_is_left_out_is_missed(name, path):
    content = copy.deepcopy(CONTENTS[name])
    del _at(content, path[:-1])[path[-1]]
    renamed_column = path[:2] == ("study", "columns") and len(path) == 4
    renamed_column |= path[:2] == ("study", "codings") and len(path) >= 4
    optional = name == "models" and path[-1] == "risks_at"  # left out: not done
    optional |= path[:1] == ("study",) and path[2:] in (("repeated",), ("left_out",))
    optional |= path == ("trends", "max_lag_s")  # left out: nothing is out of step
    optional |= path == ("trends", "correct_lag")  # left out: no lag is corrected
    if path[:2] == ("cleaning", "rules") and len(path) == 4:  # left out: not asked for
        rule = _at(CONTENTS[name], path[:-1])["rule"]
        of_rules = {"flat_line": "max_step", "damping": "edge_pulse_fraction"}
        optional |= path[-1] == (of_rules | {"beats": "min_resemblance"}).get(rule)
    optional |= path[0] == "plausibility"  # left out: the usual limits
    optional |= path[:2] == ("cohort", "eligibility") and path[-1] in ("min", "max")
    optional |= path == ("derived_signals", "cpp", "subtrahend")  # or `of_patient`
    optional |= path[:2] == ("burden", "thresholds") and path[-1] in ("above", "below")
    if renamed_column or optional or path[:-1] in FREE:
        assert _problems(name, content) == []
        return
    problems = _problems(name, content)
    assert len(problems) == 1
    assert f"{path[-1]}: missing; write " in problems[0]


# --- the schemas themselves ---


def _parts(schema, name=""):
    """Yield every named part of a schema that describes a value."""
    yield name, schema
    for part in ("properties", "$defs"):
        for inner_name, inner in schema.get(part, {}).items():
            yield from _parts(inner, inner_name)
    for part in ("items", "additionalProperties"):
        if isinstance(schema.get(part), dict):
            yield from _parts(schema[part], name)


def _faults(schema):
    """List where a schema is open, unexplained, unsourced, unbounded or without its unit."""
    faults = []
    for name, part in _parts(schema):
        kind = part.get("type")
        if not part.get("description"):
            faults.append(f"{name}: no description")
        if kind == "object" and "allOf" not in part and "additionalProperties" not in part:
            faults.append(f"{name}: open")
        if kind == "object":
            continue
        if not part.get("x-source"):
            faults.append(f"{name}: no source")
        if not part.get("examples"):
            faults.append(f"{name}: no example")
        if kind in ("integer", "number"):
            if not {"minimum", "exclusiveMinimum"} & set(part):
                faults.append(f"{name}: no lower limit")
            if not {"maximum", "exclusiveMaximum"} & set(part):
                faults.append(f"{name}: no upper limit")
            if not (name.endswith((*UNITS, "_fraction")) or name in BARE):
                faults.append(f"{name}: no unit in the name")
    return faults


@pytest.mark.parametrize("name", ALL)
def test_every_setting_is_closed_explained_sourced_and_bounded(name):
    assert _faults(SCHEMAS[name]) == []


@pytest.mark.parametrize(
    ("part", "fault"),
    [
        ("additionalProperties", "trends: open"),
        ("description", "trends: no description"),
    ],
)
def test_the_look_at_the_schema_sees_a_missing_part(part, fault):
    schema = copy.deepcopy(SCHEMAS["config"])
    del schema["properties"]["trends"][part]
    assert _faults(schema) == [fault]


@pytest.mark.parametrize("part", ["x-source", "examples", "exclusiveMinimum", "maximum"])
def test_the_look_at_the_schema_sees_a_setting_without(part):
    schema = copy.deepcopy(SCHEMAS["config"])
    del schema["properties"]["minutes"]["properties"]["min_valid_fraction"][part]
    assert len(_faults(schema)) == 1


@pytest.mark.parametrize("name", ALL)
def test_every_example_keeps_its_own_schema(name):
    for part_name, part in _parts(SCHEMAS[name]):
        for example in part.get("examples", []):
            whole = part | {"$defs": SCHEMAS[name].get("$defs", {})}
            assert settings.problems(example, whole, file=part_name) == []


def test_a_cleaning_rule_has_the_keys_of_its_own_kind_only():
    for rule in CONTENTS["config"]["cleaning"]["rules"]:
        for other in SCHEMAS["config"]["$defs"]:
            content = _changed(
                CONTENTS["config"], ("cleaning", "rules"), [rule | {"rule": other}]
            )
            assert bool(_problems("config", content)) == (other != rule["rule"])


# --- the schemas and the rest of the project name the same things ---


@pytest.mark.parametrize("name", ALL)
def test_a_schema_is_that_of_the_sections_and_of_the_plan(name):
    file = f"{name}.schema.json"
    difference = "\n".join(
        difflib.unified_diff(
            (REPOSITORY / "workflow/schemas" / file).read_text(encoding="utf-8").splitlines(),
            settings_schema.read(REPOSITORY)[file].splitlines(),
            file,
            "as the sections say now",
            lineterm="",
        )
    )
    assert not difference, (
        f"workflow/schemas/{file} is out of date; repair it with: make generate\n{difference}"
    )


def test_a_section_without_a_setting_at_a_field_is_refused():
    @dataclass(frozen=True)
    class Section:
        """A section."""

        settle_s: float

    with pytest.raises(TypeError, match="neither a section nor annotated with a Setting"):
        settings_schema._block(Section, {})


def test_a_setting_or_a_rule_with_an_old_name_is_told_its_new_one():
    config = copy.deepcopy(CONTENTS["config"])
    config["reactivity"]["long_n_minutes"] = config["reactivity"].pop("window_min")
    config["cleaning"]["rules"][8]["rule"] = "sampling"
    text = "\n".join(_problems("config", config))
    assert "reactivity.long_n_minutes: is now reactivity.window_min; write there 20" in text
    assert "entry 9 (sampling), rule: 'sampling' is now 'blood_sampling'; write that" in text


def test_every_family_has_its_outcomes_and_they_are_in_the_analysis_table():
    model = SCHEMAS["models"]["properties"]["models"]["additionalProperties"]["properties"]
    assert set(FAMILIES) == set(model["family"]["enum"])
    columns = contracts.analysis(DECLARED).columns | DECLARED_OUTCOMES
    for family in FAMILIES.values():
        names = families.outcomes_of(family, columns)
        known = [columns[name] for name in names if name in columns]
        assert names, family.name
        assert {column.dtype for column in known} <= set(family.outcome.types), family.name
        assert len(known) == len(names) or family.events != "refused"


def test_the_exposures_of_the_settings_are_the_columns_that_burden_writes():
    above, below = {"above": [20, 22.5]}, {"below": [60.0]}
    outside = {"outside": [{"low": 30.0, "high": 45.0}]}
    signals = CONTENTS["config"]["signals"]
    etco2 = {"label": "etCO2", "about": "End-tidal CO2", "unit": "mmHg", "names": ["CO2"]}
    config = {
        "signals": signals | {"etco2": etco2},
        "derived_signals": CONTENTS["config"]["derived_signals"],
        "burden": {"thresholds": {"icp": above, "cpp": below, "etco2": outside}},
    }
    thresholds = [
        burden_columns.Threshold(*one)
        for one in (
            ("icp", "above", 20.0, 20.0),
            ("icp", "above", 22.5, 22.5),
            ("cpp", "below", 60.0, 60.0),
            ("etco2", "outside", 30.0, 45.0),
        )
    ]
    declared = declared_checks.sound(config)
    names = burden_columns.names(declared)
    assert names == [
        burden_columns.name(threshold, measure, declared)
        for threshold in thresholds
        for measure in burden_columns.MEASURES
    ]
    assert "icp_above_22_5_dose_per_h_mmhg" in names
    assert "etco2_outside_30_45_dose_mmhg_h" in names
    assert set(burden_columns.MEASURES) <= set(contracts.BURDEN.columns)


def test_every_needed_limited_or_chosen_column_is_in_a_contract():
    columns = {name: c for table in EVERY_TABLE.values() for name, c in table.columns.items()}
    assert set(values.CHOICES) <= set(columns)
    assert set(values.LIMITS) <= set(columns)
    for name, table in EVERY_TABLE.items():
        assert set(table.key) <= set(tables.NEEDED[name]) <= set(table.columns)
    numbers = {n for n, c in columns.items() if c.dtype in (contracts.REAL, contracts.COUNT)}
    assert numbers - {"value"} == set(values.LIMITS)  # that of a value is its variable's
