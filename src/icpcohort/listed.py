"""Listed: what the file of one row of recordings.csv is, under the study's settings."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from icpcohort import recordings

COLUMNS = ("path", "format", "icp_channel", "abp_channel", "icp_unit", "abp_unit")


def describe(
    row: Mapping[str, Any],
    *,
    folder: Path,
    icp_channels: Sequence[str],
    abp_channels: Sequence[str],
    time_column: str,
) -> recordings.Description:
    """Describe a listed recording; the check and the run both do it here, so they agree.

    Parameters
    ----------
    row : row of contracts.RECORDING_LIST
        Read are COLUMNS.
    folder : Path
        The study's, from which paths count.
    icp_channels, abp_channels, time_column : settings under `recordings`

    Raises
    ------
    RecordingError
        As `recordings.describe`.
    """
    return recordings.describe(
        folder / row["path"],
        format=row["format"],
        icp_channel=row["icp_channel"],
        abp_channel=row["abp_channel"],
        icp_unit=row["icp_unit"],
        abp_unit=row["abp_unit"],
        icp_aliases=icp_channels,
        abp_aliases=abp_channels,
        time_column=time_column,
    )
