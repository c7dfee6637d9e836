"""Tests between few clusters; oracle: statsmodels and simulated truth."""

import numpy as np
import pytest
from statsmodels.stats.multivariate import test_mvmean as one_sample_t_squared

from icpcohort.models import wald
from icpcohort.models.design import Term
from icpcohort.models.estimates import Coefficients
from icpcohort.specifications import joint_test


@pytest.mark.parametrize(("n_clusters", "q"), [(4, 2), (6, 3), (12, 2), (40, 4)])
def test_the_joint_test_between_clusters_is_hotelling_s(n_clusters, q):
    """The mean of one vector per cluster is the exact case: T squared, Hotelling 1931."""
    rng = np.random.default_rng([n_clusters, q])
    vectors = rng.normal(size=(n_clusters, q)) @ rng.normal(size=(q, q)) + 0.4
    covariance = np.cov(vectors.T) / n_clusters
    ours = wald.joint_test(vectors.mean(axis=0), covariance, n_clusters=n_clusters)
    oracle = one_sample_t_squared(vectors, np.zeros(q))
    assert ours.statistic == pytest.approx(oracle.statistic, rel=1e-9)
    assert (ours.df, ours.df_within) == oracle.df
    assert ours.p == pytest.approx(oracle.pvalue, rel=1e-9)


def test_a_chi_squared_would_reject_a_third_of_what_is_true_between_four_clusters():
    rng = np.random.default_rng(8)
    rejected = {None: 0, 4: 0}
    for _ in range(400):
        vectors = rng.normal(size=(4, 2))
        for n_clusters in rejected:
            covariance = np.cov(vectors.T) / 4
            joint = wald.joint_test(vectors.mean(axis=0), covariance, n_clusters=n_clusters)
            rejected[n_clusters] += joint.p < 0.05
    assert rejected[None] > 0.3 * 400
    assert rejected[4] < 0.08 * 400  # 5 %, with three standard errors


def test_more_coefficients_than_clusters_allow_are_not_tested():
    parts = [Term(f"dose ({i})") for i in range(3)]
    made = Coefficients(
        tuple(term.name for term in parts), np.ones(3), np.eye(3), None, None, True
    )
    whole, bend = wald.curve_tests(made, parts=parts, n_clusters=3)[::4]
    assert whole.quantity == "exposure_p"
    assert whole.value is None
    assert "3 clusters cannot test 3 coefficients" in whole.verdict
    assert bend.quantity == "nonlinearity_p"


def test_permutations_within_clusters_keep_what_differs_between_them():
    """Centres differ in exposure and outcome, with no relation within: the size is 5 %."""
    rejected = {"all": 0, "within": 0}
    for seed in range(60):
        rng = np.random.default_rng([seed, 3])
        centre = np.repeat([0, 1, 2], 40)
        x = rng.normal(size=120) + np.array([-1.0, 0.0, 1.0])[centre]
        y = rng.random(120) < np.array([0.25, 0.5, 0.75])[centre]
        one = joint_test.Fitted(np.arange(120), y, x, np.zeros((120, 0)))
        shared = {"n_patients": 120, "n_permutations": 99, "seed": seed}
        for name, clusters in (("all", None), ("within", centre)):
            p = joint_test.test([one], clusters=clusters, **shared).p
            rejected[name] += p <= 0.05
    assert rejected["all"] > 0.5 * 60
    assert rejected["within"] <= 8  # of 60 at 5 %: more has a probability of 0.3 %
