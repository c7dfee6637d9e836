"""Patients that share jobs, on one core: the same bytes as else, and few run again."""

import hashlib
import shutil

import polars as pl
import pytest

from icpcohort import jobs as inputs

pytestmark = pytest.mark.workflow

FROM_TEN = ("--config", "batch_from=10")
# What tells the times and the command of a run.
TIMED = {"provenance.html", "ro-crate-metadata.json", "SHA256SUMS"}


@pytest.fixture(scope="module")
def batched(finished, tmp_path_factory):
    """A study that ran on one core, its patients with little to read in shared jobs."""
    place = finished.copy(tmp_path_factory.mktemp("batched") / "copy")
    for name in ("results", ".snakemake"):
        shutil.rmtree(place.study / name)
    run = place.snakemake(*FROM_TEN, cores=1)
    assert run.code == 0, run.text
    return place


def _fingerprints(place):
    return {
        str(path.relative_to(place.study)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted((place.study / "results").rglob("*"))
        if path.is_file() and path.name not in TIMED
    }


def _numbers(jobs):
    return {job for job in jobs if job.startswith("numbers_")}


def test_one_core_and_shared_jobs_give_the_same_bytes(batched, finished):
    log = next((batched.study / ".snakemake/log").glob("*.log")).read_text()
    assert "rule numbers_0000:" in log and "rule ingest:" in log  # waveforms go alone
    assert len(list((batched.study / "results/minutes").iterdir())) == 24
    assert _fingerprints(batched) == _fingerprints(finished)


def test_a_change_reaches_one_shared_job(batched):
    def would_run():
        run = batched.snakemake("--dry-run", *FROM_TEN)
        assert run.code == 0, run.text
        return run.jobs()

    assert would_run() == set()
    folder = batched.study / "demo"
    path = next(
        folder / path
        for path in pl.read_csv(folder / "recordings.csv")["path"]
        if path.endswith(".csv")
        and (folder / path).exists()
        and (folder / path).stat().st_size < inputs.LITTLE_BYTES
    )
    path.write_text(path.read_text().replace("\n60,", "\n60.0,", 1))
    jobs = would_run()
    assert len(_numbers(jobs)) == 1
    assert not {job for job in jobs if job.startswith(("ingest", "indices"))}
