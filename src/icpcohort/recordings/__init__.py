"""Recordings: files of ICP and ABP to chunks of samples in mmHg.

Only this package opens signal files. Whatever is wrong with one is a RecordingError.
"""

import contextlib
import difflib
import hashlib
import os
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from icpcohort.recordings import (
    edf_annotations,
    edf_files,
    tabular_files,
    wfdb_annotations,
    wfdb_files,
    wfdb_headers,
)
from icpcohort.recordings.annotations import Annotation
from icpcohort.recordings.channels import Wanted
from icpcohort.recordings.chunks import Chunk, Description, RecordingError

__all__ = [
    "FORMATS",
    "Annotation",
    "Chunk",
    "Description",
    "RecordingError",
    "annotation_files_of",
    "describe",
    "files_of",
    "fingerprint",
    "read_annotations",
    "read_chunks",
]

FORMATS = ("wfdb", "edf", "bdf", "csv", "parquet")


def files_of(path: Path, *, format: str) -> list[Path]:
    """Return the existing, readable files that make up a recording, sorted by name.

    A WFDB record has its header, its signal files and its segments' headers and signal files.
    Only text of headers is read; whatever cannot be read is not followed.
    """
    found = {path}
    if format == "wfdb":
        # rubbish names no further files; `describe` says what is wrong with it
        with contextlib.suppress(OSError, ValueError, IndexError, RecordingError):
            found.update(wfdb_headers.files_of(path))
    return sorted((p for p in found if _is_readable(p)), key=lambda p: (p.name, str(p)))


def _is_readable(path: Path) -> bool:
    try:
        return path.is_file() and os.access(path, os.R_OK)
    except (OSError, ValueError):
        return False


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
    icp_channel: str | None,
    abp_channel: str | None,
    icp_unit: str | None,
    abp_unit: str | None,
    icp_aliases: Sequence[str],
    abp_aliases: Sequence[str],
    time_column: str,
) -> Description:
    """Describe a recording without reading its samples.

    WFDB, EDF and BDF are described from headers and file sizes. CSV and Parquet have no header
    of time, so their time column is read once.

    Parameters
    ----------
    path : file; of a WFDB record its header (.hea)
    format : one of FORMATS
    icp_channel, abp_channel : exact name, or None to look for the aliases
    icp_unit, abp_unit : unit where the file states none, or None
    time_column : of CSV and Parquet: seconds since the recording's start

    Raises
    ------
    RecordingError
        Whatever is wrong, as a short reason and a detail that says what to do.
    """
    icp = Wanted("icp", icp_channel, icp_unit, icp_aliases)
    abp = Wanted("abp", abp_channel, abp_unit, abp_aliases)
    try:
        _check_file(path, format)
        if format == "wfdb":
            return wfdb_files.describe(path, icp=icp, abp=abp)
        if format in {"edf", "bdf"}:
            return edf_files.describe(path, format=format, icp=icp, abp=abp)
        return tabular_files.describe(
            path, format=format, icp=icp, abp=abp, time_column=time_column
        )
    except RecordingError:
        raise
    except Exception as error:  # parsers raise anything on a damaged file
        raise _unreadable(path, format, error) from error


def read_chunks(
    path: Path, description: Description, *, time_column: str, chunk_s: float
) -> Iterator[Chunk]:
    """Yield the samples of a described recording in the order of time.

    Parameters
    ----------
    time_column : of CSV and Parquet, as in `describe`
    chunk_s : float, s
        A chunk covers at most this, or one data record of EDF or one sample where that is
        longer; memory does not grow with the length of the recording (of Parquet: with that of
        a row group).

    Raises
    ------
    RecordingError
        At the chunk where something turns out to be wrong.
    """
    try:
        _check_file(path, description.format)
        if description.format == "wfdb":
            yield from wfdb_files.read(path, description, chunk_s=chunk_s)
        elif description.format in {"edf", "bdf"}:
            yield from edf_files.read(path, description, chunk_s=chunk_s)
        else:
            yield from tabular_files.read(
                path, description, time_column=time_column, chunk_s=chunk_s
            )
    except RecordingError:
        raise
    except Exception as error:  # parsers raise anything on a damaged file
        raise _unreadable(path, description.format, error) from error


def annotation_files_of(
    path: Path, *, format: str, wfdb_extensions: Sequence[str]
) -> list[Path]:
    """Return the files beside a recording that hold its annotations; only WFDB has such."""
    if format != "wfdb":
        return []
    return wfdb_annotations.files_of(path, extensions=wfdb_extensions)


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
    try:
        _check_file(path, format)
        if format == "wfdb":
            return wfdb_annotations.read(path, extensions=wfdb_extensions)
        if format in {"edf", "bdf"}:
            return edf_annotations.read(path, format=format)
        return []
    except RecordingError:
        raise
    except Exception as error:  # parsers raise anything on a damaged file
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
    if path.exists() and not path.is_file():
        raise RecordingError(
            "unreadable",
            f"{path.name}: a folder or a device, not a file; correct recordings.csv",
        )
    if not path.is_file():
        raise RecordingError(
            "missing_file", f"{path.name}: not there; restore it or correct recordings.csv"
        )
    if path.stat().st_size == 0:
        raise RecordingError("empty", f"{path.name}: a file of 0 bytes; restore it")
    if format == "wfdb" and path.suffix != ".hea":
        raise RecordingError(
            "unreadable",
            f"{path.name}: a WFDB record is given by its header; write "
            f"{path.with_suffix('.hea').name} in column path of recordings.csv",
        )


def _unreadable(path: Path, format: str, error: Exception) -> RecordingError:
    # a parser quotes the file: what it quotes may be rubbish, or somebody's date or name
    said = re.sub(r"(invalid value|got \d+):? .*", r"\1", " ".join(str(error).split()))
    said = "".join(c if c.isprintable() else "?" for c in said)[:300] or type(error).__name__
    return RecordingError(
        "unreadable",
        f"{path.name}: cannot be read as {format} ({said}); check its format or restore it",
    )
