"""Patients that share jobs: the same bytes as with jobs of their own, and few run again."""

import shutil

import polars as pl
import pytest

from icpcohort import jobs as inputs

pytestmark = pytest.mark.workflow

FROM_TEN = ("--config", "batch_from=10")
TARGETS = ("results/recordings.parquet", "results/optima.parquet")


@pytest.fixture
def batched(place):
    """A study whose patients with little to read went through shared jobs."""
    for name in ("results", ".snakemake"):
        shutil.rmtree(place.study / name)
    run = place.snakemake(*TARGETS, *FROM_TEN)
    assert run.code == 0, run.text
    return place


def _numbers(jobs):
    return {job for job in jobs if job.startswith("numbers_")}


def test_a_shared_job_gives_the_same_bytes_and_a_change_reaches_one(batched, finished):
    log = next((batched.study / ".snakemake/log").glob("*.log")).read_text()
    assert "rule numbers_0000:" in log and "rule ingest:" in log  # waveforms go alone
    for name in inputs.PER_PATIENT:
        for path in (batched.study / "results").glob(f"{name}/*"):
            other = finished.study / "results" / name / path.name
            assert path.read_bytes() == other.read_bytes(), path
    assert len(list((batched.study / "results/minutes").iterdir())) == 24

    def would_run():
        run = batched.snakemake("--dry-run", *TARGETS, *FROM_TEN)
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
