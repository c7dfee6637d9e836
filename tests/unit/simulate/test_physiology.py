"""The simulated pressures, artefacts and plans on cases small enough to check by eye."""

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from icpcohort.simulate import artefacts, cohort, patient, physiology, plan
from icpcohort.simulate.bedside import Bedside, Monitor
from icpcohort.simulate.physiology import Plateau, Wander

WANDER = Wander((2.0, 1.0), (3600.0, 900.0), (0.0, 1.0))
LEVEL = Wander((), (), ())
CALM = physiology.Physiology(
    icp_level_mmhg=12.0,
    cpp_level_mmhg=70.0,
    icp_wander=LEVEL,
    cpp_wander=LEVEL,
    icp_slow_sd_mmhg=0.0,
    abp_slow_sd_mmhg=0.0,
    cppopt_mmhg=70.0,
    rho_min=-0.2,
    k_per_mmhg2=0.005,
    plateaus=(),
    craniectomy_s=None,
    craniectomy_fall_mmhg=6.0,
    heart_rate_per_min=80.0,
    resp_rate_per_min=15.0,
    pulse_pressure_mmhg=50.0,
)


def _tracks(truth, n_s=7200, seed=1):
    rng = np.random.default_rng(seed)
    return physiology.simulate_tracks(rng, truth, start_s=0.0, n_s=n_s)


def test_the_correlation_is_a_parabola_of_cpp_that_is_cut_at_its_limits():
    cpp_mmhg = np.array([70.0, 60.0, 80.0, 40.0, 100.0])
    assert physiology.rho_of_cpp(cpp_mmhg, CALM) == pytest.approx([-0.2, 0.3, 0.3, 0.9, 0.9])


def test_without_an_optimum_the_correlation_is_the_same_at_every_cpp():
    flat = replace(CALM, cppopt_mmhg=None, rho_min=0.35)
    assert physiology.rho_of_cpp(np.array([40.0, 70.0, 110.0]), flat).tolist() == [0.35] * 3


def test_a_level_never_leaves_the_sum_of_its_amplitudes():
    deviation_mmhg = WANDER.at(np.arange(0.0, 20_000.0))
    assert 2.5 < np.abs(deviation_mmhg).max() <= 3.0


def test_slow_noise_has_unit_variance_and_lies_in_its_band():
    noise = physiology.band_noise(
        np.random.default_rng(2), n=200_000, fs_hz=1.0, band_hz=(0.005, 0.05)
    )
    assert noise.std() == pytest.approx(1.0, abs=0.03)
    power = np.abs(np.fft.rfft(noise)) ** 2
    frequency_hz = np.fft.rfftfreq(noise.size, 1.0)
    inside = (frequency_hz > 0.0049) & (frequency_hz < 0.0501)
    assert power[inside].sum() / power.sum() > 0.99


def test_pressures_without_waves_stand_at_their_levels():
    tracks = _tracks(CALM)
    assert tracks.icp_mmhg == pytest.approx(np.full(7200, 12.0))
    assert tracks.abp_mmhg == pytest.approx(np.full(7200, 82.0))  # CPP 70 + ICP 12


def test_slow_waves_correlate_as_stated():
    waves = replace(CALM, icp_slow_sd_mmhg=1.8, abp_slow_sd_mmhg=4.0, rho_min=0.45)
    tracks = _tracks(waves, n_s=300_000)
    r = np.corrcoef(tracks.icp_mmhg, tracks.abp_mmhg)[0, 1]
    assert r == pytest.approx(0.45, abs=0.03)
    assert tracks.icp_mmhg.std() == pytest.approx(1.8, rel=0.03)
    assert tracks.abp_mmhg.std() == pytest.approx(4.0, rel=0.03)


def test_a_plateau_wave_rises_to_its_height_and_comes_back():
    wave = Plateau(1000.0, rise_s=200.0, top_s=600.0, fall_s=100.0, height_mmhg=30.0)
    tracks = _tracks(replace(CALM, plateaus=(wave,)))
    icp_mmhg = tracks.icp_mmhg
    assert icp_mmhg[999] == pytest.approx(12.0)
    assert icp_mmhg[1099] == pytest.approx(27.0, abs=0.2)  # half way up
    assert icp_mmhg[1200:1800] == pytest.approx(np.full(600, 42.0))
    assert icp_mmhg[1900] == pytest.approx(12.0)
    assert tracks.abp_mmhg[1500] == pytest.approx(82.0 + 0.2 * 30)
    assert tracks.cpp_slow_mmhg[1500] == pytest.approx(70.0 - 0.8 * 30)


def test_icp_falls_within_half_an_hour_of_a_craniectomy():
    tracks = _tracks(replace(CALM, craniectomy_s=3600.0))
    assert tracks.icp_mmhg[3599] == pytest.approx(12.0)
    assert tracks.icp_mmhg[5400:] == pytest.approx(np.full(1800, 6.0))


def test_an_open_drain_is_read_fully_and_lets_go_in_two_minutes():
    weight = physiology.drain_weight(start_s=100.0, n_s=1000, drains_s=((200.0, 300.0),))
    assert weight[:100].tolist() == [0.0] * 100
    assert weight[100:200].tolist() == [1.0] * 100
    assert weight[320] == pytest.approx(np.exp(-120.5 / 120))


def test_a_mean_needs_half_of_its_values():
    values = np.array([1.0, 3.0, np.nan, 1.0, np.nan, np.nan])
    assert np.array_equal(patient.average(values, n=3), [2.0, np.nan], equal_nan=True)
    assert np.array_equal(patient.average(values, n=2), [2.0, 1.0, np.nan], equal_nan=True)


def test_the_reading_drifts_from_insertion_and_stands_at_the_drain_while_it_is_open():
    task = next(t for t in _study().tasks if t.recordings[0].tier == "ten_seconds")
    recording = replace(
        task.recordings[0], start_s=0.0, duration_s=172_800.0, flaw=None, extra=None
    )
    monitor = Monitor({}, insertion_s=-86_400.0, drift_mmhg_per_day=1.0)
    notes = Bedside((monitor,), ((90_000.0, 93_600.0),), None, ())
    task = replace(task, recordings=(recording,), physiology=CALM, bedside=notes)
    signals = patient.simulate_signals(task, recording, patient.patient_tracks(task), number=0)
    icp_mmhg = signals.samples_mmhg["icp"].copy()
    for span in signals.artefacts:
        if span.signal == "icp":
            icp_mmhg[int(span.start_s // 10) : int(span.end_s // 10) + 1] = np.nan
    expected_mmhg = 12.0 + 1.0 + (np.arange(icp_mmhg.size) * 10 + 5) / 86_400
    # the drain stands at 12 mmHg too: same level, only drift
    assert np.isnan(icp_mmhg).mean() < 0.1
    assert np.nanmax(np.abs(icp_mmhg - expected_mmhg)) < 0.3
    high = replace(task, physiology=replace(CALM, icp_level_mmhg=22.0))
    signals = patient.simulate_signals(high, recording, patient.patient_tracks(high), number=0)
    drained = signals.samples_mmhg["icp"][9010:9350]
    assert np.nanmedian(drained) == pytest.approx(12.0 + 2.06, abs=0.1)
    assert np.nanmedian(signals.samples_mmhg["icp"][8000:8900]) == pytest.approx(24.0, abs=0.2)


@pytest.mark.parametrize("tier", ["waveform", "seconds", "ten_seconds", "minutes"])
def test_artefacts_keep_apart_and_inside_the_recording(tier):
    avoid_s = ((40_000.0, 41_000.0),)
    spans = artefacts.draw_artefacts(
        np.random.default_rng(4), tier=tier, duration_s=400_000.0, avoid_s=avoid_s
    )
    edges = sorted([(s.start_s, s.end_s) for s in spans] + list(avoid_s))
    assert len(edges) > 10
    assert edges[0][0] >= 90
    assert edges[-1][1] <= 400_000 - 90
    assert all(b[0] - a[1] >= 90 for a, b in itertools.pairwise(edges))


def _distorted(kind, signal, clean, fs_hz=50.0):
    samples = {"icp": np.full(1000, 12.0), "abp": np.full(1000, 90.0)}
    samples[signal] = clean.copy()
    spans = [artefacts.Artefact(signal, kind, 5.0, 15.0)]
    artefacts.apply_artefacts(
        np.random.default_rng(5), samples, spans, fs_hz={"icp": fs_hz, "abp": fs_hz}
    )
    changed = samples[signal]
    assert np.array_equal(changed[:250], clean[:250])
    assert np.array_equal(changed[750:], clean[750:])
    return changed[250:750]


PULSE = 90 + 25 * np.sin(2 * np.pi * 1.25 * np.arange(1000) / 50)


def test_a_flush_stands_near_the_bag_pressure_and_rings():
    flushed = _distorted("flush", "abp", PULSE)
    assert flushed[:400] == pytest.approx(np.full(400, 298.0), abs=2)
    assert abs(flushed[400] - PULSE[650]) > 40


def test_sampling_takes_the_pulse_away():
    assert np.ptp(_distorted("sampling", "abp", PULSE)) < 1.0


def test_damping_lowers_the_pulse_and_keeps_the_mean():
    damped = _distorted("damping", "abp", PULSE)
    assert np.ptp(damped[100:400]) < 0.35 * np.ptp(PULSE)
    assert damped.mean() == pytest.approx(PULSE[250:750].mean(), abs=1)


def test_a_disconnected_sensor_reads_out_of_range():
    reading = _distorted("disconnection", "icp", PULSE)
    assert reading.max() < -10 or reading.min() > 100


def test_a_spike_jumps_by_thirty_or_more():
    assert np.abs(_distorted("spike", "icp", PULSE) - PULSE[250:750]).min() >= 30


def test_zeroing_reads_zero_flat_does_not_move_and_missing_is_not_a_number():
    assert np.abs(_distorted("zeroing", "icp", PULSE)).max() < 0.5
    assert np.ptp(_distorted("flat", "icp", PULSE)) == 0
    assert np.isnan(_distorted("missing", "icp", PULSE)).all()


def test_the_kinds_that_only_detection_uses_do_what_their_names_say():
    assert (_distorted("saturation", "abp", PULSE) > 500).all()  # the file's range clips it
    lost = _distorted("pulse_loss", "icp", PULSE)
    assert np.ptp(lost) < 3
    assert lost.mean() == pytest.approx(PULSE[250:300].mean(), abs=3)
    off = _distorted("drift_off", "icp", PULSE)
    assert off[0] - off[-1] == pytest.approx(45, abs=1)
    ramp = _distorted("ramp", "abp", PULSE)
    assert ramp[-1] - ramp[0] == pytest.approx(5, abs=1)
    moved = _distorted("movement", "abp", PULSE) - PULSE[250:750]
    assert moved.std() == pytest.approx(20, abs=2)


def test_an_unknown_artefact_is_refused():
    with pytest.raises(ValueError, match="'flsh': not known"):
        _distorted("flsh", "abp", PULSE)


def _study(n_patients=120, n_waveforms=14, seed=20):
    return cohort.draw_study(
        n_patients=n_patients,
        n_waveforms=n_waveforms,
        waveform_h=(12, 24),
        numeric_h=(36, 96),
        seed=seed,
        folder=Path("unused"),
    )


def test_tiers_layouts_and_patients_are_shared_out_as_stated():
    tasks = _study().tasks
    tiers = [task.recordings[0].tier for task in tasks]
    assert tiers.count("waveform") == 14
    assert tiers.count("ten_seconds") / 106 == pytest.approx(0.45, abs=0.03)
    assert tiers.count("minutes") / 106 == pytest.approx(0.30, abs=0.03)
    assert tiers.count("seconds") / 106 == pytest.approx(0.25, abs=0.03)
    optimum = [task.physiology.cppopt_mmhg is not None for task in tasks]
    assert np.mean(optimum) == pytest.approx(0.75, abs=0.01)
    assert 2 <= sum(len(task.recordings) == 2 for task in tasks) <= 8
    assert sum(task.bedside.craniectomy_s is not None for task in tasks) in (1, 2)


def test_five_waveform_patients_have_the_five_layouts():
    tasks = _study(n_patients=8, n_waveforms=5).tasks
    layouts = {
        task.recordings[0].layout for task in tasks if task.recordings[0].tier == "waveform"
    }
    assert layouts == {"wfdb_16", "wfdb_212", "wfdb_segments", "edf_c", "edf_d"}


def test_every_cpp_samples_both_sides_of_its_optimum():
    for task in _study().tasks:
        if task.physiology.cppopt_mmhg is not None:
            cpp_mmhg = patient.patient_tracks(task).cpp_slow_mmhg
            below = (cpp_mmhg < task.physiology.cppopt_mmhg - 4).mean()
            above = (cpp_mmhg > task.physiology.cppopt_mmhg + 4).mean()
            few = task.recordings[0].flaw == "few_hours"
            assert few or (below > 0.03 and above > 0.03), task.patient_id


def test_a_recording_stops_at_death_in_whole_minutes():
    recording = _study(n_patients=2, n_waveforms=0).tasks[0].recordings[0]
    recording = replace(recording, start_s=36_000.0, duration_s=72_000.0)
    (cut,) = plan.cut_at_death([recording], death_h=20.01)
    assert cut.duration_s == 36_000.0
    assert plan.cut_at_death([recording], death_h=10.5) == []
    assert plan.cut_at_death([recording], death_h=None) == [recording]
