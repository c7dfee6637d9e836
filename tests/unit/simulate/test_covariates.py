"""The simulated covariates and the outcome model, against the same rules written as loops."""

import math
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm

from icpcohort.simulate import OutcomeModel, draw_covariates, draw_doses, draw_outcomes
from icpcohort.simulate.covariates import draw_early_deaths, remove_values

MODEL = OutcomeModel()
NEVER_MISSING = ("patient_id", "centre", "age_years", "sex")


def _with_doses(n_patients, seed):
    covariates = draw_covariates(n_patients=n_patients, seed=seed)
    return covariates.with_columns(draw_doses(n_patients=n_patients, seed=seed))


def _log_odds_worse(row):
    """The stated predictor of one patient, without the threshold."""
    return (
        MODEL.per_10_years_over_45 * (row["age_years"] - 45) / 10
        + MODEL.motor[row["gcs_motor"]]
        + MODEL.per_unreactive_pupil * (2 - row["pupils_reactive"])
        + MODEL.per_dose_mmhg * row["dose_per_h_true_mmhg"]
    )


def test_all_are_adults_and_nothing_but_an_untestable_total_is_null():
    covariates = draw_covariates(n_patients=5000, seed=1)
    assert covariates["age_years"].min() >= 16
    assert covariates["age_years"].max() <= 85
    untestable = covariates["gcs_motor"] == "untestable"
    assert covariates["gcs_total"].is_null().equals(untestable)
    assert sum(covariates.drop("gcs_total").null_count().row(0)) == 0


def test_a_total_can_be_reached_from_its_motor_score():
    covariates = draw_covariates(n_patients=5000, seed=1).filter(
        pl.col("gcs_motor") != "untestable"
    )
    rest = covariates["gcs_total"] - covariates["gcs_motor"].cast(pl.Int64)
    assert rest.min() >= 2  # eye 1 + verbal 1
    assert rest.max() <= 9  # eye 4 + verbal 5


def test_the_same_seed_gives_the_same_rows_and_another_seed_others():
    first = draw_covariates(n_patients=50, seed=1)
    assert first.equals(draw_covariates(n_patients=50, seed=1))
    assert not first.equals(draw_covariates(n_patients=50, seed=2))


def test_values_go_missing_at_the_stated_rates_but_never_age_or_sex():
    complete = draw_covariates(n_patients=20_000, seed=3)
    missing = remove_values(complete, seed=3)
    share = {name: missing[name].null_count() / missing.height for name in missing.columns}
    assert all(share[name] == 0 for name in NEVER_MISSING)
    for name in ("gcs_motor", "pupils_reactive", "marshall_class"):
        assert 0.03 < share[name] < 0.08
    for name in ("glucose_mmol_l", "haemoglobin_g_dl"):
        assert 0.10 < share[name] < 0.15


def test_what_is_not_missing_is_unchanged():
    complete = draw_covariates(n_patients=500, seed=3)
    missing = remove_values(complete, seed=3)
    for name in missing.columns:
        there = missing[name].is_not_null()
        assert missing[name].filter(there).equals(complete[name].filter(there))


def test_missingness_depends_on_the_unit_and_on_age():
    missing = remove_values(draw_covariates(n_patients=20_000, seed=3), seed=3)
    glucose = missing.with_columns(gone=pl.col("glucose_mmol_l").is_null())
    by_unit = dict(glucose.group_by("centre").agg(pl.col("gone").mean()).iter_rows())
    assert by_unit["unit A"] < by_unit["unit B"] < by_unit["unit C"]
    old = glucose.filter(pl.col("age_years") > 60)["gone"].mean()
    young = glucose.filter(pl.col("age_years") <= 60)["gone"].mean()
    assert old > 1.2 * young


def test_outcomes_have_the_stated_probabilities():
    rows = _with_doses(20_000, seed=4)
    gose = draw_outcomes(rows, coefficients=MODEL, seed=4)
    predictors = [_log_odds_worse(row) for row in rows.iter_rows(named=True)]
    for k, theta in enumerate(MODEL.thetas, start=1):
        chances = [1 / (1 + math.exp(-(theta + x))) for x in predictors]
        error = math.sqrt(sum(p * (1 - p) for p in chances)) / len(chances)
        assert (gose <= k).mean() == pytest.approx(sum(chances) / len(chances), abs=4 * error)


def test_two_is_rare_and_forty_to_fifty_percent_are_unfavourable():
    gose = draw_outcomes(_with_doses(20_000, seed=5), coefficients=MODEL, seed=5)
    assert set(gose.unique()) == set(range(1, 9))
    assert 0 < (gose == 2).mean() < 0.03
    assert 0.40 < (gose <= 4).mean() < 0.50


def test_a_higher_dose_never_betters_a_patient():
    rows = _with_doses(2000, seed=6)
    more = rows.with_columns(pl.col("dose_per_h_true_mmhg") + 2)
    before = draw_outcomes(rows, coefficients=MODEL, seed=6)
    after = draw_outcomes(more, coefficients=MODEL, seed=6)
    assert (after <= before).all()
    assert (after < before).mean() > 0.3


def _fitted_dose(rows, unfavourable):
    """Log odds ratio of an unfavourable outcome per mmHg, and its standard error."""
    design = np.column_stack(
        [
            np.ones(rows.height),
            (rows["age_years"].to_numpy() - 45) / 10,
            2 - rows["pupils_reactive"].to_numpy(),
            *[(rows["gcs_motor"] == m).to_numpy() for m in ("1", "2", "3", "4", "untestable")],
            rows["dose_per_h_true_mmhg"].to_numpy(),
        ]
    ).astype(float)
    fit = sm.Logit(unfavourable.cast(pl.Float64).to_numpy(), design).fit(disp=0)
    return fit.params[-1], fit.bse[-1]


def test_an_independent_fit_finds_the_stated_dose_effect():
    rows = _with_doses(20_000, seed=7)
    gose = draw_outcomes(rows, coefficients=MODEL, seed=7)
    estimate, se = _fitted_dose(rows, gose <= 4)
    assert estimate == pytest.approx(MODEL.per_dose_mmhg, abs=3 * se)
    assert se < 0.02


def test_the_model_also_holds_among_those_who_survive_the_first_72_h():
    rows = _with_doses(20_000, seed=8)
    gose = draw_outcomes(rows, coefficients=MODEL, seed=8)
    alive = draw_early_deaths(rows, n_deaths=4000, seed=8).is_null()
    estimate, se = _fitted_dose(rows.filter(alive), gose.filter(alive) <= 4)
    assert estimate == pytest.approx(MODEL.per_dose_mmhg, abs=3 * se)


def test_early_deaths_are_as_many_as_asked_for_and_fall_within_72_h():
    death_h = draw_early_deaths(draw_covariates(n_patients=120, seed=9), n_deaths=7, seed=9)
    assert death_h.is_not_null().sum() == 7
    assert 24 < death_h.min() <= death_h.max() < 72


def test_incomplete_covariates_are_refused_with_every_column_named():
    rows = _with_doses(3, seed=1).with_columns(age_years=pl.Series([50.0, None, 60.0]))
    with pytest.raises(
        ValueError, match=r"2 problem[\s\S]*dose_per_h.*add it[\s\S]*age_years: 1 null"
    ):
        draw_outcomes(rows.drop("dose_per_h_true_mmhg"), coefficients=MODEL, seed=1)


def test_a_motor_score_without_coefficient_is_refused():
    rows = _with_doses(3, seed=1).with_columns(gcs_motor=pl.lit("7"))
    with pytest.raises(ValueError, match="'7' has no coefficient"):
        draw_outcomes(rows, coefficients=MODEL, seed=1)


def test_the_coefficients_given_are_the_ones_used():
    rows = _with_doses(2000, seed=10)
    all_worse = replace(MODEL, thetas=tuple(theta + 5 for theta in MODEL.thetas))
    gose = draw_outcomes(rows, coefficients=all_worse, seed=10)
    assert (gose == 1).mean() > 0.85
    assert MODEL.as_table().height == 7 + 1 + 7 + 1 + 1


def test_scans_go_with_the_marshall_class():
    """Class 4: shift above 5 mm; 1 to 3: up to 5 mm; cisterns narrowed in 3 and open in 1 and 2
    (Marshall et al. 1991, J Neurosurg 75:S14-S20, from memory)."""
    rows = draw_covariates(n_patients=3000, seed=2)
    shift_mm = dict(rows.group_by("marshall_class").agg(pl.col("midline_shift_mm")).iter_rows())
    assert min(shift_mm[4]) > 5
    assert max(shift_mm[1] + shift_mm[2] + shift_mm[3]) <= 5
    assert max(shift_mm[1]) == 0
    cisterns = dict(rows.group_by("marshall_class").agg(pl.col("cisterns")).iter_rows())
    assert set(cisterns[1] + cisterns[2]) == {"normal"}
    assert set(cisterns[3]) == {"compressed", "absent"}
    assert set(cisterns[6]) == {"normal", "compressed", "absent"}
