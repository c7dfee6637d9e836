"""Recordings of the model of cerebral haemodynamics: rates, pulses, and their truth."""

import numpy as np
import pytest

from icpcohort.simulate import mechanistic_recordings as recordings
from icpcohort.simulate.cerebral_haemodynamics import Haemodynamics

STIFF = Haemodynamics(elastance_per_ml=0.2, outflow_resistance_mmhg_s_per_ml=1500.0)


def _slow(patients, *, n_patients, seed=3, duration_s=600.0, **drive):
    return recordings.slow_pressures(
        np.random.default_rng(seed),
        patients,
        n_patients=n_patients,
        duration_s=duration_s,
        drive=recordings.Drive(**drive),
    )


def _waves(patient, *, seed=3, duration_s=300.0, fs_hz=125.0, **beat):
    return recordings.waveforms(
        np.random.default_rng(seed),
        patient,
        duration_s=duration_s,
        fs_hz=fs_hz,
        drive=recordings.Drive(),
        beat=recordings.Beat(**beat),
    )


@pytest.mark.parametrize(("interval_s", "n"), [(10.0, 60), (1.0, 600)])
def test_means_have_one_value_for_each_interval(interval_s, n):
    values = recordings.means(_slow(Haemodynamics(), n_patients=2), interval_s=interval_s)
    assert {signal: x.shape for signal, x in values.items()} == {"icp": (2, n), "abp": (2, n)}


def test_the_mean_of_ten_seconds_is_that_of_its_seconds():
    slow = _slow(Haemodynamics(), n_patients=1)
    seconds = recordings.means(slow, interval_s=1.0)["icp"]
    blocks = recordings.means(slow, interval_s=10.0)["icp"]
    assert seconds.reshape(1, -1, 10).mean(axis=2) == pytest.approx(blocks)


def test_each_patient_has_the_parameters_and_the_level_stated_for_it():
    patients = Haemodynamics(outflow_resistance_mmhg_s_per_ml=np.array([526.3, 1500.0]))
    slow = _slow(patients, n_patients=2, abp_level_mmhg=np.array([80.0, 110.0]))
    assert slow.course.icp_mmhg[1].mean() > slow.course.icp_mmhg[0].mean() + 4
    assert np.diff(slow.abp_mmhg.mean(axis=1)) == pytest.approx(30, abs=17)


def test_the_same_seed_gives_the_same_recording():
    first, second = (_waves(STIFF, duration_s=60.0) for _ in range(2))
    assert np.array_equal(first["icp"], second["icp"])


@pytest.mark.parametrize("fs_hz", [100.0, 125.0])
def test_a_recording_with_pulse_has_its_rate_and_its_heart(fs_hz):
    waves = _waves(STIFF, fs_hz=fs_hz, heart_rate_per_min=90.0)
    assert {signal: x.size for signal, x in waves.items()} == {
        "icp": 300 * fs_hz,
        "abp": 300 * fs_hz,
    }
    for samples in waves.values():
        power = np.abs(np.fft.rfft(samples - samples.mean())) ** 2
        frequency_hz = np.fft.rfftfreq(samples.size, 1 / fs_hz)
        heart = (frequency_hz > 1) & (frequency_hz < 2)
        top_hz = frequency_hz[heart][power[heart].argmax()]
        assert top_hz == pytest.approx(1.5, abs=0.1)


def test_the_pulse_rides_on_the_slow_course():
    """The mean of ten seconds with pulse is that without, but for the bend of the curve."""
    waves = _waves(STIFF)
    slow = recordings.means(_slow(STIFF, n_patients=1, duration_s=300.0), interval_s=10.0)
    blocks = waves["icp"].reshape(-1, 1250).mean(axis=1)
    assert blocks == pytest.approx(slow["icp"][0], abs=1.0)


def test_the_pulse_of_icp_grows_with_its_mean_and_with_stiffness():
    spread = [
        np.ptp(_waves(patient)["icp"][:1250])
        for patient in (Haemodynamics(), Haemodynamics(elastance_per_ml=0.2), STIFF)
    ]
    assert spread[0] < spread[1] < spread[2]


def test_limits_lie_around_the_middle_and_a_passive_patient_has_none():
    patients = Haemodynamics(gain_ml_per_mmhg=np.array([0.0, 0.3, 1.5]))
    truth = recordings.true_autoregulation(patients)
    assert np.isnan(np.array(truth)[:, 0]).all()
    lower, middle, upper = np.array(truth)[:, 1:]
    assert (lower < middle).all()
    assert (middle < upper).all()
    assert lower[1] < lower[0]


def test_the_limits_move_with_the_stated_centre():
    low, high = (
        recordings.true_autoregulation(Haemodynamics(centre_cpp_mmhg=cpp)).middle_mmhg
        for cpp in (70.0, 90.0)
    )
    assert high - low == pytest.approx(20, abs=3)


def test_one_patient_of_many_is_the_same_patient():
    patients = Haemodynamics(gain_ml_per_mmhg=np.array([0.0, 0.7]), tau_s=12.0)
    assert recordings.patient_of(patients, 1) == Haemodynamics(gain_ml_per_mmhg=0.7, tau_s=12.0)
