import math
import random

import numpy as np
import polars as pl
import pytest
from published_settings import DECLARED

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.models import design, estimates, fit, separation, wording
from icpcohort.study import plan

NUMBERS = ("estimate", "se", "ci_low", "ci_high", "p", "effect", "effect_ci_low")


def fitted(table, *, plan):
    return fit.fit_model(table, plan=plan, landmark_h=72.0, updates=None)


def planned(**changes):
    fields = {
        "name": "m",
        "question": "Does dose go with outcome?",
        "family": "logistic",
        "outcome": "unfavourable",
        "window": "w",
        "exposure": "dose",
        "unit_of_effect": 1.0,
        "adjust_for": ("age_years",),
        "as_categories": (),
        "reason": "Age is known before.",
        "missing_data": "complete_cases",
    }
    return plan.Plan(**(fields | changes))


def cohort(n=120, seed=1):
    """Patients whose risk rises with dose and age; scores 1 to 5, worse with dose."""
    rng = np.random.default_rng(seed)
    dose, age = rng.gamma(2.0, 1.0, n), rng.normal(45.0, 15.0, n)
    eta = -3.0 + 0.5 * dose + 0.04 * age
    noise = rng.logistic(size=n)
    score = 5 - np.digitize(eta + noise, [-1.5, 0.0, 1.0, 2.0])
    return pl.DataFrame(
        {
            "window": ["w"] * n,
            "patient_id": [f"p{i:03d}" for i in range(n)],
            "unfavourable": eta + noise > 0,
            "score": score.astype(np.int64),
            "dose": dose,
            "age_years": age,
            "motor": rng.choice(["3", "4", "5"], n),
        }
    )


FAMILIES = [("logistic", "unfavourable"), ("proportional_odds", "score")]


def assert_not_reported(made, adjustment, reason):
    rows = made.estimates.filter(adjustment=adjustment)
    assert rows.height > 0
    for name in NUMBERS:
        assert rows[name].null_count() == rows.height
    reported = made.diagnostics.filter(adjustment=adjustment, quantity="reported")
    assert reported["value"].to_list() == [0.0]
    assert reported["verdict"][0] == f"not reported: {reported['reason'][0]}"
    assert reason in reported["reason"][0]


def assert_reported(made, adjustment):
    rows = made.estimates.filter(adjustment=adjustment)
    assert rows["estimate"].null_count() == 0
    reported = made.diagnostics.filter(adjustment=adjustment, quantity="reported")
    assert reported["value"].to_list() == [1.0]
    assert made.diagnostics.filter(adjustment=adjustment)["reason"].null_count() == len(
        made.diagnostics.filter(adjustment=adjustment)
    )


@pytest.mark.parametrize(("family", "outcome"), FAMILIES)
def test_missing_values_add_up_and_both_fits_use_the_same_patients(family, outcome):
    table = (
        cohort()
        .with_row_index()
        .with_columns(
            **{outcome: pl.when(pl.col("index") >= 5).then(outcome)},
            dose=pl.when(pl.col("index") % 10 != 3).then("dose"),
            age_years=pl.when(pl.col("index") % 8 != 7).then("age_years"),
        )
    )
    made = fitted(table.drop("index"), plan=planned(family=family, outcome=outcome))
    n = made.flow["n_out"][-1]
    assert made.flow["n_in"][0] == 120
    assert made.flow["name"][0] == "Cohort of the window"
    assert n + made.dropped.height == 120
    assert made.flow["n_dropped"].sum() == made.dropped.height
    assert made.estimates["n"].unique().to_list() == [n]
    complete = table.drop_nulls([outcome, "dose", "age_years"])
    assert n == complete.height
    kept = set(table["patient_id"]) - set(made.dropped["patient_id"])
    assert kept == set(complete["patient_id"])


@pytest.mark.parametrize(("family", "outcome"), FAMILIES)
def test_every_table_keeps_its_contract_and_does_not_depend_on_the_order_of_rows(
    family, outcome
):
    model = planned(family=family, outcome=outcome, adjust_for=("age_years", "motor"))
    table = cohort()
    made = fitted(table, plan=model)
    again = fitted(table.sample(fraction=1.0, shuffle=True, seed=2), plan=model)
    store.check(made.estimates, contracts.ESTIMATES, "estimates")
    store.check(made.diagnostics, contracts.DIAGNOSTICS, "diagnostics")
    tables = zip(made[:-1], again[:-1], strict=True)
    assert all(first.equals(second) for first, second in tables)
    assert_reported(made, "adjusted")


@pytest.mark.parametrize(("family", "outcome"), FAMILIES)
def test_the_unit_of_effect_changes_the_exposure_s_odds_ratio_alone(family, outcome):
    one = fitted(cohort(), plan=planned(family=family, outcome=outcome)).estimates
    five = fitted(
        cohort(), plan=planned(family=family, outcome=outcome, unit_of_effect=5.0)
    ).estimates
    is_dose = pl.col("term") == "dose"
    assert one.drop("effect", "effect_ci_low", "effect_ci_high").equals(
        five.drop("effect", "effect_ci_low", "effect_ci_high")
    )
    for name in ("effect", "effect_ci_low", "effect_ci_high"):
        powered = (one.filter(is_dose)[name] ** 5).to_list()
        assert five.filter(is_dose)[name].to_list() == pytest.approx(powered)
        assert five.filter(~is_dose)[name].equals(one.filter(~is_dose)[name])


@pytest.mark.parametrize(("family", "outcome"), FAMILIES)
def test_harm_has_the_same_sign_in_both_families(family, outcome):
    made = fitted(cohort(n=600), plan=planned(family=family, outcome=outcome))
    rows = made.estimates.filter(adjustment="adjusted", term="dose")
    assert rows["ci_low"][0] > 0
    assert rows["effect"][0] > 1


@pytest.mark.parametrize(("family", "outcome"), FAMILIES)
def test_intercepts_and_thresholds_have_no_odds_ratio(family, outcome):
    rows = fitted(cohort(), plan=planned(family=family, outcome=outcome)).estimates
    slopes = rows["term"].is_in(["dose", "age_years"])
    assert rows.filter(slopes)["scale"].unique().to_list() == ["log_or"]
    assert rows.filter(slopes)["effect"].null_count() == 0
    first = rows.filter(~slopes)
    assert first["estimate"].null_count() == 0
    assert first["effect"].null_count() == first.height
    expected = {"logistic": "log_odds", "proportional_odds": "threshold"}[family]
    assert first["scale"].unique().to_list() == [expected]


def test_a_wald_interval_and_p_value_by_hand():
    # 10 / 20 against 15 / 18 events: log OR = log(5) = 1.609438, se = sqrt(1/10+1/10+1/15+1/3)
    cells = [(False, True, 10), (False, False, 10), (True, True, 15), (True, False, 3)]
    rows = [
        {"window": "w", "patient_id": f"{x}{y}{i}", "x": x, "bad": y}
        for x, y, n in cells
        for i in range(n)
    ]
    made = fitted(pl.DataFrame(rows), plan=planned(outcome="bad", exposure="x", adjust_for=()))
    row = made.estimates.row(by_predicate=pl.col("term") == "x", named=True)
    se = math.sqrt(0.1 + 0.1 + 1 / 15 + 1 / 3)
    assert row["estimate"] == pytest.approx(math.log(5), abs=1e-9)
    assert row["ci_low"] == pytest.approx(math.log(5) - 1.959963985 * se, abs=1e-8)
    assert row["effect_ci_high"] == pytest.approx(5 * math.exp(1.959963985 * se), rel=1e-8)
    assert row["p"] == pytest.approx(math.erfc(math.log(5) / se / math.sqrt(2)), rel=1e-8)


@pytest.mark.parametrize(("family", "outcome"), FAMILIES)
def test_separation_is_found_and_nothing_is_estimated(family, outcome):
    table = cohort().with_columns(
        dose=pl.col("dose").clip(0, 9) - 10 * pl.col("score"),
        unfavourable=pl.col("score") <= 3,
    )
    made = fitted(table, plan=planned(family=family, outcome=outcome))
    assert_not_reported(made, "unadjusted", "dose separates the outcome")
    assert_not_reported(made, "adjusted", "dose")


@pytest.mark.parametrize(("family", "outcome"), FAMILIES)
def test_a_level_whose_patients_all_died_is_quasi_complete_separation(family, outcome):
    died = pl.col("motor") == "3"
    table = cohort().with_columns(
        unfavourable=pl.col("unfavourable") | died,
        score=pl.when(died).then(1).otherwise("score").cast(pl.Int64),
    )
    made = fitted(table, plan=planned(family=family, outcome=outcome, adjust_for=("motor",)))
    assert_reported(made, "unadjusted")
    assert_not_reported(made, "adjusted", "motor: ")


def test_separation_by_one_number_agrees_with_comparing_the_two_groups():
    draw = random.Random(4)
    separations = []
    for _ in range(200):
        x = np.array([float(draw.randrange(8)) for _ in range(8)])
        y = np.array([draw.random() < 0.5 for _ in range(8)])
        if y.all() or not y.any() or len(set(x)) == 1:
            continue
        apart = x[y].min() >= x[~y].max() or x[y].max() <= x[~y].min()
        moves = np.where(y, 1.0, -1.0)[:, None] * np.column_stack([np.ones(8), x - x.mean()])
        assert bool(separation.separating_parameters(moves)) == apart
        separations.append(apart)
    assert 5 < sum(separations) < len(separations) - 5


def test_touching_without_overlap_is_separation_and_overlap_is_not():
    touching = np.array([[1.0, -1.0], [1.0, 0.0], [-1.0, 0.0], [-1.0, -1.0]])
    apart = touching * np.array([1.0, -1.0])
    assert separation.separating_parameters(apart) == [1]
    overlapping = np.vstack([apart, [[-1.0, -0.5], [1.0, -0.5]]])
    assert separation.separating_parameters(overlapping) == []


def test_too_few_events_are_not_modelled():
    table = cohort().with_row_index().with_columns(unfavourable=pl.col("index") < 4)
    made = fitted(table.drop("index"), plan=planned())
    assert_not_reported(made, "unadjusted", "4 of 120 patients with unfavourable")
    assert made.estimates["n_events"].unique().to_list() == [4]
    enough = table.with_columns(unfavourable=pl.col("index") % 24 == 0).drop("index")
    assert_reported(fitted(enough, plan=planned()), "unadjusted")


def test_more_terms_than_events_are_not_modelled():
    table = cohort(n=60).with_row_index()
    table = table.with_columns(
        unfavourable=pl.col("index") % 10 == 0,
        centre=pl.format("c{}", pl.col("index") % 7),
    )
    made = fitted(table.drop("index"), plan=planned(adjust_for=("centre",)))
    assert_not_reported(made, "adjusted", "7 terms for 6 patients")


def test_few_events_per_parameter_are_reported_with_a_caution():
    made = fitted(cohort(n=40), plan=planned(adjust_for=("age_years", "motor")))
    diagnostics = made.diagnostics.filter(
        adjustment="adjusted", quantity="events_per_parameter"
    )
    assert diagnostics["value"][0] < 10
    assert diagnostics["verdict"][0].startswith("below 10")


@pytest.mark.parametrize(("family", "outcome"), FAMILIES)
def test_a_constant_exposure_is_not_reported(family, outcome):
    table = cohort().with_columns(dose=pl.lit(0.3))
    made = fitted(table, plan=planned(family=family, outcome=outcome))
    for adjustment in ("unadjusted", "adjusted"):
        assert_not_reported(made, adjustment, "dose has one value in all 120 patients")


@pytest.mark.parametrize(("family", "outcome"), FAMILIES)
def test_an_exposure_that_nobody_has_is_not_reported(family, outcome):
    table = cohort().with_columns(dose=pl.lit(None, pl.Float64))
    made = fitted(table, plan=planned(family=family, outcome=outcome, adjust_for=("motor",)))
    assert_not_reported(made, "unadjusted", "no patient is left (exposure_missing: 120)")
    assert made.estimates["n"].unique().to_list() == [0]
    assert made.dropped.height == 120


@pytest.mark.parametrize(("family", "outcome"), FAMILIES)
def test_collinear_adjustment_is_not_reported_but_the_unadjusted_fit_is(family, outcome):
    table = cohort().with_columns(age_months=pl.col("age_years") * 12)
    made = fitted(
        table,
        plan=planned(family=family, outcome=outcome, adjust_for=("age_years", "age_months")),
    )
    assert_reported(made, "unadjusted")
    assert_not_reported(made, "adjusted", "age_months is given by the terms before it")


def test_one_score_or_nearly_one_is_not_modelled():
    table = (
        cohort()
        .with_row_index()
        .with_columns(score=pl.when(pl.col("index") < 4).then(3).otherwise(5).cast(pl.Int64))
    )
    model = planned(family="proportional_odds", outcome="score")
    made = fitted(table.drop("index"), plan=model)
    assert_not_reported(made, "unadjusted", "4 of 120 patients outside the most frequent score")


def test_a_score_that_nobody_has_shares_the_cut_of_its_neighbours():
    table = cohort().with_columns(
        score=pl.when(pl.col("score") == 2).then(3).otherwise("score").cast(pl.Int64)
    )
    made = fitted(table, plan=planned(family="proportional_odds", outcome="score"))
    terms = made.estimates.filter(adjustment="unadjusted")["term"].to_list()
    assert terms == ["threshold 1|3", "threshold 3|4", "threshold 4|5", "dose"]
    counted = made.diagnostics.filter(
        pl.col("quantity").str.starts_with("n_score_"), adjustment="unadjusted"
    )
    assert counted["quantity"].to_list() == [f"n_score_{level}" for level in (1, 3, 4, 5)]
    assert counted["kind"].unique().to_list() == ["n_with_level"]
    assert counted["variable"].unique().to_list() == ["score"]
    assert counted["level"].to_list() == ["1", "3", "4", "5"]
    assert counted["value"].sum() == 120


def test_only_the_window_of_the_plan_is_used():
    other = cohort(seed=9).with_columns(window=pl.lit("later"))
    both = fitted(pl.concat([cohort(), other]), plan=planned())
    assert both.estimates.equals(fitted(cohort(), plan=planned()).estimates)


def test_the_reference_level_is_told():
    table = (
        cohort()
        .with_row_index()
        .with_columns(
            motor=pl.when(pl.col("index") % 3 == 0).then(pl.lit("3")).otherwise(pl.lit("5"))
        )
    )
    made = fitted(table.drop("index"), plan=planned(adjust_for=("motor",)))
    diagnostics = made.diagnostics.filter(quantity="reference_motor")
    assert diagnostics["adjustment"].to_list() == ["adjusted"]
    assert diagnostics["verdict"].to_list() == ["5, the most frequent (n = 80)"]
    assert diagnostics.select("kind", "variable", "level").rows() == [
        ("reference", "motor", "5")
    ]


def test_a_whole_number_is_entered_by_level_only_where_the_plan_says_so():
    table = cohort().with_columns(pupils=pl.Series([0, 1, 2, 2] * 30))
    one = fitted(table, plan=planned(adjust_for=("pupils",))).estimates
    levels = fitted(
        table, plan=planned(adjust_for=("pupils",), as_categories=("pupils",))
    ).estimates
    assert one.filter(adjustment="adjusted")["term"].to_list() == [
        "intercept",
        "dose",
        "pupils",
    ]
    assert levels.filter(adjustment="adjusted")["term"].to_list() == [
        "intercept",
        "dose",
        "pupils: 0 (reference 2)",
        "pupils: 1 (reference 2)",
    ]


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"exposure": "doze"}, "exposure: no column 'doze' .*did you mean 'dose'"),
        ({"family": "logistics"}, "family: 'logistics' is unknown; did you mean 'logistic'"),
        ({"outcome": "score"}, "outcome: score is Int64; logistic needs a flag"),
        ({"family": "proportional_odds"}, "unfavourable is Boolean; proportional_odds needs"),
        ({"exposure": "motor"}, "exposure: motor is String; it must be a number or a flag"),
        ({"as_categories": ("age_years",)}, "as_categories: age_years is continuous"),
        ({"adjust_for": ("aged_years",)}, "adjust_for: no column 'aged_years'"),
    ],
)
def test_a_plan_that_does_not_fit_the_table_is_refused(changes, expected):
    with pytest.raises(ValueError, match=expected):
        fitted(cohort(), plan=planned(**changes))


def test_a_repeated_patient_and_a_nan_are_refused():
    with pytest.raises(ValueError, match="2 rows of 'w' share a patient"):
        fitted(pl.concat([cohort(), cohort().head(1)]), plan=planned())
    spoilt = cohort().with_columns(dose=pl.col("dose").log(base=1.0))
    with pytest.raises(ValueError, match="exposure: dose holds NaN or infinite"):
        fitted(spoilt, plan=planned())


def test_an_odds_ratio_too_large_for_a_number_is_null():
    coefficients = estimates.Coefficients(
        ("intercept", "x"), np.array([0.0, 800.0]), np.eye(2), -1.0, -2.0, True
    )
    terms = (design.INTERCEPT, design.Term("x", "x"))
    one = estimates.FamilyFit(coefficients, terms, ("log_odds", "log_or"), 9, 3, [])
    rows = estimates.estimate_rows(one, adjustment="adjusted", exposure="y", unit_of_effect=1.0)
    assert rows["effect"].to_list() == [None, None]
    assert rows["estimate"].to_list() == [0.0, 800.0]


def test_a_fit_without_positive_variances_is_not_sound():
    def sound(covariance, *, converged=True):
        return estimates.Coefficients(
            ("x",), np.array([1.0]), np.array([[covariance]]), -1.0, -2.0, converged
        ).sound

    assert sound(0.1)
    assert not sound(0.0)
    assert not sound(np.nan)
    assert not sound(0.1, converged=False)


def test_the_methods_sentence_tells_the_plan():
    text = wording.methods_sentence(
        planned(unit_of_effect=5.0, as_categories=("age_years",)),
        columns=contracts.analysis(DECLARED).columns,
    )
    assert text.startswith("Does dose go with outcome? ")
    assert "The outcome, an unfavourable GOSE at 6 months (unfavourable), was" in text
    assert "logistic regression" in text
    assert "its odds ratio is for 5 more of it" in text
    assert "adjusted for: Age at time zero (age_years)" in text
    assert "against the most frequent level: age_years" in text
    assert "Age is known before." in text
    assert "complete cases" in text
    assert "fewer than 5 patients have, or lack, the outcome" in text
    ordinal = wording.methods_sentence(
        planned(family="proportional_odds", outcome="gose_6m_merged", adjust_for=()), columns={}
    )
    assert "above 1 means higher odds of a worse (lower) score" in ordinal
    assert "No adjustment was made." in ordinal


@pytest.mark.parametrize(
    ("family", "outcome"), [("logistic", "unfavourable"), ("proportional_odds", "score")]
)
def test_a_window_in_which_nobody_is_left_is_told_and_not_estimated(family, outcome):
    made = fitted(cohort().clear(), plan=planned(family=family, outcome=outcome))
    assert made.estimates["estimate"].null_count() == made.estimates.height
    assert made.flow["n_out"].to_list()[0] == 0
    verdicts = made.diagnostics.filter(quantity="reported")["verdict"]
    assert set(verdicts) == {
        "not reported: no patient is left (nobody is in the cohort of the window)"
    }
