"""Inputs: the files of a study that the workflow's rules depend on, and what lies astray."""

from collections.abc import Collection, Mapping
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
    extensions = settings["recordings"]["annotation_extensions"]
    found: set[str] = set()
    for row in study.recordings_of(tables, patient_id):
        found.update(
            str(path)
            for path in recordings.files_of(
                folder / row["path"],
                format=row["format"],
                within=folder,
                wfdb_extensions=extensions,
            )
        )
    return sorted(found)


PER_PATIENT = (
    *("recordings", "excluded", "intervals", "trends", "artefacts"),
    *("quality", "masked", "recording_quality", "recording_masked"),
    *("minutes", "curves", "optima", "pictures"),
)


def strays(results: Path, *, patients: Collection[str], models: Collection[str]) -> list[str]:
    """Name results of patients and models that the study no longer has; none enters a table."""
    found = [
        path
        for name in PER_PATIENT
        for kind in ("parquet", "svg")
        for path in results.glob(f"{name}/*.{kind}")
        if path.stem not in patients
    ]
    found += [path for path in results.glob("models/*") if path.name not in models]
    return [
        f"{path}: of an earlier run and no longer in the study; remove it"
        for path in sorted(found)
    ]


def of_family(model: Mapping[str, object], *, updates: str) -> list[str]:
    """Return the day-by-day exposures where a model needs them, else nothing."""
    return [updates] if model["family"] == "cox_time_dependent" else []
