"""A patient forgotten after a run, and the study run again: as if there had been none."""

import csv
import re

import pytest

from icpcohort import jobs
from icpcohort.commands import forget

pytestmark = pytest.mark.workflow

WHO, TABLES = "P003", ("patients", "recordings", "monitors", "events")
TIME = re.compile(rb"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:\+00:00)?")
DATED = ("provenance.html", "ro-crate-metadata.json")  # with the times of the run
SUMS = "SHA256SUMS"  # of which two lines are about these


def _take_out(study):
    """Do what a group does first: delete the patient's rows and recordings."""
    folder = study / "demo"
    with (folder / "recordings.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if row["patient_id"] == WHO:
                (folder / row["path"]).unlink()
    for name in TABLES:
        path = folder / f"{name}.csv"
        head, *lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        place = head.split(",").index("patient_id")
        kept = [line for line in lines if line.split(",")[place] != WHO]
        assert len(kept) < len(lines) or name in ("monitors", "events")
        path.write_text("".join([head, *kept]), encoding="utf-8")


def _results(place):
    folder = place.study / "results"
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.name != ".snakemake_timestamp"
    }


def _run(place):
    run = place.snakemake("--config", "batch_from=1")
    assert run.code == 0, run.text


def test_results_are_those_of_a_study_that_never_had_the_patient(unrun, tmp_path, monkeypatch):
    """Batches of at most five: with the patient there are two of them, without only one."""
    place = unrun
    (place.study / "config/models.yaml").write_text("models: {}\n", encoding="utf-8")
    (place.study / "config/specifications.yaml").unlink()
    for path in (place.study / "demo/truth").iterdir():
        path.unlink()
    together = "TOGETHER, DRAWN_TOGETHER = 64, 32"
    place.edit("project/src/icpcohort/jobs.py", together, "TOGETHER, DRAWN_TOGETHER = 5, 5")
    monkeypatch.setattr(jobs, "TOGETHER", 5)
    monkeypatch.setattr(jobs, "DRAWN_TOGETHER", 5)
    never = place.copy(tmp_path / "never")
    _take_out(never.study)
    _run(place)
    assert any(WHO in name for name in _results(place))
    assert (place.study / "results/exposures/0001").is_dir()

    _take_out(place.study)
    done = forget.forget(
        place.study, WHO, repository=place.project, is_dry=False, say=lambda line: None
    )
    assert done.left == []
    assert done.n_searched > 0
    _run(place)
    _run(never)

    again, fresh = _results(place), _results(never)
    assert again.keys() == fresh.keys()
    differing = {name for name in again if again[name] != fresh[name]}
    assert differing <= {*DATED, SUMS}
    for name in DATED:
        assert TIME.sub(b"", again[name]) == TIME.sub(b"", fresh[name])
    sums = [
        [
            line
            for line in one[SUMS].splitlines()
            if not line.endswith(tuple(map(str.encode, DATED)))
        ]
        for one in (again, fresh)
    ]
    assert sums[0] == sums[1]
    assert (
        forget.forget(
            place.study, WHO, repository=place.project, is_dry=True, say=lambda line: None
        ).removed
        == []
    )
