"""Faults that cost little, each on a small study; `make faults` makes them all."""

import os
import runpy
from pathlib import Path

import pytest

FAULTS = runpy.run_path(str(Path(__file__).with_name("faults.py")))
pytestmark = pytest.mark.workflow


@pytest.fixture(scope="module")
def reference(tmp_path_factory):
    """A study that ran undisturbed."""
    study = FAULTS["small_study"](tmp_path_factory.mktemp("faults") / "reference")
    code, text = study.run()
    assert code == 0, text
    return study


@pytest.mark.parametrize(
    "fault", ["two_runs_at_once", "stopped_by_ctrl_c", "killed_workflow", "killed_job"]
)
def test_after_a_fault_a_run_gives_the_same_bytes(reference, tmp_path, fault):
    outcome = FAULTS[fault](reference.copy(tmp_path / "study"), reference)
    assert outcome


def test_the_lock_of_somebody_elses_run_is_left_alone(reference, tmp_path):
    study = reference.copy(tmp_path / "study")
    lock = study.folder / ".snakemake/locks/0.output.lock"
    lock.parent.mkdir(exist_ok=True)
    lock.write_text("results/patients.html\n")
    code, text = study.run()
    assert code == 2
    assert "begun with snakemake itself" in text
    assert f"rm -rf {study.folder}/.snakemake" in text
    assert lock.exists()


def test_a_run_that_fails_names_what_the_job_said(reference, tmp_path):
    study = reference.copy(tmp_path / "study")
    study.open_a_job()
    table = study.results / "dropped.parquet"
    dated = table.stat()
    table.write_bytes(b"no table")
    os.utime(table, ns=(dated.st_atime_ns, dated.st_mtime_ns))
    code, text = study.run()
    assert code == 1, text
    log = study.folder / "logs/patients.log"
    assert f"What a job said that failed: {log}" in text
    assert "A Parquet file must" in log.read_text()
