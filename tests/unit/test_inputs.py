import os

import polars as pl
import pytest

from icpcohort import contracts, inputs, store, study


def test_results_of_nobody_are_named(tmp_path):
    for name in (
        "minutes/P1.parquet",
        "minutes/P2.parquet",
        "trends/P2.parquet",
        "pictures/P1.svg",
        "pictures/P2.svg",
    ):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.touch()
    (tmp_path / "models/old").mkdir(parents=True)
    (tmp_path / "models/new").mkdir()
    found = inputs.strays(tmp_path, patients=["P1"], models=["new"])
    assert [line.split(": ")[0].removeprefix(f"{tmp_path}/") for line in found] == [
        "minutes/P2.parquet",
        "models/old",
        "pictures/P2.svg",
        "trends/P2.parquet",
    ]


def test_a_rule_depends_on_the_annotations_beside_a_record_too(tmp_path):
    for name in ("r.hea", "r.dat", "r.noted", "r.other"):
        (tmp_path / name).write_text("r 1 1 60\nr.dat 16 80/mmHg 16 0 0 0 0 ICP\n")
    row = {"recording_id": "r", "patient_id": "P1", "path": "r.hea", "format": "wfdb"}
    listed = (
        store.empty(contracts.RECORDING_LIST)
        .clear(1)
        .with_columns(**{k: pl.lit(v) for k, v in row.items()})
    )
    patients = store.empty(contracts.PATIENTS).clear(1).with_columns(patient_id=pl.lit("P1"))
    tables = study.Study(patients, listed, None, None, None)
    own = {
        "study": {"folder": str(tmp_path)},
        "recordings": {"annotation_extensions": ["noted"]},
    }
    found = inputs.recording_files(tables, own, "P1")
    assert [path.rsplit("/", 1)[1] for path in found] == ["r.dat", "r.hea", "r.noted"]


def test_a_file_put_back_with_an_older_date_has_another_stamp(tmp_path):
    path = tmp_path / "r.dat"
    path.write_bytes(b"1234")
    os.utime(path, (1000.25, 1000.25))
    before = inputs.stamps([path])
    assert before == ["4 1000"]
    os.utime(path, (1000.75, 1000.75))  # as a copy to a file system with coarse dates leaves it
    assert inputs.stamps([path]) == before
    os.utime(path, (900, 900))
    assert inputs.stamps([path]) != before


def test_a_job_stops_when_settings_or_tables_are_others_than_at_the_start(
    tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    own = {"study": {"folder": "data"} | {name: f"{name}.csv" for name in study.TABLES}}
    paths = inputs.of_the_study(own)
    assert len(paths) == 6
    for path in paths:
        path.parent.mkdir(exist_ok=True)
        path.write_text("as it was")
    environment = {}
    inputs.hold_to_the_start(own, environment)
    inputs.hold_to_the_start(own, environment)
    for path in paths:
        path.write_text("changed")
        with pytest.raises(inputs.ChangedError, match="changed while it ran"):
            inputs.hold_to_the_start(own, environment)
        path.write_text("as it was")
