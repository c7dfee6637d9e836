"""Whether the pipeline recovers the truth of a model of haemodynamics that knows no index.

Truth: Ursino 1997, as in `simulate/cerebral_haemodynamics.py`. Many patients and a day each are
those of `tests/bench/mechanistic.py`; here four hours, in which ABP sweeps across the limits.
"""

import sys
from pathlib import Path

import numpy as np
import pytest

from icpcohort.simulate import mechanistic_recordings as recordings
from icpcohort.simulate.cerebral_haemodynamics import Haemodynamics
from icpcohort.simulate.physiology import SLOW_BAND_HZ, band_noise

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
import mechanistic as bench

GAINS = (0.0, 0.1, 0.3, 0.6, 1.5)
HOURS = 4


@pytest.fixture(scope="module")
def judged():
    """Return, for each gain and patient, what the pipeline says, and the model's own truth."""
    patients = Haemodynamics(
        tau_s=np.array([12.0, 25.0]),
        elastance_per_ml=np.array([0.12, 0.16]),
        outflow_resistance_mmhg_s_per_ml=np.array([700.0, 1400.0]),
        centre_cpp_mmhg=np.array([75.0, 85.0]),
    )
    everybody = bench.repeated(patients, GAINS)
    draw = np.random.default_rng(12)
    n = round(HOURS * 3600 * recordings.STEP_HZ)
    sweep = np.sin(2 * np.pi * 1.5 * np.arange(n) / n)
    waves = [
        [
            sd * band_noise(draw, n=n, fs_hz=recordings.STEP_HZ, band_hz=SLOW_BAND_HZ)
            for _ in range(2)
        ]
        for sd in (4.0, 0.2)
    ]
    level = np.array([[83.0], [95.0]])
    abp, other_ml = level + 30 * sweep + np.array(waves[0]), np.array(waves[1])
    driven = recordings.Driven(*(np.tile(track, (len(GAINS), 1)) for track in (abp, other_ml)))
    means = recordings.means(recordings.answer(everybody, driven), interval_s=10.0)
    said = [bench.judge(icp, abp, seed=k) for k, (icp, abp) in enumerate(zip(*means.values()))]
    truth = recordings.true_autoregulation(everybody)
    return (
        np.array(said, dtype=float).reshape(len(GAINS), 2, -1).transpose(2, 0, 1),
        np.array(truth).reshape(3, len(GAINS), 2),
    )


def test_prx_is_near_one_in_a_passive_patient_and_falls_with_every_gain(judged):
    prx = judged[0][0]
    assert prx[0].min() > 0.9
    assert (np.diff(prx, axis=0) < 0).all()
    assert prx[-1].max() < 0.5  # outside its limits an intact patient is passive too


def test_no_cppopt_is_accepted_without_autoregulation(judged):
    accepted = judged[0][1]
    assert not accepted[0].any()
    assert accepted[GAINS.index(0.3) :].all()


def test_cppopt_lies_below_the_least_change_of_flow_and_near_the_midpoint_of_limits(judged):
    """Not at the model's middle, where flow changes least: PRx follows volume, not flow.

    Asked for within 17 mmHg below the middle and 8 mmHg of the midpoint: the bench shows
    -17 to -3 and 0 to +5 over patients whose CPP spans both limits.
    """
    (_, _, _, cppopt, _, _), (lower, middle, upper) = judged
    some = slice(GAINS.index(0.3), None)
    below = (middle - cppopt)[some]
    assert below.min() > 0
    assert below.max() < 17
    assert np.abs(cppopt - (lower + upper) / 2)[some].max() < 8


def test_limits_of_reactivity_lie_inside_those_of_autoregulation(judged):
    """A limit of PRx warns early: it is stated above the lower limit and below the upper."""
    (*_, llr, ulr), (lower, _, upper) = judged
    stated_low, stated_high = np.isfinite(llr), np.isfinite(ulr)
    assert stated_low.any()
    assert stated_high.any()
    assert (llr > lower)[stated_low].all()
    assert (ulr < upper)[stated_high].all()


def test_amp_follows_icp_in_a_passive_patient_and_no_second_is_masked():
    """On an exponential pressure-volume curve the pulse is a share of ICP, and RAP near 1."""
    rows = [
        bench.indices_of_waveforms(
            Haemodynamics(
                gain_ml_per_mmhg=0.0,
                outflow_resistance_mmhg_s_per_ml=outflow,
                centre_cpp_mmhg=80.0,
            ),
            hours=0.5,
            seed=1,
        )
        for outflow in (500.0, 2000.0)
    ]
    low, high = rows
    assert high["icp_mmhg"] > low["icp_mmhg"] + 5
    assert high["amp_mmhg"] > 1.3 * low["amp_mmhg"]
    assert min(low["rap"], high["rap"]) > 0.9
    assert low["masked_s"] == high["masked_s"] == 0
