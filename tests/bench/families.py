"""Bias and coverage of models of counts and of covariates that change, on simulated cohorts.

`python tests/bench/families.py 400 1000` draws as many cohorts whose daily severity drives dose
and death (see `tests/reference/test_time_varying.py`), and as many whose counts have a
dispersion of 0.5, each of 150 patients.
"""

import runpy
import sys
from pathlib import Path

import numpy as np

from icpcohort.models import negative_binomial

N = 150
TRUTH = 0.25
TIME_VARYING = runpy.run_path(
    str(Path(__file__).parents[1] / "reference" / "test_time_varying.py")
)


def counts(n_cohorts):
    """Return slopes of a negative binomial model, and how often the truth is covered."""
    draw = np.random.default_rng(99)
    slopes, inside = [], 0
    for _ in range(n_cohorts):
        x = draw.normal(size=N)
        mean = np.exp(1.5 + TRUTH * x)
        y = draw.poisson(mean * draw.gamma(2, 0.5, N)).astype(float)
        made, _ = negative_binomial.fit_log_mean(y, x[:, None], terms=("x",))
        slope, se = made.estimate[1], np.sqrt(made.covariance[1, 1])
        inside += abs(slope - TRUTH) < 1.959964 * se
        slopes.append(slope)
    return np.array(slopes), inside / n_cohorts


if __name__ == "__main__":
    n_changing, n_counts = int(sys.argv[1]), int(sys.argv[2])
    adjusted, alone, covered = TIME_VARYING["recovered"](n_changing, n=N, first_seed=5000)
    print(
        f"time-varying: mean {adjusted.mean():.3f}, spread {adjusted.std(ddof=1):.3f}, ", end=""
    )
    print(f"unadjusted mean {alone.mean():.3f}, coverage {100 * covered:.1f} %")
    slopes, covered = counts(n_counts)
    print(f"counts: mean {slopes.mean():.3f}, spread {slopes.std(ddof=1):.3f}, ", end="")
    print(f"coverage {100 * covered:.1f} %")
