"""Repeated values: what a study declares of them, and its long table of them."""

import copy
from pathlib import Path

import pytest
import yaml
from published_settings import DECLARED, PUBLISHED, ROOT

from icpcohort import contracts
from icpcohort.contracts import repeated as repeated_columns
from icpcohort.contracts import store
from icpcohort.study import cohort_checks, dictionary, yaml_files
from icpcohort.study import tables as study

SHIPPED = ROOT / "workflow" / "dictionaries"
SCHEMA = yaml_files.read_schema(ROOT / "workflow" / "schemas" / "variables.schema.json")
TIL = {"label": "Therapy intensity", "kind": "count", "min": 0, "max": 38}
SEDATION = {"label": "Sedation", "kind": "ordered", "levels": ["0", "1", "2"]}
LACTATE = {"label": "Lactate", "kind": "number", "unit": "mmol/L", "min": 0, "max": 40}
DECLARES = {
    "til": TIL,
    "deep": {"label": "Deep sedation", "kind": "flag"},
    "sedation": SEDATION | {"codings": {"light": "1"}},
    "lactate": LACTATE,
}
ROWS = """patient_id,variable,from_h,to_h,value
P2,til,0,,7
P1,til,24,,11
P1,til,0,24,3
P1,deep,2,5,yes
P1,sedation,0,,light
P2,sedation,0,,2
P1,lactate,1.5,1.5,2.25
P2,lactate,3,,
"""


def _written(**repeated):
    written = {"dictionaries": ["patient", "tbi"], "variables": {}, "outcomes": {}}
    return written | {"repeated": repeated, "scores": {}}


def _resolved(**repeated):
    return dictionary.resolved(
        _written(**repeated), shipped=SHIPPED, schema=SCHEMA, file="variables.yaml"
    )


# --- what is declared ------------------------------------------------------------------------


def test_declared_values_are_returned_as_written_with_levels_as_texts():
    asked = TIL | {"summaries": ["mean", "share"], "share_from": 11}
    numbered = SEDATION | {"levels": [0, 1, 2]}
    read = _resolved(til=asked, sedation=numbered)
    assert read.problems == []
    assert read.sections["repeated"] == {"til": asked, "sedation": SEDATION}


def test_a_study_without_the_section_has_none():
    written = {"dictionaries": ["patient"], "variables": {}, "outcomes": {}, "scores": {}}
    read = dictionary.resolved(written, shipped=SHIPPED, schema=SCHEMA, file="variables.yaml")
    assert (read.problems, read.sections["repeated"]) == ([], {})


def test_an_entry_of_a_shipped_dictionary_can_be_changed(tmp_path):
    shipped = {"repeated": {"til": TIL | {"summaries": ["mean"]}}}
    (tmp_path / "ich.yaml").write_text(yaml.safe_dump(shipped), encoding="utf-8")
    written = _written(til={"summaries": ["max"]}) | {"dictionaries": ["ich"]}
    read = dictionary.resolved(written, shipped=tmp_path, schema=SCHEMA, file="variables.yaml")
    assert read.problems == []
    assert read.sections["repeated"] == {"til": TIL | {"summaries": ["max"]}}


@pytest.mark.parametrize(
    ("entry", "line"),
    [
        ({"sumaries": ["mean"]}, "til.sumaries: unknown setting; did you mean 'summaries'?"),
        ({"kind": "category"}, "til.kind: 'category' is not one of number, count, ordered, fl"),
        ({"column": "TIL"}, "til.column: unknown setting"),
        ({"summaries": ["share"]}, "til.share_from: goes with the summary share; write both"),
        ({"share_from": 3}, "til.share_from: goes with the summary share; write both or nei"),
        ({"min": 9, "max": 3}, "til.max: 3 is below min 9; write a value from 9 on"),
        (
            {"kind": "ordered", "levels": ["low", "high"], "min": None},
            "til.levels: repeated values are numbers; translate yours with codings",
        ),
        (
            {"kind": "ordered", "levels": ["2", "1"], "min": None},
            "til.levels: not in ascending order; sort them",
        ),
        ({"kind": "ordered", "min": None}, "til.levels: an ordered scale needs its levels in"),
    ],
)
def test_a_faulty_entry_has_one_line(entry, line):
    stated = TIL | entry
    if "min" in entry and entry["min"] is None:
        del stated["min"], stated["max"]
    (problem,) = _resolved(til=stated).problems
    assert problem.startswith(f"variables.yaml, repeated.{line}")


def test_a_name_that_another_column_has_is_refused():
    lines = _resolved(
        age_years=TIL,
        value=TIL,
        prx=TIL | {"summaries": ["mean"]},
        x=TIL | {"summaries": ["max"]},
        x_max=TIL,
    ).problems
    assert lines == [
        "variables.yaml, repeated.age_years: is declared under variables too; keep one",
        "variables.yaml, repeated.value: the tables have a column of this name already; "
        "choose another name",
        "variables.yaml, repeated.prx.summaries: the tables have a column prx_mean already; "
        "choose another name, or leave this summary out",
        "variables.yaml, repeated.x.summaries: the tables have a column x_max already; "
        "choose another name, or leave this summary out",
    ]


def test_each_summary_has_a_column_known_in_the_window():
    entries = {"lactate": LACTATE | {"summaries": ["mean", "share"], "share_from": 4}}
    columns = contracts.analysis({"repeated": entries}).columns
    mean, share = columns["lactate_mean"], columns["lactate_share"]
    assert (mean.unit, mean.role, mean.known) == ("mmol/L", "covariate", "in the window")
    assert mean.heading() == "Lactate, mean over time (mmol/L)"
    assert share.about == "Lactate: share of time in the window from 4 on"
    assert "lactate_max" not in columns
    assert repeated_columns.columns_of_summaries({"repeated": entries}).keys() == {
        "lactate_mean",
        "lactate_share",
    }


def test_declared_values_need_a_table_and_a_table_needs_declared_values():
    lines = cohort_checks.variables_that_do_not_fit(PUBLISHED | {"repeated": {"til": TIL}})
    assert lines == [
        "study.repeated: missing, and variables.yaml declares til under repeated; write "
        "`repeated: repeated.csv`, or take them out there"
    ]
    named = PUBLISHED["study"] | {"repeated": "r.csv"}
    lines = cohort_checks.variables_that_do_not_fit(PUBLISHED | {"study": named})
    assert lines == [
        "study.repeated: 'r.csv', and variables.yaml declares nothing under repeated; declare "
        "what it holds, or leave this setting out"
    ]


def test_a_coding_that_leads_to_no_value_is_refused():
    named = PUBLISHED["study"] | {"repeated": "r.csv"}
    entries = {"til": TIL | {"codings": {"much": "99"}}}
    lines = cohort_checks.variables_that_do_not_fit(
        PUBLISHED | {"study": named, "repeated": entries}
    )
    assert lines == [
        "til.codings.much of variables.yaml: 99 is out of range; write a value from 0 to 38"
    ]


# --- the table -------------------------------------------------------------------------------


def _study(folder: Path, text: str, *, columns=None, codings=None, declares=DECLARES):
    tables = {
        "patients": "patient_id,gose_6m,death_h,left_unit_h\nP1,,,\nP2,,,\n",
        "recordings": "recording_id,patient_id,path,format,start_s\nR1,P1,r.csv,csv,0\n",
        "monitors": "monitor_id,patient_id,kind\n",
        "events": "patient_id,event,start_s\n",
        "repeated": text,
    }
    for name, content in tables.items():
        (folder / f"{name}.csv").write_text(content, encoding="utf-8")
    files = {name: f"{name}.csv" for name in tables}
    renamed = {name: {} for name in study.TABLES}
    stated = {
        "columns": renamed | ({"repeated": columns} if columns else {}),
        "codings": renamed | ({"repeated": codings} if codings else {}),
    }
    declared = {name: copy.deepcopy(DECLARED[name]) for name in ("variables", "outcomes")}
    asked = {"study": {"folder": str(folder), **stated, **files}, "repeated": declares}
    return asked | {"cohort": {"main_outcome": "unfavourable"}} | declared


def _problems(folder, text, **asked):
    with pytest.raises(study.StudyError) as caught:
        study.read_study(_study(folder, text, **asked))
    return caught.value.problems


def test_values_become_numbers_in_the_order_of_patient_variable_and_time(tmp_path):
    read = study.read_study(_study(tmp_path, ROWS))
    assert store.problems(read.repeated, contracts.REPEATED_VALUES) == []
    assert read.repeated.rows() == [
        ("P1", "deep", 2.0, 5.0, 1.0),
        ("P1", "lactate", 1.5, 1.5, 2.25),
        ("P1", "sedation", 0.0, None, 1.0),
        ("P1", "til", 0.0, 24.0, 3.0),
        ("P1", "til", 24.0, None, 11.0),
        ("P2", "lactate", 3.0, None, None),
        ("P2", "sedation", 0.0, None, 2.0),
        ("P2", "til", 0.0, None, 7.0),
    ]


def test_columns_can_be_renamed_and_values_translated_and_each_is_counted(tmp_path):
    text = ROWS.replace("variable,from_h", "ITEM,HOUR").replace("til", "TIL score")
    settings = _study(
        tmp_path,
        text,
        columns={"variable": "ITEM", "from_h": "HOUR"},
        codings={"variable": {"TIL score": "til"}},
    )
    read = study.read_study(settings)
    assert read.repeated.equals(study.read_study(_study(tmp_path, ROWS)).repeated)
    assert read.recodings.rows() == [
        ("repeated", "sedation", "light", "1", 1),
        ("repeated", "variable", "TIL score", "til", 3),
    ]


def test_a_coding_of_all_values_holds_for_each_variable(tmp_path):
    text = ROWS.replace("P2,lactate,3,,", "P2,lactate,3,,unk")
    read = study.read_study(_study(tmp_path, text, codings={"value": {"unk": ""}}))
    assert read.repeated.filter(variable="lactate")["value"].to_list() == [2.25, None]


@pytest.mark.parametrize(
    ("row", "line"),
    [
        ("P3,til,0,,1", "patient_id: 'P3' is not in the table of patients; known here: P1, P2"),
        ("P1,tils,3,,1", "variable: 'tils' is not one of til, deep, sedation, lactate; did yo"),
        ("P1,til,5,4,1", "to_h: 4 is before from_h 5; correct one of them"),
        (
            "P1,til,24.0,,5",
            "patient_id, variable, from_h: 'P1, til, 24.0' stands in row 3 too;",
        ),
        ("P1,til,,,5", "from_h: empty; every row needs one"),
        ("P1,til,9,,39", "value of til: 39 is out of range; write a value from 0 to 38"),
        ("P1,til,9,,4.5", "value of til: 4.5 is not a whole number; write one"),
        ("P1,deep,9,,maybe", "value of deep: 'maybe' is not true or false; write one"),
        ("P1,sedation,9,,3", "value of sedation: 3 is out of range; write a value from 0 to 2"),
        ("P1,lactate,9,,high", "value of lactate: 'high' is not a number; write one, or"),
    ],
)
def test_a_faulty_row_has_one_line(tmp_path, row, line):
    (problem,) = _problems(tmp_path, f"{ROWS}{row}\n")
    assert problem.startswith(f"repeated.csv row 10, {line}")


def test_a_variable_without_a_row_is_named(tmp_path):
    without = "".join(line for line in ROWS.splitlines(True) if ",lactate," not in line)
    assert _problems(tmp_path, without) == [
        "repeated.csv: no row of 'lactate'; add its values, or take it out of repeated in "
        "variables.yaml"
    ]


def test_a_column_that_is_missing_is_named_with_where_to_write_its_name(tmp_path):
    lines = _problems(tmp_path, ROWS.replace("from_h", "hours"), declares={"til": TIL})
    assert (
        "repeated.csv, column from_h: missing; add it, or write in config.yaml under "
        "study.columns.repeated the line `from_h: NAME_OF_YOUR_COLUMN`"
    ) in lines


def test_a_study_that_declares_none_reads_no_table_of_them(tmp_path):
    read = study.read_study(_study(tmp_path, "nonsense", declares={}))
    assert read.repeated.is_empty()
    assert store.problems(read.repeated, contracts.REPEATED_VALUES) == []
