"""Coverage: what the models find in cohorts whose truth is known. Prints a table for the page.

`python tests/bench/coverage.py 500` draws 500 cohorts of each kind; the time is some minutes.
"""

import multiprocessing
import sys

import numpy as np
import polars as pl

from icpcohort.models import fit, plan

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
    """Draw a cohort whose score is missing more often after a high dose and a bad outcome."""
    rng = np.random.default_rng([seed, 1])
    score = rng.normal(size=N_PATIENTS)
    dose = np.clip(rng.exponential(1.5, N_PATIENTS) * (1 + 0.3 * score), 0, 6)
    bad = rng.random(N_PATIENTS) < 1 / (1 + np.exp(0.9 - TRUE_LOG_OR * dose - 0.8 * score))
    gone = rng.random(N_PATIENTS) < np.where(bad & (dose > 1.5), 0.6, 0.15)
    return pl.DataFrame(
        {
            "window": ["w"] * N_PATIENTS,
            "patient_id": [f"p{i:04d}" for i in range(N_PATIENTS)],
            "dose": dose,
            "bad": bad,
            "score": score,
        }
    ), pl.Series("score", np.where(gone, np.nan, score)).fill_nan(None)


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


def tell(name, found, truth):
    """Print number reported, bias with its Monte Carlo error, spread and coverage."""
    rows = np.array([row for row in found if row[0] is not None], dtype=float)
    bias = rows[:, 0].mean() - truth
    error = rows[:, 0].std(ddof=1) / np.sqrt(len(rows))
    covered = 100 * float(((rows[:, 1] <= truth) & (truth <= rows[:, 2])).mean())
    print(
        f"| {name} | {len(rows)} / {len(found)} | {bias:+.3f} ({error:.3f}) "
        f"| {rows[:, 0].std(ddof=1):.3f} | {covered:.1f} % |",
        flush=True,
    )


IMPUTATION = plan.Imputation(10, 5, 1, (), ())
LOGISTIC = planned("logistic", "bad", ("score",))
IMPUTED = planned(
    "logistic", "bad", ("score",), missing_data="multiple_imputation", imputation=IMPUTATION
)
FIRTH = planned("firth_logistic", "bad", ("score",))
NAMES = {
    "no value missing": TRUE_LOG_OR,
    "complete cases": TRUE_LOG_OR,
    "multiple imputation": TRUE_LOG_OR,
    "sparse: maximum likelihood, where reported": SPARSE_LOG_OR,
    "sparse: Firth": SPARSE_LOG_OR,
}


def one(seed):
    """Return the five estimates of one pair of cohorts, in the order of `NAMES`."""
    rows, gone = cohort(seed)
    small = sparse(seed)
    return [
        estimate(rows, LOGISTIC),
        estimate(rows.with_columns(gone), LOGISTIC),
        estimate(rows.with_columns(gone), IMPUTED),
        estimate(small, LOGISTIC),
        estimate(small, FIRTH),
    ]


def main(n_cohorts):
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        found = pool.map(one, range(n_cohorts), chunksize=5)
    print("| analysis | reported | bias (Monte Carlo error) | spread | coverage of 95 % |")
    print("|---|---|---|---|---|")
    for number, (name, truth) in enumerate(NAMES.items()):
        tell(name, [row[number] for row in found], truth)


if __name__ == "__main__":
    main(int(sys.argv[1]))
