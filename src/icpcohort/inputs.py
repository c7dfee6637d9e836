"""Inputs: the files of a study that the workflow's rules depend on, and what lies astray."""

import hashlib
from collections.abc import Collection, Mapping, MutableMapping, Sequence
from pathlib import Path
from typing import Any

from icpcohort import recordings, study

AT_START = (
    "ICPCOHORT_AT_START"  # environment of a run's jobs: what its settings and tables were
)


class ChangedError(RuntimeError):
    """Settings or tables were changed while the study ran; the text says what to do."""


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


def stamps(paths: Sequence[str | Path]) -> list[str]:
    """Return size and time of change [whole seconds] of each file, as text.

    A file that was put back with an older date differs by these, and by nothing that a
    comparison of dates would see.
    """
    stats = [Path(path).stat() for path in paths]
    return [f"{stat.st_size} {int(stat.st_mtime)}" for stat in stats]


def of_the_study(settings: Mapping[str, Any]) -> list[Path]:
    """Return the settings, the plan and the tables of a study."""
    folder = Path(settings["study"]["folder"])
    tables = [folder / settings["study"][name] for name in study.TABLES]
    return [Path("config/config.yaml"), Path("config/models.yaml"), *tables]


def hold_to_the_start(
    settings: Mapping[str, Any], environment: MutableMapping[str, str]
) -> None:
    """Note what the settings and tables of a run are; its jobs stop if they have changed since.

    On one machine a job has its settings from the run; on a cluster it reads them anew.

    Raises
    ------
    ChangedError
        In a job that would work by other settings than those the run began with.
    """
    digest = hashlib.sha256()
    for path in of_the_study(settings):
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    now = digest.hexdigest()
    if environment.setdefault(AT_START, now) != now:
        raise ChangedError(
            "config/ or a table of the study was changed while it ran; what is finished is "
            "kept: start the run again"
        )


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
