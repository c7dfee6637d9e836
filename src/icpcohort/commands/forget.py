"""Forgetting: every trace of a patient below a study removed, but for the study's own files.

A patient who takes consent back is first taken out of the study's tables by the group. Then
whatever the project has written is removed where it names the patient, with what was made
straight from such files, and all is searched once more. The next run makes the rest anew.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import NamedTuple

import polars as pl

from icpcohort import jobs, recordings
from icpcohort.commands import run as running
from icpcohort.commands import traces
from icpcohort.commands.traces import Sought
from icpcohort.study import settings, tables
from icpcohort.study import values as entries
from icpcohort.study.tables import Rows

AREAS = ("results", "logs", ".snakemake")  # nothing is removed elsewhere
NOT_SEARCHED = (".git", ".venv")
CODE = ("src", "tests", "workflow", "profiles", "docs", ".ci")  # of the project's checkout
REMOVE = {
    True: "remove it",
    False: "if that is the patient, delete it there: it is the group's own and not touched",
}
MAX_SHOWN = 20  # numbers of rows in one line


class Refused(Exception):  # noqa: N818 (what was asked)
    """Nothing was changed; the text has one line per reason, with what to do."""


class Forgotten(NamedTuple):
    """What was removed, and what still names the patient."""

    removed: list[Path]  # of a dry run: what would be
    left: list[str]  # files that were not removed, each with why
    n_searched: int  # files at the end; 0 in a dry run


class _Asked(NamedTuple):
    study: Path
    patient_id: str
    sought: Sought
    exact: Sought  # in tables, where other identifiers may begin or end like this one
    others: Sequence[str]  # the patients who stay
    tables: frozenset[Path]
    recordings: frozenset[Path]  # of the patients who stay


def forget(
    study: Path,
    patient_id: str,
    *,
    repository: Path,
    is_dry: bool,
    say: Callable[[str], None],
) -> Forgotten:
    """Remove what names a patient who is in the study's tables no longer.

    Parameters
    ----------
    study : Path
        Folder that holds `config/`.
    repository : Path
        The project's checkout.
    is_dry : bool
        Find what would be removed, and change nothing.

    Raises
    ------
    Refused
        If the patient is in a table still, or the tables cannot be read.
    SettingsError
        If the settings cannot.
    NotAlone
        While a run is under way.
    """
    asked = _asked(study, patient_id, schema_folder=repository / "workflow" / "schemas")
    with nullcontext() if is_dry else running.alone(study, say=say):
        doomed, unread = _doomed(asked)
        if is_dry:
            return Forgotten(sorted(doomed), unread, 0)
        removed, left = _remove(doomed, study=study)
        n_searched, naming = _searched(asked, repository=repository)
    return Forgotten(removed, left + naming, n_searched)


# --- who is asked for ----------------------------------------------------------------------


def _asked(study: Path, patient_id: str, *, schema_folder: Path) -> _Asked:
    """Return what is looked for, once no table of the study names the patient."""
    value, fault = entries.understood(
        patient_id, name="patient_id", column=_PATIENT, choices=entries.CHOICES
    )
    if fault or value is None:
        words = fault.words if fault else "empty; write the identifier of a patient"
        raise Refused(f"PATIENT: {words}")
    written, _ = settings.load(
        study / "config" / "config.yaml",
        study / "config" / "models.yaml",
        schema_folder=schema_folder,
    )
    folder = study / written["study"]["folder"]
    sound = written | {"study": written["study"] | {"folder": str(folder)}}
    rows, problems = tables.read_rows(sound)
    asked_for = [name for name in tables.tables_of(sound) if name in sound["study"]]
    if set(asked_for) - set(rows):
        raise Refused("\n".join(["the tables cannot be read; mend this first:", *problems]))
    paths = _paths_of(study, patient_id)
    files = {name: folder / sound["study"][name] for name in rows}
    if lines := list(_still_there(rows, files, patient_id=patient_id, paths=paths)):
        raise Refused("\n".join(lines))
    return _Asked(
        study,
        patient_id,
        traces.sought([patient_id, *paths]),
        traces.sought([patient_id], of_words=entries.OF_IDENTIFIERS),
        [name for row in rows["patients"].rows if (name := row.values.get("patient_id"))],
        frozenset(path.resolve() for path in files.values()),
        frozenset(path.resolve() for path in _listed(rows, folder)),
    )


_PATIENT = tables.TABLES["patients"].columns["patient_id"]


def _paths_of(study: Path, patient_id: str) -> list[str]:
    """Return the recordings that the results know of a patient; none where they are gone."""
    file = study / "results" / "recordings" / f"{patient_id}.parquet"
    try:
        return sorted(set(pl.read_parquet(file, columns=["path"])["path"].drop_nulls()))
    except (OSError, pl.exceptions.PolarsError):
        return []


def _still_there(
    rows: Mapping[str, Rows],
    files: Mapping[str, Path],
    *,
    patient_id: str,
    paths: Sequence[str],
) -> Iterator[str]:
    """Yield a line for each table that names the patient, or lists a file of the patient's."""
    of = entries.OF_IDENTIFIERS
    word = re.compile(rf"(?<![{of}]){re.escape(patient_id)}(?![{of}])")
    for name, table in rows.items():
        numbers = [r.number for r in table.rows if r.values.get("patient_id") == patient_id]
        of_file = [
            row.number
            for row in table.rows
            if row.number not in numbers
            and (path := row.values.get("path"))
            and (path in paths or word.search(path))
        ]
        file = files[name].name
        if numbers:
            yield f"{file}: {_rows_in_words(numbers)} of {patient_id}; delete them"
        if name == "recordings" and numbers:
            yield f"{file}: delete the recordings of these rows too; no command does it"
        if of_file:
            yield f"{file}: {_rows_in_words(of_file)} a file of {patient_id}; delete them"


def _rows_in_words(numbers: Sequence[int]) -> str:
    shown = ", ".join(map(str, numbers[:MAX_SHOWN]))
    more = f" and {len(numbers) - MAX_SHOWN} more" if len(numbers) > MAX_SHOWN else ""
    return f"row {shown}{more}: still"


def _listed(rows: Mapping[str, Rows], folder: Path) -> Iterator[Path]:
    """Yield the files of the recordings that are listed: of other patients, by now."""
    within = recordings.Places(folder)  # what lies in a root is never removed
    for row in rows["recordings"].rows:
        path, format = row.values.get("path"), row.values.get("format")
        if path and format:
            yield from recordings.files_of(folder / path, format=format, within=within)


# --- what is removed -----------------------------------------------------------------------


def _doomed(asked: _Asked) -> tuple[set[Path], list[str]]:
    """Return the files to remove, and those that could not be looked into.

    With a file go those that Snakemake notes as made from files of the patient, the same
    picture or table in other formats, the whole of a folder that is one result, and the notes
    on all of these. A result without its note would never be found out of date.
    """
    study = asked.study
    doomed, unread = set[Path](), list[str]()
    target_of: dict[Path, Path] = {}
    for path in _written(study):
        if target := _note_of(path, study):
            target_of[path] = study / target
        try:
            if asked.sought.are_in(target) or _is_trace(path, asked):
                doomed.add(path)
        except traces.Unreadable as error:
            unread.append(f"{path}: cannot be looked into ({error}); look at it")
    made_from = {target_of[note] for note in doomed if note in target_of}
    doomed |= set(_below(made_from)) | set(_gone_batches(asked))
    doomed |= {twin for path in doomed if _is_result(path, study) for twin in _twins(path)}
    whole = {
        target
        for target in target_of.values()
        if target.is_dir() and any(path.is_relative_to(target) for path in doomed)
    }
    doomed |= set(_below(whole))
    doomed |= {note for note, target in target_of.items() if target in doomed | whole}
    return {path for path in doomed if _is_removable(path, study)}, unread


def _written(study: Path) -> Iterator[Path]:
    """Yield every file that a run has written, but for the lock that this command holds."""
    for area in AREAS:
        for path in traces.files_below(study / area):
            if path.name != running.RUN_LOCK:
                yield path


def _is_trace(path: Path, asked: _Asked) -> bool:
    """Return whether a file names the patient, in its path or inside; a link in its target."""
    if asked.sought.are_in(path.relative_to(asked.study).as_posix()):
        return True
    if path.is_symlink():
        return asked.sought.are_in(str(path.readlink()))
    return traces.is_named_in(path, asked.sought)


def _is_result(path: Path, study: Path) -> bool:
    return path.is_relative_to(study / "results")


def _twins(path: Path) -> list[Path]:
    """Return the files beside a file that have its name and another ending."""
    return [one for one in path.parent.glob("*") if one.stem == path.stem and one.is_file()]


def _below(targets: Iterable[Path]) -> Iterator[Path]:
    """Yield the files among the targets, and those below the folders among them."""
    for target in targets:
        if target.is_dir() and not target.is_symlink():
            yield from traces.files_below(target)
        elif target.exists():
            yield target


def _gone_batches(asked: _Asked) -> Iterator[Path]:
    """Yield the results of batches that the study has no more: fewer patients need fewer."""
    for n_each, patterns in (
        (jobs.TOGETHER, ("exposures/{}", "specifications/exposures/*/{}")),
        (jobs.DRAWN_TOGETHER, ("hours/{}.parquet",)),
    ):
        now = jobs.batches(asked.others, n_each=n_each)
        before = jobs.batches([*asked.others, asked.patient_id], n_each=n_each)
        for number in before.keys() - now.keys():
            for pattern in patterns:
                yield from _below((asked.study / "results").glob(pattern.format(number)))


def _is_removable(path: Path, study: Path) -> bool:
    """Return whether a file is below one of the areas, whatever links or dots lead to it."""
    place = path.parent.resolve()
    return any(place.is_relative_to((study / area).resolve()) for area in AREAS)


def _remove(doomed: Iterable[Path], *, study: Path) -> tuple[list[Path], list[str]]:
    """Remove files, and folders that are empty then; return which, and why not the others."""
    removed, left = [], []
    for path in sorted(doomed):
        try:
            is_link = path.is_symlink()
            path.unlink()
        except OSError as error:
            left.append(f"{path}: cannot be removed ({error.strerror}); remove it")
            continue
        removed.append(path)
        if is_link:
            left.append(f"{path}: was a link; what it led to is not touched: look at it")
        for folder in path.relative_to(study).parents:
            if len(folder.parts) < 2 or any((study / folder).iterdir()):
                break
            (study / folder).rmdir()
    return removed, left


# --- the proof -----------------------------------------------------------------------------


def _searched(asked: _Asked, *, repository: Path) -> tuple[int, list[str]]:
    """Return how many files were searched, and a line for each that names the patient.

    All below the study but the recordings of other patients and the project's own code. An
    identifier of digits alone is not sought in the tables, where it may be any number.
    """
    n, naming = 0, []
    is_checkout = asked.study.resolve() == repository.resolve()
    for path in traces.files_below(asked.study, without=NOT_SEARCHED):
        top = path.relative_to(asked.study).parts[0]
        is_code = is_checkout and top in CODE
        if is_code or path.resolve() in asked.recordings or path.name == running.RUN_LOCK:
            continue
        n += 1
        try:
            if _still_names(path, asked):
                naming.append(f"{path}: names {asked.patient_id}; {REMOVE[top in AREAS]}")
        except traces.Unreadable as error:
            naming.append(f"{path}: cannot be looked into ({error}); look at it")
    return n, naming


def _still_names(path: Path, asked: _Asked) -> bool:
    if path.resolve() in asked.tables:
        return not asked.patient_id.isdigit() and traces.is_named_in(path, asked.exact)
    return _is_trace(path, asked) or asked.sought.are_in(_note_of(path, asked.study))


def _note_of(path: Path, study: Path) -> str:
    """Return the result that a note of Snakemake is on; empty for any other file."""
    snakemake = study / ".snakemake"
    if not path.is_relative_to(snakemake):
        return ""
    return traces.target_of(path, snakemake=snakemake) or ""


# --- in words ------------------------------------------------------------------------------


def lines(done: Forgotten, *, study: Path, patient_id: str, is_dry: bool) -> Iterator[str]:
    """Yield what was done, and what to do next; `done.left` has its own lines."""
    n = len(done.removed)
    if is_dry:
        yield from (str(path) for path in done.removed)
        yield f"{n} files would be removed; nothing was changed"
        return
    if n:
        yield f"{n} files removed from {', '.join(f'{area}/' for area in AREAS)}"
    if not done.left:
        yield f"{done.n_searched} files searched, none names {patient_id}"
    if not (n or done.left):
        yield "No run had this patient, or every trace was removed before"
    if n:
        yield (
            "What rests on the patient without a name (models, the share folder) is made anew "
            f"by the next run: icpcohort run {study}"
        )
