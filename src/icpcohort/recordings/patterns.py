"""Patterns: the recordings in the study folder and its roots whose paths fit a pattern."""

import os
import re
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path, PurePosixPath
from typing import NamedTuple

from icpcohort.recordings import wfdb_headers
from icpcohort.recordings.chunks import RecordingError
from icpcohort.recordings.places import Places

FORMAT_OF = {
    **{".csv": "csv", ".csv.gz": "csv", ".parquet": "parquet"},
    **{".edf": "edf", ".bdf": "bdf", ".hea": "wfdb"},
}
PATIENT = "{patient}"
NOT_OF_RECORDINGS = ("config", "results", "logs")  # of a study whose folder holds config/
_IN_BRACES = re.compile(r"(\{[a-z_]+\})")


class File(NamedTuple):
    """A file that may be a recording: its path as it is listed, and the patient in it."""

    listed: str
    format: str
    patient_id: str | None  # None: the pattern names no patient, the file is one for all


class Found(NamedTuple):
    """The files by how they fit."""

    files: list[File]
    of_unknown: list[File]  # their patients are not in the table of patients
    unfitting: list[str]
    outside: list[str]  # links that lead out of the study folder and of every root


def find(patterns: Sequence[str], *, places: Places, patients: Collection[str]) -> Found:
    """Find the files that fit a pattern, with one walk through each folder that is named.

    Links of folders are not followed, and a link of a file only within the places. A header of
    a segment of a WFDB record belongs to the record. Files have the order of their paths.

    Parameters
    ----------
    patients : the identifiers in the table of patients
        Where a path could name several, the longest one counts.
    """
    known = sorted(patients, key=lambda patient_id: (-len(patient_id), patient_id))
    of_known = "|".join(map(re.escape, known)) or "(?!)"
    expressions = [
        (_expression(pattern, of_known), _expression(pattern, "[^/]+?")) for pattern in patterns
    ]
    found = Found([], [], [], [])
    for root in dict.fromkeys(_root(pattern, places) for pattern in patterns):
        for listed, path, format in _recordings_in(root, places):
            if path.is_symlink() and not places.hold(path):
                found.outside.append(listed)
                continue
            fits = _fit(listed, [first for first, _ in expressions])
            fits_unknown = fits or _fit(listed, [second for _, second in expressions])
            if fits:
                found.files.append(File(listed, format, fits[0]))
            elif fits_unknown:
                found.of_unknown.append(File(listed, format, fits_unknown[0]))
            else:
                found.unfitting.append(listed)
    return found


def wrong_patterns(patterns: object, *, has_patient_column: bool) -> list[str]:
    """List the patterns that do not say whose a file is."""
    lines = []
    for pattern in patterns if isinstance(patterns, list) else ():
        n = str(pattern).count(PATIENT)
        if n > 1 or (n == 0 and not has_patient_column):
            lines.append(
                f"recordings.patterns: '{pattern}' has {PATIENT} {n} times; write it once, or, "
                "of one file for all patients, state recordings.patient_column"
            )
    return lines


def _root(pattern: str, places: Places) -> str | None:
    return places.root_of(_IN_BRACES.split(pattern)[0] + "x")


def _expression(pattern: str, of_patient: str) -> re.Pattern[str]:
    parts = [
        f"(?P<patient>{of_patient})"
        if part == PATIENT
        else ("[^/]+" if _IN_BRACES.fullmatch(part) else re.escape(part))
        for part in _IN_BRACES.split(str(PurePosixPath(pattern)))
    ]
    return re.compile("".join(parts))


def _fit(listed: str, expressions: Sequence[re.Pattern[str]]) -> tuple[str | None] | None:
    """Return the patient that the first fitting expression names, or None without any."""
    for expression in expressions:
        if match := expression.fullmatch(listed):
            return (match.groupdict().get("patient"),)
    return None


def _recordings_in(root: str | None, places: Places) -> Iterator[tuple[str, Path, str]]:
    """Yield path as listed, file and format of whatever has the ending of a recording."""
    top = places.folder if root is None else places.roots[root]
    for folder, names, files in os.walk(top):
        if Path(folder) == top and root is None and "config" in names:
            names[:] = [name for name in names if name not in NOT_OF_RECORDINGS]
        names[:] = sorted(name for name in names if not name.startswith("."))
        paths = [(Path(folder) / name, _format(name)) for name in sorted(files)]
        segments = _segments(
            [path for path, format in paths if format == "wfdb" and not path.is_symlink()]
        )
        for path, format in paths:
            if format is not None and path not in segments:
                relative = path.relative_to(top).as_posix()
                yield relative if root is None else f"{root}/{relative}", path, format


def _format(name: str) -> str | None:
    if name.startswith("."):
        return None
    return next((f for ending, f in FORMAT_OF.items() if name.lower().endswith(ending)), None)


def _segments(headers: Sequence[Path]) -> set[Path]:
    """Return the headers that are segments of a record of another header beside them."""
    segments: set[Path] = set()
    for header in headers if len(headers) > 1 else ():
        try:
            parts = wfdb_headers.files_of(header)
        except (OSError, ValueError, IndexError, RecordingError):
            continue  # rubbish names no segments
        segments |= {part for part in parts if part.suffix == ".hea" and part != header}
    return segments
