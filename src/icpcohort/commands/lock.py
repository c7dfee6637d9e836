"""Locking: the plan of a study folder, as it stands and as it was run, written to its lock."""

import json
from pathlib import Path
from typing import Any

from icpcohort import contracts
from icpcohort.cohort import blinding
from icpcohort.contracts import atomic_write, store
from icpcohort.provenance import plan_lock
from icpcohort.specifications import choices
from icpcohort.study import settings
from icpcohort.study import tables as studies


def lock(study: Path, *, repository: Path, today: str) -> dict[str, Any]:
    """Write the lock of a study's plan, and return its content.

    Parameters
    ----------
    study : Path
        Folder with `config/` and the results of a whole run, which shows that every step of
        the plan can be done.
    repository : Path
        The project's checkout.
    today : str
        As YYYY-MM-DD.

    Raises
    ------
    LockError
        If there is a lock already, or no results.
    SettingsError, StudyError
        If the study cannot be run as it stands.
    """
    file, schemas = study / plan_lock.FILE, repository / "workflow/schemas"
    held = plan_lock.read(file)
    if held:
        raise plan_lock.LockError(
            f"{file}: locked on {held['locked_on']} already; what changes since, and why, goes "
            f"into {plan_lock.CHANGES_FILE}"
        )
    asked, models = settings.load(
        study / "config/config.yaml", study / "config/models.yaml", schema_folder=schemas
    )
    questions = choices.load(
        study / "config/specifications.yaml",
        settings=asked,
        models=models,
        schema_folder=schemas,
    )
    seen, monitors, events, recordings = (
        store.read(_made(study, table.path), table)
        for table in (
            contracts.patients(asked),
            contracts.MONITORS,
            contracts.EVENTS,
            contracts.recordings(asked),
        )
    )
    values = contracts.REPEATED_VALUES
    files = [_made(study, values.path)] if asked["repeated"] else []
    outcomes = blinding.outcomes_of(asked)
    now = plan_lock.Now(
        settings.without_places(asked),
        models,
        questions,
        plan_lock.codes(repository / "workflow/scripts"),
        plan_lock.inputs(
            seen.drop(outcomes), monitors, events, recordings, store.read_all(files, values)
        ),
    )
    folder = asked["study"] | {"folder": str(study / asked["study"]["folder"])}
    truth = studies.read_study(asked | {"study": folder}).patients
    is_true = seen.select("patient_id", *outcomes).equals(truth.select("patient_id", *outcomes))
    text = plan_lock.lock(now, locked_on=today, was_blinded=not is_true)
    atomic_write.write(file, text)
    content: dict[str, Any] = json.loads(text)
    return content


def _made(study: Path, path: str) -> Path:
    file = study / "results" / path
    if not file.exists():
        raise plan_lock.LockError(
            f"{file} is not there: a plan is locked once every step of it has been run, with "
            "outcomes shuffled where plan.blinded_until_locked says so; run the study first"
        )
    return file
