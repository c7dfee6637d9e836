"""Running: one run at a time in a study folder, stopped cleanly, and continued after any end.

A run and the workflow that it started hold a lock of the kernel in `.snakemake/`. The kernel
lets go of it when they end, however they end, so it cannot be left behind. Snakemake's own lock
can; it is lifted where ours is free and the last run was started from here, else left alone.
"""

import fcntl
import os
import re
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import IO

import psutil

from icpcohort.commands import progress
from icpcohort.contracts import job_log

RUN_LOCK = "icpcohort.run"
MOST_LOGS = 5  # that are named
STOPS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
STOPPED = 130
DRY = {"-n", "--dry-run", "--dryrun"}
NOISE = re.compile(  # Snakemake announces each job three times; everything else is shown
    r"Select jobs to execute|Execute [0-9]+ jobs|\[[A-Z][a-z]{2} [A-Z][a-z]{2} |Finished jobid|"
    r"Complete log|Assuming unrestricted|Using workflow specific profile|Provided cores|"
    r"Rules claiming|Elapsed time|$"
)


class NotAlone(Exception):  # noqa: N818 (what the run is)
    """Another run is at work in the folder, or may be; the text says what to do."""


def run(
    study: Path,
    arguments: Sequence[str],
    *,
    repository: Path,
    say: Callable[[str], None],
) -> int:
    """Run the workflow on a study and return its exit code: 0 done, 1 not, 130 stopped.

    Parameters
    ----------
    arguments : sequence of str
        Given on to Snakemake, whose own defaults and the project's profile hold otherwise.

    Raises
    ------
    NotAlone
        Before anything is done.
    """
    command = [sys.executable, "-m", "snakemake", "--snakefile", str(repository / "Snakefile")]
    if "--workflow-profile" not in arguments:
        command += ["--workflow-profile", str(repository / "profiles" / "default")]
    command += ["--directory", str(study), "--rerun-incomplete"]
    again = f"icpcohort run {study}"
    with alone(study, say=say) as lock:
        date_to_now(study / "results", now_s=time.time(), say=say)
        environment = os.environ | {"ICPCOHORT_COMMAND": in_words(arguments)}
        began_s = time.time()
        code = _follow([*command, *arguments], keep_open=lock, environment=environment, say=say)
        of_errors = job_log.of_errors(study / "logs", since_s=began_s)
    if code == STOPPED:
        say(f"Stopped. What is finished is kept; go on with: {again}")
    elif code:
        for path in of_errors[:MOST_LOGS]:
            say(f"What a job said that failed: {path}")
        say(f"Not finished, for the reason above. What is finished is kept; then: {again}")
    elif not DRY & set(arguments):
        for line in progress.to_open((study / "results").resolve()):
            say(line)
    return code


@contextmanager
def alone(study: Path, *, say: Callable[[str], None]) -> Iterator[int]:
    """Hold the study for one run; lift the lock of a dead one that was started from here."""
    folder = study / ".snakemake"
    folder.mkdir(exist_ok=True)
    with (folder / RUN_LOCK).open("a+") as file:
        if not _lock(file):
            raise NotAlone(
                f"{study}: another run is at work in this folder; wait for it, or stop it first"
            )
        file.seek(0)
        if (began_on := file.read().strip()) or any((folder / "locks").glob("*")):
            _lift(study, began_on, folder / RUN_LOCK, say=say)
        file.truncate(0)
        file.write(socket.gethostname())
        file.flush()
        yield file.fileno()
        if not any((folder / "locks").glob("*")):  # else Snakemake was killed
            file.truncate(0)


def _lift(study: Path, began_on: str, lock: Path, *, say: Callable[[str], None]) -> None:
    """Remove Snakemake's own lock, as its --unlock does, or refuse in words.

    A job outlives the workflow that was killed; it is waited for.
    """
    if began_on != socket.gethostname():
        where = f"on {began_on}" if began_on else "with snakemake itself"
        raise NotAlone(
            f"{study}: a run was begun {where}, and its end is not known here; make sure that "
            f"it has ended, then: rm -rf {lock} {lock.parent / 'locks'}"
        )
    say("The last run was killed; going on from what it finished")
    if jobs := _jobs_in(study):
        say(f"Waiting for {len(jobs)} job(s) of it that still work")
        psutil.wait_procs(jobs)
    shutil.rmtree(lock.parent / "locks", ignore_errors=True)


def _jobs_in(study: Path) -> list[psutil.Process]:
    """Return the processes on this machine that run a script of the study's workflow."""
    scripts = str((study / ".snakemake" / "scripts").resolve())
    return [
        process
        for process in psutil.process_iter(["cmdline"])
        if any(word.startswith(scripts) for word in process.info["cmdline"] or ())
    ]


def _lock(file: IO[str]) -> bool:
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError as error:
        raise NotAlone(
            f"{file.name}: this disk knows no locks ({error.strerror}); nothing would keep two "
            "runs apart: use another disk"
        ) from error
    return True


def in_words(arguments: Sequence[str]) -> str:
    """Return the command of a run, without the folders of an absolute path."""
    named = [re.sub(r"(?<![\w.])[/~][^=:,]*/", "", argument) for argument in arguments]
    return shlex.join(["icpcohort", "run", "STUDY", *named])


def _follow(
    command: list[str],
    *,
    keep_open: int,
    environment: Mapping[str, str],
    say: Callable[[str], None],
) -> int:
    """Show what a command says; hand each wish to stop on to it and its jobs, and wait."""
    wishes: list[int] = []
    began_s = time.monotonic()
    child = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
        start_new_session=True,  # a stop reaches it once, from here
        env=environment,
        pass_fds=[keep_open],  # the study stays held if this process is killed
    )

    def stop(_number: int, _frame: FrameType | None) -> None:
        wishes.append(_number)
        os.killpg(child.pid, signal.SIGINT)

    before = {number: signal.signal(number, stop) for number in STOPS}
    try:
        assert child.stdout is not None
        for line in child.stdout:
            if not NOISE.match(line):
                since_s = time.monotonic() - began_s
                say(progress.with_time_left(line.rstrip("\n"), since_s=since_s))
        code = child.wait()
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    return STOPPED if wishes and code else int(code != 0)


def _is_ours(path: Path) -> bool:
    return path.is_file() and not path.is_symlink()


def date_to_now(results: Path, *, now_s: float, say: Callable[[str], None]) -> None:
    """Date results from the future to now, in their order, after a clock was set back.

    What is older than its input is made again. A result from the future would look newer than
    inputs that were made again since, and would stay as it was.
    """
    dated = [(path.stat().st_mtime_ns, path) for path in results.rglob("*") if _is_ours(path)]
    now_ns = int(now_s * 1e9)
    ahead = sorted(pair for pair in dated if pair[0] > now_ns)
    for place, (_, path) in enumerate(reversed(ahead)):
        os.utime(path, ns=(now_ns - place, now_ns - place))
    if ahead:
        say(
            f"The clock was set back: {len(ahead)} results were dated to now; "
            "a recording from the future is read again at each run until its time has come"
        )
