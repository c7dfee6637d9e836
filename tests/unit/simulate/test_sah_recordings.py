"""The files of the second simulated study: the truth is in them, by polars and numpy alone."""

import hashlib

import numpy as np
import polars as pl
import pytest
from numpy.lib.stride_tricks import sliding_window_view

from icpcohort.simulate import sah

N_PATIENTS, SEED = 16, 20
WINDOW_MIN = 20
MMHG_PER_KPA = 7.500617
BEYOND = {"icp": (-10, 100), "map": (20, 200), "pbto2": (0.2, 150), "etco2": (10, 80)}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    whole = tmp_path_factory.mktemp("haemorrhage")
    sah.write_cohort(whole, n_patients=N_PATIENTS, seed=SEED, progress=lambda line: None)
    return whole


@pytest.fixture(scope="module")
def truth(folder):
    rows = pl.read_csv(folder / "truth" / "patients.csv", infer_schema_length=None)
    return {row["patient_id"]: row for row in rows.iter_rows(named=True)}


def _events(folder):
    return pl.read_csv(folder / "events.csv", infer_schema_length=None)


def _read(path):
    """Return the whole minutes of a file by signal: NaN where masked, or where no row is."""
    rows = pl.read_csv(path, infer_schema_length=None)
    at = rows["time_s"].to_numpy() // 60
    signals = {}
    for name in rows.columns[1:]:
        signal, unit = name.rstrip("]").split(" [")
        values = rows[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
        values = values * (MMHG_PER_KPA if unit == "kPa" else 1.0)
        low, high = BEYOND[signal.lower()]
        whole = np.full(at[-1] + 1, np.nan)
        whole[at] = np.where((values >= low) & (values <= high), values, np.nan)
        signals[signal.lower()] = whole
    return signals


@pytest.fixture(scope="module")
def recordings(folder):
    """By patient: start [s] and the signals; ICP is left out near an open drain."""
    events = _events(folder)
    read = {}
    for row in pl.read_csv(folder / "recordings.csv").iter_rows(named=True):
        path = folder / row["path"]
        if not path.exists() or len(path.read_text().splitlines()) == 1:
            continue
        signals = _read(path)
        t_s = row["start_s"] + 60.0 * np.arange(signals["icp"].size)
        opened = events.filter(patient_id=row["patient_id"], event="drain_open")
        for begin_s, end_s in opened.select("start_s", "end_s").rows():
            signals["icp"][(t_s + 60 > begin_s) & (t_s < end_s + 600)] = np.nan
        read[row["patient_id"]] = (row["start_s"], signals)
    return read


def _correlations(first, second):
    """Pearson's correlation of every 20 minutes in which both series are whole, else NaN."""
    x, y = (sliding_window_view(one, WINDOW_MIN) for one in (first, second))
    x, y = (one - one.mean(axis=1, keepdims=True) for one in (x, y))
    return (x * y).sum(axis=1) / np.sqrt((x**2).sum(axis=1) * (y**2).sum(axis=1))


def _means(values):
    return sliding_window_view(values, WINDOW_MIN).mean(axis=1)


def test_the_dose_of_low_pbto2_in_the_first_72_h_is_the_true_one(recordings, truth):
    for patient_id, (start_s, signals) in recordings.items():
        early = signals["pbto2"][: int((72 * 3600 - start_s) // 60)]
        dose_mmhg = np.nanmean(np.clip(20 - early, 0, None))
        true_mmhg = truth[patient_id]["dose_per_h_true_mmhg"]
        assert dose_mmhg == pytest.approx(true_mmhg, rel=0.10, abs=0.02)


def test_the_correlation_of_icp_and_map_is_lowest_at_the_true_optimum(recordings, truth):
    errors_mmhg = []
    for patient_id, (_, signals) in recordings.items():
        index = _correlations(signals["icp"], signals["map"])
        cpp_mmhg = _means(signals["map"] - signals["icp"])
        there = np.isfinite(index) & np.isfinite(cpp_mmhg)
        bins = np.floor(cpp_mmhg[there] / 5) * 5 + 2.5
        centres, counts = np.unique(bins, return_counts=True)
        used = counts >= 0.02 * counts.sum()
        means = np.array([index[there][bins == one].mean() for one in centres[used]])
        curve = np.polyfit(centres[used], means, 2, w=np.sqrt(counts[used]))
        assert curve[0] > 0
        optimum_mmhg = -curve[1] / (2 * curve[0])
        errors_mmhg.append(optimum_mmhg - truth[patient_id]["cppopt_mmhg"])
    assert np.abs(errors_mmhg).max() < 3  # sensors drift by up to 1 mmHg a day
    assert np.median(np.abs(errors_mmhg)) < 1


def test_pbto2_follows_cpp_far_from_the_optimum_and_not_near_it(recordings, truth):
    near, far = [], []
    for patient_id, (_, signals) in recordings.items():
        cpp_mmhg = signals["map"] - signals["icp"]
        index = _correlations(signals["pbto2"], cpp_mmhg)
        distance_mmhg = np.abs(_means(cpp_mmhg) - truth[patient_id]["cppopt_mmhg"])
        near.append(index[(distance_mmhg < 4) & np.isfinite(index)])
        far.append(index[(distance_mmhg > 12) & np.isfinite(index)])
    assert abs(np.concatenate(near).mean()) < 0.10
    assert np.concatenate(far).mean() > 0.45


def test_the_mean_correlation_is_the_true_one(recordings, truth):
    """A window also holds the slow change of CPP, so it reads a little off."""
    differences = []
    for patient_id, (_, signals) in recordings.items():
        index = _correlations(signals["icp"], signals["map"])
        differences.append(np.nanmean(index) - truth[patient_id]["lprx_true"])
    assert np.abs(differences).max() < 0.15
    assert abs(np.mean(differences)) < 0.06


def test_every_artefact_of_the_truth_is_in_its_file_and_nothing_else_is_masked(
    folder, recordings
):
    spans = pl.read_csv(folder / "truth" / "artefacts.csv")
    seen = set()
    for patient_id, (start_s, signals) in recordings.items():
        of_file = spans.filter(recording_id=f"{patient_id}_r1")
        for signal, values in signals.items():
            expected = np.zeros(values.size, bool)
            here = of_file.filter(pl.col("signal").is_in([signal, "all"]))
            for kind, begin_s, end_s in here.select("kind", "start_s", "end_s").rows():
                minutes = slice(int((begin_s - start_s) // 60), int((end_s - start_s) // 60))
                expected[minutes] = True
                seen.add(kind)
            if signal != "icp":  # which is also left out near an open drain
                assert np.array_equal(np.isnan(values), expected)
            assert np.isnan(values[expected]).all()
    assert seen == {"gap", "disconnection", "missing", "zeroing", "flush"}


def test_two_recordings_are_flawed_and_the_truth_says_which(folder):
    flaws = pl.read_csv(folder / "truth" / "recordings.csv").drop_nulls("flaw").rows()
    assert flaws == [("S004_r1", "missing_file"), ("S009_r1", "empty_file")]
    assert not (folder / "recordings" / "S004_r1.csv").exists()
    empty = (folder / "recordings" / "S009_r1.csv").read_text().splitlines()
    assert len(empty) == 1
    assert empty[0].startswith("time_s,ICP [mmHg],MAP [mmHg],PbtO2 [mmHg]")


def test_some_files_have_no_carbon_dioxide_and_some_have_it_in_kpa(folder):
    heads = {p.read_text().split("\n", 1)[0] for p in (folder / "recordings").iterdir()}
    usual = "time_s,ICP [mmHg],MAP [mmHg],PbtO2 [mmHg]"
    assert heads == {usual, f"{usual},EtCO2 [mmHg]", f"{usual},EtCO2 [kPa]"}


def test_nothing_is_recorded_after_the_stay(recordings, truth):
    for patient_id, (start_s, signals) in recordings.items():
        ends_h = start_s / 3600 + signals["icp"].size / 60
        assert ends_h < truth[patient_id]["end_h"]
        assert ends_h - start_s / 3600 > 2.9


def test_the_same_arguments_give_the_same_bytes_and_another_seed_others(folder, tmp_path):
    def digests(where):
        files = sorted(p for p in where.rglob("*") if p.is_file())
        return {
            str(p.relative_to(where)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files
        }

    for name, seed in (("again", SEED), ("other", SEED + 1)):
        sah.write_cohort(
            tmp_path / name, n_patients=N_PATIENTS, seed=seed, progress=lambda line: None
        )
    whole = digests(folder)
    assert len(whole) == 5 + 4 + N_PATIENTS - 1
    assert digests(tmp_path / "again") == whole
    other = digests(tmp_path / "other")
    assert all(other[name] != whole[name] for name in whole if name.startswith("recordings"))


def test_arguments_out_of_range_are_refused(tmp_path):
    with pytest.raises(ValueError, match="n_patients 0, seed 1; give 1 or more"):
        sah.write_cohort(tmp_path / "x", n_patients=0, seed=1, progress=lambda line: None)
    assert not (tmp_path / "x").exists()
