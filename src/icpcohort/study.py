"""Study: the four tables that a study brings, read, checked cell by cell, and typed."""

import difflib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import polars as pl

from icpcohort import codings, contracts, entries, exports, gose
from icpcohort.contracts import Table
from icpcohort.validation import suggestion

TABLES: dict[str, Table] = {
    "patients": contracts.PATIENTS,
    "recordings": contracts.RECORDING_LIST,
    "monitors": contracts.MONITORS,
    "events": contracts.EVENTS,
}
NEEDED = {  # columns that must be there, and filled unless they may be empty
    "patients": ("patient_id", "age_years", "gose_6m", "death_h", "left_unit_h"),
    "recordings": ("recording_id", "patient_id", "path", "format", "start_s"),
    "monitors": ("monitor_id", "patient_id", "kind"),
    "events": ("patient_id", "event", "start_s"),
}
MAY_BE_EMPTY = ("age_years", "gose_6m", "death_h", "left_unit_h")  # in single rows
NEEDS_ROWS = ("patients", "recordings")
MAX_SHOWN = 50


class StudyError(Exception):
    """The study tables cannot be used; `problems` has every line, the text the first 50."""

    def __init__(self, problems: Sequence[str]):
        self.problems = list(problems)
        shown = self.problems[:MAX_SHOWN]
        if len(self.problems) > MAX_SHOWN:
            shown.append(f"... and {len(self.problems) - MAX_SHOWN} more")
        super().__init__("\n".join(shown))


@dataclass(frozen=True)
class Study:
    """The study's own tables: each under its contract, sorted by its key."""

    patients: pl.DataFrame
    recordings: pl.DataFrame
    monitors: pl.DataFrame
    events: pl.DataFrame
    recodings: pl.DataFrame  # what of them the settings translated


class _Row(NamedTuple):
    """One row; a cell that was not understood is absent from `values`, an empty one is None."""

    file: str
    number: int
    values: dict[str, Any]
    recoded: dict[str, tuple[str, str]]  # column -> what stood there, what it means

    @property
    def where(self) -> str:
        return f"{self.file} row {self.number}"


def read_study(settings: dict[str, Any]) -> Study:
    """Return the four tables of the study, or every problem of all four.

    Parameters
    ----------
    settings : dict
        Checked settings; read are `study.folder`, the tables' names, `study.columns`,
        `study.codings` and `study.gose_coding`. A relative folder counts from the working
        directory.

    Returns
    -------
    Study
        Columns and types of `contracts`; an empty cell, and a column that is not in the file,
        is null. Recordings are not opened, and their files need not exist.

    Raises
    ------
    StudyError
        With all problems, each naming file, row and column.

    Source: common practice, no source; the limits of scores are those of the scales.
    """
    study = settings["study"]
    folder = Path(study["folder"])
    found: list[str] = []
    rows: dict[str, list[_Row] | None] = {}
    for name in TABLES:
        rows[name], problems = _read_rows(
            folder / study[name],
            name=name,
            names=study["columns"][name],
            coding_of=codings.of_table(study, name=name),
            folder=folder,
        )
        found += problems
    found += _strangers(rows)
    if found:
        raise StudyError(codings.told_once(found, [r.values for r in rows["patients"] or []]))
    frames = {name: _frame(rows[name] or [], TABLES[name]) for name in TABLES}
    recoded = {name: [row.recoded for row in rows[name] or []] for name in TABLES}
    return Study(**frames, recodings=codings.count(recoded, stated=study["codings"]))


def unread(settings: dict[str, Any]) -> list[str]:
    """List, for each table that was read, the columns not used and those not there.

    A column that is not there is null in every row; a name that only looks like a column's is
    not used. Neither is a fault, but whoever wrote the table should know.
    """
    study = settings["study"]
    said = []
    for name, table in TABLES.items():
        export, _ = exports.read(Path(study["folder"]) / study[name])
        theirs = {ours: study["columns"][name].get(ours, ours) for ours in table.columns}
        unknown = [c for c in export.header if c and c not in theirs.values()]
        absent = [ours for ours, column in theirs.items() if column not in export.header]
        if unknown:
            said.append(f"{study[name]}: columns not used: {', '.join(unknown)}")
        if absent:
            said.append(
                f"{study[name]}: columns not there, so all missing: {', '.join(absent)}"
            )
    return said


def recordings_of(study: Study, patient_id: str) -> list[dict[str, Any]]:
    """Return the rows of one patient's recordings, by their start; null is None."""
    return _rows_of(study, study.recordings, patient_id, by=["start_s", "recording_id"])


def events_of(study: Study, patient_id: str) -> list[dict[str, Any]]:
    """Return the rows of one patient's events, by their start; null is None."""
    return _rows_of(study, study.events, patient_id, by=["start_s", "event"])


def _rows_of(
    study: Study, table: pl.DataFrame, patient_id: str, *, by: list[str]
) -> list[dict[str, Any]]:
    known = study.patients["patient_id"].to_list()
    if patient_id not in known:
        raise ValueError(
            f"patients: no patient '{patient_id}'; {suggestion(patient_id, known)}"
        )
    return table.filter(pl.col("patient_id") == patient_id).sort(by).to_dicts()


def _frame(rows: list[_Row], table: Table) -> pl.DataFrame:
    columns = {name: [row.values[name] for row in rows] for name in table.columns}
    schema = {name: column.dtype for name, column in table.columns.items()}
    return pl.DataFrame(columns, schema=schema).sort(table.key)


# --- one table -----------------------------------------------------------------------------


def _read_rows(
    path: Path,
    *,
    name: str,
    names: dict[str, str],
    coding_of: dict[str, dict[str, str]],
    folder: Path,
) -> tuple[list[_Row] | None, list[str]]:
    """Return the understood rows of one table (None: it cannot be read) and its problems."""
    try:
        export, row_problems = exports.read(path)
    except exports.ExportError as error:
        return None, [f"{path.name}{error}"]
    found = [f"{path.name}{line}" for line in row_problems]
    found += [
        f"{path.name}, {line}"
        for line in _header_problems(export.header, name=name, names=names)
    ]
    if not export.rows and name in NEEDS_ROWS:
        found.append(f"{path.name}: no rows; write one line for each of the study's {name}")
    rows = []
    for number, cells in export.rows:
        texts = dict(zip(export.header, cells, strict=True))
        row = _Row(path.name, number, {}, {})
        for ours, column in TABLES[name].columns.items():
            theirs = names.get(ours, ours)
            cell = texts.get(theirs, "")
            text, words = codings.translate(cell, coding_of.get(ours, {}), column=ours)
            value = None
            if words is None:
                value, words = entries.understood(text, name=ours, column=column)
            if text != cell:
                row.recoded[ours] = (cell, text)
            if words is None and value is None and theirs in texts and _must_fill(name, ours):
                words = "empty; every row needs one"
            if words is None:
                row.values[ours] = value
            else:
                found.append(f"{row.where}, {ours}: {words}")
        found += [f"{row.where}, {line}" for line in _row_problems(row.values, folder=folder)]
        rows.append(row)
    return rows, [*found, *_repeated(rows, name=name)]


def _must_fill(name: str, column: str) -> bool:
    return column in NEEDED[name] and column not in MAY_BE_EMPTY


def _header_problems(header: list[str], *, name: str, names: dict[str, str]) -> Iterator[str]:
    """Yield a line for each column that is missing, stands twice or looks misspelt."""
    theirs = {ours: names.get(ours, ours) for ours in TABLES[name].columns}
    free = [column for column in header if column and column not in theirs.values()]
    absent = [ours for ours, column in theirs.items() if column not in header]
    optional = []
    for ours in absent:
        if ours in names:
            yield (
                f"column {theirs[ours]}: missing; {suggestion(theirs[ours], free)} "
                f"(study.columns.{name}.{ours} in config.yaml)"
            )
        elif ours in NEEDED[name]:
            near = suggestion(ours, free)
            yours = near.split("'")[1] if near.startswith("did") else "NAME_OF_YOUR_COLUMN"
            yield (
                f"column {ours}: missing; add it, or write in config.yaml under "
                f"study.columns.{name} the line `{ours}: {yours}`"
            )
        else:
            optional.append(ours)
    for column in free:
        near_names = difflib.get_close_matches(column.lower(), optional, n=1, cutoff=0.8)
        if near_names:
            near = near_names[0]
            yield f"column {column}: not known; did you mean '{near}'? Rename or remove it"
    for column in sorted({column for column in theirs.values() if header.count(column) > 1}):
        yield f"column {column}: stands {header.count(column)} times; keep one"


def _row_problems(values: dict[str, Any], *, folder: Path) -> Iterator[str]:
    """Yield what is wrong between the cells of one row, and with a recording's path."""
    for start, end in (("start_s", "end_s"), ("insertion_h", "removal_h")):
        begin, finish = values.get(start), values.get(end)
        if begin is not None and finish is not None and finish < begin:
            yield f"{end}: {finish:g} is before {start} {begin:g}; correct one of them"
    path = values.get("path")
    if path is not None:
        words = entries.path_problem(path, folder=folder)
        if words is None and values.get("format") == "wfdb" and not path.endswith(".hea"):
            words = f"'{path}' is not a WFDB header; write the file that ends in .hea"
        if words is not None:
            yield f"path: {words}"
    death_h, left_h, score, last_h = (
        values.get(n) for n in ("death_h", "left_unit_h", "gose_6m", "last_known_h")
    )
    if death_h is not None and left_h is not None and left_h > death_h:
        yield f"left_unit_h: {left_h:g} is after death_h {death_h:g}; correct one of them"
    if death_h is not None and last_h is not None and last_h > death_h:
        yield f"last_known_h: {last_h:g} is after death_h {death_h:g}; correct one of them"
    if (
        death_h is not None
        and score is not None
        and death_h < gose.DEAD_BY_SCORE_H
        and score > 1
    ):
        yield f"gose_6m: {score} although death_h is {death_h:g}; correct one of them"


def _repeated(rows: list[_Row], *, name: str) -> Iterator[str]:
    """Yield a line for each row that repeats another, or differs from it in capitals only.

    Identifiers become names of files, and not every file system tells capitals apart.
    """
    keys: list[tuple[str, ...]] = [TABLES[name].key]
    if name == "recordings":
        keys.append(("path", "icp_channel"))
    for key in keys:
        first: dict[tuple[str, ...], int] = {}
        for row in rows:
            values = [row.values.get(column) for column in key]
            if values[0] is None or not all(column in row.values for column in key):
                continue
            place = first.setdefault(tuple(_folded(key, values)), row.number)
            if place != row.number:
                filled = {c: str(v) for c, v in zip(key, values, strict=True) if v is not None}
                what, shown = ", ".join(filled), ", ".join(filled.values())
                yield f"{row.where}, {what}: '{shown}' stands in row {place} too; keep one"


def _folded(key: tuple[str, ...], values: list[Any]) -> Iterator[str]:
    for column, value in zip(key, values, strict=True):
        yield str(value).casefold() if column in entries.IDENTIFIERS else str(value)


def _strangers(rows: dict[str, list[_Row] | None]) -> list[str]:
    """List the rows of the other tables whose patient is not in the table of patients."""
    patients = rows["patients"]
    if patients is None:
        return []
    known = {row.values["patient_id"] for row in patients if row.values.get("patient_id")}
    if not known:
        return []  # one fault of the table of patients, not one of every row elsewhere
    nearest: dict[str, str] = {}
    found = []
    for row in (row for name in list(TABLES)[1:] for row in rows[name] or []):
        patient_id = row.values.get("patient_id")
        if patient_id is not None and patient_id not in known:
            if patient_id not in nearest:
                nearest[patient_id] = suggestion(patient_id, known)
            found.append(
                f"{row.where}, patient_id: '{patient_id}' is not in the table of patients; "
                f"{nearest[patient_id]}"
            )
    return found
