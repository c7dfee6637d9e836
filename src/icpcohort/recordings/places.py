"""Places: where recordings may lie, in the study folder and in roots outside it.

A path of recordings.csv whose first part is the name of a root lies in that root; any other
path counts from the study folder. Where a root lies is known on one machine alone: results,
messages and params of a run have paths as they are listed, never the folder of a root.
"""

import json
import re
from collections.abc import Iterator, Mapping
from pathlib import Path, PurePosixPath
from types import MappingProxyType
from typing import Any, NamedTuple

from icpcohort.recordings import file_checks
from icpcohort.recordings.chunks import RecordingError

ENVIRONMENT = "ICPCOHORT_ROOTS"  # of a run's jobs: the roots, which no rule's params hold
_NAME = re.compile(r"[a-z][a-z0-9_]*")


class Places(NamedTuple):
    """The study folder, and the roots by the names that paths begin with."""

    folder: Path
    roots: Mapping[str, Path] = MappingProxyType({})

    def root_of(self, listed: str) -> str | None:
        """Return the name of the root that a listed path begins with, or None."""
        parts = PurePosixPath(listed).parts
        return parts[0] if len(parts) > 1 and parts[0] in self.roots else None

    def path_of(self, listed: str) -> Path:
        """Return the file that a path of recordings.csv means."""
        root = self.root_of(listed)
        if root is None:
            return self.folder / listed
        return self.roots[root].joinpath(*PurePosixPath(listed).parts[1:])

    def listed_as(self, path: Path) -> str:
        """Return a file's path without the folder of a root; the order of names rests on it."""
        for name, root in self.roots.items():
            if path.is_relative_to(root):
                return f"{name}/{path.relative_to(root).as_posix()}"
        return str(path)

    def hold(self, path: Path) -> bool:
        """Return whether a file lies in one of the folders once every link is followed."""
        return any(file_checks.is_inside(path, f) for f in (self.folder, *self.roots.values()))

    def check(self, path: Path) -> None:
        """Refuse a file outside all folders.

        Raises
        ------
        RecordingError
            `outside_study`.
        """
        if not self.hold(path):
            beside = " and of recordings.roots" if self.roots else ""
            raise RecordingError(
                "outside_study",
                f"{path.name}: its path or a link leads out of the study folder{beside}; put "
                "the file itself into the study folder and correct recordings.csv",
            )

    def problems(self) -> Iterator[str]:
        """Yield a line for each root that is not there, or whose name a folder has too."""
        for name, root in self.roots.items():
            if not root.is_dir():
                yield (
                    f"config.yaml, recordings.roots.{name}: no such folder; make it reachable "
                    "on this machine, or write where it lies"
                )
            if (self.folder / name).exists():
                yield (
                    f"config.yaml, recordings.roots.{name}: the study folder holds '{name}' "
                    f"too, so a path {name}/... has two meanings; give the root another name"
                )


def of(settings: Mapping[str, Any]) -> Places:
    """Return the places of checked settings: `study.folder` and `recordings.roots`."""
    roots = settings.get("recordings", {}).get("roots") or {}
    return Places(
        Path(settings["study"]["folder"]), {name: Path(root) for name, root in roots.items()}
    )


def are_shared(settings: Mapping[str, Any]) -> bool:
    """Return whether a file may be of several patients: `recordings.patient_column`."""
    return bool(settings.get("recordings", {}).get("patient_column"))


def wrong_roots(roots: object) -> list[str]:
    """List the roots whose name no path can begin with, and folders that are not written."""
    lines = []
    for name, folder in roots.items() if isinstance(roots, dict) else ():
        where = f"recordings.roots.{name}"
        if not _NAME.fullmatch(str(name)):
            lines.append(
                f"{where}: no name of a root; write small letters, digits and _, a letter first"
            )
        if isinstance(folder, str) and (not folder.strip() or folder.startswith("~")):
            lines.append(f"{where}: '{folder}' is no folder; write the whole path")
    return lines


# --- from a run to its jobs ----------------------------------------------------------------


def as_environment(places: Places) -> str:
    """Return the roots as the text that `from_environment` reads."""
    return json.dumps({name: str(root) for name, root in places.roots.items()})


def from_environment(environment: Mapping[str, str], *, folder: str) -> Places:
    """Return the places in a job: the study folder, and the roots of the run."""
    roots = json.loads(environment.get(ENVIRONMENT, "{}"))
    return Places(Path(folder), {name: Path(root) for name, root in roots.items()})
