"""What a plan may ask for beside a straight line in complete cases."""

import re

import numpy as np
import polars as pl
import pytest
from published_settings import DECLARED

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.models import (
    comparisons,
    curves,
    design,
    e_values,
    estimates,
    fit,
    follow_up,
    imputation,
    kaplan_meier,
    optimism,
)
from icpcohort.models.wording import methods_sentence
from icpcohort.report.formats import model_page
from icpcohort.report.tables import model_words
from icpcohort.report.tables import models as models_tables
from icpcohort.study import plan
from icpcohort.study.plan_parts import Bootstrap, Comparisons, Imputation

IMPUTATION = Imputation(4, 2, 7, ("helper",), (-2.0, 0.0, 2.0))

COLUMNS = contracts.analysis(DECLARED).columns


def planned(**changes):
    fields = {
        "name": "m",
        "question": "Does dose go with outcome?",
        "family": "logistic",
        "outcome": "bad",
        "window": "w",
        "exposure": "dose",
        "unit_of_effect": 1.0,
        "adjust_for": ("age", "motor", "hypoxia"),
        "as_categories": ("motor",),
        "reason": "Known before.",
        "missing_data": "complete_cases",
    }
    return plan.Plan(**(fields | changes))


def cohort(n=240, seed=3):
    rng = np.random.default_rng(seed)
    dose, age = rng.gamma(2.0, 1.0, n), rng.normal(45, 15, n).round(1)
    hypoxia = rng.random(n) < 0.3
    eta = -3 + 0.5 * dose + 0.03 * age + 0.5 * hypoxia + rng.logistic(size=n)
    return pl.DataFrame(
        {
            "window": ["w"] * n,
            "patient_id": [f"p{i:03d}" for i in range(n)],
            "bad": eta > 0,
            "score": (5 - np.digitize(eta, [-1.5, 0.0, 1.0])).astype(np.int64),
            "dose": dose,
            "age": age,
            "motor": rng.choice(["3", "5", "untestable"], n),
            "hypoxia": hypoxia,
            "helper": age + rng.normal(0, 3, n),
        }
    )


def with_gaps(rows, seed=5):
    rng = np.random.default_rng(seed)

    def gone(share):
        return pl.Series(rng.random(rows.height) < share)

    return rows.with_columns(
        age=pl.when(~gone(0.06)).then("age"),
        motor=pl.when(~gone(0.03)).then("motor"),
        hypoxia=pl.when(~gone(0.03)).then("hypoxia"),
        bad=pl.when(~gone(0.1)).then("bad"),
    )


def fitted(rows, asked):
    return fit.fit_model(rows, plan=asked, landmark_h=0.0, updates=None)


def value(made, quantity, adjustment="adjusted"):
    return made.diagnostics.filter(quantity=quantity, adjustment=adjustment)["value"][0]


def reference_of(made):
    """Return what stands beside the reference level of the motor score."""
    rows = made.diagnostics.filter(quantity="reference_motor", adjustment="adjusted")
    return rows["verdict"][0]


# --- curves and subgroups ---


def test_a_curve_is_straight_beyond_its_outer_knots_and_smooth_between():
    knots = (1.0, 2.0, 4.0, 7.0)
    x = np.array([-3.0, -2.0, -1.0, 0.0, 1.0, 7.0, 8.0, 9.0, 10.0])
    basis = curves.basis(x, knots=knots)
    assert basis.shape == (9, 3)
    assert basis[:5, 1:] == pytest.approx(0.0)
    assert np.diff(basis[5:], n=2, axis=0) == pytest.approx(0.0, abs=1e-9)
    # by hand at 3: (2^3 - 0) / 36 for the first bend, 1 / 36 for the second
    assert curves.basis(np.array([3.0]), knots=knots)[0, 1:] == pytest.approx([8 / 36, 1 / 36])


def test_a_curve_of_a_straight_truth_agrees_with_the_line_and_passes_through_none():
    made = fitted(cohort(2000), planned(curve_knots=4))
    table = made.curve.filter(adjustment="adjusted")
    nearest = (table["exposure_value"] - table["reference_value"]).abs().arg_min()
    assert table.height == curves.N_POINTS
    assert table["n_nearest"].sum() == 2000
    first = table.filter(exposure_value=table["exposure_value"].min())
    step = table["exposure_value"][1] - table["exposure_value"][0]
    near = cohort(2000)["dose"] < first["exposure_value"][0] + step / 2
    assert first["n_nearest"].item() == near.sum()
    assert table["effect"][nearest] == pytest.approx(1.0, abs=0.1)
    assert (table["effect_ci_low"] <= table["effect"]).all()
    assert value(made, "nonlinearity_p") > 0.05
    assert value(made, "exposure_p") < 0.001
    slope = fitted(cohort(2000), planned()).estimates.filter(adjustment="adjusted", term="dose")
    rise = np.log(table["effect"][20]) / (
        table["exposure_value"][20] - table["reference_value"][20]
    )
    assert rise == pytest.approx(slope["estimate"][0], abs=0.15)


def test_a_bent_truth_is_found():
    rows = cohort(2000)
    rng = np.random.default_rng(1)
    bend = (rows["dose"].to_numpy() - 2) ** 2 - 1.5
    bent = rows.with_columns(bad=pl.Series(rng.random(2000) < 1 / (1 + np.exp(-bend))))
    assert value(fitted(bent, planned(curve_knots=3)), "nonlinearity_p") < 1e-6


def test_the_parts_of_a_curve_have_no_effect_of_their_own():
    made = fitted(cohort(), planned(curve_knots=3)).estimates
    parts = made.filter(pl.col("term").str.starts_with("dose (curve"))
    assert parts.height == 4
    assert parts["scale"].unique().to_list() == ["spline"]
    assert parts["effect"].null_count() == 4


def test_knots_that_fall_together_are_told():
    rows = cohort().with_columns(dose=pl.when(pl.col("dose") > 3).then("dose").otherwise(0.0))
    made = fitted(rows, planned(curve_knots=3))
    verdict = made.diagnostics.filter(quantity="reported")["verdict"][0]
    assert "knots of the curve fall together (0, 0, " in verdict
    assert made.estimates["estimate"].null_count() == made.estimates.height
    assert made.curve.height == 0


def test_a_curve_is_not_blamed_for_the_collinearity_of_its_parts():
    made = fitted(cohort(), planned(curve_knots=4))
    diagnostics = made.diagnostics.filter(
        quantity="max_variance_inflation", adjustment="adjusted"
    )
    assert diagnostics["value"][0] > 10
    assert diagnostics["verdict"][0] == "the parts of a curve are collinear by nature"


def test_the_finding_of_an_interaction_names_the_level_and_the_test_between_levels():
    asked = planned(adjust_for=("motor",), interaction="motor")
    made = fitted(cohort(), asked)
    page = model_page.markdown(
        made, plan=asked, methods="How.", columns=COLUMNS, declared=DECLARED
    )
    reference = reference_of(made).split(",")[0]
    finding = page.split("## ")[0]
    assert f"dose in the level {reference} of motor" in finding
    p = f"p = {value(made, 'interaction_p'):.3f} for a difference between its levels (adjusted)"
    assert p in finding


def test_each_subgroup_has_its_own_counts():
    made = fitted(cohort(), planned(adjust_for=("motor",), interaction="motor"))
    beside = made.alternatives.filter(adjustment="adjusted", term="dose")
    rows = cohort().drop_nulls(["motor", "bad", "dose"])
    counts = {
        str(level): (part.height, part["bad"].sum())
        for (level,), part in rows.group_by("motor")
    }
    shown = {row["subgroup_level"]: (row["n"], row["n_events"]) for row in beside.to_dicts()}
    assert shown == counts
    assert len(counts) > 1


def test_each_subgroup_has_the_slope_of_a_model_of_its_own_when_nothing_else_is_adjusted():
    asked = planned(adjust_for=("motor",), interaction="motor")
    made = fitted(cohort(), asked)
    for level in ("3", "5", "untestable"):
        alone = fitted(cohort().filter(motor=level), planned(adjust_for=(), as_categories=()))
        expected = alone.estimates.filter(term="dose").row(0, named=True)
        subgroup = made.alternatives.filter(analysis=f"subgroup motor: {level}")
        row = subgroup.filter(adjustment="unadjusted").row(0, named=True)
        assert row["estimate"] == pytest.approx(expected["estimate"], abs=1e-8)
        assert row["se"] == pytest.approx(expected["se"], rel=1e-6)
    assert 0 <= value(made, "interaction_p", "unadjusted") <= 1
    assert value(made, "interaction_df", "unadjusted") == 2


def test_a_window_in_which_nobody_is_left_has_no_subgroups_and_stops_no_run():
    made = fitted(cohort().clear(), planned(adjust_for=("motor",), interaction="motor"))
    assert made.alternatives.height == 0
    assert made.estimates["estimate"].null_count() == made.estimates.height > 0


def test_terms_are_told_by_fields_whatever_stands_in_the_names_of_levels():
    odd = cohort().with_columns(pl.col("motor").replace({"5": "5: x y (n = 3)", "3": "a x b"}))
    asked = planned(adjust_for=("motor", "age"), interaction="motor")
    made = fitted(odd, asked)
    rows = made.estimates.filter(adjustment="adjusted").drop_nulls("variable")
    (reference,) = made.diagnostics.filter(kind="reference", adjustment="adjusted")["level"]
    others = sorted({"5: x y (n = 3)", "a x b", "untestable"} - {reference})
    assert rows.select("variable", "level", "reference", "modifier").rows() == [
        ("dose", None, None, None),
        *[("motor", level, reference, None) for level in others],
        *[("dose", level, reference, "motor") for level in others],
        ("age", None, None, None),
    ]
    subgroups = made.alternatives.filter(adjustment="adjusted")
    assert subgroups["subgroup"].unique().to_list() == ["motor"]
    assert subgroups["subgroup_level"].to_list() == [reference, *others]
    page = model_page.markdown(
        made, plan=asked, methods="How.", columns=COLUMNS, declared=DECLARED
    )
    assert f"dose in the level {reference} of motor" in page
    for level in others:
        assert f"| motor: {level} (reference {reference}) |" in page
        assert f"| dose x motor: {level} (reference {reference}) |" in page
        assert f"| motor: {level} | adjusted |" in page


def test_the_parts_of_a_curve_are_counted_from_the_straight_one():
    made = fitted(cohort(), planned(curve_knots=4)).estimates
    parts = made.filter(variable="dose", adjustment="adjusted")
    assert parts["part"].to_list() == [1, 2, 3]
    assert made.filter(pl.col("variable") != "dose")["part"].null_count() > 0


# --- absolute risks ---


def test_the_risk_without_adjustment_is_the_fitted_curve_and_keeps_within_0_and_1():
    made = fitted(cohort(), planned(risks_at=(0.0, 2.0, 400.0)))
    rows = made.risks.filter(adjustment="unadjusted")
    slope = dict(
        made.estimates.filter(adjustment="unadjusted").select("term", "estimate").rows()
    )
    by_hand = 1 / (1 + np.exp(-(slope["intercept"] + 2.0 * slope["dose"])))
    assert rows["risk"][1] == pytest.approx(by_hand, abs=1e-12)
    assert rows["difference"][1] == pytest.approx(by_hand - rows["risk"][0])
    assert (rows["ci_low"] >= 0).all()
    assert (rows["ci_high"] <= 1).all()
    assert rows["difference_ci_low"][0] == rows["difference_ci_high"][0] == 0.0


def test_a_risk_has_the_degrees_of_freedom_of_its_coefficients():
    """Of three clusters Student's t has two; 4.302653 is its 97.5 % point (common tables)."""
    rows = cohort().with_columns(centre=pl.Series([str(i % 3) for i in range(240)]))
    asked = planned(clusters="centre", adjust_for=(), as_categories=(), risks_at=(2.0,))
    made = fitted(rows, asked)
    coefficients = made.models[0].fitted.coefficients
    row = np.array([1.0, 2.0])
    half = 4.302653 * np.sqrt(row @ coefficients.covariance @ row)
    expected = [1 / (1 + np.exp(-(row @ coefficients.estimate + s * half))) for s in (-1, 1)]
    risk = made.risks.row(0, named=True)
    assert (risk["ci_low"], risk["ci_high"]) == pytest.approx(expected, abs=1e-6)


def test_the_delta_interval_is_the_one_of_the_linear_predictor_without_adjustment():
    made = fitted(cohort(), planned(adjust_for=(), as_categories=(), risks_at=(2.0,)))
    fitted_model = made.models[0].fitted.coefficients
    row = np.array([1.0, 2.0])
    half = 1.959963984540054 * np.sqrt(row @ fitted_model.covariance @ row)
    eta = row @ fitted_model.estimate
    expected = 1 / (1 + np.exp(-(eta - half))), 1 / (1 + np.exp(-(eta + half)))
    risk = made.risks.row(0, named=True)
    assert (risk["ci_low"], risk["ci_high"]) == pytest.approx(expected, abs=1e-7)


def test_a_score_has_a_risk_at_each_cut_and_a_binary_odds_ratio_beside_it():
    asked = planned(family="proportional_odds", outcome="score", risks_at=(0.0, 2.0))
    made = fitted(cohort(), asked)
    cuts = ["score <= 2", "score <= 3", "score <= 4"]
    assert made.risks["outcome"].unique().sort().to_list() == cuts
    risks = made.risks.filter(adjustment="adjusted", exposure_value=2.0).sort("outcome")["risk"]
    assert risks.is_sorted()
    beside = made.alternatives.filter(term="dose", adjustment="adjusted")
    assert beside["analysis"].to_list() == cuts
    binary = cohort().with_columns(bad=pl.col("score") <= 3)
    alone = fitted(binary, planned()).estimates.filter(adjustment="adjusted", term="dose")
    assert beside["estimate"][1] == pytest.approx(alone["estimate"][0], abs=1e-9)


def test_a_cut_with_few_patients_beyond_it_is_fitted_with_firth_s_penalty():
    """Of 40 patients 2 lie beyond the cut; the limits are those of `firth_logistic` alone."""
    score = pl.Series([2, 2, *[3] * 14, *[4] * 24])
    rows = cohort(40).with_columns(score=score, bad=score <= 2)
    asked = planned(family="proportional_odds", outcome="score", as_categories=())
    made = fitted(rows, asked)
    beside = made.alternatives.filter(term="dose", adjustment="unadjusted").to_dicts()
    assert [row["analysis"] for row in beside] == ["score <= 2 (Firth)", "score <= 3"]
    firth = planned(family="firth_logistic", as_categories=())
    alone = fitted(rows, firth).estimates.filter(term="dose", adjustment="unadjusted")
    assert beside[0]["effect_ci_high"] == pytest.approx(alone["effect_ci_high"][0], rel=1e-9)


# --- clusters and influence ---


def test_the_patient_who_moves_the_estimate_most_is_named_with_the_move():
    rows = cohort(60)
    far = rows.with_columns(
        dose=pl.when(pl.col("patient_id") == "p007").then(12.0).otherwise("dose"),
        bad=pl.when(pl.col("patient_id") == "p007").then(False).otherwise("bad"),
    )
    asked = planned(adjust_for=(), as_categories=())
    made = fitted(far, asked)
    diagnostic = made.diagnostics.filter(quantity="max_influence_se").row(0, named=True)
    assert diagnostic["verdict"].startswith("patient p007 moves")
    without = fitted(far.filter(pl.col("patient_id") != "p007"), asked).estimates
    whole = made.estimates.filter(term="dose").row(0, named=True)
    moved = (whole["estimate"] - without.filter(term="dose")["estimate"][0]) / whole["se"]
    assert diagnostic["value"] == pytest.approx(moved, abs=1e-9)
    assert abs(moved) > 1
    assert "; without: " in diagnostic["verdict"]
    assert "look at this patient's data first" in diagnostic["verdict"]


def test_a_score_that_one_patient_alone_has_leaves_with_the_patient():
    score = pl.Series([1, *[2] * 9, *[3] * 14, *[4] * 16])
    rows = cohort(40).with_columns(
        score=score, dose=pl.Series([9.0]).append(cohort(40)["dose"][1:])
    )
    asked = planned(
        family="proportional_odds", outcome="score", adjust_for=(), as_categories=()
    )
    made = fitted(rows, asked)
    diagnostic = made.diagnostics.filter(quantity="max_influence_se").row(0, named=True)
    assert diagnostic["verdict"].startswith("patient p000 moves")
    without = fitted(rows.filter(pl.col("patient_id") != "p000"), asked).estimates
    whole = made.estimates.filter(term="dose").row(0, named=True)
    moved = (whole["estimate"] - without.filter(term="dose")["estimate"][0]) / whole["se"]
    assert diagnostic["value"] == pytest.approx(moved, abs=1e-7)


def test_a_patient_who_hides_that_all_others_are_separated_is_named():
    dose = np.linspace(0.0, 4.0, 40)
    rows = cohort(40).with_columns(
        dose=pl.Series([*dose[:-1].tolist(), 30.0]),
        bad=pl.Series([*(dose[:-1] > 2.0).tolist(), False]),
    )
    made = fitted(rows, planned(adjust_for=(), as_categories=()))
    diagnostic = made.diagnostics.filter(quantity="max_influence_se").row(0, named=True)
    assert diagnostic["value"] is None
    assert diagnostic["verdict"].startswith("without patient p039 there is no estimate: ")


# --- imputation ---


def imputing(**changes):
    return planned(missing_data="multiple_imputation", imputation=IMPUTATION, **changes)


def test_imputed_values_are_values_that_other_patients_have_and_known_ones_stay():
    rows = with_gaps(cohort()).drop_nulls("bad")
    made = imputation.complete(rows, imputing(), how=IMPUTATION)
    # about 12 % of the patients are incomplete, so as many imputations
    share = rows.select(pl.any_horizontal(pl.col("age", "motor", "hypoxia").is_null()))
    assert len(made) == int(np.ceil(100 * share.to_series().mean())) > 6
    for frame in made[:3]:
        for name in ("age", "motor", "hypoxia"):
            assert frame[name].null_count() == 0
            assert frame.schema[name] == rows.schema[name]
            known = rows[name].is_not_null()
            assert frame[name].filter(known).equals(rows[name].filter(known))
            assert set(frame[name]) <= set(rows[name].drop_nulls())
    assert not made[0]["age"].equals(made[1]["age"])


def test_the_same_seed_imputes_the_same_values():
    rows = with_gaps(cohort()).drop_nulls("bad")
    first, again = (imputation.complete(rows, imputing(), how=IMPUTATION) for _ in range(2))
    assert all(a.equals(b) for a, b in zip(first, again, strict=True))


def test_an_imputed_number_follows_what_is_known_of_the_patient():
    rows = cohort(400)
    lost = pl.col("patient_id").str.slice(1).cast(pl.Int64) % 4 == 0
    gappy = rows.with_columns(age=pl.when(~lost).then("age"))
    made = imputation.complete(gappy, imputing(), how=IMPUTATION)[0]
    both = rows.filter(lost)["age"].to_numpy(), made.filter(lost)["age"].to_numpy()
    assert np.corrcoef(*both)[0, 1] > 0.9  # the helper is the age with a spread of 3


def test_an_imputed_category_follows_what_is_known_of_the_patient():
    rng = np.random.default_rng(2)
    rows = cohort(400).with_columns(motor=pl.Series(rng.choice(["3", "5", "untestable"], 400)))
    shift = pl.col("motor").replace_strict({"3": 0.0, "5": 40.0, "untestable": -40.0})
    rows = rows.with_columns(helper=shift + pl.Series(rng.normal(0, 3, 400)))
    lost = pl.col("patient_id").str.slice(1).cast(pl.Int64) % 4 == 0
    gappy = rows.with_columns(motor=pl.when(~lost).then("motor"))
    made = imputation.complete(gappy, imputing(), how=IMPUTATION)[0]
    assert (rows.filter(lost)["motor"] == made.filter(lost)["motor"]).mean() > 0.95


def test_nobody_leaves_for_a_missing_adjustment_value_and_complete_cases_stand_beside():
    rows = with_gaps(cohort())
    made = fitted(rows, imputing())
    n = rows["bad"].count()
    assert made.flow["n_out"][-1] == n
    assert made.estimates["n"].unique().to_list() == [n]
    assert made.estimates["fmi"].null_count() == 0
    beside = made.alternatives.filter(analysis="complete cases", adjustment="adjusted")
    plain = fitted(rows, planned()).estimates.filter(adjustment="adjusted")
    assert beside["estimate"].to_list() == pytest.approx(plain["estimate"].to_list())
    assert value(made, "n_imputations") > 6
    assert value(made, "percent_incomplete") == pytest.approx(
        100 * (1 - rows.drop_nulls().height / n), abs=1e-9
    )


def test_a_column_of_which_nobody_or_only_one_value_is_known_stops_no_run():
    one = (
        cohort()
        .with_row_index()
        .with_columns(
            hypoxia=pl.when(pl.col("index") % 9 > 0).then(pl.lit(True)),
            age=pl.when(pl.col("index") % 8 > 0).then("age"),
        )
    )
    made = fitted(one.drop("index"), imputing())
    verdict = made.diagnostics.filter(quantity="reported", adjustment="adjusted")["verdict"][0]
    assert "hypoxia has one value in all 240 patients" in verdict
    nobody = fitted(cohort().with_columns(age=pl.lit(None, pl.Float64)), imputing())
    assert nobody.flow["reason"].to_list()[-1] == "age_missing"
    assert nobody.flow["n_out"].to_list()[-1] == 0
    assert nobody.estimates["estimate"].null_count() == nobody.estimates.height


def test_without_a_missing_value_nothing_is_imputed():
    made = fitted(cohort(), imputing())
    plain = fitted(cohort(), planned())
    assert made.estimates.equals(plain.estimates)
    assert value(made, "n_imputations") == 1


def test_a_shift_of_unknown_outcomes_moves_their_share_and_brings_them_in():
    rows = with_gaps(cohort())
    made = fitted(rows, imputing()).alternatives
    n_events = [
        made.filter(analysis=f"unknown outcomes drawn, shift {shift}")["n_events"][0]
        for shift in ("-2", "+0", "+2")
    ]
    assert n_events[0] < n_events[1] < n_events[2]
    drawn = made.filter(pl.col("analysis").str.starts_with("unknown"))
    assert drawn["n"].unique().to_list() == [rows.height]
    assert drawn["estimate"].null_count() == 0


@pytest.mark.parametrize("family", ["proportional_odds", "linear"])
def test_scores_are_drawn_from_the_scores_that_are_known(family):
    rows = with_gaps(cohort()).with_columns(
        score=pl.when(pl.col("bad").is_not_null()).then("score")
    )
    made = fitted(rows, imputing(family=family, outcome="score")).alternatives
    drawn = made.filter(analysis="unknown outcomes drawn, shift +2", term="dose")
    assert drawn["n"].to_list() == [rows.height] * 2
    assert drawn["estimate"].null_count() == 0


# --- prediction ---


def predicted(rows, **changes):
    asked = planned(purpose="prediction", bootstrap=Bootstrap(40, 2), **changes)
    return fitted(rows, asked).performance.filter(adjustment="adjusted")


def test_optimism_is_above_zero_and_the_apparent_calibration_is_perfect():
    table = {row["measure"]: row for row in predicted(cohort(80)).to_dicts()}
    assert table["c_statistic"]["optimism"] > 0
    assert table["c_statistic"]["corrected"] < table["c_statistic"]["apparent"]
    assert table["calibration_slope"]["apparent"] == pytest.approx(1.0, abs=1e-6)
    assert table["calibration_intercept"]["apparent"] == pytest.approx(0.0, abs=1e-6)
    assert table["calibration_slope"]["corrected"] < 0.95
    assert table["brier"]["optimism"] < 0
    for row in table.values():
        assert row["ci_low"] < row["corrected"] < row["ci_high"]
    assert table["calibration_slope"]["ci_high"] - table["calibration_slope"]["ci_low"] > 0.1


def test_a_large_cohort_has_hardly_any_optimism():
    table = {row["measure"]: row for row in predicted(cohort(1500)).to_dicts()}
    assert abs(table["c_statistic"]["optimism"]) < 0.01
    assert table["calibration_slope"]["corrected"] == pytest.approx(1.0, abs=0.08)


def test_calibration_of_risks_that_are_twice_too_certain():
    eta = np.linspace(-3, 3, 4001)
    y = np.random.default_rng(3).random(4001) < 1 / (1 + np.exp(-(eta / 2 + 0.5)))
    shift, slope = optimism.calibration(y, 1 / (1 + np.exp(-eta)))
    assert slope == pytest.approx(0.5, abs=0.05)
    assert shift > 0.4


def test_no_performance_is_told_where_no_prediction_is_meant():
    assert fitted(cohort(), planned()).performance.height == 0


# --- follow-up and exposures that change ---


def test_a_survival_time_that_the_cohort_has_counted_decides_alone():
    rows = pl.DataFrame(
        {
            "survival_h": [28.0, 9000.0, None, 50.0],
            "died": [True, True, None, False],
            "death_h": [1.0, 1.0, 1.0, 1.0],
        }
    )
    made = follow_up.times(rows, landmark_h=72.0, horizon_h=4383.0)
    assert made["follow_up_h"].to_list() == [100.0, 4383.0, None, 122.0]
    assert made["died"].to_list() == [True, False, False, False]


def survivors_scored_at_150_days(n=100):
    """Return a cohort of which 20 in 100 die, five of them after day 150."""
    death_h = [200.0 + 100 * i for i in range(15)] + [3700.0 + 100 * i for i in range(5)]
    until = [*death_h, *[3600.0] * (n - 20)]
    return pl.DataFrame({"survival_h": until, "died": [True] * 20 + [False] * (n - 20)})


def test_deaths_after_the_hour_at_which_survivors_end_together_are_not_modelled():
    """Kaplan and Meier's estimate was told before: 20 of 100 die, and all are dead."""
    rows = survivors_scored_at_150_days()
    late = follow_up.times(rows, landmark_h=0.0, horizon_h=4383.0)
    zeros, until = np.zeros(100), late["follow_up_h"].to_numpy()
    steps = kaplan_meier.curve(zeros, until, late["died"].to_numpy())
    assert steps.survival.min() == 0.0
    (words,) = follow_up.collapsed(late)
    assert words.startswith("5 events count after 3600 h, where the follow-up of 80 of 80")
    early = follow_up.times(rows, landmark_h=0.0, horizon_h=3600.0)
    assert follow_up.collapsed(early) == []


def test_survivors_who_leave_one_by_one_are_no_collapse():
    rows = pl.DataFrame(
        {"survival_h": np.arange(1.0, 101.0), "died": [i % 3 == 0 for i in range(100)]}
    )
    assert follow_up.collapsed(follow_up.times(rows, landmark_h=0.0, horizon_h=4383.0)) == []


def test_rows_of_a_changing_exposure_cover_the_follow_up_once():
    rows = pl.DataFrame(
        {
            "patient_id": ["a", "b"],
            "landmark_h": [24.0, 24.0],
            "follow_up_h": [100.0, 30.0],
            "died": [True, False],
            "dose": [1.0, 5.0],
        }
    )
    updates = pl.DataFrame(
        {
            "patient_id": ["a", "a", "a", "a", "b"],
            "until_h": [24.0, 48.0, 72.0, 120.0, 48.0],
            "dose": [9.0, 2.0, None, 4.0, 6.0],
        }
    )
    later = updates.rename({"until_h": "entry_h"}).select("patient_id", "entry_h", "dose")
    made = follow_up.start_stop(rows, later=[later])
    intervals = made.select("patient_id", "entry_h", "exit_h", "died", "dose").rows()
    assert intervals == [
        ("a", 24.0, 48.0, False, 1.0),
        ("a", 48.0, 100.0, True, 2.0),
        ("b", 24.0, 30.0, False, 5.0),
    ]


# --- comparisons ---


def test_a_model_without_an_estimate_still_counts_as_a_test():
    held = {"comparisons": {"group": "g", "method": "holm"}, "exposure": "dose"}
    models = {name: held | {"adjust_for": ["age"]} for name in ("a", "b", "c")}
    models["alone"] = {"exposure": "dose", "adjust_for": []}
    made = fitted(cohort(), planned()).estimates
    p = {"a": 0.01, "b": 0.04, "c": None}
    tables = {name: made.with_columns(p=pl.lit(p.get(name), pl.Float64)) for name in models}
    table = comparisons.hold(tables, models=models)
    store.check(table, contracts.COMPARISONS, "comparisons")
    assert table["model"].to_list() == ["a", "b", "c"]
    assert table["p_adjusted"].to_list() == pytest.approx([0.03, 0.08, None])
    assert table["n_tests"].to_list() == [3, 3, 3]


def test_a_plan_without_groups_compares_nothing():
    assert comparisons.hold({}, models={}).height == 0


# --- the plan ---


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"family": "gee"}, "clusters: missing; gee needs them"),
        ({"family": "cox_landmark"}, "horizon_h: missing; cox_landmark follows patients"),
        ({"horizon_h": 100.0}, "horizon_h: logistic has no follow-up"),
        ({"family": "firth_logistic", "clusters": "centre"}, "clusters: not offered for firth"),
        ({"missing_data": "multiple_imputation"}, "imputation: missing"),
        ({"imputation": IMPUTATION}, "imputation: nothing is imputed with complete_cases"),
        ({"purpose": "prediction"}, "bootstrap: missing"),
        ({"purpose": "guessing"}, "purpose: 'guessing' is unknown"),
        ({"curve_knots": 7}, "curve_knots: 7 is not one of 3, 4, 5"),
        ({"interaction": "sex"}, "interaction: 'sex' is not in adjust_for"),
        ({"interaction": "motor", "curve_knots": 3}, "interaction: not together with curve"),
        (
            {
                "family": "linear",
                "purpose": "prediction",
                "bootstrap": Bootstrap(50, 1),
            },
            "purpose: prediction is offered for",
        ),
        (
            {"family": "cox_time_dependent", "horizon_h": 9.0, "risks_at": (1.0,)},
            "risks_at: an exposure that changes with time",
        ),
        (
            {
                "missing_data": "multiple_imputation",
                "imputation": Imputation(5, 5, 1, ("bad",), ()),
            },
            "bad: known only after the exposure window",
        ),
        (
            {"comparisons": Comparisons("g", "bonferroni")},
            "comparisons.method: 'bonferroni' is unknown",
        ),
        (
            {"comparisons": Comparisons("g", "holm"), "curve_knots": 3},
            "comparisons: a curve or an interaction has no single p to hold",
        ),
        (
            {"comparisons": Comparisons("g", "holm"), "interaction": "motor"},
            "comparisons: a curve or an interaction has no single p to hold",
        ),
    ],
)
def test_options_that_do_not_fit_are_refused(changes, expected):
    with pytest.raises(ValueError, match=r"models\.m: ") as error:
        planned(**changes)
    assert expected in str(error.value)


def test_a_block_with_every_option_becomes_a_plan():
    block = {
        "question": "?",
        "family": "logistic",
        "outcome": "bad",
        "window": "w",
        "exposure": "dose",
        "unit_of_effect": 1,
        "adjust_for": ["age"],
        "as_categories": [],
        "reason": "known",
        "missing_data": "multiple_imputation",
        "clusters": "centre",
        "risks_at": [0, 2.5],
        "imputation": {
            "min_imputations": 5,
            "n_cycles": 5,
            "seed": 1,
            "auxiliary": ["helper"],
            "deltas": [-1, 0],
        },
        "comparisons": {"group": "g", "method": "holm"},
    }
    made = plan.from_block("m", block=block, outcomes={})
    curved = {name: value for name, value in block.items() if name != "comparisons"}
    assert plan.from_block("m", block=curved | {"curve_knots": 3}, outcomes={}).curve_knots == 3
    assert made.imputation == Imputation(5, 5, 1, ("helper",), (-1.0, 0.0))
    assert made.risks_at == (0.0, 2.5)
    wrong = block | {"imputation": {"min_imputations": "five", "cycles": 5}, "curve_knots": 3.5}
    with pytest.raises(ValueError, match=r"7 problem\(s\)") as error:
        plan.from_block("m", block=wrong, outcomes={})
    message = str(error.value)
    assert "imputation.min_imputations: 'five' is not a whole number" in message
    assert "imputation.cycles: unknown key; did you mean 'n_cycles'?" in message
    assert "curve_knots: 3.5 is not a whole number" in message


# --- words and pages ---


def test_the_methods_text_tells_every_option():
    text = methods_sentence(
        imputing(clusters="centre", risks_at=(0.0,), curve_knots=4), columns=COLUMNS
    )
    for words in (
        "robust between clusters",
        "restricted cubic spline with 4 knots",
        "at least 4 times",
        "2 cycles (seed 7)",
        "helped by helper",
        "shift of -2, +0, +2",
        "Absolute risks are means over the patients",
    ):
        assert words in text
    assert "left out (complete cases)" not in text


def test_the_page_of_a_model_has_its_numbers_with_intervals_and_its_caution():
    asked = imputing(risks_at=(0.0, 2.0))
    made = fitted(with_gaps(cohort()), asked)
    page = model_page.markdown(
        made, plan=asked, methods="How it was done.", columns=COLUMNS, declared=DECLARED
    )
    row = made.estimates.filter(adjustment="adjusted", term="dose").row(0, named=True)
    assert f"{row['effect']:.2f} (" in page
    assert "Association is not causation" in page
    assert "| complete cases | adjusted |" in page
    assert "Rscript replicate.R" in page
    lines = [line for line in page.splitlines() if line.startswith("|")]
    assert len(lines) > 30


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"family": "linear", "outcome": "score"}, "Adjusted difference"),
        ({"family": "modified_poisson"}, "risk of bad. Adjusted risk ratio"),
        ({"curve_knots": 3}, "was fitted as a curve: "),
    ],
)
def test_the_page_names_the_measure_of_its_family(changes, words):
    asked = planned(**changes)
    page = model_page.markdown(
        fitted(cohort(), asked), plan=asked, methods="How.", columns=COLUMNS, declared=DECLARED
    )
    assert words in page
    if "curve_knots" not in changes:
        assert "odds ratio" not in page.split("## ")[0]


def test_a_layout_keeps_its_levels_whatever_rows_are_filled_in():
    layout = design.lay_out(
        cohort(),
        exposure="dose",
        adjust_for=("motor",),
        as_categories=("motor",),
        knots=(),
        interaction=None,
        n_sets=1,
    )
    one = design.fill(cohort().filter(motor="5").head(3), layout)
    assert one.matrix.shape == (3, 3)
    assert one.names[0] == "dose"


def test_the_patients_of_a_reference_level_are_counted_once_though_imputed_often():
    asked = imputing()
    made = fitted(with_gaps(cohort()), asked)
    n = int(reference_of(made).split("n = ")[1].rstrip(")"))
    assert len(made.models[1].frames) > 1
    assert 60 < n < 120  # a third of 240 patients, less those without an outcome


@pytest.mark.filterwarnings("ignore:The design matrix is rank-deficient")
def test_what_could_not_be_drawn_for_want_of_an_adjusted_fit_is_told():
    rows = with_gaps(cohort()).with_columns(
        hypoxia=pl.when(pl.col("bad").is_not_null()).then("bad").otherwise("hypoxia")
    )
    asked = imputing()
    made = fitted(rows, asked)
    drawn = made.alternatives.filter(
        pl.col("analysis").str.starts_with("unknown outcomes"), term="dose"
    )
    assert drawn.height == drawn["effect"].null_count() == 2 * len(IMPUTATION.deltas)
    assert set(drawn["reason"]) == {"there is no adjusted fit to draw unknown outcomes by"}


def test_diagnostics_are_shown_with_as_many_digits_as_they_deserve():
    asked = planned(risks_at=(0.0,))
    made = fitted(cohort(), asked)
    rows = {
        (r[0], r[1]): r[2]
        for r in models_tables.diagnostics(made.diagnostics, columns=COLUMNS).rows
    }
    assert rows["reported", "adjusted"] == "yes"
    assert rows["c statistic", "adjusted"] == f"{value(made, 'c_statistic'):.2f}"
    per = f"{value(made, 'events_per_parameter'):.1f}"
    assert rows["events per parameter", "adjusted"] == per
    ordered = planned(family="proportional_odds", outcome="score")
    shown = models_tables.diagnostics(
        fitted(cohort(), ordered).diagnostics, columns=COLUMNS
    ).rows
    p = next(r[2] for r in shown if r[0] == "proportional odds p" and r[1] == "adjusted")
    assert re.fullmatch(r"<0\.001|[01]\.\d{3}", p)


def test_a_test_of_one_term_is_shown_with_that_term_in_words():
    kind = "proportional_hazards_p"
    terms = [
        design.Term("age_years", "age_years"),
        design.Term("dose x sex: f (reference m)", "dose", "f", "m", modifier="sex"),
        design.Term("dose (curve, part 2)", "dose", part=2),
    ]
    rows = [
        estimates.Diagnostic(f"{kind} {term.name}", 0.04, number="p", kind=kind, about=term)
        for term in terms
    ]
    table = estimates.diagnostic_rows(rows, adjustment="adjusted")
    store.check(table, contracts.DIAGNOSTICS, "diagnostics")
    assert [row[0] for row in models_tables.diagnostics(table, columns=COLUMNS).rows] == [
        "proportional hazards p: Age (years)",
        "proportional hazards p: dose (curve, part 2)",
        "proportional hazards p: dose x Sex: f (reference m)",
    ]
    assert {row[2] for row in models_tables.diagnostics(table, columns=COLUMNS).rows} == {
        "0.040"
    }


@pytest.mark.parametrize(
    ("effect", "scale", "common", "expected"),
    [
        (3.9, "log_rr", True, 7.26),  # the authors' example, its lower limit below it
        (1.8, "log_rr", True, 3.0),
        (4.0, "log_or", True, 3.41),  # by hand: sqrt(4) = 2, 2 + sqrt(2)
        (2.0, "log_or", False, 3.41),
        (0.5, "log_hr", False, 3.41),
        (0.5, "log_cshr", False, 3.41),
        (0.5, "log_irr", True, 3.41),  # a rate ratio is taken as the risk ratio it is near
        (4.0, "log_hr", True, 4.56),  # by hand: 0.75 / (1 - 0.5 ** 0.5) = 2.5607
    ],
)
def test_the_e_value_of_an_effect(effect, scale, common, expected):
    """VanderWeele and Ding 2017, Ann Intern Med 167:268 (from memory)."""
    ratio = e_values.as_risk_ratio(effect, scale=scale, common=common, outcome_sd=None)
    assert e_values.e_value(ratio) == pytest.approx(expected, abs=0.005)


def test_an_effect_of_another_kind_has_no_e_value_by_guess():
    with pytest.raises(ValueError, match="no risk ratio of an effect on the scale 'log_sd'"):
        e_values.as_risk_ratio(2.0, scale="log_sd", common=False, outcome_sd=None)


def test_a_step_and_a_direction_are_told_in_words():
    words = model_words.plain("an odds ratio above 1: higher odds of dead_by_horizon", COLUMNS)
    assert words.endswith("higher odds of death by the horizon of the settings")
    flow = pl.DataFrame(
        {
            "step": [1, 2],
            "name": ["unfavourable is known", "icp_above_20_dose_mmhg_h is known"],
            "n_in": [9, 8],
            "n_dropped": [1, 0],
            "n_out": [8, 8],
            "reason": ["outcome_unknown", "exposure_missing"],
            "variable": ["unfavourable", "icp_above_20_dose_mmhg_h"],
            "role": ["outcome", "exposure"],
        }
    )
    assert models_tables.model_flow(flow, columns=COLUMNS).rows == [
        ["An unfavourable GOSE at 6 months is known", "9", "1", "8", "outcome unknown"],
        ["ICP dose above 20 mmHg (mmHg\u00b7h) is known", "8", "0", "8", "\u2013"],
    ]
