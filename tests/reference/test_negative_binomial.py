"""Reference: negative binomial regression against R's MASS on `quine`."""

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.stats import nbinom, poisson

from icpcohort.models import fit, negative_binomial
from icpcohort.study import plan, plan_parts

DATA = Path(__file__).parent / "data"

# R 4.2.2, MASS 7.3-58.2:
# f <- glm.nb(Days ~ Eth + Sex + Age + Lrn, quine,
#             control = glm.control(epsilon = 1e-14, maxit = 200))
# summary(f)$coefficients; f$theta; logLik(f)
QUINE = {  # estimate, standard error
    "intercept": (2.8945799902494125, 0.228424614781912),
    "eth_n": (-0.5693716973581885, 0.153333359282745),
    "sex_m": (0.0823202841457877, 0.159915014648278),
    "age_f1": (-0.4484281498775570, 0.239746592555298),
    "age_f2": (0.0880801521139650, 0.236193028653609),
    "age_f3": (0.3569009714294100, 0.248324362799483),
    "lrn_sl": (0.2921091571337026, 0.186474710100361),
}
THETA = 1.274892645053613
LOG_LIKELIHOOD = -546.575509144991997
LOG_LIKELIHOOD_POISSON = -1142.59181514268  # glm(..., family = poisson)
LOG_LIKELIHOOD_NULL = -559.133481348917  # glm.nb(Days ~ 1)


def quine():
    rows = pl.read_csv(DATA / "quine.csv", comment_prefix="#")
    flags = {
        "eth_n": pl.col("Eth") == "N",
        "sex_m": pl.col("Sex") == "M",
        "age_f1": pl.col("Age") == "F1",
        "age_f2": pl.col("Age") == "F2",
        "age_f3": pl.col("Age") == "F3",
        "lrn_sl": pl.col("Lrn") == "SL",
    }
    return rows.select(pl.col("Days").alias("days"), **flags)


def fitted(rows, *, exposure, adjust_for=(), **changes):
    fields = {"missing_data": "complete_cases"} | changes
    asked = plan.Plan(
        name="m",
        question="Does it?",
        family="negative_binomial",
        outcome="days",
        window="w",
        exposure=exposure,
        unit_of_effect=1.0,
        adjust_for=adjust_for,
        as_categories=(),
        reason="Stated.",
        **fields,
    )
    rows = rows.with_columns(
        pl.lit("w").alias("window"),
        pl.format("p{}", pl.int_range(pl.len())).alias("patient_id"),
    )
    made = fit.fit_model(rows, plan=asked, landmark_h=0.0, updates=None)
    last = "adjusted" if adjust_for else "unadjusted"
    diagnostics = made.diagnostics.filter(adjustment=last)
    value = dict(zip(diagnostics["quantity"], diagnostics["value"], strict=True))
    return made, value


def test_quine_has_r_s_estimates_errors_and_dispersion():
    names = tuple(QUINE)[1:]
    made, value = fitted(quine(), exposure=names[0], adjust_for=names[1:])
    rows = made.estimates.filter(adjustment="adjusted").to_dicts()
    for row in rows:
        estimate, se = QUINE[row["term"]]
        assert row["estimate"] == pytest.approx(estimate, abs=1e-5), row["term"]
        assert row["se"] == pytest.approx(se, abs=1e-5), row["term"]
    assert {row["scale"] for row in rows} == {"log_rate", "log_irr"}
    assert rows[1]["effect"] == pytest.approx(np.exp(QUINE["eth_n"][0]), abs=1e-5)
    assert value["dispersion"] == pytest.approx(1 / THETA, abs=1e-7)
    assert value["log_likelihood"] == pytest.approx(LOG_LIKELIHOOD, abs=1e-6)
    assert value["log_likelihood_null"] == pytest.approx(LOG_LIKELIHOOD_NULL, abs=1e-6)
    chi2 = 2 * (LOG_LIKELIHOOD - LOG_LIKELIHOOD_POISSON)
    assert value["against_poisson_chi2"] == pytest.approx(chi2, abs=1e-5)
    assert value["against_poisson_p"] < 1e-100


def test_the_log_likelihood_is_that_of_the_distribution():
    y, mean = np.array([0.0, 3.0, 17.0]), np.array([1.5, 4.0, 6.0])
    expected = nbinom.logpmf(y, 1 / 0.7, 1 / (1 + 0.7 * mean)).sum()
    assert negative_binomial.log_likelihood(y, mean, dispersion=0.7) == pytest.approx(expected)
    without = negative_binomial.log_likelihood(y, mean, dispersion=0.0)
    assert without == pytest.approx(poisson.logpmf(y, mean).sum())
    tiny = negative_binomial.log_likelihood(y, mean, dispersion=1e-6)
    assert tiny == pytest.approx(without, abs=1e-4)


def test_expected_counts_are_means_over_the_patients_with_limits_above_zero():
    made, _ = fitted(quine(), exposure="eth_n", risks_at=(0.0, 1.0))
    days = quine().group_by("eth_n").agg(pl.col("days").mean()).sort("eth_n")["days"]
    # With one flag the fitted means are those of the two groups
    assert made.risks["risk"].to_list() == pytest.approx(days.to_list(), rel=1e-8)
    assert made.risks["outcome"].to_list() == ["expected days"] * 2
    by_hand = days[0] * np.exp(-1.959963984540054 * made.estimates["se"][0])
    assert made.risks["ci_low"][0] == pytest.approx(by_hand, rel=1e-6)
    assert made.risks["ci_low"].min() > 0


def test_counts_without_more_spread_than_chance_give_poisson_s_fit():
    rng = np.random.default_rng(3)
    x = rng.normal(size=400)
    y = np.minimum(rng.poisson(np.exp(1 + 0.3 * x)), 6)  # less spread than Poisson's
    rows = pl.DataFrame({"days": y, "x": x})
    made, value = fitted(rows, exposure="x")
    assert value["dispersion"] == 0
    assert (value["against_poisson_chi2"], value["against_poisson_p"]) == (0.0, 1.0)
    verdicts = made.diagnostics.filter(quantity="against_poisson_p")["verdict"]
    assert verdicts.to_list() == [
        "no more spread than by chance: the fit is that of Poisson regression"
    ]


def test_the_truth_is_recovered_and_covered():
    """200 simulated cohorts: the mean is right and the interval holds the truth about 95 %."""
    rng = np.random.default_rng(11)
    inside, slopes = 0, []
    for _ in range(200):
        x = rng.normal(size=150)
        mean = np.exp(1.5 + 0.25 * x)
        y = rng.poisson(mean * rng.gamma(2.0, 0.5, 150)).astype(float)
        made, _ = negative_binomial.fit_log_mean(y, x[:, None], terms=("x",))
        slope, se = made.estimate[1], np.sqrt(made.covariance[1, 1])
        inside += abs(slope - 0.25) < 1.959963984540054 * se
        slopes.append(slope)
    assert np.mean(slopes) == pytest.approx(0.25, abs=3 * np.std(slopes) / np.sqrt(200))
    assert 0.91 <= inside / 200 <= 0.985


def reason(days, x=None):
    days = pl.Series("days", days)
    values = np.arange(len(days), dtype=float) if x is None else np.array(x, dtype=float)
    made, _ = fitted(pl.DataFrame({"days": days, "x": values}), exposure="x")
    assert made.estimates["estimate"].null_count() == made.estimates.height
    return made.diagnostics["reason"].drop_nulls().to_list()


def test_what_is_no_count_is_refused_in_words():
    cure = "write whole numbers not below zero, or name family linear"
    assert reason([3, -2] * 15) == [f"days is no count in 15 of 30 patients, as -2; {cure}"]
    assert reason([3.0, 1.5] * 15) == [f"days is no count in 15 of 30 patients, as 1.5; {cure}"]


def test_counts_that_carry_no_model_are_refused_in_words():
    assert reason([0] * 30) == ["days has one value in all 30 patients (0)"]
    assert reason([4] * 30) == ["days has one value in all 30 patients (4)"]
    assert reason([0] * 27 + [1, 2, 3]) == [
        "3 of 30 patients with days above zero; at least 5 are needed"
    ]
    assert reason([0, 1, 2, 3, 4, 5]) == [
        "6 patients for 2 coefficients; at least 5 more patients than coefficients are needed"
    ]
    assert reason([1, 2, 3, 4] * 8, x=[7.0] * 32) == ["x has one value in all 32 patients"]


def test_a_level_in_which_all_counts_are_zero_separates_the_outcome():
    rng = np.random.default_rng(1)
    days = [0] * 20 + [int(v) for v in rng.poisson(4, 40)]
    assert reason(days, x=[1.0] * 20 + [0.0] * 40) == [
        "x separates the outcome: no finite estimate exists"
    ]


def test_unknown_counts_are_drawn_with_a_shift_of_their_logarithm():
    rng = np.random.default_rng(4)
    x = rng.normal(size=300)
    y = rng.poisson(np.exp(1.5 + 0.3 * x) * rng.gamma(2.0, 0.5, 300))
    days = pl.Series("days", y, dtype=pl.Int64).scatter(range(0, 300, 3), None)
    how = plan_parts.Imputation(10, 2, 1, (), (-1.0, 0.0, 1.0))
    rows = pl.DataFrame({"days": days, "x": x, "age": rng.normal(size=300)})
    made, _ = fitted(
        rows,
        exposure="x",
        adjust_for=("age",),
        missing_data="multiple_imputation",
        imputation=how,
    )
    drawn = made.alternatives.filter(term="intercept", adjustment="adjusted").sort("analysis")
    by_shift = dict(drawn.select("analysis", "estimate").iter_rows())
    low, same, high = (
        by_shift[f"unknown outcomes drawn, shift {delta}"] for delta in ("-1", "+0", "+1")
    )
    # A third of the mean is multiplied by exp(-1), 1 or exp(1)
    main = made.estimates.filter(term="intercept", adjustment="adjusted")["estimate"][0]
    assert same == pytest.approx(main, abs=0.1)
    assert low - same == pytest.approx(np.log((2 + np.exp(-1)) / 3), abs=0.1)
    assert high - same == pytest.approx(np.log((2 + np.exp(1)) / 3), abs=0.1)
    assert set(drawn["n"]) == {200, 300}


def test_many_zeros_are_seen():
    rng = np.random.default_rng(2)
    days = [0] * 60 + [int(v) for v in rng.poisson(20, 140)]
    rows = pl.DataFrame({"days": days, "x": rng.normal(size=200)})
    made, value = fitted(rows, exposure="x")
    assert value["n_zeros"] == 60
    row = made.diagnostics.filter(quantity="n_zeros_expected").row(0, named=True)
    assert row["value"] < 40
    assert row["verdict"].startswith("60 zeros, more than the model expects")
