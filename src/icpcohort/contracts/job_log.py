"""Job log: what a job writes to its standard error, kept in the `log` file of its rule."""

import os
import sys
from collections.abc import Sequence
from pathlib import Path

_kept: set[Path] = set()


def keep(log: Sequence[str]) -> None:
    """Send what this process writes to its standard error to a file.

    An error of a script, with the place where it happened, is thus found after the run.

    Parameters
    ----------
    log : sequence of one str
        The `log` of the rule.
    """
    path = Path(log[0])
    if path in _kept:  # a job that runs several scripts
        return
    _kept.add(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    sys.stderr.flush()
    with path.open("wb") as file:
        os.dup2(file.fileno(), 2)


def of_errors(folder: Path, *, since_s: float) -> list[Path]:
    """Return the logs that were written to since a moment, and remove empty ones.

    Parameters
    ----------
    folder : Path
        The study's `logs`; it need not exist.
    since_s : float, s
        As `time.time()` gives it.
    """
    logs = []
    for path in sorted(folder.rglob("*.log")):
        stat = path.stat()
        if stat.st_size == 0:
            path.unlink()
        elif stat.st_mtime >= since_s:
            logs.append(path)
    return logs
