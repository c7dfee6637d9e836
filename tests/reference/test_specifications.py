"""The joint test of specifications against statsmodels, enumeration and a plain loop.

Sources: score test of a logistic model: statsmodels `GLM.score_test`; permutation of regressor
residuals: Potter 2005, Stat Med 24:693-708 (from memory).
"""

import itertools
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.genmod.families import Binomial
from statsmodels.genmod.generalized_linear_model import GLM

from icpcohort.specifications import joint_test


def cohort(seed, *, n=60, n_patients=80, k=2, effect=0.0):
    draw = np.random.default_rng(seed)
    patients = np.sort(draw.choice(n_patients, n, replace=False))
    adjustment = draw.normal(size=(n, k))
    exposure = adjustment.sum(axis=1) + draw.gamma(1.0, size=n)
    logit = 0.5 * adjustment.sum(axis=1) + effect * exposure
    outcome = draw.random(n) < 1 / (1 + np.exp(-logit))
    return joint_test.Fitted(patients, outcome, exposure, adjustment)


@pytest.mark.parametrize("k", [0, 1, 3])
def test_the_z_is_that_of_the_score_test_of_statsmodels(k):
    for seed in range(20):
        one = cohort(seed, k=k)
        joint = joint_test.test([one], n_patients=80, n_permutations=99, seed=1)
        null = np.column_stack([np.ones(60), one.adjustment])
        fitted = GLM(one.outcome.astype(float), null, family=Binomial()).fit(tol=1e-13)
        chi2, _, _ = fitted.model.score_test(fitted.params, exog_extra=one.exposure[:, None])
        assert float(joint.z[0]) ** 2 == pytest.approx(float(np.squeeze(chi2)), rel=1e-8)


def test_every_permutation_agrees_with_a_plain_loop():
    one = cohort(3)
    shuffles = np.array([np.random.default_rng(i).permutation(80) for i in range(25)])
    scores = joint_test._scores(one, joint_test.induced(shuffles, one.patients))
    X = np.column_stack([np.ones(60), one.adjustment])
    residual = one.exposure - X @ np.linalg.lstsq(X, one.exposure, rcond=None)[0]
    fitted = GLM(one.outcome.astype(float), X, family=Binomial()).fit(tol=1e-13)
    members = one.patients.tolist()
    for shuffle, z in zip(shuffles, scores[1:], strict=True):
        moved = []
        for patient in members:
            other = shuffle[patient]
            while other not in members:
                other = shuffle[other]
            moved.append(residual[members.index(other)])
        chi2, _, _ = fitted.model.score_test(fitted.params, exog_extra=np.array(moved)[:, None])
        assert z**2 == pytest.approx(float(np.squeeze(chi2)), rel=1e-8)


def test_the_induced_permutation_of_a_uniform_one_is_uniform():
    shuffles = np.array(list(itertools.permutations(range(5))))
    induced = joint_test.induced(shuffles, np.array([0, 2, 4]))
    counts = Counter(map(tuple, induced.tolist()))
    assert counts == dict.fromkeys(itertools.permutations(range(3)), 120 // 6)


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 12))
def test_an_induced_permutation_is_a_permutation_that_keeps_what_stays_inside(seed, n):
    draw = np.random.default_rng(seed)
    shuffle = draw.permutation(12)[None, :]
    members = np.sort(draw.choice(12, n, replace=False))
    induced = joint_test.induced(shuffle, members)[0]
    assert sorted(induced.tolist()) == list(range(n))
    for place, patient in enumerate(members):
        if shuffle[0, patient] in members:
            assert members[induced[place]] == shuffle[0, patient]


def test_a_true_effect_is_found_and_the_p_value_of_noise_is_not_small():
    n_patients, shared = 80, {"n_permutations": 199, "seed": 5}
    one, none = cohort(3, effect=1.5), cohort(11)
    with_effect = [one, one._replace(exposure=np.exp(0.3 * one.exposure))]
    without = [none, none._replace(exposure=np.exp(0.3 * none.exposure))]
    joint = joint_test.test(with_effect, n_patients=n_patients, **shared)
    noise = joint_test.test(without, n_patients=n_patients, **shared)
    assert joint.p <= 0.05
    assert joint.mean_z > 1.96 and joint.n_beyond == 2 and joint.p_beyond <= 0.05
    assert noise.p > 0.05


def test_a_specification_whose_adjustment_separates_is_left_out_and_told():
    one = cohort(4, k=1)
    separated = one._replace(adjustment=np.where(one.outcome, 1.0, -1.0)[:, None])
    joint = joint_test.test([one, separated], n_patients=80, n_permutations=99, seed=1)
    alone = joint_test.test([one], n_patients=80, n_permutations=99, seed=1)
    assert np.isnan(joint.z[1])
    assert (joint.mean_z, joint.p) == (alone.mean_z, alone.p)
    assert joint_test.test([separated], n_patients=80, n_permutations=99, seed=1) is None
