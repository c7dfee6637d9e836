"""Simulated folder: a simulated cohort has its own folder and overwrites nothing else."""

import json
from pathlib import Path
from typing import Any

from icpcohort.contracts import atomic_write

MARKER = "SIMULATED"


class NotOurs(Exception):  # noqa: N818 (what the folder is)
    """The folder holds files that no complete simulation wrote; the text says what to do."""


def clear(folder: Path, *, made_by: dict[str, Any]) -> bool:
    """Make the folder ready for a cohort; False: the same one is there, whole.

    Parameters
    ----------
    made_by : dict
        All that decides the bytes of the cohort.

    Raises
    ------
    NotOurs
        Before anything is removed.
    """
    if folder.exists() and not folder.is_dir():
        raise NotOurs(f"{folder} is a file; name a folder")
    if folder.is_dir() and any(folder.iterdir()):
        written = _written_earlier(folder)
        present, listed = _files_in(folder), set(written["files"])
        if written["made_by"] == made_by and not listed - present:
            return False
        if stray := sorted(present - listed):
            raise NotOurs(
                f"{folder} holds {len(stray)} file(s) that no complete simulation wrote, such "
                f"as {stray[0]} (an interrupted one leaves some); remove them, or "
                "name another folder"
            )
        for name in present:
            (folder / name).unlink()
    folder.mkdir(parents=True, exist_ok=True)
    _sign(folder, made_by=None, files=set())
    return True


def sign(folder: Path, *, made_by: dict[str, Any]) -> None:
    """State that every file in the folder is of the cohort, and what made it."""
    _sign(folder, made_by=made_by, files=_files_in(folder))


def _sign(folder: Path, *, made_by: dict[str, Any] | None, files: set[str]) -> None:
    account = {"made_by": made_by, "files": sorted(files)}
    atomic_write.write(folder / MARKER, json.dumps(account, indent=1) + "\n")


def _written_earlier(folder: Path) -> dict[str, Any]:
    try:
        written: dict[str, Any] = json.loads((folder / MARKER).read_text(encoding="utf-8"))
        return {
            "made_by": written["made_by"],
            "files": [str(name) for name in written["files"]],
        }
    except FileNotFoundError:
        raise NotOurs(
            f"{folder} is not empty and was not written by this command; name another folder"
        ) from None
    except (ValueError, TypeError, KeyError):
        raise NotOurs(
            f"{folder / MARKER} cannot be read; remove the folder, or name another"
        ) from None


def _files_in(folder: Path) -> set[str]:
    return {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.name != MARKER and not path.is_dir()
    }
