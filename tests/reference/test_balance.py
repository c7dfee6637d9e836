"""Standardised differences against the formulas in exact fractions, and against a library.

Austin 2011, Multivariate Behav Res 46:399-424; Yang and Dalton 2012, SAS Global Forum 335-2012
(both from memory). No published worked value was at hand.
"""

from fractions import Fraction

import numpy as np
import polars as pl
import pytest
from statsmodels.stats.meta_analysis import effectsize_smd

from icpcohort.report.tables import descriptive


def _levels(**counts):
    return pl.Series(
        [level for level, n in counts.items() for _ in range(n)], dtype=pl.String()
    )


def test_numbers_by_hand():
    """Means 2 and 4, variances 1 and 4: 2 / sqrt(2.5)."""
    first, second = pl.Series([1, 2, 3]), pl.Series([2.0, None, 4.0, 6.0])
    assert descriptive.of_numbers(first, second) == pytest.approx(2 / 2.5**0.5)
    assert descriptive.of_numbers(second, first) == pytest.approx(2 / 2.5**0.5)


def test_numbers_agree_with_a_library_for_groups_of_one_size():
    """statsmodels gives Hedges' g, Cohen's d times 1 - 3 / (4 df - 1); with equal n the pooled
    variance is the mean of the variances."""
    draw = np.random.default_rng(3)
    for n in (5, 40):
        x, y = draw.normal(0, 1, n), draw.normal(0.7, 3, n)
        g, _ = effectsize_smd(x.mean(), x.std(ddof=1), n, y.mean(), y.std(ddof=1), n)
        d = g / (1 - 3 / (4 * (2 * n - 2) - 1))
        assert descriptive.of_numbers(pl.Series(x), pl.Series(y)) == pytest.approx(abs(d))


def test_two_levels_are_the_formula_of_a_binary_variable():
    p, q = Fraction(3, 10), Fraction(1, 2)
    expected = abs(p - q) / ((p * (1 - p) + q * (1 - q)) / 2) ** 0.5
    first, second = _levels(no=7, yes=3), _levels(no=10, yes=10)
    assert descriptive.of_levels(first, second) == pytest.approx(float(expected))
    flags = pl.Series([True] * 3 + [False] * 7), pl.Series([True, False, None] * 10)
    assert descriptive.of_levels(*flags) == pytest.approx(float(expected))


def test_three_levels_in_exact_fractions():
    """The 2 x 2 inverse written out; which level is left out does not matter."""
    p = [Fraction(5, 10), Fraction(3, 10), Fraction(2, 10)]
    q = [Fraction(4, 10), Fraction(4, 10), Fraction(2, 10)]
    expected = set()
    for i, j in ((1, 2), (0, 2), (0, 1)):
        a = (p[i] * (1 - p[i]) + q[i] * (1 - q[i])) / 2
        d = (p[j] * (1 - p[j]) + q[j] * (1 - q[j])) / 2
        b = -(p[i] * p[j] + q[i] * q[j]) / 2
        s, t = p[i] - q[i], p[j] - q[j]
        expected.add((d * s * s - 2 * b * s * t + a * t * t) / (a * d - b * b))
    assert len(expected) == 1
    distance = descriptive.of_levels(_levels(a=5, b=3, c=2), _levels(a=8, b=8, c=4))
    assert distance == pytest.approx(float(expected.pop()) ** 0.5)


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        (_levels(a=5), _levels(a=9), 0.0),
        (_levels(a=5), _levels(b=9), None),  # no spread in either
        (_levels(a=5, b=5), _levels(), None),
        (_levels(a=1, b=1), _levels(a=2, b=2), 0.0),
    ],
)
def test_levels_without_a_finite_distance_have_none(first, second, expected):
    assert descriptive.of_levels(first, second) == expected


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        ([1.0], [2.0, 3.0], None),
        ([1.0, 1.0], [1.0, 1.0], 0.0),
        ([1.0, 1.0], [2.0, 2.0], None),
        ([None, 1.0], [2.0, 3.0], None),
    ],
)
def test_numbers_without_a_finite_distance_have_none(first, second, expected):
    assert descriptive.of_numbers(pl.Series(first), pl.Series(second)) == expected
