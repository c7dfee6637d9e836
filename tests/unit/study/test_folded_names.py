"""Folded names: names of columns that differ from ours in their writing alone."""

import copy

import pytest
from published_settings import DECLARED

from icpcohort.contracts import REAL, TEXT, Column
from icpcohort.study import folded_names
from icpcohort.study import tables as study

COLUMNS = {
    "age_years": Column(REAL, "a", "Age"),
    "sex": Column(TEXT, "", "Sex"),
    "haemoglobin_g_dl": Column(REAL, "g/dL", "Haemoglobin"),
}
OTHERS = {
    "recordings": "Recording ID,Patient-ID,Path,FORMAT,start s\nR1,P1,r1.csv,csv,7200\n",
    "monitors": "monitor_id,patient_id,kind\n",
    "events": "patient_id,event,start_s\n",
}


def _found(*header, names=None, taken=()):
    return folded_names.found(header, COLUMNS, names=names or {}, taken=taken)


@pytest.mark.parametrize(
    ("theirs", "ours"),
    [
        ("Age years", "age_years"),
        ("AGE_YEARS", "age_years"),
        ("Age (years)", "age_years"),
        (" age  [Years] ", "age_years"),
        ("âge-years", "age_years"),
        ("Sex", "sex"),
        ("Sex (m/f)", "sex"),
        ("Haemoglobin (g/dL)", "haemoglobin_g_dl"),
    ],
)
def test_a_name_that_is_ours_but_for_its_writing_is_found(theirs, ours):
    assert _found(theirs) == ({ours: theirs}, [])


@pytest.mark.parametrize(
    "theirs",
    ["Age", "age (months)", "age_years (months)", "Haemoglobin (g/L)", "sexes", "S e x"],
)
def test_a_name_with_another_unit_or_other_letters_is_not(theirs):
    assert _found(theirs) == ({}, [])


def test_an_exact_name_goes_first_and_a_taken_one_is_not_asked():
    assert _found("Sex", "sex") == ({}, [])
    assert _found("Sex", taken=["Sex"]) == ({}, [])


def test_two_names_that_fold_alike_are_a_problem():
    found = _found("Sex", "SEX")
    assert found.problems == [
        ("column sex", "'Sex' and 'SEX' are both written like it; rename all but one")
    ]


def test_a_stated_name_is_found_by_another_writing_too():
    assert _found("GESCHLECHT", names={"sex": "Geschlecht"}).names == {"sex": "GESCHLECHT"}


def _settings(folder, patients, **others):
    for name, text in {"patients": patients, **OTHERS, **others}.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    nothing = {name: {} for name in study.TABLES}
    files = {name: f"{name}.csv" for name in study.TABLES}
    of_study = {"folder": str(folder), "columns": nothing, "codings": nothing, **files}
    declared = {name: copy.deepcopy(DECLARED[name]) for name in ("variables", "outcomes")}
    return {"study": of_study, "cohort": {"main_outcome": "unfavourable"}} | declared


PATIENTS = "Patient ID,Age (years),GOSE 6m,Death h,Left-unit-h,mood\nP1,30,7,,90,calm\n"


def test_tables_with_such_names_are_read_and_a_note_says_how(tmp_path):
    settings = _settings(tmp_path, PATIENTS)
    read = study.read_study(settings)
    assert read.patients.select("patient_id", "age_years", "gose_6m", "left_unit_h").rows() == [
        ("P1", 30.0, 7, 90.0)
    ]
    assert read.recordings["start_s"].to_list() == [7200.0]
    notes = study.unread(study.read_rows(settings)[0], settings)
    assert notes[0] == (
        "patients.csv: read 'Patient ID' as patient_id, 'Age (years)' as age_years, 'GOSE 6m' "
        "as gose_6m, 'Death h' as death_h, 'Left-unit-h' as left_unit_h"
    )
    assert "patients.csv: columns not used: mood" in notes


def test_two_tables_in_one_file_may_have_such_names(tmp_path):
    lines = zip(PATIENTS.splitlines(), OTHERS["recordings"].splitlines())
    text = "".join(f"{a},{b.replace('Patient-ID,', '').replace('P1,', '')}\n" for a, b in lines)
    settings = _settings(tmp_path, text)
    settings["study"]["recordings"] = "patients.csv"
    tables, problems = study.read_rows(settings)
    assert problems == []
    assert tables["recordings"].rows[0].values["recording_id"] == "R1"
    notes = study.unread(tables, settings)
    assert [line for line in notes if "not used" in line] == [
        "patients.csv: columns not used: mood"
    ]


def test_two_columns_for_one_of_ours_stop_the_reading(tmp_path):
    settings = _settings(tmp_path, PATIENTS.replace("mood", "patient-id"))
    assert study.read_rows(settings)[1] == [
        "patients.csv, column patient_id: 'Patient ID' and 'patient-id' are both written like "
        "it; rename all but one"
    ]
