"""Level and power of the joint test over a specification curve, on simulated cohorts.

`python tests/bench/specifications.py 200` simulates as many cohorts without and with an effect
of 110 patients: a severity that drives adjustment, exposure and outcome, three measures of the
exposure, two windows with different patients, two cuts of the outcome, two adjustments: 24
specifications each.
"""

import itertools
import sys

import numpy as np

from icpcohort.specifications import joint_test

N, N_PERMUTATIONS = 110, 199


def cohort(draw, *, effect):
    """Return 24 specifications of one simulated cohort."""
    severity = draw.normal(size=N)
    burden = np.exp(0.5 * severity + draw.normal(size=N))  # skewed, as doses are
    score = 0.9 * severity + effect * np.log(burden) + draw.logistic(size=N)
    measures = [burden, np.log1p(burden), burden * np.exp(0.3 * draw.normal(size=N))]
    cuts = [score > 0, score > 0.8]
    beside = draw.normal(size=(N, 2))  # what has nothing to do with it
    adjustments = [severity[:, None], np.column_stack([severity, beside])]
    left = draw.random(N) < 0.15
    windows = [np.ones(N, bool), ~left]
    made = []
    for x, y, Z, inside in itertools.product(measures, cuts, adjustments, windows):
        made.append(joint_test.Fitted(np.flatnonzero(inside), y[inside], x[inside], Z[inside]))
    return made


def share_rejected(n_cohorts, *, effect):
    """Return the share of cohorts with p <= 0.05, jointly and by the main one alone."""
    draw = np.random.default_rng(1)
    joint, alone = 0, 0
    for seed in range(n_cohorts):
        made = cohort(draw, effect=effect)
        shared = {"n_patients": N, "n_permutations": N_PERMUTATIONS, "seed": seed}
        joint += joint_test.test(made, **shared).p <= 0.05
        alone += joint_test.test(made[:1], **shared).p <= 0.05
    return joint / n_cohorts, alone / n_cohorts


if __name__ == "__main__":
    n_cohorts = int(sys.argv[1])
    print(f"{n_cohorts} cohorts each: share with p <= 0.05, jointly (by the main one alone)")
    for effect in (0.0, 0.3, 0.6):
        joint, alone = share_rejected(n_cohorts, effect=effect)
        print(f"  log odds {effect:.1f} a log dose: {100 * joint:.1f} % ({100 * alone:.1f} %)")
