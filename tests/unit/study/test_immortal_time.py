"""The immortal-time check: what it refuses, in which words, and what it lets pass."""

import math

import polars as pl
import pytest
from published_settings import DECLARED

from icpcohort import contracts
from icpcohort.study.immortal_time import (
    BASELINE,
    FOLLOWED,
    Endpoint,
    Span,
    endpoints_of,
    refusals,
    refused_rows,
    spans_of,
)

WINDOW = {"start_h": 0.0, "end_h": 72.0, "min_monitored_h": 12.0}
BURDEN = {"thresholds": {"icp": {"above": [20.0]}, "cpp": {"below": [60.0]}}}
DOSE = "icp_above_20_dose_per_h_mmhg"
COLUMNS = contracts.analysis(DECLARED | {"burden": BURDEN}).columns
LATE = [name for name, column in COLUMNS.items() if column.known == "afterwards"]
PLAN = {"outcome": "unfavourable", "exposure": DOSE, "adjust_for": ["impact_core_logit"]}


def _refused(plan=PLAN, *, horizon_h=720.0, time_dependent=False, **spans):
    horizon = DECLARED["outcomes"]["dead_by_horizon"] | {"death_by_h": horizon_h}
    outcomes = DECLARED["outcomes"] | {"dead_by_horizon": horizon}
    return refusals(
        plan,
        spans=spans_of(COLUMNS, window=WINDOW, windows={}) | spans,
        endpoints=endpoints_of(outcomes, landmark_h=72.0),
        landmark_h=72.0,
        time_dependent=time_dependent,
    )


@pytest.mark.parametrize(
    "outcome", ["unfavourable", "gose_6m_merged", "dead", "dead_by_horizon", "survival_h"]
)
def test_an_exposure_of_the_window_and_a_later_outcome_pass(outcome):
    assert _refused(PLAN | {"outcome": outcome}) == []


# --- the heart-transplant design: does a transplant lengthen life? ---
# Crowley and Hu 1977, J Am Stat Assoc 72:27-36; hazard ratios from R 4.2.2, survival 3.5-3.
# The same 103 patients give 0.266 when those who ever had a transplant are compared from the
# day of acceptance, 1.054 from a landmark at 30 days and 1.136 with a time-dependent exposure:
# only who lived long enough could be transplanted.
TRANSPLANT = {
    "spans": {
        "transplanted": FOLLOWED,
        "transplanted_by_30_d": Span(0.0, 720.0),
        "age": BASELINE,
        "mismatch": FOLLOWED,
    },
    "endpoints": {
        "days_from_acceptance": Endpoint(0.0, None),
        "days_from_30_d": Endpoint(720.0, None),
    },
}


def test_the_naive_heart_transplant_design_is_refused():
    naive = {"outcome": "days_from_acceptance", "exposure": "transplanted", "adjust_for": []}
    problems = refusals(naive, landmark_h=0.0, time_dependent=False, **TRANSPLANT)
    assert problems == [
        "exposure: 'transplanted' is measured for as long as the patient is followed, so only "
        "those who live have the time to get it (immortal time); take an exposure of a fixed "
        "window and count from its end, or a family with a time-dependent exposure"
    ]


def test_the_heart_transplant_landmark_passes_only_when_time_counts_from_it():
    plan = {"exposure": "transplanted_by_30_d", "adjust_for": ["age"]}
    kept = {"landmark_h": 720.0, "time_dependent": False} | TRANSPLANT
    assert refusals(plan | {"outcome": "days_from_30_d"}, **kept) == []
    assert refusals(plan | {"outcome": "days_from_acceptance"}, **kept) == [
        "outcome: 'days_from_acceptance' is counted from 0 h, but 'transplanted_by_30_d' is "
        "measured until 720 h; nobody can die in between (immortal time); count from the "
        "landmark at 720 h"
    ]


def test_the_time_dependent_heart_transplant_design_passes_but_not_a_later_covariate():
    plan = {"outcome": "days_from_acceptance", "exposure": "transplanted"}
    kept = {"landmark_h": 0.0, "time_dependent": True} | TRANSPLANT
    assert refusals(plan | {"adjust_for": ["age"]}, **kept) == []
    assert refusals(plan | {"adjust_for": ["mismatch"]}, **kept) == [
        "adjust_for: 'mismatch' is known only in the follow-up, after the landmark at 0 h, so "
        "it may be a consequence of the exposure; adjust for what was known before"
    ]


# --- ours ---


def test_an_exposure_that_ends_after_the_landmark_is_refused():
    problems = _refused(PLAN | {"exposure": "dose_5_d"}, dose_5_d=Span(0.0, 120.0))
    assert len(problems) == 1
    assert "'dose_5_d' is measured until 120 h, after the landmark at 72 h" in problems[0]


def test_a_covariate_that_is_known_after_the_landmark_is_refused():
    problems = _refused(PLAN | {"adjust_for": ["dose_5_d"]}, dose_5_d=Span(0.0, 120.0))
    assert len(problems) == 1
    assert "'dose_5_d' is known only at 120 h, after the landmark at 72 h" in problems[0]


def test_an_exposure_after_the_outcome_is_refused():
    problems = _refused(PLAN | {"outcome": "dead_by_horizon"}, horizon_h=72.0)
    assert len(problems) == 1
    assert "'dead_by_horizon' is settled at 72 h" in problems[0]
    assert _refused(PLAN | {"outcome": "dead_by_horizon"}, horizon_h=72.1) == []


def test_a_time_of_death_counted_from_time_zero_is_refused():
    problems = _refused(PLAN | {"outcome": "death_h"})
    assert len(problems) == 1
    assert "is counted from 0 h" in problems[0]


@pytest.mark.parametrize("name", LATE)
def test_what_is_known_afterwards_is_neither_exposure_nor_adjustment(name):
    adjusted = _refused(PLAN | {"adjust_for": ["age_years", name]})
    assert [line.split("'")[1] for line in adjusted] == [name]
    exposed = _refused(PLAN | {"exposure": name})
    assert len(exposed) == 1
    assert "immortal time" in exposed[0]


def test_several_faults_are_told_together():
    problems = _refused(
        {"outcome": "dead", "exposure": "left_unit_h", "adjust_for": ["death_h"]}
    )
    assert [line.split(":")[0] for line in problems] == ["exposure", "adjust_for"]


def test_every_column_of_the_analysis_table_has_its_span():
    spans = spans_of(COLUMNS, window=WINDOW, windows={})
    assert set(spans) == set(COLUMNS)
    assert spans["age_years"].until_h == spans["impact_lab_logit"].until_h == 0.0
    assert spans["unfavourable_sliding_band"].until_h == spans["rotterdam"].until_h == 0.0
    assert spans[DOSE] == spans["prx_mean"] == Span(0.0, 72.0)
    assert spans["monitored_h"] == Span(0.0, 72.0)
    late = {name for name, span in spans.items() if span.until_h == math.inf}
    assert late == set(LATE)


def test_the_outcomes_of_a_score_are_known_afterwards():
    """A new endpoint that nobody names as late would pass for a covariate."""
    early = {"unfavourable_sliding_band", "rotterdam", "gcs_pupils", "patient_id"}
    early |= {
        name for name in contracts.outcomes(DECLARED).columns if name.startswith("impact_")
    }
    late = set(contracts.outcomes(DECLARED).columns) - early | set(contracts.SURVIVAL)
    assert late <= set(LATE)


# --- the rows ---


def _rows(death_h, gose):
    return pl.DataFrame(
        {
            "patient_id": [f"p{i}" for i in range(len(gose))],
            "death_h": pl.Series(death_h, dtype=pl.Float64()),
            "gose_6m": pl.Series(gose, dtype=pl.Int64()),
        }
    )


def test_sound_rows_pass():
    assert refused_rows(_rows([None, 72.0, 80.0], [5, 1, 1]), landmark_h=72.0) == []


def test_a_patient_who_died_before_the_landmark_is_refused():
    problems = refused_rows(_rows([None, 71.9, 80.0], [5, 1, 1]), landmark_h=72.0)
    assert len(problems) == 1
    assert problems[0].startswith(
        "1 of 3 patients died before 72 h, when the exposure was not yet"
    )


def test_a_patient_who_left_before_the_landmark_is_refused():
    rows = _rows([None, None], [5, 6]).with_columns(left_unit_h=pl.Series([80.0, 71.0]))
    problems = refused_rows(rows, landmark_h=72.0)
    assert [line.split(" before")[0] for line in problems] == ["1 of 2 patients left the unit"]


# --- declared variables: each "known when" ---


@pytest.mark.parametrize(
    ("entry", "lines"),
    [
        ({"known": "at_admission"}, 0),
        ({"known": "at_h", "known_h": 72.0}, 0),  # on the landmark itself
        ({"known": "at_h", "known_h": 72.1}, 1),
        ({"known": "in_window", "known_window": "first_24_h"}, 0),
        ({"known": "in_window", "known_window": "first_week"}, 1),
        ({"known": "afterwards"}, 1),
    ],
)
def test_a_declared_variable_is_adjusted_for_only_if_it_is_known_at_the_landmark(entry, lines):
    """Immortal time and leaks: Anderson 1983."""
    declared = {"variables": {"grade": {"label": "Grade", "kind": "number"} | entry}}
    windows = {
        "first_24_h": {"start_h": 0.0, "end_h": 24.0},
        "first_week": {"start_h": 0.0, "end_h": 168.0},
    }
    columns = contracts.analysis(declared).columns
    assert (
        len(
            refusals(
                PLAN | {"adjust_for": ["grade"]},
                spans=spans_of(columns, window=WINDOW, windows=windows),
                endpoints=endpoints_of(DECLARED["outcomes"], landmark_h=72.0),
                landmark_h=72.0,
                time_dependent=False,
            )
        )
        == lines
    )


def test_a_declared_outcome_that_is_due_before_the_exposure_ends_is_refused():
    early = {"mrs": {"label": "mRS", "kind": "ordered", "at_h": 48.0}}
    spans = spans_of(COLUMNS, window=WINDOW, windows={})
    endpoints = endpoints_of(early, landmark_h=72.0)
    asked = {"landmark_h": 72.0, "time_dependent": False}
    (line,) = refusals(PLAN | {"outcome": "mrs"}, spans=spans, endpoints=endpoints, **asked)
    assert "'mrs' is settled at 48 h" in line


def test_a_summary_of_repeated_values_is_measured_in_the_window_of_the_model():
    entry = {"label": "Therapy intensity", "kind": "count", "summaries": ["max"]}
    columns = contracts.analysis({"repeated": {"til": entry}}).columns
    spans = spans_of(columns, window=WINDOW, windows={})
    assert spans["til_max"] == Span(0.0, 72.0)
    adjusted = PLAN | {"adjust_for": ["til_max"]}
    assert _refused(adjusted, til_max=spans["til_max"]) == []
    assert len(_refused(adjusted, til_max=Span(0.0, 72.5))) == 1
