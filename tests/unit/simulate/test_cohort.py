"""The study folder of the simulated cohort: contracts, flaws, truth, same bytes every time."""

import hashlib

import numpy as np
import polars as pl
import pytest
from published_settings import DECLARED

from icpcohort.contracts import EVENTS, MONITORS, patients, recording_list, store
from icpcohort.simulate import write_cohort
from icpcohort.simulate.cohort import outcome_times

ARGUMENTS = {
    "n_patients": 40,
    "n_waveforms": 5,
    "waveform_h": (0.6, 0.8),
    "numeric_h": (36, 40),
    "seed": 3,
}
TABLES = {
    "patients.csv": patients(DECLARED),
    "recordings.csv": recording_list({}),
    "monitors.csv": MONITORS,
    "events.csv": EVENTS,
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    whole = tmp_path_factory.mktemp("simulated")
    write_cohort(whole, **ARGUMENTS, n_processes=1, progress=lambda line: None)
    return whole


def _table(folder, name):
    schema = {column: spec.dtype for column, spec in TABLES[name].columns.items()}
    return pl.read_csv(folder / name, schema=schema)


def _truth(folder, name):
    return pl.read_csv(folder / "truth" / name, infer_schema_length=None)


def _digests(folder):
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.mark.parametrize("name", TABLES)
def test_each_table_keeps_its_contract(folder, name):
    header = (folder / name).read_text().splitlines()[0]
    assert header.split(",") == list(TABLES[name].columns)
    assert store.problems(_table(folder, name), TABLES[name]) == []


def test_truth_values_are_written_as_words_and_missing_cells_are_empty(folder):
    text = (folder / "patients.csv").read_text()
    assert ",true," in text
    assert ",false," in text
    assert ",," in text
    assert "nan" not in text.lower()
    assert "null" not in text.lower()


def test_the_bytes_do_not_depend_on_the_number_of_processes(tmp_path):
    small = ARGUMENTS | {"n_patients": 7, "numeric_h": (2, 3)}
    for n in (1, 2):
        write_cohort(tmp_path / str(n), **small, n_processes=n, progress=lambda line: None)
    first = _digests(tmp_path / "1")
    assert len(first) > 15
    assert first == _digests(tmp_path / "2")


def test_another_seed_gives_other_bytes(tmp_path):
    small = ARGUMENTS | {"n_patients": 3, "n_waveforms": 1, "numeric_h": (2, 3)}
    for seed in (1, 2):
        arguments = small | {"seed": seed}
        write_cohort(
            tmp_path / str(seed), **arguments, n_processes=1, progress=lambda line: None
        )
    first, second = _digests(tmp_path / "1"), _digests(tmp_path / "2")
    assert all(first[name] != second[name] for name in ("patients.csv", "recordings.csv"))


def test_progress_is_told(tmp_path):
    lines = []
    small = ARGUMENTS | {"n_patients": 2, "n_waveforms": 0, "numeric_h": (2, 3)}
    write_cohort(tmp_path, **small, n_processes=1, progress=lines.append)
    assert lines[0] == "2 patients, 2 recordings"
    assert any("of 2 patients simulated" in line for line in lines)


def test_every_argument_out_of_range_is_named_at_once(tmp_path):
    wrong = {
        "n_patients": 3,
        "n_waveforms": 4,
        "waveform_h": (2, 1),
        "numeric_h": (0.1, 2),
        "seed": -1,
    }
    with pytest.raises(ValueError, match="5 problem") as caught:
        write_cohort(tmp_path, **wrong, n_processes=0, progress=lambda line: None)
    for name in ("n_waveforms", "waveform_h", "numeric_h", "seed", "n_processes"):
        assert f"{name}: " in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_each_flaw_is_in_its_file_and_in_the_truth(folder):
    paths = dict(_table(folder, "recordings.csv").select("recording_id", "path").iter_rows())
    flaws = {
        flaw: folder / paths[recording]
        for recording, flaw in _truth(folder, "recordings.csv")
        .filter(pl.col("flaw").is_not_null())
        .select("recording_id", "flaw")
        .iter_rows()
    }
    assert set(flaws) == {"missing_file", "truncated", "no_signal", "few_hours"}
    assert not flaws["missing_file"].exists()
    n_samples = int(flaws["truncated"].read_text().splitlines()[0].split()[3])
    n_signals = int(flaws["truncated"].read_text().splitlines()[0].split()[1])
    assert 0 < flaws["truncated"].with_suffix(".dat").stat().st_size < 2 * n_signals * n_samples
    columns = pl.read_parquet(flaws["no_signal"]).columns
    assert [name.partition(" ")[0] for name in columns[1:]] == ["Temp"]
    assert pl.read_csv(flaws["few_hours"]).height == 4 * 60


def test_every_listed_file_is_there_but_the_missing_one(folder):
    listed = set(_table(folder, "recordings.csv")["path"])
    absent = {path for path in listed if not (folder / path).is_file()}
    assert len(absent) == 1


def test_artefacts_lie_inside_their_recordings(folder):
    spans = _truth(folder, "artefacts.csv").join(
        _truth(folder, "recordings.csv"), on="recording_id", suffix="_recording", validate="m:1"
    )
    assert spans.height > 100
    end_s = pl.col("start_s_recording") + pl.col("duration_s")
    inside = (pl.col("start_s") >= pl.col("start_s_recording")) & (pl.col("end_s") <= end_s)
    assert spans.select((inside & (pl.col("start_s") < pl.col("end_s"))).all()).item()


def test_artefacts_cover_a_small_share_of_the_time(folder):
    spans = _truth(folder, "artefacts.csv").filter(pl.col("kind") != "gap")
    recorded_s = _truth(folder, "recordings.csv")["duration_s"].sum()
    assert 0.005 < (spans["end_s"] - spans["start_s"]).sum() / recorded_s < 0.03


def test_every_zeroing_is_an_event_too(folder):
    zeroings = _truth(folder, "artefacts.csv").filter(pl.col("kind") == "zeroing")
    events = _table(folder, "events.csv").filter(pl.col("event") == "rezero")
    assert zeroings.height > 3
    assert sorted(zip(events["start_s"], events["end_s"], strict=True)) == sorted(
        zip(zeroings["start_s"], zeroings["end_s"], strict=True)
    )


def test_a_craniectomy_has_no_end_and_a_drain_closes(folder):
    events = _table(folder, "events.csv")
    ends = {
        event: events.filter(pl.col("event") == event)["end_s"].is_null()
        for event in ("craniectomy", "drain_open")
    }
    assert ends["craniectomy"].len() == 1
    assert ends["craniectomy"].all()
    assert ends["drain_open"].len() > 3
    assert not ends["drain_open"].any()


def test_only_ventricular_drains_are_opened(folder):
    drained = _table(folder, "events.csv").filter(pl.col("event") == "drain_open")["patient_id"]
    monitors = _table(folder, "monitors.csv").filter(
        pl.col("patient_id").is_in(drained.to_list())
    )
    assert set(monitors["kind"]) == {"ventricular_drain"}


def test_missing_values_are_those_of_the_truth_taken_away(folder):
    study, truth = _table(folder, "patients.csv"), _truth(folder, "patients.csv")
    assert study["patient_id"].equals(truth["patient_id"])
    assert study["age_years"].null_count() == 0
    for name in ("pupils_reactive", "glucose_mmol_l", "gose_6m"):
        there = study[name].is_not_null()
        known = truth["gose_true" if name == "gose_6m" else name]
        assert 0 < there.sum() < study.height
        assert study[name].filter(there).equals(known.filter(there).alias(name))


def test_early_deaths_stop_the_recording_and_other_deaths_come_after_80_h(folder):
    study = _table(folder, "patients.csv")
    early = study.filter(pl.col("death_h") < 72)
    assert early.height == round(40 * 7 / 120)
    assert set(early["gose_6m"]) == {1}
    ends = _truth(folder, "recordings.csv").select(
        pl.col("recording_id").str.slice(0, 4).alias("patient_id"),
        ((pl.col("start_s") + pl.col("duration_s")) / 3600).alias("end_h"),
    )
    dying = study.join(ends, on="patient_id", validate="1:m").drop_nulls("death_h")
    assert (dying["end_h"] <= dying["death_h"]).all()
    others = study.filter(pl.col("death_h") >= 72)
    assert others.height > 3
    assert others["death_h"].min() > 80
    assert set(others["gose_6m"]) == {1}


def test_no_one_is_discharged_before_the_monitoring_ends_or_after_an_early_death():
    gose = pl.Series([1, 1, 5, 8] * 100)
    early_death_h = pl.Series([30.0, None, None, None] * 100)
    ends = outcome_times(
        gose, early_death_h=early_death_h, monitored_to_h=[28.0, 40.0, 40.0, 90.0] * 100, seed=1
    )
    assert ends["left_unit_h"].gather_every(4).null_count() == 100
    assert ends["gose_6m"].gather_every(4).to_list() == [1] * 100
    left_h = ends["left_unit_h"].to_numpy().reshape(100, 4)
    assert np.nanmin(left_h[:, 1:3]) > 40
    assert np.nanmin(left_h[:, 3]) > 90
    assert np.nansum(left_h < 72) == round(0.035 * 400)
    assert ends["gose_6m"].null_count() == 24  # 6 % lost to follow-up


def test_who_lives_is_last_known_alive_when_scored_and_the_others_are_not_said_to_be():
    gose = pl.Series([1, 1, 5, 8] * 100)
    early_death_h = pl.Series([30.0, None, None, None] * 100)
    ends = outcome_times(gose, early_death_h=early_death_h, monitored_to_h=[40.0] * 400, seed=1)
    known = ends.filter(pl.col("last_known_h").is_not_null())
    assert known["last_known_h"].min() >= 170 * 24
    assert known["last_known_h"].max() <= 230 * 24
    assert known.equals(ends.filter(pl.col("gose_6m") > 1))
