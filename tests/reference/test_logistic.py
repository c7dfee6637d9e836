"""Reference: logistic regression against a textbook, R and plain loops."""

import math
import random

import numpy as np
import polars as pl
import pytest
from statsmodels.datasets import spector

from icpcohort.models import fit, logistic
from icpcohort.study import plan

# Spector 1980: 32 students, grade ~ GPA + TUCE + PSI. Greene, Econometric Analysis,
# prints -13.021, 2.826, 0.095, 2.379 and lnL -12.8896 (from memory); digits beyond are from
# statsmodels 0.15.0, and R 4.2.2 glm(GRADE ~ GPA + TUCE + PSI, binomial) gives the same.
TERMS = ("intercept", "GPA", "TUCE", "PSI")
ESTIMATES = (-13.021346858115695, 2.826112594889322, 0.09515766131790947, 2.3786876550933553)
ERRORS = (4.931324213602806, 1.262941075629098, 0.14155420567369487, 1.064564254497134)
LOG_LIKELIHOOD = -12.889634222131411
LOG_LIKELIHOOD_NULL = -20.591729696634204
MCFADDEN_R2 = 0.3740382953726189


def fitted(table, *, plan):
    return fit.fit_model(table, plan=plan, landmark_h=72.0, updates=None)


def students():
    frame = pl.DataFrame(spector.load_pandas().data.to_dict("list"))
    return frame.with_columns(
        pl.lit("w").alias("window"),
        pl.format("s{}", pl.int_range(pl.len())).alias("patient_id"),
        (pl.col("GRADE") == 1).alias("passed"),
    )


def planned(**changes):
    fields = {
        "name": "m",
        "question": "Does it?",
        "family": "logistic",
        "outcome": "passed",
        "window": "w",
        "exposure": "PSI",
        "unit_of_effect": 1.0,
        "adjust_for": ("GPA", "TUCE"),
        "as_categories": (),
        "reason": "Stated.",
        "missing_data": "complete_cases",
    }
    return plan.Plan(**(fields | changes))


def test_the_grades_example_of_the_textbook():
    frame = students()
    X = frame.select("GPA", "TUCE", "PSI").to_numpy()
    fitted = logistic.fit_logit(frame["passed"].to_numpy(), X, terms=TERMS[1:])
    assert fitted.terms == TERMS
    assert fitted.estimate == pytest.approx(ESTIMATES, abs=1e-6)
    assert np.sqrt(np.diag(fitted.covariance)) == pytest.approx(ERRORS, abs=1e-6)
    assert fitted.log_likelihood == pytest.approx(LOG_LIKELIHOOD, abs=1e-9)
    assert fitted.log_likelihood_null == pytest.approx(LOG_LIKELIHOOD_NULL, abs=1e-9)


def test_the_same_example_through_a_plan():
    made = fitted(students(), plan=planned())
    rows = made.estimates.filter(adjustment="adjusted").to_dicts()
    by_term = {row["term"]: row for row in rows}
    assert set(by_term) == set(TERMS)
    for term, estimate, se in zip(TERMS, ESTIMATES, ERRORS, strict=True):
        assert by_term[term]["estimate"] == pytest.approx(estimate, abs=1e-6)
        assert by_term[term]["se"] == pytest.approx(se, abs=1e-6)
        assert by_term[term]["n"] == 32
        assert by_term[term]["n_events"] == 11
    # Two-sided normal p of z = 2.379 / 1.065 = 2.234: 0.0255 (Greene, from memory; R: 0.02545)
    assert by_term["PSI"]["p"] == pytest.approx(0.0255, abs=5e-5)
    diagnostics = made.diagnostics.filter(adjustment="adjusted")
    value = dict(zip(diagnostics["quantity"], diagnostics["value"], strict=True))
    assert value["mcfadden_r2"] == pytest.approx(MCFADDEN_R2, abs=1e-9)


def test_the_odds_ratio_of_a_two_by_two_table():
    # MASS::birthwt, low birth weight by smoking: 86, 29 / 44, 30. R 4.2.2:
    # f <- glm(low ~ smoke, binomial, birthwt); exp(coef(f)); exp(confint.default(f))
    cells = [(False, False, 86), (False, True, 29), (True, False, 44), (True, True, 30)]
    births = pl.DataFrame(
        [
            {"window": "w", "patient_id": f"{s}{low}{i}", "smoke": s, "low": low}
            for s, low, n in cells
            for i in range(n)
        ]
    )
    made = fitted(births, plan=planned(outcome="low", exposure="smoke", adjust_for=()))
    assert made.estimates["adjustment"].unique().to_list() == ["unadjusted"]
    row = made.estimates.row(by_predicate=pl.col("term") == "smoke", named=True)
    assert row["effect"] == pytest.approx(30 * 86 / (44 * 29), abs=1e-8)
    assert row["effect"] == pytest.approx(2.0219435737, abs=1e-8)
    assert row["effect_ci_low"] == pytest.approx(1.0806598678, abs=1e-6)
    assert row["effect_ci_high"] == pytest.approx(3.7831106131, abs=1e-6)
    # Woolf's standard error of a log odds ratio
    assert row["se"] == pytest.approx(math.sqrt(1 / 86 + 1 / 29 + 1 / 44 + 1 / 30), abs=1e-8)


def test_the_c_statistic_agrees_with_counting_every_pair():
    draw = random.Random(3)
    y = np.array([draw.random() < 0.3 for _ in range(80)])
    score = np.array([float(draw.randrange(6)) for _ in range(80)])
    pairs = [(a, b) for a in score[y] for b in score[~y]]
    by_pairs = sum(1.0 if a > b else 0.5 if a == b else 0.0 for a, b in pairs) / len(pairs)
    assert logistic.c_statistic(y, score) == pytest.approx(by_pairs, abs=1e-12)


def test_a_stated_model_is_recovered_from_5000_simulated_patients():
    rng = np.random.default_rng(20)
    n = 5000
    dose = rng.gamma(2.0, 1.5, n)
    age = rng.normal(45.0, 18.0, n)
    motor = rng.choice(["3", "4", "5"], n, p=[0.2, 0.3, 0.5])
    step = np.select([motor == "3", motor == "4"], [1.2, 0.6], 0.0)
    log_odds = -2.5 + 0.3 * dose + 0.03 * age + step
    frame = pl.DataFrame(
        {
            "window": ["w"] * n,
            "patient_id": [f"p{i:04d}" for i in range(n)],
            "dose": dose,
            "age": age,
            "motor": motor,
            "bad": rng.random(n) < 1 / (1 + np.exp(-log_odds)),
        }
    )
    made = fitted(
        frame, plan=planned(outcome="bad", exposure="dose", adjust_for=("age", "motor"))
    )
    truth = {
        "intercept": -2.5,
        "dose": 0.3,
        "age": 0.03,
        "motor: 3 (reference 5)": 1.2,
        "motor: 4 (reference 5)": 0.6,
    }
    rows = made.estimates.filter(adjustment="adjusted")
    assert set(rows["term"]) == set(truth)
    for row in rows.to_dicts():
        assert abs(row["estimate"] - truth[row["term"]]) < 3 * row["se"]
        assert row["se"] < 0.25
