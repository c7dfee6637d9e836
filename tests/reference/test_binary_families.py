"""Reference: families with a yes-or-no outcome against R, exact cells and each other."""

import math
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from icpcohort.models import firth, fit, risk_ratios, separation
from icpcohort.study import plan

DATA = Path(__file__).parent / "data"


def planned(**changes):
    fields = {
        "name": "m",
        "question": "Does it?",
        "family": "logistic",
        "outcome": "low",
        "window": "w",
        "exposure": "smoke",
        "unit_of_effect": 1.0,
        "adjust_for": (),
        "as_categories": (),
        "reason": "Stated.",
        "missing_data": "complete_cases",
    }
    return plan.Plan(**(fields | changes))


def births():
    rows = pl.read_csv(DATA / "birthwt.csv", comment_prefix="#")
    return rows.with_columns(
        pl.lit("w").alias("window"),
        pl.format("b{}", pl.int_range(pl.len())).alias("patient_id"),
        pl.col("low", "smoke", "ht", "ui").cast(pl.Boolean),
        pl.col("race").cast(pl.String),
    )


def fitted(rows, asked):
    return fit.fit_model(rows, plan=asked, landmark_h=0.0, updates=None)


def test_low_birth_weight_adjusted():
    # R: glm(low ~ age + lwt + race + smoke + ht + ui, binomial, MASS::birthwt)
    asked = planned(adjust_for=("age", "lwt", "race", "ht", "ui"), as_categories=("race",))
    made = fitted(births(), asked)
    row = made.estimates.filter(adjustment="adjusted", term="smoke").row(0, named=True)
    assert row["estimate"] == pytest.approx(1.02757056566, abs=1e-8)
    likelihood = made.diagnostics.filter(adjustment="adjusted", quantity="log_likelihood")
    assert -2 * likelihood["value"][0] == pytest.approx(
        203.9480639, abs=1e-6
    )  # residual deviance
    crude = made.estimates.filter(adjustment="unadjusted", term="smoke").row(0, named=True)
    limits = (crude["effect"], crude["effect_ci_low"], crude["effect_ci_high"])
    assert limits == pytest.approx((2.0219435737, 1.0806598678, 3.7831106131), abs=1e-6)


def cells(a, b, c, d):
    """Return outcome and exposure: exposed with and without it, unexposed with and without."""
    y = np.repeat([True, False, True, False], [a, b, c, d])
    x = np.repeat([1.0, 1.0, 0.0, 0.0], [a, b, c, d])
    return y, x[:, None]


@pytest.mark.parametrize("table", [(30, 44, 29, 86), (7, 3, 2, 9), (5, 0, 4, 6)])
def test_firth_s_estimate_of_a_two_by_two_table_adds_half_to_each_cell(table):
    # Jeffreys' prior of a saturated table: Firth 1993, Biometrika 80:27
    made = firth.fit_penalised(*cells(*table), terms=("x",))
    a, b, c, d = (cell + 0.5 for cell in table)
    assert made.estimate[1] == pytest.approx(math.log(a * d / (b * c)), abs=1e-8)
    assert made.estimate[0] == pytest.approx(math.log(c / d), abs=1e-8)
    assert np.isfinite(made.limits).all()
    assert made.limits[1, 0] < made.estimate[1] < made.limits[1, 1]


def test_the_limits_of_firth_lie_where_the_profile_falls_by_the_chi_squared():
    y, X = cells(5, 0, 4, 6)
    made = firth.fit_penalised(y, X, terms=("x",))

    def value(intercept, slope):
        p = 1 / (1 + np.exp(-(intercept + slope * X[:, 0])))
        Z = np.column_stack([np.ones(len(y)), X])
        information = Z.T @ ((p * (1 - p))[:, None] * Z)
        return np.log(np.where(y, p, 1 - p)).sum() + np.linalg.slogdet(information)[1] / 2

    grid = np.linspace(-8, 8, 64001)
    best = value(*made.estimate)
    for limit in made.limits[1]:
        profile = max(value(intercept, limit) for intercept in grid[::40])
        assert 2 * (best - profile) == pytest.approx(3.841458820694124, abs=2e-4)


def test_separated_data_give_a_finite_firth_estimate_where_logistic_gives_none():
    y, X = cells(8, 0, 4, 9)
    rows = pl.DataFrame({"low": y, "smoke": X[:, 0]}).with_columns(
        pl.lit("w").alias("window"),
        pl.format("b{}", pl.int_range(pl.len())).alias("patient_id"),
    )
    plain = fitted(rows, planned()).estimates.filter(term="smoke")
    made = fitted(rows, planned(family="firth_logistic")).estimates.filter(term="smoke")
    assert plain["estimate"].to_list() == [None]
    assert made["estimate"][0] == pytest.approx(math.log(8.5 * 9.5 / (0.5 * 4.5)), abs=1e-8)
    assert made["effect_ci_high"][0] is not None


def test_one_exposed_patient_does_not_make_firth_leap_from_side_to_side():
    # The information is far from the curvature here; 200 full steps never settled.
    rng = np.random.default_rng([166, 2])
    exposed, score = rng.random(40) < 0.2, rng.normal(size=40)
    y = rng.random(40) < 1 / (1 + np.exp(0.5 - 1.5 * exposed - 0.5 * score))
    assert exposed.sum() == 1
    made = firth.fit_penalised(y, np.column_stack([exposed, score]), terms=("x", "score"))
    assert made.converged
    assert np.abs(made.scores.sum(axis=0)).max() < 1e-6


def test_the_risk_ratio_of_a_two_by_two_table():
    # log RR = log((30/74) / (29/115)); its variance 1/30 - 1/74 + 1/29 - 1/115 (Katz 1978)
    made = risk_ratios.fit_log_risk(*cells(30, 44, 29, 86), terms=("x",))
    assert made.estimate[1] == pytest.approx(math.log((30 / 74) / (29 / 115)), abs=1e-9)
    variance = 1 / 30 - 1 / 74 + 1 / 29 - 1 / 115
    assert made.covariance[1, 1] == pytest.approx(variance, rel=1e-8)


def test_a_level_without_events_has_no_risk_ratio():
    y, X = cells(0, 12, 9, 20)
    rows = pl.DataFrame({"low": y, "smoke": X[:, 0]}).with_columns(
        pl.lit("w").alias("window"),
        pl.format("b{}", pl.int_range(pl.len())).alias("patient_id"),
    )
    made = fitted(rows, planned(family="modified_poisson"))
    assert made.estimates["estimate"].null_count() == 2
    assert "smoke separates the outcome" in made.diagnostics["verdict"][0]
    every_event = pl.DataFrame({"low": [True] * 12 + [True] * 9 + [False] * 20}).with_columns(
        smoke=pl.Series([1.0] * 12 + [0.0] * 29),
        window=pl.lit("w"),
        patient_id=pl.format("b{}", pl.int_range(pl.len())),
    )
    certain = fitted(every_event, planned(family="modified_poisson")).estimates
    assert certain.filter(term="smoke")["effect"][0] == pytest.approx(29 / 9)


@pytest.mark.parametrize("n_clusters", [1, 2])
def test_errors_between_fewer_than_three_clusters_are_not_reported(n_clusters):
    rows = (
        births()
        .with_row_index()
        .with_columns(centre=pl.format("c{}", pl.col("index") % n_clusters))
    )
    for family in ("logistic", "gee"):
        made = fitted(rows.drop("index"), planned(family=family, clusters="centre"))
        assert made.estimates["estimate"].null_count() == made.estimates.height
        verdict = made.diagnostics.filter(quantity="reported")["verdict"][0]
        assert f"{n_clusters} clusters; at least 3 are needed" in verdict


def test_the_term_that_separates_is_named_alone():
    """Albert 1984: x alone separates; a third column beside it has nothing to do with it."""
    rng = np.random.default_rng(6)
    x, a = np.linspace(-1, 1, 30), rng.normal(size=30)
    moves = np.where(x > 0, 1.0, -1.0)[:, None] * np.column_stack([np.ones(30), x, a])
    assert [i for i in separation.separating_parameters(moves) if i > 0] == [1]
    both = np.where(x + a > 0, 1.0, -1.0)[:, None] * np.column_stack([np.ones(30), x, a])
    assert [i for i in separation.separating_parameters(both) if i > 0] == [1, 2]
