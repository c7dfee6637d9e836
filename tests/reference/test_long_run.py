"""The interval of a mean with serial dependence: a plain loop, and coverage by simulation."""

import math
import random

import numpy as np
import pytest
from scipy import signal, stats

from icpcohort.exposures import autocorrelated_mean


def _interval_by_loop(values, n_cosines):
    known = [v for v in values if v is not None]
    if len(known) <= n_cosines or len(set(known)) == 1:
        return None
    mean, n = math.fsum(known) / len(known), len(values)
    squares = []
    for j in range(1, n_cosines + 1):
        along = math.fsum(
            (v - mean) * math.sqrt(2 / n) * math.cos(math.pi * j * (t + 0.5) / n)
            for t, v in enumerate(values)
            if v is not None
        )
        squares.append(along**2)
    variance_of_sum = n * math.fsum(squares) / n_cosines
    half = stats.t(n_cosines).ppf(0.975) * math.sqrt(variance_of_sum) / len(known)
    return mean - half, mean + half


@pytest.mark.parametrize("n_cosines", [2, 6, 20])
def test_the_interval_agrees_with_a_plain_loop(n_cosines):
    """200 series for each, of every length from nothing, with gaps and constants."""
    n_given = 0
    for seed in range(200):
        draw = random.Random(seed)
        constant, gaps = draw.random() < 0.05, draw.choice([0.0, 0.2, 0.8])
        values = [
            None if draw.random() < gaps else 0.3 if constant else draw.gauss(0.2, 0.4)
            for _ in range(draw.randrange(0, 80))
        ]
        interval = autocorrelated_mean.interval_of_mean(
            np.array([math.nan if v is None else v for v in values], float), n_cosines=n_cosines
        )
        expected = _interval_by_loop(values, n_cosines)
        if expected is None:
            assert np.isnan(interval).all()
        else:
            n_given += 1
            assert interval == pytest.approx(expected, rel=1e-9, abs=1e-12)
    assert 80 < n_given < 200


def test_without_dependence_the_interval_is_nearly_students():
    """Many cosines of white noise have the variance of the noise: the interval of a t test."""
    noise = np.random.default_rng(2).normal(size=5000)
    interval = autocorrelated_mean.interval_of_mean(noise, n_cosines=500)
    half = 1.96 * noise.std() / math.sqrt(noise.size)
    assert (interval.high - interval.low) / 2 == pytest.approx(half, rel=0.1)


def _shares(phi, *, n, gaps, n_series=600):
    """How often intervals of autoregressive series hold their mean: ours, and one that counts
    minutes as if they were independent."""
    draw = np.random.default_rng([n, round(1000 * phi)])
    noise = draw.normal(size=(n_series, n + 1000))
    ours = naive = 0
    for series in 0.3 + signal.lfilter([1], [1, -phi], noise, axis=1)[:, 1000:]:
        for _ in range(gaps):
            first = draw.integers(0, n)
            series[first : first + draw.integers(1, n // 8)] = np.nan
        interval = autocorrelated_mean.interval_of_mean(series, n_cosines=6)
        ours += interval.low <= 0.3 <= interval.high
        known = series[np.isfinite(series)]
        naive += abs(known.mean() - 0.3) <= 1.96 * known.std() / math.sqrt(known.size)
    return ours / n_series, naive / n_series


@pytest.mark.parametrize("gaps", [0, 3])
@pytest.mark.parametrize(
    ("phi", "n"), [(0.0, 360), (0.8, 360), (0.95, 1440), (0.98, 1440), (0.99, 4320)]
)
def test_the_interval_holds_the_mean_of_an_autoregressive_series(phi, n, gaps):
    """Nominal 95 %, minutes of 6, 24 and 72 h whose dependence lasts 5 to 100 min.

    600 series: the standard error of a share of 0.95 is 0.009.
    """
    ours, naive = _shares(phi, n=n, gaps=gaps)
    assert 0.90 <= ours <= 0.98
    if phi >= 0.8:
        assert naive < 0.55
