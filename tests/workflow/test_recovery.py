"""The simulated truth, which the workflow never reads, is found again by the whole workflow.

Tolerances: a sensor drifts by up to some mmHg (docs/simulated-cohort.md), so a mean
ICP is known to about 1 mmHg; PRx of a day varies by about 0.02 by sampling; a 5-mmHg bin gives
the lowest point of a U to well under half of its width.
"""

import numpy as np
import polars as pl
import pytest

from icpcohort import simulate
from icpcohort.models import fit
from icpcohort.study import plan

pytestmark = pytest.mark.workflow


def fitted(table, *, plan):
    return fit.fit_model(table, plan=plan, landmark_h=72.0, updates=None)


@pytest.fixture(scope="session")
def beside(finished):
    """Return one row per patient: what was found over the first 72 h beside the truth."""
    results = finished.study / "results"
    truth = pl.read_csv(finished.study / "demo/truth/patients.csv", infer_schema_length=None)
    events = pl.read_parquet(results / "events.parquet")
    not_closed = events.filter(pl.col("event").is_in(["drain_open", "craniectomy"]))[
        "patient_id"
    ]
    burden = pl.read_parquet(results / "burden.parquet").filter(
        (pl.col("window") == "first_72_h")
        & (pl.col("signal") == "icp")
        & (pl.col("threshold") == 20.0)
    )
    return (
        pl.read_parquet(results / "summary.parquet")
        .filter(pl.col("window") == "first_72_h")
        .join(truth, on="patient_id")
        .join(burden.select("patient_id", "dose_per_h"), on="patient_id")
        .join(pl.read_parquet(results / "optima.parquet"), on="patient_id")
        .filter(pl.col("monitored_h") > 20, ~pl.col("patient_id").is_in(not_closed.implode()))
    )


def _errors(rows, estimate, truth):
    both = rows.filter(pl.col(estimate).is_not_null() & pl.col(truth).is_not_null())
    assert both.height >= 5, f"{both.height} patients are too few to judge {estimate}"
    return (both[estimate] - both[truth]).to_numpy()


def test_mean_icp(beside):
    errors = _errors(beside, "icp_mean_mmhg", "icp_mean_true_mmhg")
    assert np.median(abs(errors)) < 0.8
    assert abs(errors).max() < 2.5


def test_hourly_dose(beside):
    errors = _errors(beside, "dose_per_h", "dose_per_h_true_mmhg")
    assert np.median(abs(errors)) < 0.2
    assert np.corrcoef(beside["dose_per_h"], beside["dose_per_h_true_mmhg"])[0, 1] > 0.95


def test_prx_has_the_sign_and_the_order_of_the_truth(beside):
    errors = _errors(beside, "prx_mean", "prx_true")
    assert abs(errors).max() < 0.1
    known = beside.filter(pl.col("prx_mean").is_not_null())
    clear = known.filter(pl.col("prx_true").abs() > 0.1)
    assert (clear["prx_mean"] * clear["prx_true"] > 0).all()
    ranks = [known[name].rank() for name in ("prx_mean", "prx_true")]
    assert np.corrcoef(*ranks)[0, 1] > 0.9


def test_cppopt_where_there_is_one(beside):
    errors = _errors(beside, "cppopt_mmhg", "cppopt_true_mmhg")
    assert np.median(abs(errors)) < 1.0
    assert abs(errors).max() < 2.5
    with_optimum = beside.filter(pl.col("has_optimum") & pl.col("prx_mean").is_not_null())
    assert with_optimum["cppopt_mmhg"].null_count() == 0


def test_amp_and_p2_over_p1_of_waveforms(finished):
    """Waveforms of two hours; P2 / P1 of those sampled at 100 Hz or more."""
    truth = pl.read_csv(finished.study / "demo/truth/patients.csv", infer_schema_length=None)
    rows = (
        pl.read_parquet(finished.study / "results/summary.parquet")
        .filter(pl.col("window") == "first_72_h", pl.col("amp_h") > 1)
        .join(truth, on="patient_id")
    )
    assert rows.height >= 3
    amp = (rows["amp_mean_mmhg"] / rows["amp_mean_true_mmhg"]).to_numpy()
    assert np.median(abs(amp - 1)) < 0.03
    assert (rows["peak_to_trough_mean_mmhg"] > 1.5 * rows["amp_mean_mmhg"]).all()
    shaped = rows.filter(pl.col("p2p1_eligible_h") > 0)
    assert shaped.height >= 1
    assert (shaped["p2p1_yield_percent"] > 90).all()
    ratio = (shaped["p2_p1_ratio_mean"] / shaped["p2_p1_ratio_true"]).to_numpy()
    assert abs(ratio - 1).max() < 0.05
    findings = pl.read_parquet(finished.study / "results/pulse_findings.parquet")
    recorded = pl.concat(
        pl.read_parquet(path).filter(pl.col("icp_interval_s") <= 0.04)
        for path in (finished.study / "results/trends").glob("*.parquet")
    )
    by_finding = dict(findings.group_by("finding").agg(pl.col("n_blocks").sum()).iter_rows())
    without_p3 = recorded.filter(pl.col("p2_mmhg").is_not_null(), pl.col("p3_mmhg").is_null())
    alone = by_finding.pop("p1_p2_alone", 0)
    assert alone == without_p3.height
    assert sum(by_finding.values()) == recorded.height
    assert by_finding["at_abp_rate"] > 0.9 * recorded["amp_mmhg"].count()


def test_gross_artefacts_are_masked_and_clean_seconds_are_not(finished):
    """The whole demo cohort gives 96-100 % of these kinds, and loses 0.3 % of clean time."""
    kinds = ["flush", "disconnection", "spike", "zeroing"]
    truth = pl.read_csv(finished.study / "demo/truth/artefacts.csv")
    recordings = pl.read_parquet(finished.study / "results/recordings.parquet").filter(
        pl.col("status") == "used"
    )
    gross_s = masked_gross_s = clean_s = masked_clean_s = 0
    for recording in recordings.iter_rows(named=True):
        path = finished.study / f"results/artefacts/{recording['patient_id']}.parquet"
        by_rule = pl.read_parquet(path).filter(pl.col("reason") != "drain_open")
        for signal in ("icp", "abp"):
            here = truth.filter(
                (pl.col("recording_id") == recording["recording_id"])
                & (pl.col("signal") == signal)
            )
            masked = _seconds(by_rule.filter(pl.col("signal") == signal), recording)
            gross = _seconds(here.filter(pl.col("kind").is_in(kinds)), recording)
            clean = ~_seconds(here, recording)
            gross_s, masked_gross_s = (
                gross_s + gross.sum(),
                masked_gross_s + masked[gross].sum(),
            )
            clean_s, masked_clean_s = (
                clean_s + clean.sum(),
                masked_clean_s + masked[clean].sum(),
            )
    assert gross_s > 600
    assert masked_gross_s / gross_s > 0.9
    assert masked_clean_s / clean_s < 0.01


def _seconds(spans, recording):
    """Return, for each second of a recording, whether a span touches it."""
    first_s, last_s = int(recording["start_s"]), int(recording["end_s"])
    inside = np.zeros(last_s - first_s, bool)
    for start_s, end_s in spans.select("start_s", "end_s").iter_rows():
        inside[max(0, int(start_s) - first_s) : max(0, int(np.ceil(end_s)) - first_s)] = True
    return inside


@pytest.mark.parametrize(
    ("family", "outcome"),
    [("logistic", "unfavourable"), ("proportional_odds", "gose_6m_merged")],
)
def test_the_coefficients_of_the_outcome_model_are_found(family, outcome):
    """4,000 patients drawn from the stated model: within 3.5 standard errors of its terms."""
    drawn = simulate.draw_covariates(n_patients=4000, seed=12)
    drawn = drawn.with_columns(simulate.draw_doses(n_patients=4000, seed=13))
    model = simulate.OutcomeModel()
    gose = simulate.draw_outcomes(drawn, coefficients=model, seed=14)
    rows = drawn.with_columns(
        window=pl.lit("w"),
        dose=pl.col("dose_per_h_true_mmhg"),
        unfavourable=gose <= 4,
        gose_6m_merged=pl.when(gose == 2).then(3).otherwise(gose).cast(pl.Int64),
    )
    made = fitted(
        rows,
        plan=plan.Plan(
            name="m",
            question="?",
            family=family,
            outcome=outcome,
            window="w",
            exposure="dose",
            unit_of_effect=1.0,
            adjust_for=("age_years", "gcs_motor", "pupils_reactive"),
            as_categories=("gcs_motor",),
            reason="known",
            missing_data="complete_cases",
        ),
    )
    estimates = {
        row["term"]: row
        for row in made.estimates.filter(pl.col("adjustment") == "adjusted").to_dicts()
    }
    truth = {
        "dose": model.per_dose_mmhg,
        "age_years": model.per_10_years_over_45 / 10,
        "pupils_reactive": -model.per_unreactive_pupil,
    }
    for term, expected in truth.items():
        assert abs(estimates[term]["estimate"] - expected) < 3.5 * estimates[term]["se"], term
        assert estimates[term]["se"] < 0.08
