"""Files of a recording: where they lie, whether they can be read, whether they change."""

import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import NamedTuple

from icpcohort.recordings.chunks import RecordingError


class State(NamedTuple):
    """What changes when a file is written or replaced: size, time, number."""

    n_bytes: int
    mtime_ns: int
    inode: int


def is_readable(path: Path) -> bool:
    """Tell whether there is a file that may be read."""
    try:
        return path.is_file() and os.access(path, os.R_OK)
    except (OSError, ValueError):
        return False


def is_inside(path: Path, folder: Path) -> bool:
    """Tell whether a file lies in a folder once every link is followed."""
    try:
        return path.resolve().is_relative_to(folder.resolve())
    except (OSError, ValueError, RuntimeError):  # a loop of links, rubbish for a name
        return False


def check_readable(path: Path) -> None:
    """Refuse a path that is not a readable file, or an empty file.

    Raises
    ------
    RecordingError
        `missing_file`, `not_a_file`, `no_permission` or `empty`.
    """
    try:
        status = path.stat()
    except PermissionError:
        raise _no_permission(path) from None
    except (OSError, ValueError):
        raise RecordingError(
            "missing_file", f"{path.name}: not there; restore it or correct recordings.csv"
        ) from None
    if not path.is_file():
        raise RecordingError(
            "not_a_file",
            f"{path.name}: a folder or a device, not a file; correct recordings.csv",
        )
    if not os.access(path, os.R_OK):
        raise _no_permission(path)
    if status.st_size == 0:
        raise RecordingError("empty", f"{path.name}: a file of 0 bytes; restore it")


def check_readable_if_there(path: Path) -> None:
    """Refuse a folder or a forbidden file in place of a part of a recording.

    Raises
    ------
    RecordingError
        `not_a_file` or `no_permission`.
    """
    try:
        check_readable(path)
    except RecordingError as error:
        if error.reason not in {"missing_file", "empty"}:
            raise


def _no_permission(path: Path) -> RecordingError:
    return RecordingError(
        "no_permission",
        f"{path.name}: this user may not read it; give the right to read, to its folders too",
    )


def states(paths: Iterable[Path]) -> dict[Path, State]:
    """Return the present state of files, without those that are not there."""
    state_of = {}
    for path in paths:
        try:
            status = path.stat()
        except (OSError, ValueError):
            continue
        state_of[path] = State(status.st_size, status.st_mtime_ns, status.st_ino)
    return state_of


def check_unchanged(before: Mapping[Path, State]) -> None:
    """Refuse a recording whose files have changed.

    Raises
    ------
    RecordingError
        `changed_while_read`.
    """
    now = states(before)
    changed = [path.name for path, state in before.items() if now.get(path) != state]
    if changed:
        raise RecordingError(
            "changed_while_read",
            f"{', '.join(changed)}: written while it was read; wait until the export is "
            "complete and run again",
        )
