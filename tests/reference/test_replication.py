"""Reference: every family against R, by running the script that a model's folder holds."""

import csv
import io
import shutil
import subprocess

import numpy as np
import polars as pl
import pytest

from icpcohort import simulate
from icpcohort.models import cox, fit, replication
from icpcohort.simulate import covariates
from icpcohort.study import plan, plan_parts
from icpcohort.study.families import FAMILIES

EXPOSURE = "icp_above_20_dose_per_h_mmhg"
LANDMARK_H = 72.0
BASE = {
    "name": "m",
    "question": "Does dose go with outcome?",
    "window": "w",
    "exposure": EXPOSURE,
    "unit_of_effect": 1.0,
    "adjust_for": ("age_years", "gcs_motor", "hypoxia"),
    "as_categories": ("gcs_motor",),
    "reason": "Known before.",
    "missing_data": "complete_cases",
}
OF_FAMILY = {
    "logistic": {"outcome": "unfavourable"},
    "firth_logistic": {"outcome": "unfavourable"},
    "proportional_odds": {"outcome": "gose_6m_merged"},
    "linear": {"outcome": "gose_6m"},
    "negative_binomial": {"outcome": "icu_days"},
    "modified_poisson": {"outcome": "unfavourable"},
    "gee": {"outcome": "unfavourable", "clusters": "centre"},
    "cox_landmark": {"outcome": "dead", "horizon_h": 4383.0},
    "cox_time_dependent": {"outcome": "dead", "horizon_h": 4383.0},
    "cause_specific_cox": {"outcome": "stay", "event": "discharge", "horizon_h": 1500.0},
}
IMPUTATION = plan_parts.Imputation(5, 2, 3, ("marshall_class",), ())
needs_r = pytest.mark.skipif(
    shutil.which("Rscript") is None,
    reason="Rscript is not installed: apt-get install r-base-core r-cran-survival r-cran-mass",
)


def planned(family, **changes):
    return plan.Plan(family=family, **(BASE | OF_FAMILY[family] | changes))


def patients(n, *, seed):
    """Draw patients of the demo's outcome model, alive at 72 h; some die later."""
    drawn = simulate.draw_covariates(n_patients=n, seed=seed)
    drawn = drawn.with_columns(simulate.draw_doses(n_patients=n, seed=seed + 1))
    gose = simulate.draw_outcomes(drawn, coefficients=simulate.OutcomeModel(), seed=seed + 2)
    rng = np.random.default_rng(seed)
    died_h = np.round(rng.exponential(800.0, n) + 80.0)  # whole hours, so that some are tied
    rows = covariates.remove_values(drawn, seed=seed)
    size = np.exp(2.0 + 0.2 * drawn["dose_per_h_true_mmhg"].to_numpy()) * rng.gamma(2, 0.5, n)
    discharge_h = np.round(rng.exponential(900.0, n))
    before = discharge_h < died_h - LANDMARK_H
    ended = np.where(before, "discharge", "death")
    seen = rng.random(n) < 0.9
    return rows.with_columns(
        window=pl.lit("w"),
        centre=pl.Series([f"c{i % 25:02d}" for i in range(n)]),
        gose_6m=gose.alias("gose_6m"),
        gose_6m_merged=pl.when(gose == 2).then(3).otherwise(gose).cast(pl.Int64),
        unfavourable=gose <= 4,
        dead=gose == 1,
        death_h=pl.when(gose == 1).then(pl.Series(died_h)),
        left_unit_h=pl.lit(None, pl.Float64),
        survival_h=pl.when(gose == 1).then(pl.Series(died_h)).otherwise(1e5) - LANDMARK_H,
        died=gose == 1,
        icu_days=pl.Series(rng.poisson(size), dtype=pl.Int64),
        stay_h=pl.Series(np.minimum(discharge_h, died_h - LANDMARK_H) + 1),
        stay_event=pl.when(pl.Series(seen)).then(pl.Series(ended)),
    ).rename({"dose_per_h_true_mmhg": EXPOSURE})


def days(rows, *, seed):
    """Return doses of the days after the landmark, a few missing."""
    rng = np.random.default_rng(seed)
    later = rows.select("patient_id", EXPOSURE).join(
        pl.DataFrame({"until_h": [96.0, 120.0, 144.0, 168.0]}), how="cross"
    )
    change = pl.Series(rng.normal(0, 0.5, later.height))
    gone = pl.Series(rng.random(later.height) < 0.1)
    dose = (pl.col(EXPOSURE) + change).clip(0)
    return later.with_columns(pl.when(~gone).then(dose).alias(EXPOSURE))


def run_r(made, asked, folder):
    """Return what replicate.R prints, by adjustment and term."""
    (folder / "replicate.R").write_text(replication.script(made, plan=asked), encoding="utf-8")
    replication.data(made, plan=asked).write_csv(folder / "data.csv")
    done = subprocess.run(
        ["Rscript", "replicate.R"], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return {
        (row["adjustment"], row["term"]): row
        for row in csv.DictReader(io.StringIO(done.stdout))
    }


def assert_agrees(made, asked, folder):
    printed = run_r(made, asked, folder)
    ours = made.estimates.filter(pl.col("term") != cox.BASELINE)
    assert ours["estimate"].null_count() == 0
    assert set(printed) == set(ours.select("adjustment", "term").iter_rows())
    for row in ours.to_dicts():
        theirs = printed[row["adjustment"], row["term"]]
        for name in ("estimate", "se", "ci_low", "ci_high", "p"):
            expected = float(theirs[name])
            assert row[name] == pytest.approx(expected, rel=1e-5, abs=1e-5), (row["term"], name)


def fitted(asked, *, seed=4, n=500):
    rows = patients(n, seed=seed)
    return fit.fit_model(rows, plan=asked, landmark_h=LANDMARK_H, updates=days(rows, seed=seed))


def test_every_family_is_run():
    assert set(OF_FAMILY) == set(FAMILIES)


@needs_r
@pytest.mark.parametrize("family", OF_FAMILY)
def test_r_gives_the_same_estimates(family, tmp_path):
    asked = planned(family)
    made = fitted(asked)
    scales = made.estimates.filter(pl.col("variable").is_not_null())["scale"]
    assert set(scales) == {FAMILIES[family].effect.scale}
    assert_agrees(made, asked, tmp_path)


@needs_r
@pytest.mark.parametrize("family", OF_FAMILY)
def test_r_gives_the_same_estimates_from_imputed_data(family, tmp_path):
    asked = planned(family, missing_data="multiple_imputation", imputation=IMPUTATION)
    made = fitted(asked, n=300)
    assert made.estimates["fmi"].null_count() == 0
    assert_agrees(made, asked, tmp_path)


@needs_r
@pytest.mark.parametrize(
    "family", [name for name in OF_FAMILY if FAMILIES[name].clusters == "offered"]
)
def test_r_gives_the_same_errors_between_clusters(family, tmp_path):
    asked = planned(family, clusters="centre")
    made = fitted(asked)
    assert made.estimates["df"].unique().to_list() == [24.0]
    assert_agrees(made, asked, tmp_path)


@needs_r
@pytest.mark.parametrize("family", ["logistic", "cox_landmark"])
def test_r_gives_the_same_curve_and_interaction(family, tmp_path):
    for changes in ({"curve_knots": 3}, {"interaction": "hypoxia"}):
        asked = planned(family, **changes)
        assert_agrees(fitted(asked), asked, tmp_path)


@needs_r
def test_r_gives_the_same_estimates_with_a_covariate_that_changes(tmp_path):
    rows = patients(300, seed=6)
    rng = np.random.default_rng(6)
    values = rows.select("patient_id").join(
        pl.DataFrame({"from_h": [24.0, 80.0, 130.0]}), how="cross"
    )
    repeated = values.with_columns(
        variable=pl.lit("therapy_intensity"),
        to_h=pl.lit(None, pl.Float64),
        value=pl.Series(rng.integers(0, 16, values.height).astype(float)),
    )
    asked = planned(
        "cox_time_dependent",
        outcome="stay",
        event="death",
        time_varying=("therapy_intensity",),
    )
    made = fit.fit_model(
        rows,
        plan=asked,
        landmark_h=LANDMARK_H,
        updates=days(rows, seed=6),
        repeated=repeated,
    )
    assert_agrees(made, asked, tmp_path)
    header = (tmp_path / "data.csv").read_text(encoding="utf-8").splitlines()[0].split(",")
    assert {"therapy_intensity", "entry_h", "exit_h", "had_event"} <= set(header)


@needs_r
@pytest.mark.parametrize("family", ["logistic", "cox_landmark"])
def test_r_reads_the_levels_that_a_spreadsheet_would_compute(family, tmp_path):
    levels = ["=1+1", "+1", "-1", "@x", "\t=x", "none", "'quoted\""]
    asked = planned(
        family, adjust_for=("age_years", "centre"), as_categories=("centre",), clusters=None
    )
    rows = patients(500, seed=4)
    planted = pl.Series([levels[i % len(levels)] for i in range(rows.height)])
    made = fit.fit_model(
        rows.with_columns(centre=planted), plan=asked, landmark_h=LANDMARK_H, updates=None
    )
    assert_agrees(made, asked, tmp_path)
    assert set(pl.read_csv(tmp_path / "data.csv")["centre"]) == {
        *("'=1+1", "'+1", "'-1", "'@x", "'\t=x", "none", "'quoted\""),
    }
