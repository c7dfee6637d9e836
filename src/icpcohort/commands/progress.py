"""Progress: how long a run still takes, and which files to open when it has ended."""

import re
from pathlib import Path

STEPS = re.compile(r"(?P<done>[0-9]+) of (?P<all>[0-9]+) steps \([0-9]+%\) done")
LEAST_S = 10.0  # before it the pace of a run says little
TO_OPEN = {
    "report.html": "the report",
    "patients.html": "each patient: recordings, minutes, numbers",
    "README.md": "what every other file holds",
}


def with_time_left(line: str, *, since_s: float) -> str:
    """Return a line of the workflow; where it counts steps, with the time that the rest takes.

    Parameters
    ----------
    line : str
        As the workflow prints it.
    since_s : float, s
        For how long it has been running.

    Source: our own choice: the rest at the pace so far, nothing in the first `LEAST_S`.
    """
    steps = STEPS.fullmatch(line)
    if steps is None or since_s < LEAST_S or steps["done"] == steps["all"]:
        return line
    n_done, n_all = int(steps["done"]), int(steps["all"])
    return f"{line}, at this pace {_in_words(since_s * (n_all - n_done) / n_done)} left"


def _in_words(seconds: float) -> str:
    if seconds < 60:
        return "under a minute"
    if seconds < 3600:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"


def to_open(results: Path) -> list[str]:
    """Return lines with the three files of a finished run that a person opens first."""
    there = {name: about for name, about in TO_OPEN.items() if (results / name).is_file()}
    lines = [f"  {results / name}  ({about})" for name, about in there.items()]
    return ["Open:", *lines] if lines else []
