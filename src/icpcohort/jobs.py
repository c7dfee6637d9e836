"""Jobs: what the workflow's rules depend on, who shares a job, and stray results."""

import hashlib
import itertools
import re
import zlib
from collections.abc import Callable, Collection, Iterable, Mapping, MutableMapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from string import Formatter
from types import SimpleNamespace
from typing import Any, NamedTuple

from icpcohort import recordings
from icpcohort.provenance import plan_lock
from icpcohort.recordings import places
from icpcohort.specifications import choices
from icpcohort.study import families, left_out, settings, tables

AT_START = (
    "ICPCOHORT_AT_START"  # environment of a run's jobs: what its settings and tables were
)


class ChangedError(RuntimeError):
    """Settings or tables were changed while the study ran; the text says what to do."""


class NotReady(Exception):  # noqa: N818 (what the study is)
    """The study cannot be run; the text has one problem per line."""


class Study(NamedTuple):
    """What a study states, read and checked."""

    settings: dict[str, Any]
    models: dict[str, Any]
    questions: dict[str, Any]
    tables: tables.Study
    locked: dict[str, Any] | None
    reasons: dict[str, Any]


def read(home: Path, environment: MutableMapping[str, str]) -> Study:
    """Read the study in the working directory.

    Parameters
    ----------
    home : Path
        The checkout, with its schemas.
    environment : mapping
        Of the run: gets when it started and by which command, and the roots of recordings, for
        its jobs.

    Returns
    -------
    Study
        The settings without the roots: a job has them from the environment, so that moving an
        archive changes no rule's params.

    Raises
    ------
    NotReady
        With every problem of the settings, the plan, the tables or the lock.
    """
    schemas = home / "workflow/schemas"
    try:
        asked, models = settings.load(
            Path("config/config.yaml"), Path("config/models.yaml"), schema_folder=schemas
        )
        questions = choices.load(
            Path("config/specifications.yaml"),
            settings=asked,
            models=models,
            schema_folder=schemas,
        )
        study = tables.read_study(asked)
        locked = plan_lock.read(Path(plan_lock.FILE))
        reasons = plan_lock.read_reasons(Path(plan_lock.CHANGES_FILE), schema_folder=schemas)
        refuse_changed_settings(asked, environment)
    except (
        settings.SettingsError,
        tables.StudyError,
        plan_lock.LockError,
        ChangedError,
    ) as problems:
        raise NotReady(str(problems)) from problems
    now = datetime.now(UTC).isoformat(timespec="seconds")
    environment.setdefault("ICPCOHORT_STARTED", now)
    environment.setdefault("ICPCOHORT_COMMAND", "snakemake")
    environment[places.ENVIRONMENT] = places.as_environment(places.of(asked))
    return Study(settings.without_places(asked), models, questions, study, locked, reasons)


def table(settings: dict[str, Any], name: str) -> str:
    """Return the path of one of the study's tables: patients, recordings, monitors, events."""
    return str(Path(settings["study"]["folder"]) / settings["study"][name])


def recording_files(
    study: tables.Study, settings: dict[str, Any], patient_id: str
) -> list[str]:
    """Return every existing file of a patient's recordings; a missing one becomes a reason.

    A recording that the group leaves out is not read and has none.
    """
    where = recordings.Places(Path(settings["study"]["folder"]), study.roots)
    extensions = settings["recordings"]["annotation_extensions"]
    paths: set[Path] = set()
    reasons = left_out.of_patient(study, patient_id)
    for row in tables.recordings_of(study, patient_id):
        if left_out.reason(row["recording_id"], reasons):
            continue
        paths.update(
            recordings.files_of(
                where.path_of(row["path"]),
                format=row["format"],
                within=where,
                wfdb_extensions=extensions,
            )
        )
    return [str(path) for path in sorted(paths, key=where.listed_as)]


def watched_files(study: tables.Study, settings: dict[str, Any], patient_id: str) -> list[str]:
    """Return the files of `recording_files` that are an input of a rule: those in no root.

    Snakemake shows inputs by name and reruns when a name changes. What lies in a root changes
    by its stamps alone.
    """
    return [
        file
        for file in recording_files(study, settings, patient_id)
        if not any(Path(file).is_relative_to(root) for root in study.roots.values())
    ]


def shared_files(settings: Mapping[str, Any]) -> dict[str, Any]:
    """Return the setting by which a file may stand in the table of recordings more than once.

    Nothing where the study does not state it.
    """
    name = "patient_column"
    stated = {name: settings["recordings"][name]} if name in settings["recordings"] else {}
    return {"recordings": stated} if stated else {}


def stamps(paths: Sequence[str | Path]) -> list[str]:
    """Return size and time of change [whole seconds] of each file, as text.

    A file that was put back with an older date differs by these, and by nothing that a
    comparison of dates would see.
    """
    stats = [Path(path).stat() for path in paths]
    return [f"{stat.st_size} {int(stat.st_mtime)}" for stat in stats]


def of_patient(
    study: tables.Study, settings: dict[str, Any], patient_id: str
) -> dict[str, Any]:
    """Return what the reading of a patient's recordings depends on, beside the settings.

    The rows of the study's tables, and what `stamps` says of the recordings' files.
    """
    return {
        "rows": tables.recordings_of(study, patient_id),
        "events": tables.events_of(study, patient_id),
        "monitors": tables.monitors_of(study, patient_id),
        "level": tables.level_of(study, patient_id),
        "left_out": left_out.of_patient(study, patient_id),
        "stamps": stamps(recording_files(study, settings, patient_id)),
    }


def planned(
    settings: Mapping[str, Any],
    models: Mapping[str, Any],
    questions: Mapping[str, Any],
    *,
    scripts: Path,
) -> dict[str, Any]:
    """Return the settings, plan and codes of a run, to compare with the lock of the plan."""
    return {
        "settings": settings,
        "models": models,
        "specifications": questions,
        "code": plan_lock.codes(scripts),
    }


def of_the_study(settings: Mapping[str, Any]) -> list[Path]:
    """Return the settings, the plan and the tables of a study."""
    folder = Path(settings["study"]["folder"])
    table_paths = [folder / settings["study"][name] for name in tables.listed(settings)]
    optional = (Path("config/specifications.yaml"), Path(plan_lock.FILE))
    asked = [Path("config") / n for n in ("config.yaml", "variables.yaml", "models.yaml")]
    return [*asked, *(path for path in optional if path.exists()), *table_paths]


def refuse_changed_settings(
    settings: Mapping[str, Any], environment: MutableMapping[str, str]
) -> None:
    """Note the settings and tables of a run; its jobs stop if these have changed since.

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


OF_A_JOB = {  # one core; and memory of long arrays goes back when they are let go (glibc)
    **dict.fromkeys(("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1"),
    "MALLOC_MMAP_THRESHOLD_": "600000",
    "MALLOC_TRIM_THRESHOLD_": "67108864",
}
LITTLE_BYTES = 200_000  # of all recordings of a patient: three days of minutes in any format
TOGETHER, DRAWN_TOGETHER = 64, 32  # patients of a batch at most: of exposures, of pictures
MANY = 100  # patients with little to read, from which on they share jobs


def more_if_retried(megabytes: int) -> Callable[[Any, int], int]:
    """Return the memory of a job: as stated, and that amount more for each retry."""

    def of_attempt(wildcards: Any, attempt: int) -> int:  # noqa: ARG001 - asked for by name
        return megabytes * attempt

    return of_attempt


def filled(patterns: Iterable[str], **values: Iterable[str]) -> list[str]:
    """Return every file that patterns stand for, such as "minutes/{patient}.parquet".

    Parameters
    ----------
    patterns : iterable of str
    values : iterable of str
        Of each wildcard that occurs in them.
    """
    known = {name: list(of_name) for name, of_name in values.items()}
    files = []
    for pattern in patterns:
        names = [name for _, name, _, _ in Formatter().parse(pattern) if name]
        for chosen in itertools.product(*(known[name] for name in names)):
            files.append(pattern.format(**dict(zip(names, chosen, strict=True))))
    return files


def with_little(
    study: tables.Study, settings: dict[str, Any], *, many: int = MANY
) -> list[str]:
    """Return the patients whose recordings are read in less time than a job takes to start.

    Nobody, where fewer than `many` have so little: then each has jobs of their own.
    """
    little = [
        patient_id
        for patient_id in study.patients["patient_id"].sort()
        if sum(Path(f).stat().st_size for f in recording_files(study, settings, patient_id))
        <= LITTLE_BYTES
    ]
    return little if len(little) >= many else []


def batches(patients: Sequence[str], *, n_each: int) -> dict[str, list[str]]:
    """Return patients in batches of at most about `n_each`, by a number for each batch.

    A batch is drawn by the patient's identifier alone, and their number is a power of two: one
    more patient changes one batch, until there are twice as many.
    """
    n_batches = 1
    while n_batches * n_each < len(patients):
        n_batches *= 2
    patients_of: dict[str, list[str]] = {}
    for patient_id in sorted(patients):
        number = zlib.crc32(patient_id.encode()) % n_batches
        patients_of.setdefault(f"{number:04d}", []).append(patient_id)
    return dict(sorted(patients_of.items()))


def for_patients(
    params: Mapping[str, Any], patients: Iterable[str]
) -> tuple[dict[str, Any], dict[str, dict[str, Any]]]:
    """Return a rule's params that all patients share, and each patient's own."""
    shared = {name: value for name, value in params.items() if not callable(value)}
    of_patients = {
        patient_id: {
            name: value(SimpleNamespace(patient=patient_id))
            for name, value in params.items()
            if callable(value)
        }
        for patient_id in patients
    }
    return shared, of_patients


def one_of(names: Iterable[str]) -> str:
    """Return a pattern for a wildcard that stands for one of these, and for nothing else."""
    return "|".join(re.escape(name) for name in names) or "(?!)"


PER_PATIENT = (
    *("recordings", "excluded", "intervals", "trends", "artefacts", "pulse_findings"),
    *("lags", "suspects"),
    *("quality", "masked", "recording_quality", "recording_masked"),
    *("minutes", "curves", "optima", "pictures"),
)


def strays(
    results: Path,
    *,
    patients: Collection[str],
    models: Collection[str],
    batches: Collection[str],
    alternatives: Collection[str],
    questions: Collection[str],
    drawn_together: Collection[str],
) -> list[str]:
    """Name results of patients, models, questions and the like that the study no longer has.

    None of them enters a table.
    """
    unexpected = [
        path
        for name in PER_PATIENT
        for kind in ("parquet", "svg")
        for path in results.glob(f"{name}/*.{kind}")
        if path.stem not in patients
    ]
    for pattern, known in (
        ("models/*", models),
        ("exposures/*", batches),
        ("specifications/exposures/*", alternatives),
        ("specifications/questions/*", questions),
        ("specifications/analyses/*", ()),  # of versions that had one file for each
    ):
        unexpected += [path for path in results.glob(pattern) if path.name not in known]
    unexpected += [p for p in results.glob("hours/*.parquet") if p.stem not in drawn_together]
    unexpected += [
        path
        for path in results.glob("specifications/exposures/*/*")
        if path.parent.name in alternatives and path.name not in batches
    ]
    return [
        f"{path}: of an earlier run and no longer in the study; remove it"
        for path in sorted(unexpected)
    ]


def of_family(model: Mapping[str, object], *, updates: str) -> list[str]:
    """Return the day-by-day exposures where a model needs them, else nothing."""
    family = families.named(model["family"])
    return [updates] if family is not None and family.time_dependent else []


def if_repeated(settings: Mapping[str, Any], path: str) -> list[str]:
    """Return a file of the repeated values where the study declares any, else nothing."""
    return [path] if settings["repeated"] else []


def if_time_varying(model: Mapping[str, object], path: str) -> list[str]:
    """Return the repeated values where a model is adjusted for some, else nothing."""
    return [path] if model.get("time_varying") else []
