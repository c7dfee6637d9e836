"""Reference: the proportional-odds model against R, a textbook and plain loops."""

import math
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from icpcohort.models import fit, proportional_odds
from icpcohort.study import plan

DATA = Path(__file__).parent / "data" / "housing.csv"

# R 4.2.2, MASS 7.3-58.2, treatment contrasts:
#   f <- polr(Sat ~ Infl + Type + Cont, weights = Freq, data = housing, Hess = TRUE,
#             control = list(reltol = 1e-16, maxit = 1000)); coef(summary(f)); deviance(f)
# (with polr's own tolerance the last printed digits differ, by up to 3e-7).
# polr writes logit P(Y <= k) = zeta_k - X b, so its slopes have the opposite sign of ours.
POLR = {
    "InflMedium": (0.566393738331, 0.1046527843814),
    "InflHigh": (1.288819108963, 0.1271561476633),
    "TypeApartment": (-0.572350002327, 0.1192380118953),
    "TypeAtrium": (-0.366186370940, 0.1551733363874),
    "TypeTerrace": (-1.091014659126, 0.1514860225150),
    "ContHigh": (0.360284005296, 0.0955357977365),
}
POLR_THRESHOLDS = {
    "threshold Low|Medium": (-0.496135137181, 0.1248472450172),
    "threshold Medium|High": (0.690708259057, 0.1254719394511),
}
POLR_DEVIANCE, POLR_NULL_DEVIANCE = 3479.149299, 3648.877627
POLR_LOG_LIKELIHOOD = -1739.57465


def fitted(table, *, plan):
    return fit.fit_model(table, plan=plan, landmark_h=72.0, updates=None)


def tenants():
    cells = pl.read_csv(DATA, comment_prefix="#")
    rows = cells.select(pl.exclude("Freq").repeat_by("Freq").explode())
    return rows.with_columns(
        pl.lit("w").alias("window"),
        pl.format("t{}", pl.int_range(pl.len())).alias("patient_id"),
        pl.col("Sat")
        .replace_strict({"Low": 1, "Medium": 2, "High": 3}, return_dtype=pl.Int64)
        .alias("satisfaction"),
        (pl.col("Cont") == "High").alias("contact"),
    )


def housing_fit():
    rows = tenants()
    X = np.column_stack(
        [(rows[name[:4]] == name[4:]).cast(pl.Float64).to_numpy() for name in POLR]
    )
    y = rows["satisfaction"].to_numpy() - 1
    return proportional_odds.fit_ordered(
        y, X, labels=("Low", "Medium", "High"), terms=tuple(POLR)
    )


def test_the_tenants_example_agrees_with_polr_but_for_the_sign():
    fitted = housing_fit()
    se = np.sqrt(np.diag(fitted.covariance))
    estimates = dict(zip(fitted.terms, zip(fitted.estimate, se, strict=True), strict=True))
    assert list(estimates) == [*POLR_THRESHOLDS, *POLR]
    for name, (estimate, error) in POLR.items():
        assert estimates[name] == pytest.approx((-estimate, error), abs=1e-7)
    for name, (estimate, error) in POLR_THRESHOLDS.items():
        assert estimates[name] == pytest.approx((estimate, error), abs=1e-7)
    assert -2 * fitted.log_likelihood == pytest.approx(POLR_DEVIANCE, abs=1e-6)
    assert -2 * fitted.log_likelihood_null == pytest.approx(POLR_NULL_DEVIANCE, abs=1e-5)
    # Without slopes the fitted shares are those observed: 567, 446 and 668 of 1681 tenants.
    exact = sum(n * math.log(n / 1681) for n in (567, 446, 668))
    assert fitted.log_likelihood_null == pytest.approx(exact, abs=1e-9)
    assert fitted.log_likelihood == pytest.approx(POLR_LOG_LIKELIHOOD, abs=1e-5)


def planned(**changes):
    fields = {
        "name": "m",
        "question": "Does it?",
        "family": "proportional_odds",
        "outcome": "satisfaction",
        "window": "w",
        "exposure": "contact",
        "unit_of_effect": 1.0,
        "adjust_for": ("Infl", "Type"),
        "as_categories": (),
        "reason": "Stated.",
        "missing_data": "complete_cases",
    }
    return plan.Plan(**(fields | changes))


def test_the_tenants_example_through_a_plan_reports_the_odds_of_a_worse_score():
    # The slope of `contact` does not depend on the reference levels of the other columns.
    made = fitted(tenants(), plan=planned())
    row = made.estimates.filter(adjustment="adjusted", term="contact").row(0, named=True)
    estimate, se = POLR["ContHigh"]
    assert row["estimate"] == pytest.approx(-estimate, abs=1e-7)
    assert row["se"] == pytest.approx(se, abs=1e-7)
    assert row["effect"] == pytest.approx(math.exp(-estimate), abs=1e-7)
    assert row["n"] == 1681
    assert row["n_events"] is None
    diagnostics = made.diagnostics.filter(adjustment="adjusted")
    value = dict(zip(diagnostics["quantity"], diagnostics["value"], strict=True))
    verdict = dict(zip(diagnostics["quantity"], diagnostics["verdict"], strict=True))
    assert value["log_likelihood"] == pytest.approx(POLR_LOG_LIKELIHOOD, abs=1e-5)
    assert verdict["direction"] == "an odds ratio above 1: a worse (lower) satisfaction"
    # Harrell 2015, table 4.1 (from memory): n - sum(n_level**3) / n**2 patients, over 6 slopes
    effective = 1681 - (567**3 + 446**3 + 668**3) / 1681**2
    assert value["effective_n_per_parameter"] == pytest.approx(effective / 6)
    counted = [value[f"n_satisfaction_{level}"] for level in (1, 2, 3)]
    assert counted == [567, 446, 668]


def test_a_scale_on_which_higher_is_worse_gives_the_same_odds_of_a_worse_score():
    table = tenants().with_columns(complaint=4 - pl.col("satisfaction"))
    by_risk = {"risks_at": (0.0, 1.0)}
    low = fitted(table, plan=planned(**by_risk))
    high = fitted(table, plan=planned(outcome="complaint", worse="higher", **by_risk))
    row = high.estimates.filter(adjustment="adjusted", term="contact").row(0, named=True)
    estimate, se = POLR["ContHigh"]
    assert row["estimate"] == pytest.approx(-estimate, abs=1e-7)
    assert row["se"] == pytest.approx(se, abs=1e-7)
    numbers = ["estimate", "se", "effect", "p", "n"]
    assert high.estimates.select(numbers).equals(low.estimates.select(numbers))
    assert high.alternatives.select("estimate", "se").equals(
        low.alternatives.select("estimate", "se")
    )
    assert high.risks.select("risk", "ci_low", "ci_high").equals(
        low.risks.select("risk", "ci_low", "ci_high")
    )
    assert high.alternatives["analysis"].unique(maintain_order=True).to_list()[-2:] == [
        "complaint >= 3",
        "complaint >= 2",
    ]
    assert set(high.risks["outcome"]) == {"complaint >= 3", "complaint >= 2"}
    verdicts = high.diagnostics.filter(quantity="direction")["verdict"].to_list()
    assert set(verdicts) == {"an odds ratio above 1: a worse (higher) complaint"}


# McCullagh 1989, Generalized Linear Models, 2nd ed., section 5.6: 52 ratings, from
# 1 to 9, of each of four cheeses. Printed against the first cheese: -3.352, -1.710 and 1.613
# for a better taste (from memory). R 4.2.2 polr on the same table, against the fourth:
# -1.61280, -4.96466, -3.32268; -2 log likelihood 711.347905.
CHEESES = np.array(
    [
        [0, 0, 1, 7, 8, 8, 19, 8, 1],
        [6, 9, 12, 11, 7, 6, 1, 0, 0],
        [1, 1, 6, 8, 23, 7, 5, 1, 0],
        [0, 0, 0, 1, 3, 7, 14, 16, 11],
    ]
)


def cheese_data():
    cells = [(i, j) for i in range(4) for j in range(9) for _ in range(CHEESES[i, j])]
    cheese, y = (np.array(column) for column in zip(*cells, strict=True))
    return y, np.column_stack([(cheese == i).astype(float) for i in range(3)])


def cheese_fit():
    y, X = cheese_data()
    labels = tuple(str(score) for score in range(1, 10))
    return proportional_odds.fit_ordered(y, X, labels=labels, terms=("A", "B", "C"))


def test_the_cheese_example_of_the_textbook():
    fitted = cheese_fit()
    first, second, third = fitted.estimate[8:]
    printed = (-(second - first), -(third - first), first)
    assert printed == pytest.approx((-3.352, -1.710, 1.613), abs=6e-4)
    # R's optimiser stops 4e-9 in the likelihood and 3e-5 in the estimates before the maximum.
    assert fitted.estimate[8:] == pytest.approx([1.61280, 4.96466, 3.32268], abs=5e-5)
    assert -2 * fitted.log_likelihood == pytest.approx(711.347905, abs=1e-6)


def _own_slopes_log_share(parameters, cheese, score):
    """log P(score) of a cheese where each of eight cuts has its own intercept and slopes."""
    x = [1.0] + [1.0 if cheese == i else 0.0 for i in range(3)]
    below = [0.0]
    for k in range(8):
        eta = sum(b * value for b, value in zip(parameters[4 * k : 4 * k + 4], x, strict=True))
        below.append(1 / (1 + math.exp(-eta)))
    below.append(1.0)
    return math.log(below[score + 1] - below[score])


def _slope(f, at, i, step=1e-5):
    up, down = list(at), list(at)
    up[i] += step
    down[i] -= step
    return (f(up) - f(down)) / (2 * step)


def _cheese_score_and_information():
    """Score and expected information by finite differences and plain loops over the cells."""
    fitted = cheese_fit()
    at = [value for k in range(8) for value in (fitted.estimate[k], *fitted.estimate[8:])]
    score, expected = np.zeros(32), np.zeros((32, 32))
    for cheese in range(4):
        for level in range(9):
            gradient = np.array(
                [
                    _slope(lambda p, c=cheese, s=level: _own_slopes_log_share(p, c, s), at, i)
                    for i in range(32)
                ]
            )
            score += CHEESES[cheese, level] * gradient
            share = math.exp(_own_slopes_log_share(at, cheese, level))
            expected += CHEESES[cheese].sum() * share * np.outer(gradient, gradient)
    return score, expected


def test_the_score_test_agrees_with_plain_loops():
    score, expected = _cheese_score_and_information()
    y, X = cheese_data()
    test = proportional_odds.score_test(y, X, fit=cheese_fit())
    assert test.chi2 == pytest.approx(score @ np.linalg.solve(expected, score), rel=1e-6)
    assert test.df == 21


def test_the_score_test_is_near_the_exact_likelihood_ratio_of_the_cheeses():
    # With one grouping column, slopes of their own at every cut are the saturated model, so the
    # likelihood ratio needs no fit: 2 (sum n log(n / total) - log likelihood), here 20.308.
    # (A worked example in print gives a score test of 17.29 on 21 df, p 0.69, by the observed
    # information, which is singular here; from memory.)
    totals = CHEESES.sum(axis=1)
    saturated = sum(
        n * math.log(n / total)
        for row, total in zip(CHEESES, totals, strict=True)
        for n in row
        if n
    )
    ratio = 2 * (saturated - cheese_fit().log_likelihood)
    y, X = cheese_data()
    test = proportional_odds.score_test(y, X, fit=cheese_fit())
    assert ratio == pytest.approx(20.308, abs=1e-3)
    assert test.chi2 == pytest.approx(ratio, rel=0.05)
    assert 0.4 < test.p < 0.6


def simulated(*, n, slopes_at_cuts, seed):
    """Scores of n patients; `slopes_at_cuts`: the dose's log odds ratios at the four cuts."""
    rng = np.random.default_rng(seed)
    dose = rng.normal(0.0, 1.0, n)
    age = rng.normal(45.0, 15.0, n)
    u = rng.random(n)
    cuts = np.array([-3.5, -2.2, -1.0, 0.4])
    eta = cuts + dose[:, None] * np.array(slopes_at_cuts) + 0.03 * age[:, None]
    score = 5 - (u[:, None] < 1 / (1 + np.exp(-eta))).sum(axis=1)
    return pl.DataFrame(
        {
            "window": ["w"] * n,
            "patient_id": [f"p{i:04d}" for i in range(n)],
            "dose": dose,
            "age": age,
            "score": score.astype(np.int64),
        }
    )


def test_a_stated_model_is_recovered_from_5000_simulated_patients():
    frame = simulated(n=5000, slopes_at_cuts=[0.4] * 4, seed=5)
    made = fitted(frame, plan=planned(outcome="score", exposure="dose", adjust_for=("age",)))
    truth = {
        "threshold 1|2": -3.5,
        "threshold 2|3": -2.2,
        "threshold 3|4": -1.0,
        "threshold 4|5": 0.4,
        "dose": 0.4,
        "age": 0.03,
    }
    rows = made.estimates.filter(adjustment="adjusted")
    assert set(rows["term"]) == set(truth)
    for row in rows.to_dicts():
        assert abs(row["estimate"] - truth[row["term"]]) < 3 * row["se"]
        assert row["se"] < 0.2


def test_slopes_that_differ_between_cuts_are_seen():
    frame = simulated(n=2000, slopes_at_cuts=[0.1, 0.3, 0.5, 0.7], seed=6)
    made = fitted(frame, plan=planned(outcome="score", exposure="dose", adjust_for=()))
    diagnostic = made.diagnostics.filter(quantity="proportional_odds_p").row(0, named=True)
    assert diagnostic["value"] < 0.001
    assert diagnostic["verdict"].startswith("odds ratios differ between cuts")


def test_with_two_scores_it_is_logistic_regression():
    frame = simulated(n=400, slopes_at_cuts=[0.4] * 4, seed=7).with_columns(
        score=pl.when(pl.col("score") <= 3).then(3).otherwise(6).cast(pl.Int64),
        bad=pl.col("score") <= 3,
    )
    columns = {"exposure": "dose", "adjust_for": ("age",)}
    ordered = fitted(frame, plan=planned(outcome="score", **columns))
    binary = fitted(frame, plan=planned(family="logistic", outcome="bad", **columns))
    for term in ("dose", "age"):
        a = ordered.estimates.filter(adjustment="adjusted", term=term).row(0, named=True)
        b = binary.estimates.filter(adjustment="adjusted", term=term).row(0, named=True)
        assert a["estimate"] == pytest.approx(b["estimate"], abs=1e-9)
        assert a["se"] == pytest.approx(b["se"], abs=1e-9)
