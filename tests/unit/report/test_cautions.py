"""The standards that a fit fails stand before its estimate, in every form of a finding."""

import polars as pl
import pytest

from icpcohort.report.tables import cautions

FAILING = {
    "events_per_parameter": (5.0, "5.0 events per parameter (fewer than 10)"),
    "patients_per_parameter": (8.0, "8.0 patients per parameter (fewer than 10)"),
    "effective_n_per_parameter": (7.5, "an effective 7.5 patients per parameter"),
    "proportional_hazards_p": (2e-14, "the hazard ratio changes with time (p < 0.001)"),
    "proportional_odds_p": (0.01, "differs between cuts of the score (p = 0.010)"),
    "max_variance_inflation": (897.0, "variance inflation 897.0"),
    "max_influence_se": (-32.8, "one patient moves the estimate by 32.8 standard errors"),
    "unit_per_range": (2.5, "2.5 times the range of the exposure"),
    "n_clusters": (3.0, "3 clusters (fewer than 10)"),
    "n_fitted_risk_above_1": (4.0, "4 patients have a fitted risk above 1"),
}
PASSING = {
    "events_per_parameter": 10.0,
    "patients_per_parameter": 30.0,
    "effective_n_per_parameter": 12.0,
    "proportional_hazards_p": 0.2,
    "proportional_odds_p": 0.05,
    "max_variance_inflation": 1.3,
    "max_influence_se": 0.6,
    "unit_per_range": 0.2,
    "n_clusters": 12.0,
    "n_fitted_risk_above_1": 0.0,
}


def diagnostics(values, *, verdict=None):
    rows = [
        {"adjustment": "adjusted", "quantity": name, "value": value, "verdict": verdict}
        for name, value in values.items()
    ]
    return pl.DataFrame(rows, schema_overrides={"value": pl.Float64, "verdict": pl.String})


def test_every_standard_is_tried():
    assert set(FAILING) == set(PASSING) == set(cautions.STANDARDS)


@pytest.mark.parametrize("name", FAILING)
def test_a_standard_that_fails_is_told_and_one_that_holds_is_not(name):
    value, words = FAILING[name]
    told = cautions.sentence(diagnostics(PASSING | {name: value}), fit="adjusted")
    assert told.startswith("Read with caution: ")
    assert words in told
    assert ";" not in told.replace("; read", "")
    assert cautions.sentence(diagnostics(PASSING), fit="adjusted") == ""
    assert cautions.sentence(diagnostics({name: value}), fit="unadjusted") == ""


def test_what_could_not_be_computed_is_no_failure_but_a_fit_that_needs_one_patient_is():
    assert cautions.of_fit(diagnostics(dict.fromkeys(PASSING)), fit="adjusted") == []
    hidden = diagnostics(
        {"max_influence_se": None}, verdict="without patient p1 there is no estimate: x"
    )
    assert cautions.of_fit(hidden, fit="adjusted") == [
        "without one of the patients there is no estimate"
    ]


def test_parts_of_a_curve_are_collinear_by_nature_and_no_failure():
    parts = diagnostics(
        {"max_variance_inflation": 300.0},
        verdict="the parts of a curve are collinear by nature",
    )
    assert cautions.of_fit(parts, fit="adjusted") == []
