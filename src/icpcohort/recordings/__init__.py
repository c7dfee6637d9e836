"""Recordings: files to chunks of samples of the declared signals, each in its own unit.

Only this package opens signal files. Whatever is wrong with one is a RecordingError.
"""

import contextlib
import difflib
import hashlib
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import polars as pl

from icpcohort.recordings import (
    edf_annotations,
    edf_files,
    file_checks,
    tabular_files,
    wfdb_annotations,
    wfdb_files,
    wfdb_headers,
)
from icpcohort.recordings.annotations import Annotation
from icpcohort.recordings.channels import Wanted
from icpcohort.recordings.chunks import Chunk, Description, RecordingError, Source, Whose
from icpcohort.recordings.file_checks import State
from icpcohort.recordings.places import Places
from icpcohort.recordings.time_columns import Timing

__all__ = [
    "FORMATS",
    "Annotation",
    "Chunk",
    "Description",
    "Places",
    "RecordingError",
    "Source",
    "State",
    "Timing",
    "Wanted",
    "Whose",
    "describe",
    "files_of",
    "fingerprint",
    "guard",
    "read_annotations",
    "read_chunks",
    "unchanged",
]

FORMATS = ("wfdb", "edf", "bdf", "csv", "parquet")

_DATE = re.compile(r"\d{4}([-./])\d\d?\1\d\d?|\d\d?([-./])\d\d?\2\d{2,4}")


def files_of(
    path: Path, *, format: str, within: Places, wfdb_extensions: Sequence[str] = ()
) -> list[Path]:
    """Return the existing, readable files that make up a recording, sorted by name.

    A WFDB record has its header, its signal files, its segments' headers and signal files, and
    the annotation files with one of `wfdb_extensions`. Only text of headers is read; whatever
    cannot be read is not followed, and what lies outside the places `within`, itself or through
    a link, is left out.
    """
    return sorted(
        (
            file
            for file in _named_files(path, format, within, wfdb_extensions)
            if file_checks.is_readable(file) and within.hold(file)
        ),
        key=lambda file: (file.name, str(file)),
    )


def _named_files(
    path: Path, format: str, within: Places, wfdb_extensions: Sequence[str]
) -> set[Path]:
    """Return a recording's files, whether they exist or not; a file outside names no others."""
    files = {path}
    inside = within.hold(path)
    if format == "wfdb" and inside and file_checks.is_readable(path):
        # rubbish names no further files; `describe` says what is wrong with it
        with contextlib.suppress(OSError, ValueError, IndexError, RecordingError):
            files.update(wfdb_headers.files_of(path))
            files.update(wfdb_annotations.files_of(path, extensions=wfdb_extensions))
    return files


def guard(
    path: Path, *, format: str, within: Places, wfdb_extensions: Sequence[str]
) -> dict[Path, State]:
    """Return the state of a recording's files before they are read, for `unchanged`.

    Raises
    ------
    RecordingError
        `outside_study` unless all files lie in the places `within` once links are followed;
        `not_a_file` or `no_permission`.
    """
    named = _named_files(path, format, within, wfdb_extensions)
    for part in named:
        within.check(part)
    for part in sorted(named - {path}):  # of `path` itself, and of what is missing, when read
        file_checks.check_readable_if_there(part)
    return file_checks.states(named)


@contextlib.contextmanager
def unchanged(before: Mapping[Path, State]) -> Iterator[None]:
    """Read a recording while nobody writes its files.

    Raises
    ------
    RecordingError
        `changed_while_read` at the end, also in place of what went wrong because of it.
    """
    try:
        yield
    except RecordingError:
        file_checks.check_unchanged(before)
        raise
    file_checks.check_unchanged(before)


def fingerprint(paths: Sequence[Path]) -> str:
    """Return the SHA-256 of the files' contents, joined in the order of their names.

    Source: FIPS 180-4; for one file it is what `sha256sum` prints.
    """
    digest = hashlib.sha256()
    for path in sorted(paths, key=lambda p: (p.name, str(p))):
        with path.open("rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
    return digest.hexdigest()


def describe(
    path: Path,
    *,
    format: str,
    wanted: Sequence[Wanted],
    timing: Timing,
    whose: Whose | None = None,
) -> Description:
    """Describe a recording without reading its samples.

    WFDB, EDF and BDF are described from headers and file sizes. CSV and Parquet have no header
    of time, so their time column is read once.

    Parameters
    ----------
    path : file; of a WFDB record its header (.hea)
    format : one of FORMATS
    wanted : of each declared signal the exact name of its channel, or None to look for the
        aliases; its unit where the file states none, or None; and the unit to convert to. The
        file must have the first.
    timing : of CSV and Parquet: which column has the times, and how they are written
    whose : of CSV and Parquet: whose rows are the recording where the file has such a column

    Raises
    ------
    RecordingError
        Whatever is wrong, as a short reason and a detail that says what to do.
    """
    with _in_words(path, format):
        _check_file(path, format)
        if format == "wfdb":
            return wfdb_files.describe(path, wanted=wanted)
        if format in {"edf", "bdf"}:
            return edf_files.describe(path, format=format, wanted=wanted)
        return tabular_files.describe(
            path,
            format=format,
            wanted=wanted,
            timing=timing,
            whose=whose,
        )


def read_chunks(
    path: Path,
    description: Description,
    *,
    timing: Timing,
    chunk_s: float,
    whose: Whose | None = None,
) -> Iterator[Chunk]:
    """Yield the samples of a described recording in the order of time.

    Parameters
    ----------
    timing, whose : of CSV and Parquet, as in `describe`
    chunk_s : float, s
        A chunk covers at most this, or one data record of EDF or one sample where that is
        longer; memory does not grow with the length of the recording (of Parquet: with the
        size of a page).

    Raises
    ------
    RecordingError
        At the chunk where something turns out to be wrong.
    """
    with _in_words(path, description.format):
        _check_file(path, description.format)
        if description.format == "wfdb":
            yield from wfdb_files.read(path, description, chunk_s=chunk_s)
        elif description.format in {"edf", "bdf"}:
            yield from edf_files.read(path, description, chunk_s=chunk_s)
        else:
            yield from tabular_files.read(
                path,
                description,
                timing=timing,
                chunk_s=chunk_s,
                whose=whose,
            )


def read_annotations(
    path: Path, *, format: str, wfdb_extensions: Sequence[str]
) -> list[Annotation]:
    """Return what is marked inside a recording, in the order of time.

    EDF+ and BDF+ hold annotations themselves; a WFDB record has them in files beside its
    header. CSV, Parquet and plain EDF have none.

    Parameters
    ----------
    wfdb_extensions : extensions of annotation files, such as "atr"; absent files have none

    Raises
    ------
    RecordingError
        Whatever is wrong with the annotations or with the header.
    """
    with _in_words(path, format):
        _check_file(path, format)
        if format == "wfdb":
            return wfdb_annotations.read(path, extensions=wfdb_extensions)
        if format in {"edf", "bdf"}:
            return edf_annotations.read(path, format=format)
        return []


@contextlib.contextmanager
def _in_words(path: Path, format: str) -> Iterator[None]:
    """Turn whatever a parser raises on a damaged file into a RecordingError without a date."""
    try:
        yield
    except RecordingError as error:
        raise _without_dates(error) from error.__cause__
    except (Exception, pl.exceptions.PanicException) as error:
        raise _unreadable(path, format, error) from error


def _check_file(path: Path, format: str) -> None:
    if format not in FORMATS:
        near = difflib.get_close_matches(format.lower(), FORMATS, n=1)
        hint = f"did you mean {near[0]!r}? " if near else ""
        raise RecordingError(
            "unknown_format",
            f"{path.name}: no format {format!r}; {hint}write one of {', '.join(FORMATS)} in "
            "column format of recordings.csv",
        )
    file_checks.check_readable(path)
    if format == "wfdb" and path.suffix != ".hea":
        raise RecordingError(
            "unreadable",
            f"{path.name}: a WFDB record is given by its header; write "
            f"{path.with_suffix('.hea').name} in column path of recordings.csv",
        )


def _unreadable(path: Path, format: str, error: BaseException) -> RecordingError:
    # a parser quotes the file: what it quotes may be rubbish, or somebody's date or name
    # and its folder is no part of what is wrong with it
    message = str(error).replace(f"{path.parent}/", "")
    message = re.sub(r"(invalid value|got \d+):? .*", r"\1", " ".join(message.split()))
    words = "".join(c if c.isprintable() else "?" for c in message)[:300]
    return _without_dates(
        RecordingError(
            "unreadable",
            f"{path.name}: cannot be read as {format} ({words or type(error).__name__}); "
            "check its format or restore it",
        )
    )


def _without_dates(error: RecordingError) -> RecordingError:
    """Keep calendar dates, which a damaged heading may hold, out of the message."""
    return RecordingError(error.reason, _DATE.sub("(a date)", error.detail))
