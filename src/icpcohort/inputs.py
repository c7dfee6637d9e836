"""Inputs: the files of a study that the workflow's rules depend on."""

from pathlib import Path
from typing import Any

from icpcohort import recordings, study


def table(settings: dict[str, Any], name: str) -> str:
    """Return the path of one of the study's tables: patients, recordings, monitors, events."""
    return str(Path(settings["study"]["folder"]) / settings["study"][name])


def recording_files(
    tables: study.Study, settings: dict[str, Any], patient_id: str
) -> list[str]:
    """Return every existing file of a patient's recordings; a missing one becomes a reason."""
    folder = Path(settings["study"]["folder"])
    found = {
        str(path)
        for row in study.recordings_of(tables, patient_id)
        for path in recordings.files_of(folder / row["path"], format=row["format"])
    }
    return sorted(found)
