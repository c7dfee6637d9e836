"""What `why` says of a declared variable: where it is written, or what it is derived from."""

from pathlib import Path

import pytest

from icpcohort.commands.why import declared
from icpcohort.commands.why.results import Results

SETTINGS = {
    "study": {
        "patients": "patients.csv",
        "columns": {"patients": {"age_years": "AGE"}},
        "codings": {"patients": {"sex": {"1": "male"}}},
    },
    "variables": {
        "age_years": {"label": "Age", "kind": "number", "known": "at_admission"},
        "sex": {"label": "Sex", "kind": "category", "known": "at_admission"},
        "wfns": {
            "label": "WFNS grade",
            "kind": "ordered",
            "known": "at_admission",
            "column": "WFNS",
            "codings": {"I": "1"},
        },
        "ich_score": {
            "label": "ICH score",
            "kind": "ordered",
            "known": "at_admission",
            "score": "ich",
        },
    },
    "outcomes": {
        "mrs_3m": {"label": "mRS", "kind": "ordered", "dead": "6"},
        "mrs_bad": {
            "label": "Bad mRS",
            "kind": "flag",
            "of": "mrs_3m",
            "sliding_by": "wfns",
            "n_bands": 3,
        },
        "stay": {"label": "Stay", "kind": "event", "events": {"death": "death_h"}},
    },
    "scores": {},
}
RESULTS = Results(Path("results"), SETTINGS, {}, {}, {}, {})


@pytest.mark.parametrize(
    ("column", "value", "lines"),
    [
        ("age_years", 61.0, ["  as written in column AGE of patients.csv"]),
        (
            "age_years",
            None,
            ["  missing: the cell is empty in column AGE of patients.csv"],
        ),
        (
            "sex",
            "male",
            [
                "  as written in column sex of patients.csv",
                "  translated as study.codings.patients says; see results/recodings.parquet",
            ],
        ),
        (
            "wfns",
            1,
            [
                "  as written in column WFNS of patients.csv",
                "  translated as wfns of variables.yaml says; see results/recodings.parquet",
            ],
        ),
    ],
)
def test_a_recorded_value_names_the_column_of_the_study_s_own_table(column, value, lines):
    assert list(declared.as_exported(column, value, RESULTS)) == lines


@pytest.mark.parametrize(
    ("column", "lines"),
    [
        (
            "mrs_bad",
            [
                "  derived from mrs_3m 5, wfns missing",
                "Settings: mrs_bad.sliding_by wfns, mrs_bad.n_bands 3",
            ],
        ),
        (
            "mrs_bad_band",
            [
                "  derived from mrs_3m 5, wfns missing",
                "Settings: mrs_bad.sliding_by wfns, mrs_bad.n_bands 3",
            ],
        ),
        (
            "stay_event",
            [
                "  derived from mrs_3m 5, death_h 100.0, left_unit_h missing, "
                "last_known_h missing",
                "Settings: stay.events death: death_h",
            ],
        ),
    ],
)
def test_a_derived_value_names_what_it_is_derived_from_and_the_rule(column, lines):
    patient = {"mrs_3m": 5, "wfns": None, "death_h": 100.0}
    assert list(declared.derived_from(column, patient, RESULTS)) == lines
