"""Reference: Cox regression and Kaplan-Meier against R, a biased design beside two sound."""

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from icpcohort.models import cox, curves, fit, kaplan_meier
from icpcohort.study import plan

DATA = Path(__file__).parent / "data"
DAY_H = 24.0


def table(name):
    return pl.read_csv(DATA / f"{name}.csv", comment_prefix="#", infer_schema_length=None)


def planned(**changes):
    fields = {
        "name": "m",
        "question": "Does it?",
        "family": "cox_landmark",
        "outcome": "dead",
        "window": "w",
        "exposure": "x",
        "unit_of_effect": 1.0,
        "adjust_for": (),
        "as_categories": (),
        "reason": "Stated.",
        "missing_data": "complete_cases",
        "horizon_h": 1e6,
    }
    return plan.Plan(**(fields | changes))


def analysed(rows, *, until, died, unit_h):
    """Return rows as an analysis table: a time of death, or the time when last seen alive."""
    return rows.with_columns(
        pl.lit("w").alias("window"),
        pl.format("p{}", pl.int_range(pl.len())).alias("patient_id"),
        pl.when(died).then(until * unit_h).alias("death_h"),
        pl.when(~died).then(until * unit_h).alias("left_unit_h"),
        died.alias("dead"),
    )


def counted(rows, *, landmark_h):
    """Return the rows with survival from the landmark, as the cohort counts it."""
    return rows.with_columns(
        survival_h=pl.coalesce("death_h", "left_unit_h") - landmark_h,
        died=pl.col("death_h").is_not_null(),
    )


def fitted(rows, asked, *, landmark_h=0.0, updates=None):
    rows = counted(rows, landmark_h=landmark_h)
    made = fit.fit_model(rows, plan=asked, landmark_h=landmark_h, updates=updates)
    last = "adjusted" if asked.adjust_for else "unadjusted"
    by_term = {row["term"]: row for row in made.estimates.filter(adjustment=last).to_dicts()}
    diagnostics = made.diagnostics.filter(adjustment=last)
    return made, by_term, dict(zip(diagnostics["quantity"], diagnostics["value"], strict=True))


# --- Stanford heart transplants: Crowley and Hu 1977, J Am Stat Assoc 72:27 ---
# R 4.2.2, survival 3.5-3, ties = "efron": coxph(Surv(start, stop, event) ~ ..., heart)


def transplants():
    """Return one row per patient: end of follow-up, death, and the day of the transplant."""
    return (
        table("heart")
        .group_by("id", maintain_order=True)
        .agg(
            end=pl.col("stop").max(),
            died=pl.col("event").max() == 1,
            transplant_day=pl.col("start").filter(pl.col("transplant") == 1).min(),
            age=pl.col("age").first(),
            year=pl.col("year").first(),
            surgery=pl.col("surgery").first().cast(pl.Float64),
        )
    )


def test_the_naive_design_gives_the_biased_ratio_when_it_is_computed_by_hand():
    rows = transplants()
    ever = rows["transplant_day"].is_not_null().cast(pl.Float64).to_numpy()
    at_risk = cox.AtRisk(np.zeros(103), rows["end"].to_numpy(), rows["died"].to_numpy())
    made = cox.fit_hazard(at_risk, ever[:, None], horizon_h=1e6, terms=("ever",))
    assert np.exp(made.estimate[1]) == pytest.approx(0.2662166446, abs=1e-6)  # R: exp(coef)


def test_the_naive_design_is_refused_because_the_exposure_ends_after_deaths():
    rows = analysed(
        transplants().with_columns(x=pl.col("transplant_day").is_not_null()),
        until=pl.col("end"),
        died=pl.col("died"),
        unit_h=DAY_H,
    )
    latest_h = DAY_H * float(rows["transplant_day"].max())
    with pytest.raises(ValueError, match=r"of 103 patients died before \d+ h.*immortal time"):
        rows = counted(rows, landmark_h=latest_h)
        fit.fit_model(rows, plan=planned(), landmark_h=latest_h, updates=None)


def test_the_landmark_design_gives_r_s_ratio():
    landmark = transplants().filter(pl.col("end") > 30)
    rows = analysed(
        landmark.with_columns(x=(pl.col("transplant_day") <= 30).fill_null(False)),
        until=pl.col("end"),
        died=pl.col("died"),
        unit_h=DAY_H,
    )
    made, by_term, _ = fitted(rows, planned(), landmark_h=30 * DAY_H)
    assert by_term["x"]["effect"] == pytest.approx(1.054235569, abs=1e-6)
    assert (by_term["x"]["n"], by_term["x"]["n_events"]) == (79, 52)
    assert rows["x"].sum() == 33
    assert made.dropped.height == 0


HEART = {
    "age": 0.02716664096,
    "year": -0.14634634567,
    "surgery": -0.63720988997,
    "x": -0.01025077241,
}


def transplants_by_day():
    """Return the analysis rows from time zero, and the exposure after it."""
    before = transplants().with_columns(x=(pl.col("transplant_day") <= 0).fill_null(False))
    rows = analysed(before, until=pl.col("end"), died=pl.col("died"), unit_h=DAY_H)
    updates = rows.filter(pl.col("transplant_day") > 0).select(
        "patient_id",
        (pl.col("transplant_day") * DAY_H).alias("until_h"),
        pl.lit(True).alias("x"),
    )
    return rows, updates


def test_the_time_dependent_design_gives_r_s_coefficients():
    rows, updates = transplants_by_day()
    asked = planned(family="cox_time_dependent", adjust_for=("age", "year", "surgery"))
    made, by_term, _ = fitted(rows, asked, updates=updates)
    for term, expected in HEART.items():
        assert by_term[term]["estimate"] == pytest.approx(expected, abs=1e-7), term
    assert (by_term["x"]["n"], by_term["x"]["n_events"]) == (103, 75)
    alone = made.estimates.filter(adjustment="unadjusted", term="x")
    assert alone["estimate"][0] == pytest.approx(0.1271411266, abs=1e-7)
    assert alone["effect"][0] == pytest.approx(1.135577267, abs=1e-6)
    # R: sqrt(diag(vcov(f))) = 0.0137141 (age), 0.3137548 (transplant)
    assert by_term["x"]["se"] == pytest.approx(0.31375479834, abs=1e-7)


def test_a_day_without_a_value_keeps_the_one_before():
    rows, updates = transplants_by_day()
    gaps = updates.with_columns(until_h=pl.col("until_h") + 1, x=pl.lit(None, pl.Boolean))
    asked = planned(family="cox_time_dependent")
    with_gaps = fitted(rows, asked, updates=pl.concat([updates, gaps]))[1]["x"]
    assert with_gaps == fitted(rows, asked, updates=updates)[1]["x"]


# --- Gehan's leukaemia trial: Freireich 1963, Blood 21:699; many tied times ---
# R: coxph(Surv(time, cens) ~ treat, MASS::gehan, ties = ...)


def remissions():
    rows = table("gehan").with_columns(x=pl.col("treat") == "control")
    return analysed(rows, until=pl.col("time"), died=pl.col("cens") == 1, unit_h=168.0)


def test_tied_deaths_follow_efron_and_not_breslow():
    _, by_term, value = fitted(remissions(), planned())
    assert by_term["x"]["estimate"] == pytest.approx(1.572125149, abs=1e-8)  # efron
    assert by_term["x"]["se"] == pytest.approx(0.4123967177, abs=1e-8)
    assert abs(by_term["x"]["estimate"] - 1.509191413) > 0.05  # breslow
    assert value["log_likelihood"] == pytest.approx(-85.00842458, abs=1e-7)
    assert value["log_likelihood_null"] == pytest.approx(-93.18427, abs=1e-5)


def test_survival_of_the_treated_and_both_forms_of_its_interval():
    treated = table("gehan").filter(pl.col("treat") == "6-MP")
    steps = kaplan_meier.curve(
        np.zeros(treated.height),
        treated["time"].cast(pl.Float64).to_numpy(),
        (treated["cens"] == 1).to_numpy(),
    )
    survival, _, variance = kaplan_meier.at(np.array([6.0, 10.0, 16.0, 23.0]), steps)
    expected = (0.857142857143, 0.752941176471, 0.627450980392, 0.448179271709)
    assert survival == pytest.approx(expected, abs=1e-12)
    greenwood = survival[0] * np.sqrt(variance[0])
    assert greenwood == pytest.approx(0.0763604, abs=1e-7)
    log = kaplan_meier.limits(survival[0], variance[0], form="log")
    log_log = kaplan_meier.limits(survival[0], variance[0], form="log_log")
    assert log == pytest.approx((0.719817, 1.0), abs=1e-6)  # R's default
    assert log_log[0] == pytest.approx(0.619717955266, abs=1e-10)  # R: conf.type = "log-log"
    with pytest.raises(ValueError, match="form 'plain' is unknown"):
        kaplan_meier.limits(0.5, 0.1, form="plain")


# --- Advanced lung cancer: Loprinzi 1994, J Clin Oncol 12:601 ---
# R: f <- coxph(Surv(time, status) ~ age + sex, lung); concordance(f); cox.zph(f)


def lung(columns):
    rows = table("lung").drop_nulls(columns)
    return analysed(rows, until=pl.col("time"), died=pl.col("status") == 2, unit_h=DAY_H)


def test_the_lung_example_with_its_concordance():
    asked = planned(exposure="age", adjust_for=("sex",))
    made, by_term, value = fitted(lung(["age", "sex"]), asked)
    assert by_term["age"]["estimate"] == pytest.approx(0.01704533185, abs=1e-8)
    assert by_term["age"]["se"] == pytest.approx(0.009223273477, abs=1e-9)
    assert by_term["sex"]["estimate"] == pytest.approx(-0.51321851711, abs=1e-8)
    assert by_term["sex"]["se"] == pytest.approx(0.167457962356, abs=1e-9)
    assert value["c_statistic"] == pytest.approx(0.6028530029, abs=1e-9)
    assert value["log_likelihood"] == pytest.approx(-742.8482458, abs=1e-6)
    assert value["log_likelihood_null"] == pytest.approx(-749.9098014, abs=1e-6)
    assert made.estimates["n"][0] == 228
    assert made.estimates["n_events"][0] == 165


def test_survival_of_the_lung_example():
    # R: km <- survfit(Surv(time, status) ~ 1, lung); summary(km, times = c(180, 365))
    rows = table("lung")
    exit_h = rows["time"].cast(pl.Float64).to_numpy()
    steps = kaplan_meier.curve(np.zeros(rows.height), exit_h, (rows["status"] == 2).to_numpy())
    survival = kaplan_meier.at(np.array([180.0, 365.0]), steps)[0]
    assert survival == pytest.approx([0.721671, 0.409242], abs=5e-7)
    assert steps.time_h[np.argmax(steps.survival <= 0.5)] == 310  # the median


def test_the_proportional_hazards_test_is_r_s():
    _, _, value = fitted(lung(["sex"]), planned(exposure="sex"))
    assert value["proportional_hazards_p"] == pytest.approx(0.09062506425, abs=1e-9)
    asked = planned(exposure="age", adjust_for=("sex", "ph.ecog"))
    _, _, value = fitted(lung(["age", "sex", "ph.ecog"]), asked)
    assert value["proportional_hazards_chi2"] == pytest.approx(4.4636575888, abs=1e-8)
    assert value["proportional_hazards_p"] == pytest.approx(0.2155549453, abs=1e-9)
    for term, p in (("age", 0.6645967631), ("sex", 0.1289219988), ("ph.ecog", 0.1517820989)):
        assert value[f"proportional_hazards_p {term}"] == pytest.approx(p, abs=1e-9)


def test_the_cumulative_baseline_hazard_and_its_error_are_r_s():
    # R: f <- coxph(Surv(time, status) ~ age + sex + ph.ecog, lung)
    #    zero <- data.frame(age = 0, sex = 0, ph.ecog = 0)
    #    s <- summary(survfit(f, newdata = zero), times = 365)
    #    log(s$cumhaz); s$std.err / s$surv / s$cumhaz
    rows = table("lung").drop_nulls("ph.ecog")
    at_risk = cox.AtRisk(
        np.zeros(rows.height),
        rows["time"].cast(pl.Float64).to_numpy(),
        (rows["status"] == 2).to_numpy(),
    )
    terms = ("age", "sex", "ph.ecog")
    X = rows.select(pl.col(terms).cast(pl.Float64)).to_numpy()
    made = cox.fit_hazard(at_risk, X, horizon_h=365.0, terms=terms)
    assert made.estimate[0] == pytest.approx(-0.4879806481, abs=1e-8)
    assert np.sqrt(made.covariance[0, 0]) == pytest.approx(0.6280351685, abs=1e-8)


@pytest.mark.parametrize("n_knots", [3, 4, 5])
def test_a_curve_of_a_skewed_exposure_is_not_taken_for_separation(n_knots):
    """Oracle: PHReg of statsmodels on the same columns, ties by Efron's rule."""
    from statsmodels.duration.hazard_regression import PHReg

    rng = np.random.default_rng(n_knots)
    x = rng.lognormal(sigma=1.2, size=150)
    until = rng.exponential(100 / np.exp(0.3 * np.log(x)))
    X = curves.basis(x, knots=curves.knots_of(x, n_knots=n_knots))
    died = until < 150
    rows = cox.AtRisk(np.zeros(150), until.clip(max=150), died)
    terms = tuple(f"x{i}" for i in range(X.shape[1]))
    ours = cox.fit_hazard(rows, X, horizon_h=150.0, terms=terms)
    oracle = PHReg(until.clip(max=150), X, status=died, ties="efron").fit()
    assert ours.sound
    assert ours.estimate[1:] == pytest.approx(oracle.params, rel=1e-5)


def test_a_hazard_ratio_without_limit_is_still_told():
    rng = np.random.default_rng(4)
    x = rng.normal(size=60)
    rows = cox.AtRisk(np.zeros(60), np.where(x > 0.8, 50 - 10 * x, 100.0), x > 0.8)
    ours = cox.fit_hazard(rows, x[:, None], horizon_h=100.0, terms=("x",))
    assert not ours.sound
