"""Results of a study folder, as the answers need them."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import polars as pl

from icpcohort.provenance import plan_lock
from icpcohort.report import reads
from icpcohort.study import dictionary, yaml_files

ANSWERS = reads.Selection((*reads.PATIENT_PAGE.tables, "flow"), ("dropped",))


class Unknown(Exception):  # noqa: N818 (what the name is)
    """What was asked about is not there; the text names what is near."""


class NotOfOneRun(Exception):  # noqa: N818 (what the results are)
    """The tables contradict each other or the settings; the text says where."""


class Results(NamedTuple):
    """Tables of a finished run, each under the contract of its name, its settings and codes."""

    folder: Path
    settings: Mapping[str, Any]
    models: Mapping[str, Mapping[str, Any]]
    tables: Mapping[str, pl.DataFrame]
    model_dropped: Mapping[str, pl.DataFrame]
    codes: Mapping[str, str]  # script -> fingerprint of the code that it reaches


def read(
    study: Path, *, settings: Mapping[str, Any], models: Mapping[str, Any], scripts: Path
) -> Results:
    """Read the tables that the answers need; `scripts` is the workflow's folder of them.

    Raises
    ------
    Unknown
        If the study has not been run to its end.
    NotOfOneRun
        If settings or plan are others than those of the run.
    """
    folder = study / "results"
    files = reads.files(ANSWERS, folder=str(folder), patients=(), models=models)
    _hold_to_the_run(folder, settings, models)
    paths = [path for named in files.values() for path in reads.each(named)]
    absent = [path for path in paths if not Path(path).exists()]
    if absent:
        raise Unknown(f"{', '.join(absent[:3])}: not there; run the study first, to its end")
    found = reads.read(files, ANSWERS, declared=settings)
    lost = found.of_models["dropped"]
    return Results(folder, settings, models, found.tables, lost, plan_lock.codes(scripts))


def _hold_to_the_run(
    folder: Path, settings: Mapping[str, Any], models: Mapping[str, Any]
) -> None:
    config, variables = dictionary.as_run(settings)
    files = {
        "config.yaml": config,
        dictionary.FILE: variables,
        "models.yaml": {"models": models},
    }
    for name, now in files.items():
        path = folder / "provenance" / name
        if not path.exists():
            raise Unknown(f"{path}: not there; run the study first, to its end")
        then, _ = yaml_files.read(path)
        if then != now:
            raise NotOfOneRun(
                f"config/{name} has other values than those of the run that made the results; "
                "run the study again, or put them back"
            )
