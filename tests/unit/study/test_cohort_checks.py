"""What the settings ask of declared variables and cannot have is one line each."""

import pytest
from published_settings import PUBLISHED, changed

from icpcohort.study import cohort_checks

COHORT = PUBLISHED["cohort"]


def lines(**cohort):
    return cohort_checks.variables_that_do_not_fit(changed(cohort=cohort))


def rule(**entry):
    return {"eligibility": [{"rule": "variable", "if_missing": "drop"} | entry]}


def test_the_published_settings_fit():
    assert lines() == []


@pytest.mark.parametrize("name", ["icp_above_20_percent_time", "prx_mean", "icp_mean_mmhg"])
def test_table_1_may_have_a_measure_of_burden_an_index_or_a_signal(name):
    rows = COHORT["table_one"] | {"rows": ["age_years", name]}
    assert lines(table_one=rows) == []


@pytest.mark.parametrize(
    ("cohort", "line"),
    [
        (
            {"main_outcome": "unfavorable"},
            "cohort.main_outcome: 'unfavorable' is no outcome of kind flag in variables.yaml; "
            "did you mean 'unfavourable'",
        ),
        (
            {"table_one": COHORT["table_one"] | {"rows": ["age_years", "sexx"]}},
            "cohort.table_one.rows: 'sexx' is no column of the analysis table; did you mean "
            "'sex'",
        ),
        (
            rule(name="age_yeras", min=16.0),
            "cohort.eligibility, entry 1 (variable), name: 'age_yeras' is no variable of "
            "variables.yaml; did you mean 'age_years'",
        ),
        (
            rule(name="sex", min=1.0),
            "cohort.eligibility, entry 1 (variable), min: 'sex' is a category; write one_of",
        ),
        (
            rule(name="sex", one_of=["femal"]),
            "cohort.eligibility, entry 1 (variable), one_of: did you mean 'female'",
        ),
    ],
)
def test_what_is_not_declared_is_named_with_what_is_near(cohort, line):
    (found,) = lines(**cohort)
    assert found.startswith(line)


def test_a_rule_by_what_became_of_patients_is_refused():
    late = {"label": "Late", "kind": "flag", "known": "afterwards"}
    settings = changed(
        variables=PUBLISHED["variables"] | {"late": late},
        cohort=rule(name="late", one_of=["true"]),
    )
    (found,) = cohort_checks.variables_that_do_not_fit(settings)
    assert "'late' is known only afterwards, so what became of patients" in found


def test_a_variable_of_a_window_that_is_none_is_named():
    own = {"label": "Own", "kind": "number", "known": "in_window", "known_window": "first_day"}
    settings = changed(variables=PUBLISHED["variables"] | {"own": own})
    (found,) = cohort_checks.variables_that_do_not_fit(settings)
    assert found.startswith("windows: 'first_day' of the variable own is none of the windows; ")


def test_a_coding_that_gives_what_cannot_be_is_named():
    own = {
        "label": "Own",
        "kind": "number",
        "known": "at_admission",
        "codings": {"many": "lots"},
    }
    settings = changed(variables=PUBLISHED["variables"] | {"own": own})
    (found,) = cohort_checks.variables_that_do_not_fit(settings)
    assert found.startswith("own.codings.many of variables.yaml: 'lots' is not a number")
