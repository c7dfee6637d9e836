"""The lag of numbers once a second: the breath tells it, slow waves do not."""

import numpy as np
import pytest

from icpcohort.signals import lag_of_numbers
from icpcohort.signals.cells import Stretch
from icpcohort.simulate import physiology

N_S = 3600


def _numbers(lag_s, *, seed, breath_mmhg=1.0, slow_lag_s=8):
    """Return ICP and ABP once a second: slow waves that ICP follows late, and breaths at once.

    The rate of breaths wanders around 15 a minute.
    """
    draw = np.random.default_rng(seed)
    n = N_S + 400
    slow = physiology.band_noise(draw, n=n, fs_hz=1.0, band_hz=(0.005, 0.05))
    rate_hz = 0.25 + 0.02 * physiology.band_noise(draw, n=n, fs_hz=1.0, band_hz=(0.01, 0.1))
    breath = np.sin(2 * np.pi * np.cumsum(rate_hz))
    abp = 90 + 4 * slow + 2 * breath_mmhg * breath + draw.normal(0, 0.3, n)
    icp = 12 + 2 * np.roll(slow, slow_lag_s) + breath_mmhg * breath + draw.normal(0, 0.3, n)
    return np.roll(icp, lag_s)[200:-200], abp[200:-200]


def _lags(icp, abp, *, fs_hz=1.0, t_s=0.0, piece_s=600):
    keepers = {name: lag_of_numbers.Keeper(name) for name in ("icp", "abp")}
    n = int(piece_s * fs_hz)
    for first in range(0, icp.size, n):
        samples = {"icp": icp[first : first + n], "abp": abp[first : first + n]}
        starts_s = dict.fromkeys(samples, t_s + first / fs_hz)
        stretch = Stretch(starts_s, samples, dict.fromkeys(samples, fs_hz))
        for keeper in keepers.values():
            keeper.push(stretch)
    return list(lag_of_numbers.between(keepers["icp"].finish(), keepers["abp"].finish()))


@pytest.mark.parametrize("lag_s", [10, -20, 60])
def test_a_lag_of_many_seconds_is_right_where_clear_though_slow_waves_have_another(lag_s):
    lags = [lag for seed in range(3) for lag in _lags(*_numbers(lag_s, seed=seed))]
    assert len(lags) == 18
    clear_s = [lag.lag_s for lag in lags if lag.is_clear]
    assert len(clear_s) >= 6
    assert clear_s == pytest.approx([lag_s] * len(clear_s), abs=0.5)


def test_numbers_in_step_have_no_clear_lag_whatever_slow_waves_do():
    lags = [lag for seed in range(10) for lag in _lags(*_numbers(0, seed=seed))]
    assert not any(lag.is_clear for lag in lags)
    assert np.median([abs(lag.lag_s) for lag in lags]) < 0.5


def test_slow_waves_alone_tell_nothing():
    lags = [lag for seed in range(10) for lag in _lags(*_numbers(20, seed=seed, breath_mmhg=0))]
    assert not any(lag.is_clear for lag in lags)


def test_pieces_change_nothing_and_numbers_every_two_seconds_are_too_few():
    icp, abp = _numbers(10, seed=1)
    whole = _lags(icp, abp, t_s=100.4)
    assert len(whole) == 6
    assert _lags(icp, abp, t_s=100.4, piece_s=70) == whole
    assert _lags(icp[::2], abp[::2], fs_hz=0.5) == []
