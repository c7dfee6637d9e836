"""The same workflow on a real Slurm, of which a node dies on the way: the same bytes."""

import hashlib
import runpy
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from icpcohort import jobs

HOME = Path(__file__).parents[2]
SLURM = runpy.run_path(str(HOME / "tests/throwaway_slurm.py"))
REFUSAL = SLURM["refusal"]()
# More patients, models and report would add jobs that only wait in the queue.
PATIENTS = [f"P{number:03d}" for number in range(1, 7)]
TARGETS = [f"results/optima/{patient}.parquet" for patient in PATIENTS]
PATIENCE_S = 600
HERE_ALONE = (  # a cluster without accounting, and a disk that shows its files at once
    *("--slurm-status-command", "squeue", "--latency-wait", "5"),
    *("--slurm-init-seconds-before-status-checks", "2", "--seconds-between-status-checks", "2"),
)

pytestmark = [
    pytest.mark.slurm,
    pytest.mark.workflow,
    pytest.mark.skipif(REFUSAL is not None, reason=f"no Slurm can be started here: {REFUSAL}"),
]


def _bytes_of(study):
    return {
        str(path.relative_to(study)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted((study / "results").rglob("*"))
        if path.is_file()
    }


def _submit(place, cluster):
    command = [
        *(sys.executable, "-m", "snakemake", "--snakefile", place.project / "Snakefile"),
        *("--workflow-profile", HOME / "profiles/slurm", *HERE_ALONE, *TARGETS),
    ]
    return subprocess.Popen(
        command,
        cwd=place.study,
        env=cluster.env | {"PYTHONPATH": str(place.project / "src")},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


def _crash_a_busy_node(cluster, run):
    """Kill the first node on which a job writes results, with all that runs there."""
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until and run.poll() is None:
        for node in cluster.nodes:
            if cluster.jobs(node) and cluster.runs(node, ".snakemake/scripts"):
                return node, cluster.crash(node)
        time.sleep(0.2)
    raise AssertionError("no job came to run on a node")


def test_a_node_dies_and_the_bytes_are_those_of_a_local_run(unrun):
    place = unrun
    local = place.snakemake(*TARGETS)
    assert local.code == 0, local.text
    expected = _bytes_of(place.study)
    for name in ("results", ".snakemake"):
        shutil.rmtree(place.study / name)
    with SLURM["cluster"](n_nodes=2) as cluster:
        run = _submit(place, cluster)
        try:
            node, n_killed = _crash_a_busy_node(cluster, run)
            assert n_killed > 3  # the keeper, Snakemake, the script
            cluster.start_node(node)
            text = run.communicate(timeout=PATIENCE_S)[0]
        finally:
            run.kill()
        assert run.returncode == 0, text
    assert "Trying to restart" in text
    content = _bytes_of(place.study)
    assert len(content) >= len(PATIENTS) * (len(jobs.PER_PATIENT) - 1)  # no pictures
    assert content == {name: expected[name] for name in content}
    assert list((place.study / "logs/slurm").rglob("*.log"))
