"""How time and memory grow with patients: python tests/bench/scale.py 100 300 1000.

Each study has numbers once a minute for 72 h. Measured are the whole run, a second run that has
nothing to do, and a run after one more patient; processor seconds are those of all processes.
"""

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path
from typing import NamedTuple

import polars as pl

HERE = Path(__file__).parent
HOME = HERE.parents[1]
CORES = 2
NEW = "P99999"


class Run(NamedTuple):
    """What one call of Snakemake took, and each of its rules."""

    wall_s: float
    cpu_s: float
    output: str
    rules: dict[str, tuple[int, float, float]]  # jobs, processor seconds, largest peak MB


def simulate(study: Path, n_patients: int) -> None:
    """Write a study of numbers once a minute, with the published settings."""
    shutil.copytree(HOME / "config", study / "config")
    command = [
        *(sys.executable, "-m", "icpcohort.cli", "simulate", str(study / "demo")),
        *("--patients", str(n_patients), "--waveforms", "0", "--processes", str(CORES)),
        *("--numeric-hours", "72", "72", "--numeric-tier", "minutes"),
    ]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def add_patient(study: Path) -> None:
    """List one more patient, with copies of another one's rows and recordings."""
    demo = study / "demo"
    last = pl.read_csv(demo / "patients.csv")["patient_id"].to_list()[-1]
    for name in ("patients", "recordings", "monitors"):
        path = demo / f"{name}.csv"
        rows = [line for line in path.read_text().splitlines() if last in line]
        with path.open("a") as file:
            file.writelines(row.replace(last, NEW) + "\n" for row in rows)
    for path in (demo / "recordings").glob(f"{last}_*"):
        shutil.copy(path, path.with_name(path.name.replace(last, NEW)))


def run(study: Path) -> Run:
    """Run the workflow as `make run` does."""
    notes = study / "meter"
    notes.unlink(missing_ok=True)
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    done = subprocess.run(
        [
            *(sys.executable, "-m", "snakemake", "--snakefile", str(HOME / "Snakefile")),
            *("--workflow-profile", str(HOME / "profiles/default"), "--cores", str(CORES)),
        ],
        cwd=study,
        env=os.environ
        | {"PYTHONPATH": f"{HERE / 'meter'}:{HOME / 'src'}", "METER": str(notes)},
        capture_output=True,
        text=True,
    )
    wall_s, after = time.monotonic() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode:
        sys.exit(done.stderr[-3000:])
    rules: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for line in notes.read_text().splitlines():
        name, cpu_s, peak_mb = line.split()
        rules[name].append((float(cpu_s), float(peak_mb)))
    return Run(
        wall_s,
        after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime,
        done.stderr,
        {
            name: (len(jobs), sum(job[0] for job in jobs), max(job[1] for job in jobs))
            for name, jobs in rules.items()
        },
    )


def measure(n_patients: int) -> dict[str, Run]:
    """Return the three runs of one study."""
    with tempfile.TemporaryDirectory() as folder:
        study = Path(folder)
        simulate(study, n_patients)
        runs = {"whole": run(study), "again": run(study)}
        assert "Nothing to be done" in runs["again"].output
        add_patient(study)
        runs["one more"] = run(study)
        assert (study / f"results/minutes/{NEW}.parquet").exists()
    return runs


def main(sizes: list[int]) -> None:
    """Print how each number grows, and what each rule takes."""
    runs_of: dict[int, dict[str, Run]] = {}
    print(f"{CORES} cores; load of the machine before: {os.getloadavg()[0]:.1f}")
    print("patients  run       wall s   CPU s  CPU s, times that of the smallest")
    for n in sizes:
        runs_of[n] = measure(n)
        for name, one in runs_of[n].items():
            ratio = one.cpu_s / runs_of[sizes[0]][name].cpu_s
            print(
                f"{n:8d}  {name:8s} {one.wall_s:7.1f} {one.cpu_s:7.1f} {ratio:6.2f}", flush=True
            )
    print("\nrule             jobs, CPU s and largest peak MB with", *sizes, "patients")
    for rule in runs_of[sizes[-1]]["whole"].rules:
        cells = [runs_of[n]["whole"].rules.get(rule, (0, 0.0, 0.0)) for n in sizes]
        print(f"{rule:16s}", *(f"{n:5d} {cpu:7.1f} {mb:5.0f}   " for n, cpu, mb in cells))


if __name__ == "__main__":
    main([int(text) for text in sys.argv[1:]] or [100, 300, 1000])
