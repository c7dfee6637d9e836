"""What a study declares of its patients: entries are merged, and every fault is one line."""

import json
from pathlib import Path

import pytest

from icpcohort.study import dictionary

ROOT = Path(__file__).parents[3]
SHIPPED = ROOT / "workflow/dictionaries"
SCHEMA = json.loads((ROOT / "workflow/schemas/variables.schema.json").read_text("utf-8"))
NAMES = ("patient", "tbi", "sah", "ich", "children")
LEVELS = ["0", "1", "2", "3"]
SCALE = {"label": "Scale", "kind": "ordered", "levels": LEVELS, "better": "lower"}
SCALE |= {"dead": "3", "at_h": 2190.0}
GRADE = {"label": "Grade", "kind": "ordered", "levels": LEVELS, "known": "at_admission"}


def resolve(variables=None, outcomes=None, *, dictionaries=(), scores=None):
    written = {
        "dictionaries": [*dictionaries],
        "variables": variables or {},
        "outcomes": outcomes or {},
        "scores": scores or {},
    }
    return dictionary.resolved(written, shipped=SHIPPED, schema=SCHEMA, file="variables.yaml")


def problems(**parts):
    return resolve(**parts).problems


@pytest.mark.parametrize("name", NAMES)
def test_each_shipped_dictionary_is_sound_beside_that_of_every_patient(name):
    assert problems(dictionaries=dict.fromkeys(("patient", name))) == []


def test_a_study_changes_single_keys_of_a_shipped_entry():
    made = resolve({"wfns": {"column": "WFNS"}}, dictionaries=("patient", "sah")).sections
    assert made["variables"]["wfns"]["column"] == "WFNS"
    assert made["variables"]["wfns"]["levels"] == ["1", "2", "3", "4", "5"]


def test_the_codings_of_an_entry_may_be_the_text_of_a_data_dictionary():
    made = resolve({"sex": {"codings": "1, Male | 2, Female"}}, dictionaries=("patient",))
    assert made.problems == []
    assert made.sections["variables"]["sex"]["codings"] == {"1": "male", "2": "female"}
    lines = problems(variables={"sex": {"codings": "1, Man"}}, dictionaries=("patient",))
    assert len(lines) == 1
    assert lines[0].startswith("variables.yaml, variables.sex.codings: 1, Man has no level")


def test_two_dictionaries_that_differ_in_an_entry_are_named_with_it():
    assert problems(dictionaries=("patient", "sah", "ich")) == [
        "variables.yaml, dictionaries: 'ich' and 'sah' declare 'mrs_3m_unfavourable' "
        "differently; use one of them, and declare what you need of the other yourself"
    ]


@pytest.mark.parametrize(
    ("entry", "line"),
    [
        (GRADE | {"levels": []}, ".levels: an ordered scale needs its levels"),
        (GRADE | {"min": 0}, ".min: the levels say what can be; leave min and max out"),
        (
            {"label": "N", "kind": "number", "known": "at_admission", "min": 5, "max": 1},
            ".max: 1 is below min 5; write a value from 5 on",
        ),
        (
            {"label": "N", "kind": "number", "known": "at_admission", "levels": LEVELS},
            ".levels: a number has no levels; write kind: ordered, or leave them out",
        ),
        (GRADE | {"codings": {"I": "7"}}, ".codings.I: '7' is no level; "),
        (GRADE | {"known": "at_h"}, ".known_h: goes with known: at_h; write both or neither"),
        (GRADE | {"known_h": 3.0}, ".known_h: goes with known: at_h; write both or neither"),
        (
            GRADE | {"known": "in_window"},
            ".known_window: goes with known: in_window; write both or neither",
        ),
        (GRADE | {"score": "rotterdm"}, ".score: 'rotterdm' is no published score known"),
        (GRADE | {"score": "rotterdam"}, ".score: rotterdam needs "),
    ],
)
def test_a_covariate_that_contradicts_itself_is_one_line(entry, line):
    lines = problems(variables={"own": entry})
    assert len(lines) == 1
    assert lines[0].startswith(f"variables.yaml, variables.own{line}")


@pytest.mark.parametrize(
    ("entry", "line"),
    [
        (SCALE | {"better": None}, ".better: "),
        (SCALE | {"at_h": None}, ".at_h: missing; write the hours since time zero at which"),
        (SCALE | {"levels": ["bad", "good"]}, ".levels: an outcome scale is of whole numbers"),
        (SCALE | {"levels": ["3", "0", "1"]}, ".levels: not in ascending order; sort them"),
        (SCALE | {"dead": "0"}, ".dead: with lower being better the worst level is 3, and "),
        (SCALE | {"coding": "mine"}, ".coding: "),
        ({"label": "S", "kind": "event"}, ".events: goes with kind: event"),
        (
            {"label": "S", "kind": "event", "events": {"death": "deth_h"}},
            ".events.death: 'deth_h' is no time; did you mean 'death_h'",
        ),
        (
            {"label": "D", "kind": "count", "death_by_h": 720.0},
            ".death_by_h: gives a flag; write kind: flag",
        ),
        (
            {"label": "D", "kind": "flag", "death_by_h": 720.0, "of": "scale"},
            ": of and death_by_h exclude each other; keep one",
        ),
        (
            {"label": "F", "kind": "flag", "favourable_from": "1"},
            ".favourable_from: of which outcome? write `of: NAME`",
        ),
        (
            {"label": "F", "kind": "flag", "of": "scal", "favourable_from": "1"},
            ".of: 'scal' is no declared outcome; did you mean 'scale'",
        ),
        ({"label": "F", "kind": "flag", "of": "scale"}, ".of: needs one of "),
        (
            {"label": "F", "kind": "flag", "of": "flag", "equals": "1"},
            ".of: 'flag' is no ordered scale; name one",
        ),
        (
            {"label": "F", "kind": "flag", "of": "scale", "equals": "9"},
            ".equals: '9' is no level of scale; ",
        ),
        (
            {"label": "F", "kind": "flag", "of": "scale", "favourable_from": "3"},
            ".favourable_from: 3 is the worst level, so none is worse; name another",
        ),
        (
            {"label": "F", "kind": "flag", "of": "scale", "sliding_by": "grad", "n_bands": 3},
            ".sliding_by: 'grad' is no declared variable; did you mean 'grade'",
        ),
        (
            {"label": "F", "kind": "flag", "of": "scale", "sliding_by": "grade"},
            ".n_bands: missing; write for example n_bands: 3",
        ),
        (
            {"label": "F", "kind": "flag", "of": "scale", "equals": "1", "is_death": True},
            ".is_death: 1 is not the level of scale that means dead",
        ),
    ],
)
def test_an_outcome_that_contradicts_itself_is_one_line(entry, line):
    stated = {key: value for key, value in entry.items() if value is not None}
    outcomes = {
        "scale": SCALE,
        "flag": {"label": "Flag", "kind": "flag", "at_h": 2190.0},
        "own": stated,
    }
    lines = problems(variables={"grade": GRADE}, outcomes=outcomes)
    assert len(lines) == 1
    assert lines[0].startswith(f"variables.yaml, outcomes.own{line}")


def test_a_name_declared_twice_is_one_line():
    lines = problems(variables={"own": GRADE}, outcomes={"own": SCALE | {"column": "other"}})
    assert lines == ["variables.yaml, outcomes.own: is declared under variables too; keep one"]


def test_a_column_that_two_entries_read_is_one_line():
    lines = problems(variables={"own": GRADE, "twin": GRADE | {"column": "own"}})
    assert lines == [
        "variables.yaml, variables.twin.column: 'own' is already the column of own; name "
        "another column"
    ]


def test_a_name_that_the_tables_have_already_is_one_line():
    lines = problems(variables={"icp_mean_mmhg": GRADE})
    assert lines == [
        "variables.yaml, variables.icp_mean_mmhg: the tables have a column of this name "
        "already; choose another name"
    ]


def test_an_unknown_key_and_an_unknown_dictionary_are_named_with_what_is_near():
    lines = problems(variables={"own": GRADE | {"colunm": "x"}}, dictionaries=("thi",))
    assert len(lines) == 2
    assert any("colunm" in line and "'column'" in line for line in lines)
    assert any("'thi'" in line and "'tbi'" in line for line in lines)


@pytest.mark.parametrize(
    ("scores", "line"),
    [
        ({"impact": {"form": "short"}}, "scores.impact.form: write chart or continuous"),
        (
            {"impact": {"form": "chart"}, "other": {"form": "a"}},
            "scores.other: no variable is a score of that name; leave it out",
        ),
    ],
)
def test_a_score_of_several_forms_needs_one_of_them(scores, line):
    lines = problems(dictionaries=("patient", "tbi"), scores=scores)
    assert lines == [f"variables.yaml, {line}"]
