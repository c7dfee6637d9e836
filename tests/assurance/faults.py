"""Faults on the way of a study, each with its outcome; afterwards a run gives the same bytes.

    python tests/assurance/faults.py            # each fault once
    python tests/assurance/faults.py kills 50   # fifty kills in a row, at random

`reference` is a study that ran undisturbed. After each fault whatever lies under its own name
in the results is whole: it has the bytes of the reference. Then `icpcohort run` goes on.
"""

import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import polars as pl
import psutil
import yaml

from icpcohort import simulate
from icpcohort.commands import verify
from icpcohort.contracts import atomic_write

HOME = Path(__file__).parents[2]
TIMED = {"provenance.html", "ro-crate-metadata.json", "SHA256SUMS"}  # they say when it was
PATIENCE_S = 600.0
DAY_S = 86_400
MAX_WORK_S = 6.0  # processor time at which a run is killed at the latest: one starts in 2.5


class Study:
    """A small study in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.results = folder, folder / "results"

    def copy(self, folder: Path) -> "Study":
        shutil.copytree(self.folder, folder, symlinks=True)
        return Study(folder)

    def start(self, *arguments: str, limit_bytes: int = 0) -> subprocess.Popen[str]:
        def limit() -> None:
            if limit_bytes:
                resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, limit_bytes))

        return subprocess.Popen(
            [
                *(sys.executable, "-m", "icpcohort.cli", "run", str(self.folder)),
                *("--cores", "2", *arguments),
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=os.environ | {"PYTHONPATH": str(HOME / "src")},
            preexec_fn=limit,
        )

    def run(self, *arguments: str, limit_bytes: int = 0) -> tuple[int, str]:
        return self.end_of(self.start(*arguments, limit_bytes=limit_bytes))

    def end_of(self, started: subprocess.Popen[str]) -> tuple[int, str]:
        text, _ = started.communicate(timeout=PATIENCE_S)
        return started.returncode, text

    def bytes_of_results(self) -> dict[str, bytes]:
        return {
            str(path.relative_to(self.results)): path.read_bytes()
            for path in sorted(self.results.rglob("*"))
            if path.is_file()
            and path.name not in TIMED
            and not path.name.endswith(atomic_write.PART)
        }

    def must_be_whole(self, reference: "Study") -> None:
        """Require that every result present has the bytes that an undisturbed run gives it."""
        right = reference.bytes_of_results()
        wrong = [n for n, content in self.bytes_of_results().items() if content != right.get(n)]
        assert not wrong, wrong

    def must_end_like(self, reference: "Study") -> str:
        """Require that the next run ends with the bytes of an undisturbed one."""
        code, text = self.run()
        assert code == 0, text
        assert self.bytes_of_results() == reference.bytes_of_results()
        verified = verify.verify(self.folder, schema_folder=HOME / "workflow/schemas")
        assert verified.problems == []
        return text

    def open_a_job(self) -> None:
        """Remove a result that nothing but the account depends on."""
        (self.results / "patients.html").unlink()


def small_study(folder: Path) -> Study:
    """Simulate two patients with a day of numbers each."""
    simulate.write_cohort(
        folder / "demo",
        n_patients=2,
        n_waveforms=0,
        waveform_h=(1.0, 1.0),
        numeric_h=(25.0, 26.0),
        seed=4,
        n_processes=1,
        progress=lambda _: None,
    )
    (folder / "config").mkdir()
    for name in ("config.yaml", "variables.yaml", "models.yaml"):
        settings = yaml.safe_load((HOME / "config" / name).read_text(encoding="utf-8"))
        (folder / "config" / name).write_text(yaml.safe_dump(settings, sort_keys=False))
    return Study(folder)


def family(started: subprocess.Popen[str]) -> list[psutil.Process]:
    """Return the processes that a run has started, the workflow first."""
    try:
        return psutil.Process(started.pid).children(recursive=True)
    except psutil.NoSuchProcess:
        return []


def job_of(started: subprocess.Popen[str]) -> psutil.Process:
    """Wait until a script of the workflow is at work, and return its process."""
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        for process in family(started):
            try:
                if any(word.endswith(".py") for word in process.cmdline()[1:2]):
                    return process
            except psutil.NoSuchProcess:
                continue
        assert started.poll() is None, "the run ended before a job of it was seen"
        time.sleep(0.02)
    raise AssertionError("no job was seen")


def kill(*processes: psutil.Process) -> None:
    for process in processes:
        try:
            process.kill()
        except psutil.NoSuchProcess:
            continue


# --- each fault --------------------------------------------------------------------------


def two_runs_at_once(study: Study, reference: Study) -> str:
    study.open_a_job()
    first = study.start()
    job_of(first)
    code, text = study.run()
    assert (code, "another run is at work" in text) == (2, True), text
    code, text = study.end_of(first)
    assert code == 0, text
    assert study.bytes_of_results() == reference.bytes_of_results()
    return "the second is refused in words, the first ends as if alone"


def stopped_by_ctrl_c(study: Study, reference: Study) -> str:
    study.open_a_job()
    started = study.start()
    job_of(started)
    started.send_signal(signal.SIGINT)
    code, text = study.end_of(started)
    assert code == 130, text
    assert text.rstrip().endswith(f"go on with: icpcohort run {study.folder}"), text
    assert not list((study.folder / ".snakemake/locks").glob("*"))
    study.must_be_whole(reference)
    text = study.must_end_like(reference)
    assert "was killed" not in text
    return "code 130, no lock left, says how to go on; the next run ends the same"


def killed_workflow(study: Study, reference: Study) -> str:
    study.open_a_job()
    started = study.start()
    job_of(started)
    kill(family(started)[0])
    code, text = study.end_of(started)
    assert code == 1 and "Not finished" in text, text
    study.must_be_whole(reference)
    text = study.must_end_like(reference)
    assert "The last run was killed; going on" in text, text
    return "its lock is lifted, its jobs are waited for; the next run ends the same"


def killed_job(study: Study, reference: Study) -> str:
    study.open_a_job()
    started = study.start()
    kill(job_of(started))
    code, text = study.end_of(started)
    assert code == 1 and ".py' died with <Signals.SIGKILL" in text, text
    study.must_be_whole(reference)
    study.must_end_like(reference)
    return "the run names the rule and ends with code 1; the next run ends the same"


def file_that_grows_too_large(study: Study, reference: Study) -> str:
    study.open_a_job()
    code, text = study.run(limit_bytes=16_000)
    assert code == 1 and "File too large" in text, text
    study.must_be_whole(reference)
    study.must_end_like(reference)
    return "the run says so and ends with code 1; the next run ends the same"


def full_disk(study: Study, reference: Study) -> str:
    with mounted(study, ["-t", "tmpfs", "-o", "size=400k", "tmpfs"]):
        code, text = study.run()
        assert code == 1 and "No space left" in text, text[-2000:]
        study.must_be_whole(reference)
        subprocess.run(["mount", "-o", "remount,size=64m", str(study.results)], check=True)
        study.must_end_like(reference)
    return "the run says so and ends with code 1; with room, the next ends the same"


def read_only_results(study: Study, reference: Study) -> str:
    study.open_a_job()
    with mounted(study, ["--bind", "-o", "ro", str(study.results)]):
        code, text = study.run()
        assert code == 1 and "Write-protected output" in text, text[-2000:]
    study.must_be_whole(reference)
    study.must_end_like(reference)
    return "the run says so and ends with code 1; once writable, the next ends the same"


class mounted:  # noqa: N801 (reads as a word)
    """Mount something on the results of a study for as long as the block lasts."""

    def __init__(self, study: Study, how: list[str]) -> None:
        self.study, self.how = study, how

    def __enter__(self) -> None:
        done = subprocess.run(
            ["mount", *self.how, str(self.study.results)], capture_output=True, text=True
        )
        if done.returncode:
            raise Skipped(f"cannot mount here: {done.stderr.strip()}")

    def __exit__(self, *_: object) -> None:
        subprocess.run(["umount", str(self.study.results)], check=True)


class Skipped(Exception):  # noqa: N818 (what the fault was)
    """The fault cannot be made on this machine; the text says why."""


def locked_directory(study: Study, reference: Study) -> str:
    locks = study.folder / ".snakemake" / "locks"
    locks.mkdir(exist_ok=True)
    (locks / "0.output.lock").write_text("results/patients.html\n")
    code, text = study.run()
    assert (code, "begun with snakemake itself" in text) == (2, True), text
    assert (locks / "0.output.lock").exists()
    shutil.rmtree(locks)  # as the words say
    study.must_end_like(reference)
    return "a lock of somebody else's run is left alone, and how to lift it is said"


def recording_that_changes(study: Study, reference: Study) -> str:
    """Between two steps: it disappears and comes back, then is another with an older date."""
    path = study.folder / "demo" / pl.read_csv(study.folder / "demo/recordings.csv")["path"][0]
    path = path.with_suffix(".dat") if path.suffix == ".hea" else path
    dated = path.stat()
    content = path.read_bytes()
    recordings = "results/recordings.parquet"
    path.unlink()
    code, text = study.run(recordings)
    assert code == 0, text
    assert pl.read_parquet(study.folder / recordings)["sha256"].null_count() <= 1
    assert (study.folder / recordings).read_bytes() != reference.bytes_of_results()[
        "recordings.parquet"
    ]
    path.write_bytes(content[: len(content) // 2])
    os.utime(path, ns=(dated.st_atime_ns, dated.st_mtime_ns - int(DAY_S * 1e9)))
    code, text = study.run(recordings)
    assert code == 0, text
    path.write_bytes(content)
    os.utime(path, ns=(dated.st_atime_ns, dated.st_mtime_ns))
    study.must_end_like(reference)
    return "its patient is read again each time, also with an older date; then the same"


def settings_that_change(study: Study, reference: Study) -> str:
    """Change values in the settings while the run is at work, then put them back."""
    study.open_a_job()
    path = study.folder / "config/config.yaml"
    text = path.read_text()
    started = study.start()
    job_of(started)
    path.write_text(text.replace("time_zero: injury", "time_zero: admission"))
    code, output = study.end_of(started)
    path.write_text(text)
    assert code == 0, output
    study.must_end_like(reference)
    return "jobs work by the settings that the run began with"


def clock_set_back(study: Study, reference: Study) -> str:
    """A day after the results were written it is the day before."""
    for path in study.results.rglob("*"):
        stat = path.stat()
        os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns + int(DAY_S * 1e9)))
    code, text = study.run()
    assert code == 0 and "The clock was set back" in text, text
    assert "Nothing to be done" in text, text
    models = study.folder / "config/models.yaml"
    plan = models.read_text()
    assert "unit_of_effect: 1.0" in plan
    models.write_text(plan.replace("unit_of_effect: 1.0", "unit_of_effect: 2.0"))
    code, text = study.run()
    assert code == 0, text
    assert (
        study.bytes_of_results()["report.html"] != reference.bytes_of_results()["report.html"]
    )
    models.write_text(plan)
    study.must_end_like(reference)
    return "results from the future are dated to now; a change reaches what depends on it"


FAULTS: tuple[Callable[[Study, Study], str], ...] = (
    *(two_runs_at_once, stopped_by_ctrl_c, killed_workflow, killed_job),
    *(file_that_grows_too_large, full_disk, read_only_results, locked_directory),
    *(recording_that_changes, settings_that_change, clock_set_back),
)


# --- kills in a row ----------------------------------------------------------------------


def kills(study: Study, reference: Study, *, n: int, seed: int) -> str:
    """Kill runs at random moments, each time going on from the last, and count what ended."""
    draw = random.Random(seed)
    counts = dict.fromkeys(("everything", "workflow", "command", "a job"), 0)
    n_ended = 0
    shutil.rmtree(study.results)
    while sum(counts.values()) < n:
        started = study.start()
        until_s = draw.uniform(0, MAX_WORK_S)
        while started.poll() is None and work_s(started) < until_s:
            time.sleep(0.02)
        if started.poll() is None:
            victim = draw.choice(sorted(counts))
            while not (struck := strike(started, victim, draw)) and started.poll() is None:
                time.sleep(0.02)  # no job is at work yet
            counts[victim] += struck
        code, _ = study.end_of(started)
        study.must_be_whole(reference)
        if code == 0:
            study.must_end_like(reference)
            n_ended += 1
            shutil.rmtree(study.results)
        print(sum(counts.values()), counts, f"code {code}", flush=True)
    study.must_end_like(reference)
    return f"{counts}; {n_ended + 1} studies ended, each with the bytes of an undisturbed run"


def work_s(started: subprocess.Popen[str]) -> float:
    """Return the processor time of a run so far, which does not depend on other load."""
    total_s = 0.0
    for process in family(started):
        try:
            total_s += sum(process.cpu_times()[:4])  # its own, and of children that have ended
        except psutil.NoSuchProcess:
            continue
    return total_s


def strike(started: subprocess.Popen[str], victim: str, draw: random.Random) -> bool:
    """Kill what is named; False if it was not there."""
    processes = family(started)
    command = psutil.Process(started.pid)
    if victim == "command":
        kill(command)
        # the workflow it started works on; a second run is refused until it has ended
        psutil.wait_procs(processes[:1], timeout=PATIENCE_S)
        return True
    if victim == "everything":
        kill(command, *processes)
        return True
    chosen = processes[:1] if victim == "workflow" else processes[1:]
    if chosen:
        kill(draw.choice(chosen))
    return bool(chosen)


def main(arguments: list[str]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        reference = small_study(root / "reference")
        code, text = reference.run()
        assert code == 0, text
        if arguments[:1] == ["kills"]:
            n, seed = int(arguments[1]), int((arguments[2:] or ["1"])[0])
            study = reference.copy(root / "killed")
            print(f"{n} kills, seed {seed}: {kills(study, reference, n=n, seed=seed)}")
            return
        for fault in FAULTS:
            if arguments and fault.__name__ not in arguments:
                continue
            study = reference.copy(root / fault.__name__)
            try:
                outcome = fault(study, reference)
            except Skipped as why:
                outcome = f"skipped: {why}"
            print(f"{fault.__name__.replace('_', ' ')}: {outcome}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
