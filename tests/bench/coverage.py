"""Coverage: what the models find in cohorts whose truth is known. Prints a table for the page.

`python tests/bench/coverage.py 500` draws 500 cohorts of each kind; the time is some minutes.
"""

import multiprocessing
import sys
import warnings

import numpy as np
import polars as pl
from statsmodels.discrete.discrete_model import Logit

from icpcohort.models import fit
from icpcohort.study import plan, plan_parts

TRUE_LOG_OR = 0.45  # per mmHg of dose, as in the simulated cohort
N_PATIENTS = 250
SPARSE_LOG_OR, N_SPARSE = 1.5, 40


def planned(family, outcome, adjust_for, **changes):
    fields = {
        "name": "m",
        "question": "?",
        "family": family,
        "outcome": outcome,
        "window": "w",
        "exposure": "dose",
        "unit_of_effect": 1.0,
        "adjust_for": adjust_for,
        "as_categories": (),
        "reason": "known",
        "missing_data": "complete_cases",
    }
    return plan.Plan(**(fields | changes))


def cohort(seed):
    """Draw a cohort, and two copies of its score with missing values.

    The first goes missing by the dose alone, which every analysis has; the second by dose and
    outcome together.
    """
    rng = np.random.default_rng([seed, 1])
    score = rng.normal(size=N_PATIENTS)
    dose = np.clip(rng.exponential(1.5, N_PATIENTS) * (1 + 0.3 * score), 0, 6)
    bad = rng.random(N_PATIENTS) < 1 / (1 + np.exp(0.9 - TRUE_LOG_OR * dose - 0.8 * score))
    chance, high = rng.random(N_PATIENTS), dose > 1.5
    gone = [chance < np.where(high, 0.6, 0.15), chance < np.where(bad & high, 0.6, 0.15)]
    rows = pl.DataFrame(
        {
            "window": ["w"] * N_PATIENTS,
            "patient_id": [f"p{i:04d}" for i in range(N_PATIENTS)],
            "dose": dose,
            "bad": bad,
            "score": score,
        }
    )
    return rows, [
        rows.with_columns(score=pl.Series(np.where(absent, np.nan, score)).fill_nan(None))
        for absent in gone
    ]


def sparse(seed):
    """Draw a small cohort with a rare exposure, in which a level often decides the outcome."""
    rng = np.random.default_rng([seed, 2])
    high, score = rng.random(N_SPARSE) < 0.2, rng.normal(size=N_SPARSE)
    bad = rng.random(N_SPARSE) < 1 / (1 + np.exp(0.5 - SPARSE_LOG_OR * high - 0.5 * score))
    return pl.DataFrame(
        {
            "window": ["w"] * N_SPARSE,
            "patient_id": [f"p{i:04d}" for i in range(N_SPARSE)],
            "dose": high,
            "bad": bad,
            "score": score,
        }
    )


def estimate(rows, asked):
    """Return estimate and limits of the adjusted exposure, nulls where it is not reported."""
    made = fit.fit_model(rows, plan=asked, landmark_h=0.0, updates=None)
    row = made.estimates.filter(adjustment="adjusted", term="dose")
    return row.select("estimate", "ci_low", "ci_high").row(0)


def plain(rows):
    """Return maximum likelihood with Wald limits as it comes, and whether it converged.

    25 steps, as many as R's glm takes; nothing is withheld.
    """
    X = rows.select(pl.lit(1.0).alias("one"), pl.col("dose").cast(float), "score").to_numpy()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # told by the last value, which counts as measured
        made = Logit(rows["bad"].to_numpy().astype(float), X).fit(
            method="newton", maxiter=25, disp=0
        )
        low, high = made.conf_int()[1]
    return made.params[1], low, high, bool(made.mle_retvals["converged"])


def print_row(name, results, truth):
    """Print number reported, mean and median bias with their errors, spread and coverage."""
    rows = np.array([row[:3] for row in results if row[0] is not None], dtype=float)
    values = rows[:, 0]
    draws = np.random.default_rng(1).choice(values, (2000, len(values)))
    errors = [draws.mean(axis=1).std(), np.median(draws, axis=1).std()]
    covered = 100 * float(((rows[:, 1] <= truth) & (truth <= rows[:, 2])).mean())
    print(
        f"| {name} | {len(rows)} / {len(results)} "
        f"| {values.mean() - truth:+.3f} ({errors[0]:.3f}) "
        f"| {np.median(values) - truth:+.3f} ({errors[1]:.3f}) | {values.std(ddof=1):.3f} "
        f"| {covered:.1f} % |",
        flush=True,
    )


# one cycle: with one incomplete column, no draw depends on the one before
IMPUTATION = plan_parts.Imputation(10, 1, 1, (), ())
LOGISTIC = planned("logistic", "bad", ("score",))
IMPUTED = planned(
    "logistic", "bad", ("score",), missing_data="multiple_imputation", imputation=IMPUTATION
)
FIRTH = planned("firth_logistic", "bad", ("score",))
NAMES = {
    "no value missing": TRUE_LOG_OR,
    "missing by dose: complete cases": TRUE_LOG_OR,
    "missing by dose: multiple imputation": TRUE_LOG_OR,
    "missing by dose and outcome: complete cases": TRUE_LOG_OR,
    "missing by dose and outcome: multiple imputation": TRUE_LOG_OR,
    "sparse: maximum likelihood, where reported": SPARSE_LOG_OR,
    "sparse: Firth, the same cohorts": SPARSE_LOG_OR,
    "sparse: maximum likelihood, all, 25 steps": SPARSE_LOG_OR,
    "sparse: Firth, all": SPARSE_LOG_OR,
}


def one(seed):
    """Return the estimates of one pair of cohorts, in the order of `NAMES`."""
    rows, (by_dose, by_both) = cohort(seed)
    small = sparse(seed)
    likelihood, firth = estimate(small, LOGISTIC), estimate(small, FIRTH)
    return [
        estimate(rows, LOGISTIC),
        estimate(by_dose, LOGISTIC),
        estimate(by_dose, IMPUTED),
        estimate(by_both, LOGISTIC),
        estimate(by_both, IMPUTED),
        likelihood,
        firth if likelihood[0] is not None else (None, None, None),
        plain(small),
        firth,
    ]


def main(n_cohorts):
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        results = pool.map(one, range(n_cohorts), chunksize=5)
    print(
        "| analysis | reported | mean bias (Monte Carlo error) | median bias (the same) "
        "| spread | coverage of 95 % |"
    )
    print("|---|---|---|---|---|---|")
    for number, (name, truth) in enumerate(NAMES.items()):
        print_row(name, [row[number] for row in results], truth)
    unbound = [row[-2] for row in results if not row[-2][3]]
    print(
        f"\nMaximum likelihood had not converged after 25 steps in {len(unbound)} of "
        f"{n_cohorts} sparse cohorts; its estimates there: "
        f"{min(row[0] for row in unbound):.1f} to {max(row[0] for row in unbound):.1f}."
        if unbound
        else f"\nMaximum likelihood converged in all {n_cohorts} sparse cohorts."
    )


if __name__ == "__main__":
    main(int(sys.argv[1]))
