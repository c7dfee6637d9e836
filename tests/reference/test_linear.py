"""Reference: linear regression against certified values of the NIST reference datasets."""

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from statsmodels.datasets import longley

from icpcohort.models import fit, linear
from icpcohort.study import plan

DATA = Path(__file__).parent / "data"


def fitted(rows, *, exposure, adjust_for):
    asked = plan.Plan(
        name="m",
        question="Does it?",
        family="linear",
        outcome="y",
        window="w",
        exposure=exposure,
        unit_of_effect=1.0,
        adjust_for=adjust_for,
        as_categories=(),
        reason="Stated.",
        missing_data="complete_cases",
    )
    rows = rows.with_columns(
        pl.lit("w").alias("window"),
        pl.format("p{}", pl.int_range(pl.len())).alias("patient_id"),
    )
    made = fit.fit_model(rows, plan=asked, landmark_h=0.0, updates=None)
    last = "adjusted" if adjust_for else "unadjusted"
    diagnostics = made.diagnostics.filter(adjustment=last)
    value = dict(zip(diagnostics["quantity"], diagnostics["value"], strict=True))
    rows = made.estimates.filter(adjustment=last)
    return {row["term"]: row for row in rows.to_dicts()}, value


# NIST StRD, Longley: nearly collinear on purpose. Certified values, digits as published.
LONGLEY = {
    "intercept": (-3482258.63459582, 890420.383607373),
    "GNPDEFL": (15.0618722713733, 84.9149257747669),
    "GNP": (-0.035819179292591, 0.0334910077722432),
    "UNEMP": (-2.02022980381683, 0.488399681651699),
    "ARMED": (-1.03322686717359, 0.214274163161675),
    "POP": (-0.0511041056535807, 0.22607320006937),
    "YEAR": (1829.15146461355, 455.478499142212),
}


def test_the_collinear_example_has_its_certified_values():
    frame = longley.load_pandas().data
    rows = pl.DataFrame({name: frame[name].to_numpy() for name in frame.columns})
    columns = tuple(LONGLEY)[1:]
    by_term, value = fitted(
        rows.rename({"TOTEMP": "y"}), exposure=columns[0], adjust_for=columns[1:]
    )
    for term, (estimate, se) in LONGLEY.items():
        assert by_term[term]["estimate"] == pytest.approx(estimate, rel=1e-7), term
        assert by_term[term]["se"] == pytest.approx(se, rel=1e-7), term
    assert value["residual_sd"] == pytest.approx(304.854073561965, rel=1e-8)
    assert value["r_squared"] == pytest.approx(0.995479004577296, rel=1e-10)
    # 16 years and 7 coefficients: Student's t with 9 degrees of freedom
    assert by_term["YEAR"]["df"] == 9
    reach = 2.262157162740992 * LONGLEY["YEAR"][1]
    assert by_term["YEAR"]["ci_high"] == pytest.approx(LONGLEY["YEAR"][0] + reach, rel=1e-7)


def test_the_straight_line_has_its_certified_values():
    rows = pl.read_csv(DATA / "norris.csv", comment_prefix="#")
    by_term, value = fitted(rows, exposure="x", adjust_for=())
    assert by_term["intercept"]["estimate"] == pytest.approx(-0.262323073774029, rel=1e-9)
    assert by_term["intercept"]["se"] == pytest.approx(0.232818234301152, rel=1e-9)
    assert by_term["x"]["estimate"] == pytest.approx(1.00211681802045, rel=1e-9)
    assert by_term["x"]["se"] == pytest.approx(0.000429796848199937, rel=1e-9)
    assert value["r_squared"] == pytest.approx(0.999993745883712, rel=1e-9)
    assert value["residual_sd"] == pytest.approx(0.884796396144373, rel=1e-9)
    # certified F = t squared of the only slope
    F = (by_term["x"]["estimate"] / by_term["x"]["se"]) ** 2
    assert pytest.approx(5436385.54079785, rel=1e-8) == F
    assert by_term["x"]["effect"] == by_term["x"]["estimate"]


def test_an_outcome_that_the_terms_give_exactly_is_not_reported():
    rows = pl.DataFrame({"x": np.arange(20.0), "y": 3.0 + 2.0 * np.arange(20.0)})
    by_term, _ = fitted(rows, exposure="x", adjust_for=())
    assert by_term["x"]["estimate"] is None


def test_the_expected_outcome_is_the_line():
    assert linear.risk(np.array([1.0, 2.0]), np.array([[3.0]])) == pytest.approx([7.0])
