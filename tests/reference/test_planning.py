"""What a study could have shown, against a published formula and a simulation of the test.

Source: Hsieh, Bloch and Larsen 1998, Stat Med 17:1623-1634 (from memory): for a normal
exposure, n = (z(0.975) + z(0.80))^2 / (p (1 - p) b^2), b the log odds ratio of one standard
deviation, p the share with the outcome at the mean of the exposure.
"""

import math

import numpy as np
import polars as pl
import pytest
from statsmodels.discrete.discrete_model import Logit

from icpcohort import contracts
from icpcohort.models import power


def estimates(se, *, adjustment="adjusted", scale="log_or", n=100):
    row = {"adjustment": adjustment, "term": "dose", "se": se, "scale": scale, "n": n}
    types = {name: c.dtype for name, c in contracts.ESTIMATES.columns.items()}
    return pl.DataFrame([row], schema=types)


def expected(tables, unit=1.0):
    names = list(tables)
    return power.expected(
        tables, exposures=dict.fromkeys(names, "dose"), units=dict.fromkeys(names, unit)
    )


def test_the_smallest_ratio_is_that_of_the_published_sample_size():
    n, p = 400, 0.4
    se = 1 / math.sqrt(n * p * (1 - p))  # of a normal exposure with an effect near none
    planning = expected({"m": estimates(se, n=n)})
    b = math.log(planning["smallest_ratio"][0])
    assert (1.959964 + 0.841621) ** 2 / (p * (1 - p) * b**2) == pytest.approx(n, rel=1e-5)


def test_four_times_as_many_patients_halve_the_interval():
    planning = expected({"m": estimates(0.3)}, unit=2.0)
    assert planning["n"].to_list() == [100, 200, 400, 800]
    logs = planning["ci_factor"].log().to_list()
    assert logs[0] == pytest.approx(1.959964 * 0.6, rel=1e-5)
    assert logs[2] == pytest.approx(logs[0] / 2)


def test_the_adjusted_estimate_counts_and_what_has_no_ratio_has_no_row():
    both = pl.concat([estimates(0.5, adjustment="unadjusted"), estimates(0.2)])
    planning = expected(
        {"m": both, "none": estimates(None), "mean": estimates(1.0, scale="difference")}
    )
    assert planning["model"].unique().to_list() == ["m"]
    assert planning["ci_factor"][0] == pytest.approx(math.exp(1.959964 * 0.2), rel=1e-5)


def test_simulated_studies_find_the_smallest_ratio_in_four_of_five():
    draw, n = np.random.default_rng(4), 300
    smallest = expected({"m": estimates(2 / math.sqrt(n), n=n)})["smallest_ratio"][0]
    hits = []
    for _ in range(400):
        x = draw.normal(size=n)
        y = draw.random(n) < 1 / (1 + np.exp(-math.log(smallest) * x))
        fit = Logit(y.astype(float), np.column_stack([np.ones(n), x])).fit(disp=0)
        hits.append(fit.pvalues[1] < 0.05)
    assert 0.74 <= np.mean(hits) <= 0.86


def test_errors_between_three_clusters_are_planned_with_student_s_t():
    """97.5 and 80 % points of t with 2 degrees of freedom: 4.302653 and 1.060660 (tables)."""
    few = estimates(0.03).with_columns(df=pl.lit(2.0))
    planning = expected({"m": few})
    assert planning["ci_factor"].log().to_list()[0] == pytest.approx(4.302653 * 0.03, rel=1e-6)
    smallest = math.log(planning["smallest_ratio"][0])
    assert smallest == pytest.approx((4.302653 + 1.060660) * 0.03, rel=1e-6)
