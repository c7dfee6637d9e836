from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from icpcohort.models import design
from icpcohort.study import plan, plan_parts

ROWS = pl.DataFrame(
    {
        "patient_id": ["p3", "p1", "p2", "p5", "p4", "p6"],
        "window": ["w"] * 6,
        "bad": [True, None, False, True, False, None],
        "dose": [1.0, 2.0, None, 3.0, 4.0, None],
        "age": [30.0, 40.0, 50.0, None, 60.0, 70.0],
        "motor": ["3", "5", "5", "3", None, "1"],
        "pupils": [2, 2, 1, 0, 2, None],
    }
)
PLAN = plan.Plan(
    name="m",
    question="Does it?",
    family="logistic",
    outcome="bad",
    window="w",
    exposure="dose",
    unit_of_effect=1.0,
    adjust_for=("pupils", "age", "motor"),
    as_categories=("pupils",),
    reason="Stated.",
    missing_data="complete_cases",
)


def test_rows_leave_at_the_first_step_that_they_fail():
    chosen = design.choose_rows(ROWS, plan=PLAN)
    assert chosen.rows["patient_id"].to_list() == ["p3"]
    steps = chosen.flow.select("step", "n_in", "n_out", "n_dropped", "reason").rows()
    assert steps == [
        (1, 6, 6, 0, None),
        (2, 6, 4, 2, "outcome_unknown"),
        (3, 4, 3, 1, "exposure_missing"),
        (4, 3, 2, 1, "age_missing"),  # pupils is null only in a row that has left already
        (5, 2, 1, 1, "motor_missing"),
    ]
    assert chosen.flow.select("variable", "role").rows() == [
        (None, None),
        ("bad", "outcome"),
        ("dose", "exposure"),
        ("age", "adjustment"),
        ("motor", "adjustment"),
    ]
    left = dict(zip(chosen.dropped["patient_id"], chosen.dropped["step"], strict=True))
    assert left == {"p1": 2, "p6": 2, "p2": 3, "p5": 4, "p4": 5}


def test_the_account_adds_up():
    chosen = design.choose_rows(ROWS, plan=PLAN)
    assert chosen.rows.height + chosen.dropped.height == ROWS.height
    assert (chosen.flow["n_in"] - chosen.flow["n_dropped"]).equals(chosen.flow["n_out"])
    assert chosen.flow["n_out"][:-1].to_list() == chosen.flow["n_in"][1:].to_list()


def laid_out(rows, **changes):
    asked = {"exposure": "dose", "adjust_for": (), "as_categories": (), "knots": ()}
    return design.lay_out(rows, **(asked | {"interaction": None, "n_sets": 1} | changes))


def built(rows, **changes):
    return design.fill(rows, laid_out(rows, **changes))


def of_terms(names, matrix):
    return design.Design(tuple(design.Term(name, name) for name in names), matrix)


def test_the_most_frequent_level_is_the_reference_and_others_are_named_in_order():
    rows = pl.DataFrame({"dose": [1.0, 2.0, 3.0, 4.0], "motor": ["5", "3", "5", "1"]})
    made = built(rows, adjust_for=("motor",))
    assert made.names == ("dose", "motor: 1 (reference 5)", "motor: 3 (reference 5)")
    assert made.matrix.tolist() == [[1, 0, 0], [2, 0, 1], [3, 0, 0], [4, 1, 0]]
    (reference,) = laid_out(rows, adjust_for=("motor",)).references
    assert reference.words == "5, the most frequent (n = 2)"
    assert (reference.column, reference.level) == ("motor", "5")


def test_of_equally_frequent_levels_the_first_is_the_reference():
    rows = pl.DataFrame({"dose": [1.0, 2.0], "pupils": [2, 1]})
    made = built(rows, adjust_for=("pupils",), as_categories=("pupils",))
    assert made.names == ("dose", "pupils: 2 (reference 1)")


def test_a_number_not_named_a_category_is_one_term():
    rows = pl.DataFrame({"dose": [1.0, 2.0], "pupils": [2, 1], "hypoxia": [True, False]})
    made = built(rows, adjust_for=("pupils", "hypoxia"))
    assert made.names == ("dose", "pupils", "hypoxia")
    assert made.matrix.tolist() == [[1, 2, 1], [2, 1, 0]]


def test_a_category_with_one_level_left_gives_no_term_and_says_so():
    rows = pl.DataFrame({"dose": [1.0, 2.0], "sex": ["male", "male"]})
    made = built(rows, adjust_for=("sex",))
    assert made.names == ("dose",)
    (reference,) = laid_out(rows, adjust_for=("sex",)).references
    assert reference.words.endswith("the only level left, so no term")


def test_constant_and_collinear_terms_are_found():
    x = np.array([1.0, 2.0, 3.0, 5.0])
    matrix = np.column_stack([x, np.full(4, 0.1), 2 * x + 1, [0.0, 1.0, 0.0, 1.0]])
    made = of_terms(("x", "flat", "double", "other"), matrix)
    assert design.problems(made) == [
        "flat has one value in all 4 patients",
        "double is given by the terms before it (collinear)",
    ]


def test_sound_terms_have_no_problem_and_no_patient_is_one():
    sound = of_terms(("x",), np.array([[1.0], [2.0]]))
    assert design.problems(sound) == []
    assert design.problems(of_terms(("x",), np.empty((0, 1)))) == ["no patient is left"]


def test_variance_inflation_of_two_correlated_terms():
    # r = 0.8 by construction: 1 / (1 - 0.64) = 2.7778
    a = np.array([-1.0, -1.0, 1.0, 1.0])
    b = np.array([-1.0, 1.0, -1.0, 1.0])
    made = of_terms(("a", "c"), np.column_stack([a, 0.8 * a + 0.6 * b]))
    assert design.max_variance_inflation(made) == pytest.approx(1 / 0.36)
    alone = of_terms(("a",), a[:, None])
    assert design.max_variance_inflation(alone) == pytest.approx(1.0)


def test_unscaling_returns_the_same_predictions_and_their_variance():
    x = np.array([[100.0, 1.0], [140.0, 2.0], [180.0, 6.0]])
    scaled = design.standardise(x)
    estimate = np.array([0.3, 1.1, 0.5, -0.7])  # two thresholds, two slopes
    covariance = np.diag([0.1, 0.2, 0.3, 0.4])
    raw, raw_covariance = design.unscale(estimate, covariance, scaled=scaled)
    for cut in ([1.0, 0.0], [0.0, 1.0]):
        for row, scaled_row in zip(x, scaled.matrix, strict=True):
            a, b = np.array([*cut, *row]), np.array([*cut, *scaled_row])
            assert a @ raw == pytest.approx(b @ estimate)
            assert a @ raw_covariance @ a == pytest.approx(b @ covariance @ b)


def _gappy(values):
    return st.one_of(st.none(), values)


PATIENT = st.fixed_dictionaries(
    {
        "bad": _gappy(st.booleans()),
        "dose": _gappy(st.floats(0, 9)),
        "age": _gappy(st.floats(16, 90)),
        "motor": _gappy(st.sampled_from(["1", "5"])),
        "pupils": _gappy(st.integers(0, 2)),
        "centre": _gappy(st.sampled_from(["a", "b"])),
    }
)
IMPUTING = replace(
    PLAN,
    missing_data="multiple_imputation",
    imputation=plan_parts.Imputation(5, 5, 1, (), ()),
    clusters="centre",
)


@settings(deadline=None, derandomize=True, max_examples=100)
@given(st.lists(PATIENT, max_size=30), st.sampled_from([PLAN, IMPUTING]))
def test_the_flow_of_any_cohort_adds_up_and_counts_nobody_twice(patients, asked):
    schema = {name: ROWS.schema[name] for name in ROWS.columns if name in PLAN.adjust_for}
    schema |= {"bad": pl.Boolean, "dose": pl.Float64, "centre": pl.String}
    rows = pl.DataFrame(patients, schema=schema).with_columns(
        window=pl.lit("w"), patient_id=pl.format("p{}", pl.int_range(pl.len()))
    )
    chosen = design.choose_rows(rows, plan=asked)
    flow = chosen.flow
    assert (flow["n_in"] == flow["n_out"] + flow["n_dropped"]).all()
    assert flow["n_in"].to_list() == [rows.height, *flow["n_out"].to_list()[:-1]]
    everybody = [*chosen.rows["patient_id"], *chosen.dropped["patient_id"]]
    assert sorted(everybody) == sorted(rows["patient_id"])
    by_step = dict(chosen.dropped.group_by("step").len().rows())
    for row in flow.to_dicts():
        assert by_step.get(row["step"], 0) == row["n_dropped"]
        reasons = chosen.dropped.filter(step=row["step"])["reason"].unique().to_list()
        assert reasons in ([], [row["reason"]])


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("age_years", "complete it in the study's tables"),
        ("follow_up_h", "complete death_h, left_unit_h and the outcomes"),
        ("percent_time_below_llr", "`icpcohort why STUDY PATIENT percent_time_below_llr`"),
    ],
)
def test_who_leaves_a_model_is_told_where_the_missing_value_could_come_from(name, words):
    rows = ROWS.rename({"dose": name})
    chosen = design.choose_rows(rows, plan=replace(PLAN, exposure=name))
    assert words in chosen.dropped.filter(reason="exposure_missing")["detail"][0]
