"""Reference: simulated files read by other libraries, and their truth found again with numpy.

Readers: wfdb-python, pyedflib, edfio, polars. Correlations, bins and amplitudes are computed
here with numpy alone; nothing of the project's own analysis is used. Factors of the units:
1 kPa = 7.50062 mmHg, 1 cmH2O = 98.0665 / 133.322387415 mmHg (NIST SP 811, Appendix B).
"""

import edfio
import numpy as np
import polars as pl
import pytest
import wfdb

from icpcohort.simulate import cohort, patient, pulses, write_cohort

MMHG_PER_UNIT = {"mmHg": 1.0, "kPa": 7.50062, "cmH2O": 98.0665 / 133.322387415}
ARGUMENTS = {
    "n_patients": 34,
    "n_waveforms": 7,
    "waveform_h": (0.6, 0.8),
    "numeric_h": (40, 44),
    "seed": 11,
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    whole = tmp_path_factory.mktemp("simulated")
    write_cohort(whole, **ARGUMENTS, n_processes=1, progress=lambda line: None)
    return whole


@pytest.fixture(scope="module")
def study(folder):
    return cohort.draw_study(**ARGUMENTS, folder=folder / "recordings")


def _read_by_others(path, recording):
    """ICP and ABP in the file's unit, NaN where the file has no reading; gaps cut out."""
    names = (recording.icp_name, recording.abp_name)
    if recording.layout == "wfdb_segments":
        parts = [wfdb.rdrecord(str(path.with_suffix("")) + end) for end in ("_1", "_2")]
        return np.concatenate([part.p_signal[:, :2] for part in parts]).T
    if recording.format == "wfdb":
        record = wfdb.rdrecord(str(path.with_suffix("")))
        assert tuple(record.sig_name[:2]) == names
        return record.p_signal[:, :2].T
    if recording.format == "edf":
        signals = edfio.read_edf(path).signals[:2]
        assert tuple(signal.label for signal in signals) == names
        lowest = [signal.physical_min for signal in signals]
        data = [np.array(signal.data) for signal in signals]
        for values, low in zip(data, lowest, strict=True):
            values[values == low] = np.nan
        return data
    table = pl.read_csv(path) if recording.format == "csv" else pl.read_parquet(path)
    return [table.to_series(i).cast(pl.Float64).fill_null(np.nan).to_numpy() for i in (1, 2)]


def _without_gap(samples, recording, fs_hz):
    if recording.gap_s is None:
        return samples
    low, high = (round(t_s * fs_hz) for t_s in recording.gap_s)
    return np.concatenate([samples[:low], samples[high:]])


def test_every_file_holds_the_simulated_pressures_within_its_rounding(folder, study):
    seen = set()
    for task in study.tasks:
        tracks = patient.patient_tracks(task)
        for number, recording in enumerate(task.recordings):
            if recording.flaw in ("missing_file", "truncated", "no_signal"):
                continue
            signals = patient.simulate_signals(task, recording, tracks, number=number)
            read = _read_by_others(folder / "recordings" / recording.file_name, recording)
            for signal, values, unit, step in zip(
                ("icp", "abp"),
                read,
                (recording.icp_unit, recording.abp_unit),
                (recording.icp_step, recording.abp_step),
                strict=True,
            ):
                fs_hz = signals.fs_hz[signal]
                expected = _without_gap(signals.samples_mmhg[signal], recording, fs_hz)
                factor = MMHG_PER_UNIT[unit]
                assert np.array_equal(np.isnan(values), np.isnan(expected))
                error_mmhg = np.abs(values * factor - expected)
                # the factors agree to 1e-6, single-precision samples to 6e-8
                limit_mmhg = factor * step / 2 + 2e-6 * np.abs(expected)
                clipped = expected > 150 if recording.layout == "wfdb_212" else False
                within = (error_mmhg <= limit_mmhg) | np.isnan(expected) | clipped
                assert within.all(), (recording.recording_id, signal)
            seen.add((recording.tier, recording.layout, recording.icp_unit))
    assert {layout for tier, layout, _ in seen if tier == "waveform"} == {
        *("wfdb_16", "wfdb_212", "wfdb_segments", "edf_c", "edf_d")
    }
    assert {"kPa", "cmH2O", "mmHg"} == {unit for _, _, unit in seen}
    assert {"csv", "parquet", "edf_c", "wfdb_16"} <= {layout for _, layout, _ in seen}


def _block_means(values, n):
    return values[: values.size // n * n].reshape(-1, n).mean(axis=1)


def _moving_correlation(icp_mmhg, abp_mmhg):
    """Pearson correlation of 30 successive 10-s means, once a minute, and its mean CPP.

    Source: the later practice of the PRx (30 x 10 s).
    """
    icp, abp = _block_means(icp_mmhg, 10), _block_means(abp_mmhg, 10)
    rows = []
    for start in range(0, icp.size - 29, 6):
        i, a = icp[start : start + 30], abp[start : start + 30]
        rows.append((np.mean(a - i), np.corrcoef(i, a)[0, 1]))
    return np.array(rows).T


def _by_bin(cpp_mmhg, r):
    """Centres of 5-mmHg bins with at least 2 % of the minutes, and mean r through Fisher z."""
    z = np.arctanh(np.clip(r, -0.999, 0.999))
    number = np.floor(cpp_mmhg / 5).astype(int)
    kept = [b for b in np.unique(number) if (number == b).mean() >= 0.02]
    return np.array([5 * b + 2.5 for b in kept]), np.array(
        [z[number == b].mean() for b in kept]
    )


def test_the_lowest_bin_of_the_curve_lies_at_the_true_optimum(study):
    checked, with_plateaus = 0, 0
    for task in study.tasks:
        if task.physiology.cppopt_mmhg is None or task.recordings[0].duration_s < 1.2e5:
            continue
        tracks = patient.patient_tracks(task)
        cpp_mmhg, r = _moving_correlation(tracks.icp_mmhg, tracks.abp_mmhg)
        centres_mmhg, z = _by_bin(cpp_mmhg, r)
        lowest_mmhg = centres_mmhg[z.argmin()]
        assert abs(lowest_mmhg - task.physiology.cppopt_mmhg) < 5.0, task.patient_id
        assert min(z[0], z[-1]) > z.min() + 0.15, task.patient_id
        assert r.mean() == pytest.approx(tracks.rho.mean(), abs=0.05)
        checked += 1
        with_plateaus += bool(task.physiology.plateaus)
    assert checked > 10
    assert with_plateaus >= 2


def test_a_file_shows_the_same_optimum_as_the_truth(folder, study):
    checked = []
    for task in study.tasks:
        recording = task.recordings[0]
        long = recording.duration_s > 1.2e5 and recording.tier in ("seconds", "ten_seconds")
        drained = bool(task.bedside.drains_s or task.bedside.craniectomy_s)
        if task.physiology.cppopt_mmhg is None or not long or drained or recording.flaw:
            continue
        icp, abp = _read_by_others(folder / "recordings" / recording.file_name, recording)
        cpp_mmhg, r = _moving_correlation(
            np.repeat(icp * MMHG_PER_UNIT[recording.icp_unit], round(1 / recording.fs_hz)),
            np.repeat(abp * MMHG_PER_UNIT[recording.abp_unit], round(1 / recording.fs_hz)),
        )
        clean = np.isfinite(r) & (cpp_mmhg > 30) & (cpp_mmhg < 120)
        assert clean.mean() > 0.85
        centres_mmhg, z = _by_bin(cpp_mmhg[clean], r[clean])
        assert abs(centres_mmhg[z.argmin()] - task.physiology.cppopt_mmhg) < 6.0
        checked.append(recording.layout)
    assert len(checked) >= 4
    assert len(set(checked)) >= 2


def test_a_patient_without_optimum_has_the_same_correlation_at_every_cpp(study):
    checked = 0
    for task in study.tasks:
        if task.physiology.cppopt_mmhg is None and task.recordings[0].duration_s > 1.2e5:
            tracks = patient.patient_tracks(task)
            cpp_mmhg, r = _moving_correlation(tracks.icp_mmhg, tracks.abp_mmhg)
            half = np.median(cpp_mmhg)
            assert r[cpp_mmhg < half].mean() == pytest.approx(
                r[cpp_mmhg >= half].mean(), abs=0.12
            )
            checked += 1
    assert checked >= 3


def _minutes_by_loop(task, tracks):
    """Clean ICP of each recorded minute: (end since time zero, mean), as a plain loop."""
    minutes = []
    for recording in task.recordings:
        low_s, high_s = recording.gap_s or (0.0, 0.0)
        for minute in range(round(recording.duration_s / 60)):
            if low_s <= 60 * minute < high_s:
                continue
            first = round(recording.start_s - tracks.start_s) + 60 * minute
            total_mmhg = sum(tracks.icp_mmhg[first : first + 60].tolist())
            minutes.append((recording.start_s + 60 * minute + 60, total_mmhg / 60))
    return minutes


def test_the_true_dose_is_that_of_the_recorded_minutes_of_the_first_72_h(folder, tmp_path):
    truth = {row["patient_id"]: row for row in _rows(folder / "truth" / "patients.csv")}
    arguments = ARGUMENTS | {"n_patients": 80, "numeric_h": (80, 90), "seed": 2}
    long = cohort.draw_study(**arguments, folder=tmp_path)
    in_two = [task for task in long.tasks if len(task.recordings) == 2]
    short = cohort.draw_study(**ARGUMENTS, folder=folder / "recordings")
    beyond, with_gap, dose_around_a_gap = 0, 0, 0
    for task in [*short.tasks, *in_two]:
        tracks = patient.patient_tracks(task)
        minutes = _minutes_by_loop(task, tracks)
        within = [mean for end_s, mean in minutes if end_s <= 72 * 3600]
        dose_mmhg = sum(max(0.0, mean - 20) for mean in within) / len(within)
        truth_row = patient.patient_truth(task, tracks)
        if task in short.tasks:
            assert (
                truth[task.patient_id]["dose_per_h_true_mmhg"]
                == truth_row["dose_per_h_true_mmhg"]
            )
        assert truth_row["dose_per_h_true_mmhg"] == pytest.approx(dose_mmhg, abs=1e-9)
        mean_mmhg = sum(mean for _, mean in minutes) / len(minutes)
        assert truth_row["icp_mean_true_mmhg"] == pytest.approx(mean_mmhg, abs=1e-9)
        assert truth_row["recorded_h"] == pytest.approx(len(minutes) / 60)
        beyond += len(within) < len(minutes)
        with_gap += task.recordings[0].gap_s is not None
        dose_around_a_gap += task in in_two and dose_mmhg > 0.1
    assert min(beyond, with_gap, dose_around_a_gap) >= 1


def _rows(path):
    return pl.read_csv(path, infer_schema_length=None).iter_rows(named=True)


@pytest.fixture(scope="module")
def waveform(study):
    """A clean ICP waveform of 10 min at 100 Hz, its beats and its slow ICP."""
    task = next(t for t in study.tasks if t.recordings[0].tier == "waveform")
    tracks = patient.patient_tracks(task)
    beats = pulses.simulate_beats(np.random.default_rng(1), task.physiology, tracks)
    part = slice(300, 900)
    samples_mmhg = pulses.icp_waveform(
        tracks.icp_mmhg, beats, drained=np.zeros(tracks.icp_mmhg.size), part=part, fs_hz=100.0
    )
    return samples_mmhg.astype(float), beats, part, tracks


def test_the_pulse_has_the_stated_amplitude_of_its_fundamental(waveform):
    # least squares of one harmonic on the true heart phase, 10 s at a time
    samples_mmhg, beats, part, tracks = waveform
    t_s = part.start + np.arange(samples_mmhg.size) / 100.0
    angle = 2 * np.pi * np.interp(t_s, np.arange(beats.heart_phase.size), beats.heart_phase)
    for start in range(0, samples_mmhg.size, 1000):
        block, phase = samples_mmhg[start : start + 1000], angle[start : start + 1000]
        slow = np.polynomial.polynomial.polyvander(np.linspace(-1, 1, 1000), 5)
        design = np.column_stack([np.cos(phase), np.sin(phase), slow])
        cosine, sine = np.linalg.lstsq(design, block, rcond=None)[0][:2]
        first_s = part.start + start // 100
        expected_mmhg = 0.5 + 0.09 * tracks.icp_mmhg[first_s : first_s + 10].mean()
        assert np.hypot(cosine, sine) == pytest.approx(expected_mmhg, rel=0.03)


def test_the_mean_of_the_waveform_is_the_slow_icp(waveform):
    samples_mmhg, _, part, tracks = waveform
    minutes_mmhg = _block_means(samples_mmhg, 6000)
    assert minutes_mmhg == pytest.approx(_block_means(tracks.icp_mmhg[part], 60), abs=0.1)


def test_the_icp_pulse_has_three_peaks_and_p2_rises_with_icp():
    # peaks P1 percussion, P2 tidal, P3 dicrotic, normally P1 > P2 > P3 (clinical literature)
    n = pulses._N_PHASES
    for ratio in (0.6, 1.4):
        shape = pulses._P1 + ratio * pulses._P2 + pulses._P3
        inner = (shape > np.roll(shape, 1)) & (shape > np.roll(shape, -1))
        peaks = np.flatnonzero(inner)
        assert peaks.size == 3
        assert (peaks / n) == pytest.approx([0.16, 0.34, 0.56], abs=0.03)
        p1, p2, p3 = shape[peaks]
        assert (p2 > p1) == (ratio > 1)
        assert p3 < min(p1, p2)


def test_the_abp_pulse_spans_the_pulse_pressure_and_has_a_notch():
    abp = pulses._ABP
    assert np.ptp(abp) == pytest.approx(1.0)
    assert abp.mean() == pytest.approx(0.0, abs=1e-9)
    before, after = np.roll(abp, 1), np.roll(abp, -1)
    troughs = np.flatnonzero((before > abp) & (after > abp)) / abp.size
    assert any(0.45 < trough < 0.62 for trough in troughs)
