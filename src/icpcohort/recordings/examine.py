"""Listed: what the file of one row of recordings.csv is, under the study's settings."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from icpcohort import recordings

COLUMNS = (
    *("path", "format", "icp_channel", "abp_channel", "icp_unit", "abp_unit"),
    "clock_zone",
)


class Listed(NamedTuple):
    """A recording that can be read, and how its files were when this was found out."""

    about: recordings.Description
    annotations: list[recordings.Annotation]
    before: dict[Path, recordings.State]


def examine(
    row: Mapping[str, Any],
    *,
    folder: Path,
    icp_channels: Sequence[str],
    abp_channels: Sequence[str],
    time_column: str,
    annotation_extensions: Sequence[str],
) -> Listed:
    """Describe a listed recording and read its annotations; the check and the run both do.

    Parameters
    ----------
    row : row of contracts.RECORDING_LIST
        Read are COLUMNS.
    folder : Path
        The study's, from which paths count, and which no file may leave.
    icp_channels, abp_channels, time_column, annotation_extensions
        Settings under `recordings`.

    Raises
    ------
    RecordingError
        As `recordings.guard`, `unchanged`, `describe` and `read_annotations`.
    """
    path, format = folder / row["path"], row["format"]
    before = recordings.guard(
        path, format=format, within=folder, wfdb_extensions=annotation_extensions
    )
    with recordings.unchanged(before):
        about = recordings.describe(
            path,
            format=format,
            icp_channel=row["icp_channel"],
            abp_channel=row["abp_channel"],
            icp_unit=row["icp_unit"],
            abp_unit=row["abp_unit"],
            icp_aliases=icp_channels,
            abp_aliases=abp_channels,
            time_column=time_column,
            clock_zone=row["clock_zone"],
        )
        notes = recordings.read_annotations(
            path, format=format, wfdb_extensions=annotation_extensions
        )
    return Listed(about, notes, before)
