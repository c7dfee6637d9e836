"""Declared signals that do not fit each other: each line that a user can meet."""

import copy

import pytest
from published_settings import PUBLISHED

from icpcohort.study import signal_checks

PBTO2 = {"label": "PbtO2", "about": "Oxygen tension", "unit": "mmHg", "names": ["PbtO2"]}
SPO2 = {"label": "SpO2", "about": "Oxygen saturation", "unit": "%", "names": ["SpO2"]}
GAP = {"label": "Gap", "about": "Gap", "minuend": "abp", "subtrahend": "spo2"}
RANGE = {"rule": "range", "min": 0.0, "max": 150.0, "margin_s": 0.0}


def _lines(**changed):
    settings = copy.deepcopy(dict(PUBLISHED))
    for section, values in changed.items():
        settings[section] |= values
    return signal_checks.contradictions(settings)


def test_the_published_signals_and_two_more_fit_each_other():
    rules = {"rules": [RANGE | {"signal": "pbto2"}]}
    assert _lines(signals={"pbto2": PBTO2, "spo2": SPO2}, cleaning=rules) == []


@pytest.mark.parametrize(
    ("changed", "line"),
    [
        (
            {"signals": {"pbto2": PBTO2 | {"names": ["PbtO2", " icp1"]}}},
            "signals.pbto2.names: ' icp1' stands in signals.icp.names too; keep one",
        ),
        (
            {"signals": {"amp": PBTO2}},
            "signals.amp: the column amp_mmhg is already one of the trends; give the signal "
            "another name",
        ),
        (
            {
                "signals": {"icp": PUBLISHED["signals"]["icp"] | {"unit": "kPa"}},
                "derived_signals": {"cpp": GAP | {"subtrahend": "abp"}},
            },
            "signals.icp.unit: 'kPa', but the pulse of icp is measured in mmHg; write mmHg "
            "(files may have any unit of pressure)",
        ),
        (
            {"trends": {"correct_lag": "measured", "max_lag_s": None}},
            "trends.correct_lag: 'measured' needs max_lag_s, within which a lag is constant; "
            "write max_lag_s: 2.0 under trends, or correct_lag: none",
        ),
        (
            {"derived_signals": {"gap": GAP}},
            "derived_signals.gap.subtrahend: 'spo2' is none of the signals; known here: abp, "
            "icp",
        ),
        (
            {"signals": {"spo2": SPO2}, "derived_signals": {"gap": GAP}},
            "derived_signals.gap: abp is in mmHg and spo2 in %; declare both in one unit, or "
            "remove gap",
        ),
        (
            {"derived_signals": {"abp": GAP | {"subtrahend": "icp"}}},
            "derived_signals.abp: stands under signals too; give one another name",
        ),
        (
            {"cleaning": {"rules": [RANGE | {"signal": "pbto2"}]}},
            "cleaning.rules, entry 1 (range), signal: 'pbto2' is none of the signals; known "
            "here: abp, icp",
        ),
        (
            {"study": {"columns": {"recordings": {"pbto2_channel": "Oxygen"}}}},
            "study.columns.recordings.pbto2_channel: no signal of this name is declared; did "
            "you mean 'icp_channel'?",
        ),
    ],
)
def test_what_does_not_fit_is_one_line_that_says_what_to_do(changed, line):
    assert _lines(**changed) == [line]


FOR_AGE = {"label": "CPP for age", "about": "CPP for age", "minuend": "cpp"}
STEPS = [{"from_value": 0.0, "subtract": 40.0}, {"from_value": 6.0, "subtract": 50.0}]


@pytest.mark.parametrize(
    ("entry", "line"),
    [
        (
            {"minuend": "abp"},
            ": says not what is taken from abp; write subtrahend: a signal, or of_patient: a "
            "column of the table of patients",
        ),
        (
            {"of_patient": "age_years", "subtrahend": "icp"},
            ": has both subtrahend and of_patient; keep one",
        ),
        (
            {"of_patient": "age_years", "minuend": "cp"},
            ".minuend: 'cp' is none of the signals; did you mean 'icp'?",
        ),
        (
            {"of_patient": "age_years", "steps": STEPS[::-1]},
            ".steps: 0 comes after 6; write the steps from the lowest from_value to the "
            "highest",
        ),
        (
            {"subtrahend": "icp", "minuend": "abp", "steps": STEPS},
            ".steps: has no of_patient; add it, such as age_years",
        ),
    ],
)
def test_a_value_of_the_patient_that_does_not_fit_is_one_line(entry, line):
    lines = _lines(derived_signals={"cpp_for_age": FOR_AGE | entry})
    assert lines == [f"derived_signals.cpp_for_age{line}"]


@pytest.mark.parametrize(
    ("of_patient", "steps", "line"),
    [
        ("age_years", STEPS, None),
        ("age", STEPS, "'age' is no variable; did you mean 'age_years'?"),
        (
            "sex",
            STEPS,
            "'sex' is not a number that is known at admission; known here: "
            "age_years, cpp_target",
        ),
        ("cpp_target", (), None),
        (
            "age_years",
            (),
            "age_years is in a and cpp in mmHg; write steps, or take a column in "
            "one unit with it",
        ),
    ],
)
def test_the_variable_that_is_taken_is_a_number_of_the_table(of_patient, steps, line):
    known = {"known": "at_admission"}
    settings = copy.deepcopy(dict(PUBLISHED)) | {
        "variables": {
            "age_years": {"kind": "number", "unit": "a", **known},
            "sex": {"kind": "category", **known},
            "cpp_target": {"kind": "number", "unit": "mmHg", **known},
        }
    }
    entry = FOR_AGE | {"of_patient": of_patient} | ({"steps": steps} if steps else {})
    settings["derived_signals"]["cpp_for_age"] = entry
    where = "derived_signals.cpp_for_age.of_patient: "
    lines = list(signal_checks.variables_that_do_not_fit(settings))
    assert lines == ([where + line] if line else [])
