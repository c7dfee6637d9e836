"""Reference: Rubin's rules, E-values and held p values against exact and published numbers."""

import shutil
import subprocess

import numpy as np
import pytest
from scipy.stats import t

from icpcohort.models import comparisons, e_values, pooling


def test_rubin_s_rules_on_exact_fractions():
    # Formulas of Rubin 1987 and Barnard and Rubin 1999; the example was worked in fractions.
    made = pooling.rubin(
        np.array([[1.0], [1.2], [0.9], [1.1], [1.3]]),
        np.array([[[0.04]], [[0.05]], [[0.045]], [[0.04]], [[0.05]]]),
        complete_df=np.array([96.0]),
    )
    assert made.estimate[0] == pytest.approx(1.1, abs=1e-12)
    assert made.covariance[0, 0] == pytest.approx(0.075, abs=1e-12)  # 0.045 + 1.2 x 0.025
    assert made.df[0] == pytest.approx(17.32529582496093, abs=1e-9)
    assert made.fmi[0] == pytest.approx(0.44285714285714284, abs=1e-9)
    reach = t.ppf(0.975, made.df[0]) * np.sqrt(made.covariance[0, 0])
    assert 1.1 - reach == pytest.approx(0.5230285077277659, abs=1e-9)
    assert 1.1 + reach == pytest.approx(1.6769714922722343, abs=1e-9)


def test_many_complete_degrees_of_freedom_give_rubin_s_own():
    made = pooling.rubin(
        np.array([[1.0], [1.2], [0.9], [1.1], [1.3]]),
        np.array([[[0.04]], [[0.05]], [[0.045]], [[0.04]], [[0.05]]]),
        complete_df=np.array([1e12]),
    )
    assert made.df[0] == pytest.approx(25.0, abs=1e-6)  # (5 - 1) (1 + 1 / (2 / 3))^2


def test_imputations_that_agree_add_nothing():
    same = pooling.rubin(
        np.ones((3, 1)), np.full((3, 1, 1), 0.04), complete_df=np.array([50.0])
    )
    assert same.covariance[0, 0] == pytest.approx(0.04)
    assert same.fmi[0] == 0.0
    assert same.df[0] == pytest.approx(51 / 53 * 50)


def test_e_values_of_the_published_example():
    # VanderWeele 2017b, Ann Intern Med 167:268: RR 3.9 (1.8 to 8.7), and RR 3.8
    assert e_values.e_value(3.9) == pytest.approx(7.263034344160047, abs=1e-12)
    assert e_values.e_value(1.8) == pytest.approx(3.0, abs=1e-12)
    assert e_values.e_value(3.8) == pytest.approx(7.061901286060017, abs=1e-12)
    assert e_values.e_value(1 / 3.9) == pytest.approx(e_values.e_value(3.9))
    diagnostics = e_values.diagnostics(
        3.9, 1.8, 8.7, scale="log_rr", common=True, outcome_sd=None
    )
    assert [round(one.value, 2) for one in diagnostics] == [7.26, 3.0]


def test_an_interval_that_holds_no_effect_needs_no_confounder():
    diagnostics = e_values.diagnostics(
        1.4, 0.9, 2.2, scale="log_or", common=True, outcome_sd=None
    )
    assert diagnostics[1].value == 1.0
    below = e_values.diagnostics(0.5, 0.3, 0.8, scale="log_rr", common=True, outcome_sd=None)
    assert below[1].value == pytest.approx(1.25 + np.sqrt(1.25 * 0.25))


def test_a_common_outcome_brings_ratios_nearer_to_one():
    kinds = {"common": True, "outcome_sd": None}
    assert e_values.as_risk_ratio(4.0, scale="log_or", **kinds) == pytest.approx(2.0)
    # (1 - 0.5^sqrt(2)) / (1 - 0.5^sqrt(1/2)) by hand: 0.624788 / 0.387438
    hazard = e_values.as_risk_ratio(2.0, scale="log_hr", **kinds)
    assert hazard == pytest.approx((1 - 0.5**2**0.5) / (1 - 0.5 ** (0.5**0.5)))
    assert e_values.as_risk_ratio(4.0, scale="log_or", common=False, outcome_sd=None) == 4.0
    difference = e_values.as_risk_ratio(2.0, scale="difference", common=True, outcome_sd=4.0)
    assert difference == pytest.approx(np.exp(0.455))


P = [0.01, 0.04, 0.03, 0.005, 0.2]


def test_held_p_values_are_those_of_r():
    # R: p.adjust(c(0.01, 0.04, 0.03, 0.005, 0.2), "holm"), then "hochberg"
    assert comparisons.holm(np.array(P)) == pytest.approx([0.04, 0.09, 0.09, 0.025, 0.2])
    assert comparisons.hochberg(np.array(P)) == pytest.approx([0.04, 0.08, 0.08, 0.025, 0.2])


@pytest.mark.skipif(shutil.which("Rscript") is None, reason="Rscript is not installed")
@pytest.mark.parametrize("method", ["holm", "hochberg"])
def test_held_p_values_of_random_groups_are_those_of_r(method):
    draws = np.random.default_rng(5).random((20, 7)).round(3)
    groups_text = ";".join(",".join(map(str, row)) for row in draws)
    code = (
        f'for (r in strsplit(strsplit("{groups_text}", ";")[[1]], ",")) '
        f'cat(p.adjust(as.numeric(r), "{method}"), "\\n")'
    )
    done = subprocess.run(["Rscript", "-e", code], capture_output=True, text=True, check=True)
    expected = [[float(p) for p in line.split()] for line in done.stdout.splitlines()]
    ours = [getattr(comparisons, method)(row) for row in draws]
    assert np.array(ours) == pytest.approx(np.array(expected), abs=1e-6)
