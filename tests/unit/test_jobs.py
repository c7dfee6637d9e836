import os
import re
from pathlib import Path

import polars as pl
import pytest
from published_settings import DECLARED

from icpcohort import contracts, jobs
from icpcohort.contracts import store
from icpcohort.study import tables as study

NOBODY = store.empty(contracts.LEFT_OUT)

HOME = Path(__file__).parents[2]


def test_results_of_nobody_are_named(tmp_path):
    for name in (
        "minutes/P1.parquet",
        "minutes/P2.parquet",
        "trends/P2.parquet",
        "pictures/P1.svg",
        "pictures/P2.svg",
        "models/old/estimates.parquet",
        "models/new/estimates.parquet",
        "exposures/0000/burden.parquet",
        "exposures/0001/burden.parquet",
        "specifications/exposures/now/0000/burden.parquet",
        "specifications/exposures/now/0001/burden.parquet",
        "specifications/exposures/once/0000/burden.parquet",
        "specifications/questions/dropped/summary.parquet",
        "hours/0000.parquet",
        "hours/0001.parquet",
    ):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    strays = jobs.strays(
        tmp_path,
        patients=["P1"],
        models=["new"],
        batches=["0000"],
        alternatives=["now"],
        questions=[],
        drawn_together=["0000"],
    )
    assert [line.split(": ")[0].removeprefix(f"{tmp_path}/") for line in strays] == [
        "exposures/0001",
        "hours/0001.parquet",
        "minutes/P2.parquet",
        "models/old",
        "pictures/P2.svg",
        "specifications/exposures/now/0001",
        "specifications/exposures/once",
        "specifications/questions/dropped",
        "trends/P2.parquet",
    ]


def test_a_rule_depends_on_the_annotations_beside_a_record_too(tmp_path):
    for name in ("r.hea", "r.dat", "r.noted", "r.other"):
        (tmp_path / name).write_text("r 1 1 60\nr.dat 16 80/mmHg 16 0 0 0 0 ICP\n")
    row = {"recording_id": "r", "patient_id": "P1", "path": "r.hea", "format": "wfdb"}
    listed = (
        store.empty(contracts.recording_list({}))
        .clear(1)
        .with_columns(**{k: pl.lit(v) for k, v in row.items()})
    )
    patients = (
        store.empty(contracts.patients(DECLARED)).clear(1).with_columns(patient_id=pl.lit("P1"))
    )
    tables = study.Study(patients, listed, None, None, None, NOBODY, None)
    settings = {
        "study": {"folder": str(tmp_path)},
        "recordings": {"annotation_extensions": ["noted"]},
    }
    paths = jobs.recording_files(tables, settings, "P1")
    assert [path.rsplit("/", 1)[1] for path in paths] == ["r.dat", "r.hea", "r.noted"]


def test_a_file_put_back_with_an_older_date_has_another_stamp(tmp_path):
    path = tmp_path / "r.dat"
    path.write_bytes(b"1234")
    os.utime(path, (1000.25, 1000.25))
    before = jobs.stamps([path])
    assert before == ["4 1000"]
    os.utime(path, (1000.75, 1000.75))  # as a copy to a file system with coarse dates leaves it
    assert jobs.stamps([path]) == before
    os.utime(path, (900, 900))
    assert jobs.stamps([path]) != before


def test_a_job_stops_when_settings_or_tables_are_others_than_at_the_start(
    tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    settings = {"study": {"folder": "data"} | {name: f"{name}.csv" for name in study.TABLES}}
    paths = jobs.of_the_study(settings)
    assert len(paths) == 7
    for path in paths:
        path.parent.mkdir(exist_ok=True)
        path.write_text("as it was")
    environment = {}
    jobs.refuse_changed_settings(settings, environment)
    jobs.refuse_changed_settings(settings, environment)
    for path in paths:
        path.write_text("changed")
        with pytest.raises(jobs.ChangedError, match="changed while it ran"):
            jobs.refuse_changed_settings(settings, environment)
        path.write_text("as it was")


IDS = [f"P{i:04d}" for i in range(1000)]


def test_every_patient_is_in_one_batch_of_about_the_size_asked_for():
    batches = jobs.batches(IDS, n_each=8)
    assert sorted(patient for batch in batches.values() for patient in batch) == IDS
    sizes = [len(batch) for batch in batches.values()]
    assert 4 < sum(sizes) / len(sizes) <= 8 and max(sizes) < 24


def test_one_more_patient_changes_one_batch():
    before, after = (jobs.batches(ids, n_each=8) for ids in (IDS, [*IDS, "P1000"]))
    changed = {name for name in after if after[name] != before.get(name)}
    assert len(changed) == 1


@pytest.mark.parametrize(("n", "n_batches"), [(0, 0), (1, 1), (32, 1), (33, 2)])
def test_a_small_study_is_one_batch(n, n_batches):
    assert len(jobs.batches(IDS[:n], n_each=32)) == n_batches


def _study_of(folder, sizes):
    """Return a study whose patients have a CSV recording of as many bytes."""
    for patient, size in sizes.items():
        (folder / f"{patient}.csv").write_bytes(b"x" * size)
    rows = [
        {
            "recording_id": p,
            "patient_id": p,
            "path": f"{p}.csv",
            "format": "csv",
            "start_s": 0.0,
        }
        for p in sizes
    ]
    schema = {k: column.dtype for k, column in contracts.recording_list({}).columns.items()}
    listed = pl.DataFrame([dict.fromkeys(schema) | row for row in rows], schema=schema)
    patients = pl.DataFrame({"patient_id": list(sizes)})
    settings = {"study": {"folder": str(folder)}, "recordings": {"annotation_extensions": []}}
    return study.Study(patients, listed, None, None, None, NOBODY, None), settings


def test_patients_with_little_to_read_share_jobs_only_where_they_are_many(tmp_path):
    limit = jobs.LITTLE_BYTES
    tables, settings = _study_of(tmp_path, {"P2": limit, "P1": 10, "P3": limit + 1})
    assert jobs.with_little(tables, settings, many=2) == ["P1", "P2"]
    assert jobs.with_little(tables, settings, many=3) == []


def test_params_of_a_rule_are_told_apart_by_whether_they_ask_for_the_patient():
    params = {"seed": 1, "rows": lambda wildcards: [wildcards.patient]}
    shared, of_patients = jobs.for_patients(params, ["P1", "P2"])
    assert shared == {"seed": 1}
    assert of_patients == {"P1": {"rows": ["P1"]}, "P2": {"rows": ["P2"]}}


def test_a_wildcard_stands_for_the_names_and_for_nothing_else():
    assert re.fullmatch(jobs.one_of(["P-1", "P.2"]), "P-1")
    assert not re.fullmatch(jobs.one_of(["P-1", "P.2"]), "Px2")
    assert not re.fullmatch(jobs.one_of([]), "")


def test_patterns_are_filled_with_the_values_of_the_wildcards_that_occur_in_them():
    filled = jobs.filled(
        ["a.csv", "m/{model}.csv", "x/{batch}/{model}.csv"],
        model=["dose", "time"],
        batch=["0", "1"],
        patient=["P1", "P2"],
    )
    assert filled[:3] == ["a.csv", "m/dose.csv", "m/time.csv"]
    assert filled[3:] == [f"x/{b}/{m}.csv" for b in "01" for m in ("dose", "time")]
    with pytest.raises(KeyError):
        jobs.filled(["{signals}.csv"], model=["dose"])


def test_a_job_that_is_run_again_gets_more_memory():
    memory = jobs.more_if_retried(600)
    assert [memory(None, attempt) for attempt in (1, 2, 3)] == [600, 1200, 1800]


def test_a_study_that_cannot_be_read_says_all_that_is_wrong(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(jobs.NotReady) as problems:
        jobs.read(HOME, {})
    assert "config.yaml" in str(problems.value) and "models.yaml" in str(problems.value)


def test_a_run_depends_on_repeated_values_only_where_it_needs_them():
    assert jobs.if_repeated({"repeated": {}}, "a.parquet") == []
    assert jobs.if_repeated({"repeated": {"til": {}}}, "a.parquet") == ["a.parquet"]
    assert jobs.if_time_varying({"time_varying": []}, "a.parquet") == []
    assert jobs.if_time_varying({}, "a.parquet") == []
    assert jobs.if_time_varying({"time_varying": ["til"]}, "a.parquet") == ["a.parquet"]


def test_the_table_of_repeated_values_is_of_the_study_where_it_is_named():
    named = {name: f"{name}.csv" for name in study.TABLES}
    of_study = {"study": {"folder": "data"} | named}
    assert Path("data/repeated.csv") not in jobs.of_the_study(of_study)
    of_study["study"]["repeated"] = "repeated.csv"
    assert Path("data/repeated.csv") in jobs.of_the_study(of_study)


def _two_places(tmp_path, archive):
    """Return a study with a recording in its folder and one in a root, and its settings."""
    for path in (tmp_path / "study/a.csv", archive / "P1/b.csv"):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("t_s,ICP\n0,10\n")
        os.utime(path, (1000, 1000))
    row = {"patient_id": "P1", "format": "csv"}
    listed = pl.concat(
        store.empty(contracts.recording_list({}))
        .clear(1)
        .with_columns(**{k: pl.lit(v) for k, v in (row | more).items()})
        for more in (
            {"recording_id": "r1", "path": "archive/P1/b.csv", "start_s": 0.0},
            {"recording_id": "r2", "path": "a.csv", "start_s": 1.0},
        )
    )
    patients = (
        store.empty(contracts.patients(DECLARED)).clear(1).with_columns(patient_id=pl.lit("P1"))
    )
    events, monitors = store.empty(contracts.EVENTS), store.empty(contracts.MONITORS)
    tables = study.Study(
        patients, listed, monitors, events, None, NOBODY, None, roots={"archive": archive}
    )
    settings = {
        "study": {"folder": str(tmp_path / "study")},
        "recordings": {"annotation_extensions": []},
    }
    return tables, settings


def test_what_lies_in_a_root_counts_by_its_stamps_and_is_no_input(tmp_path):
    tables, settings = _two_places(tmp_path, tmp_path / "archive")
    inside, outside = str(tmp_path / "study/a.csv"), str(tmp_path / "archive/P1/b.csv")
    assert sorted(jobs.recording_files(tables, settings, "P1")) == [outside, inside]
    assert jobs.watched_files(tables, settings, "P1") == [inside]
    before = jobs.of_patient(tables, settings, "P1")
    assert len(before["stamps"]) == 2
    assert str(tmp_path / "archive") not in repr(before)
    os.utime(outside, (2000, 2000))
    assert jobs.of_patient(tables, settings, "P1") != before


@pytest.mark.parametrize("elsewhere", ["0", "zzz"])
def test_where_a_root_lies_changes_nothing_that_a_rule_is_given(tmp_path, elsewhere):
    tables, settings = _two_places(tmp_path, tmp_path / "archive")
    (tmp_path / "study/a.csv").write_text("longer than the other\n")
    os.utime(tmp_path / "study/a.csv", (1000, 1000))
    before = jobs.of_patient(tables, settings, "P1")
    moved = study.Study(
        tables.patients,
        tables.recordings,
        tables.monitors,
        tables.events,
        None,
        NOBODY,
        None,
        roots={"archive": (tmp_path / "archive").rename(tmp_path / elsewhere)},
    )
    assert jobs.of_patient(moved, settings, "P1") == before
    assert jobs.watched_files(moved, settings, "P1") == [str(tmp_path / "study/a.csv")]


def test_one_file_for_all_reaches_the_rules_that_read_the_tables_where_it_is_stated():
    assert jobs.shared_files({"recordings": {"time_columns": ["t_s"]}}) == {}
    stated = {"recordings": {"time_columns": ["t_s"], "patient_column": "who"}}
    assert jobs.shared_files(stated) == {"recordings": {"patient_column": "who"}}
