"""Study rows: each of the four tables read cell by cell, with every problem found in it."""

import difflib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from icpcohort import contracts
from icpcohort.contracts import Table, declared_signals
from icpcohort.recordings import units
from icpcohort.study import codings, dictionary_checks, read_table, reversed_scale
from icpcohort.study import values as entries
from icpcohort.study.schema import suggestion

# Without what the study declares; see `tables_of`.
TABLES: dict[str, Table] = {
    "patients": contracts.patients({}),
    "recordings": contracts.recording_list({}),
    "monitors": contracts.MONITORS,
    "events": contracts.EVENTS,
}
NEEDED = {  # columns that must be there, and filled unless they may be empty
    "patients": ("patient_id", "death_h", "left_unit_h"),
    "recordings": ("recording_id", "patient_id", "path", "format", "start_s"),
    "monitors": ("monitor_id", "patient_id", "kind"),
    "events": ("patient_id", "event", "start_s"),
}
MUST_BE_FILLED = tuple(
    name for names in NEEDED.values() for name in names if name not in contracts.TIMES
)
NEEDS_ROWS = ("patients", "recordings")
_IN_THIS_ORDER = (
    ("start_s", "end_s"),
    ("insertion_h", "removal_h"),
    ("insertion_h", "malfunction_h"),
    ("malfunction_h", "removal_h"),
    ("calibrated_h", "removal_h"),
)


class Row(NamedTuple):
    """One row; a cell with a fault is absent from `values`, an empty one is None."""

    file: str
    number: int
    values: dict[str, Any]
    recoded: dict[str, tuple[str, str]]  # column -> what stood there, what it means

    @property
    def where(self) -> str:
        """The file, and the row's number in it."""
        return f"{self.file} row {self.number}"


class Rows(NamedTuple):
    """One table that can be read: the names in its file, and the rows that fit them."""

    header: list[str]
    rows: list[Row]


class _Asked(NamedTuple):
    """A table of the study: its contract, and the columns of its file."""

    name: str
    contract: Table
    names: Mapping[str, str]  # ours -> theirs, where they differ
    needed: tuple[str, ...]
    coding: Mapping[str, codings.Coding]
    choices: Mapping[str, tuple[str, ...]]  # what a cell may say, by the name of its column


def tables_of(declared: Mapping[str, Any]) -> dict[str, Table]:
    """Return the contracts of the four tables of a study, with what it declares."""
    return TABLES | {
        "patients": contracts.patients(declared),
        "recordings": contracts.recording_list(declared),
    }


def names_of(settings: Mapping[str, Any], *, name: str) -> dict[str, str]:
    """Return our name of a column and that of a table's file, where the two differ."""
    names = dict(settings["study"]["columns"][name])
    if name == "patients":
        entries = dictionary_checks.recorded(settings)
        names |= {ours: entry["column"] for ours, entry in entries.items() if "column" in entry}
    return names


def _asked(settings: Mapping[str, Any], *, name: str) -> _Asked:
    names, needed = names_of(settings, name=name), NEEDED[name]
    if name == "patients":
        needed += tuple(n for n in names if n not in TABLES[name].columns)
        needed += dictionary_checks.main_column(settings)
    return _Asked(
        name,
        tables_of(settings)[name],
        names,
        needed,
        codings.of_table(settings, name=name),
        _choices(settings),
    )


def read_rows(settings: Mapping[str, Any]) -> tuple[dict[str, Rows], list[str]]:
    """Return the tables that can be read by name, and every problem of all.

    Parameters
    ----------
    settings : mapping
        As in `tables.read_study`; a table whose name is not there is passed over.
    """
    study = settings["study"]
    folder = Path(study["folder"])
    tables, wrong = {}, []
    for name in (name for name in TABLES if name in study):
        asked = _asked(settings, name=name)
        table, problems = _read_table(
            folder / study[name], asked, folder=folder, outcomes=settings["outcomes"]
        )
        wrong += problems
        if table is not None:
            tables[name] = table
            if name != "patients":
                wrong += _strangers(table.rows, tables.get("patients"))
    patients = tables["patients"].rows if "patients" in tables else []
    return tables, codings.merge_reversed_scores(
        wrong, [row.values for row in patients], outcomes=settings["outcomes"]
    )


def _choices(declared: Mapping[str, Any]) -> dict[str, tuple[str, ...]]:
    """Return what a cell may say, by the name of its column."""
    signals = declared_signals.recorded(declared)
    of_units = {f"{name}_unit": units.names_like(s["unit"]) for name, s in signals.items()}
    return entries.CHOICES | of_units


# --- one table -----------------------------------------------------------------------------


def _read_table(
    path: Path, asked: _Asked, *, folder: Path, outcomes: Mapping[str, Any]
) -> tuple[Rows | None, list[str]]:
    """Return one table (None: it cannot be read) and its problems."""
    name, names = asked.name, asked.names
    try:
        export, row_problems = read_table.read(path, within=folder)
    except read_table.ExportError as error:
        return None, [f"{path.name}{error}"]
    problems = [f"{path.name}{line}" for line in row_problems]
    problems += [f"{path.name}, {line}" for line in _header_problems(export.header, asked)]
    if not export.rows and name in NEEDS_ROWS:
        problems.append(f"{path.name}: no rows; write one line for each of the study's {name}")
    rows = []
    for number, cells in export.rows:
        texts = dict(zip(export.header, cells, strict=True))
        row = Row(path.name, number, {}, {})
        for ours, column in asked.contract.columns.items():
            theirs = names.get(ours, ours)
            meant = codings.translate(
                texts.get(theirs, ""),
                asked.coding.get(ours, {}),
                outcome=outcomes.get(ours, {}),
            )
            value, words = None, meant.words
            if words is None:
                value, words = entries.understood(
                    meant.ours, name=ours, column=column, choices=asked.choices
                )
            if meant.ours != meant.theirs:
                row.recoded[ours] = (meant.theirs, meant.ours)
            if words is None and value is None and theirs in texts and ours in MUST_BE_FILLED:
                words = "empty; every row needs one"
            if words is None:
                row.values[ours] = value
            else:
                problems.append(f"{row.where}, {ours}: {words}")
        of_row = list(_row_problems(row.values, folder=folder))
        if name == "patients":
            of_row += _scores_of_the_dead(row.values, outcomes)
        for ours, words in of_row:
            if ours not in outcomes:  # scores of the dead tell of a reversed scale
                row.values.pop(ours, None)
            problems.append(f"{row.where}, {ours}: {words}")
        rows.append(row)
    return Rows(export.header, rows), [
        *problems,
        *_repeated(rows, name=name, contract=asked.contract),
    ]


def _header_problems(header: list[str], asked: _Asked) -> Iterator[str]:
    """Yield a line for each column that is missing, stands twice or looks misspelt."""
    name, names = asked.name, asked.names
    theirs = {ours: names.get(ours, ours) for ours in asked.contract.columns}
    free = [column for column in header if column and column not in theirs.values()]
    absent = [ours for ours, column in theirs.items() if column not in header]
    optional = []
    for ours in absent:
        if ours in names:
            is_ours = ours in TABLES[name].columns
            place = f"study.columns.{name}.{ours} in config.yaml"
            place = place if is_ours else f"{ours}.column in variables.yaml"
            yield f"column {theirs[ours]}: missing; {suggestion(theirs[ours], free)} ({place})"
        elif ours in asked.needed:
            near = suggestion(ours, free)
            yours = near.split("'")[1] if near.startswith("did") else "NAME_OF_YOUR_COLUMN"
            line = f"study.columns.{name} the line `{ours}: {yours}`"
            place = f"config.yaml under {line}"
            if ours not in TABLES[name].columns:
                place = f"variables.yaml under outcomes the line `{ours}: {{column: {yours}}}`"
            yield f"column {ours}: missing; add it, or write in {place}"
        else:
            optional.append(ours)
    for column in free:
        near_names = difflib.get_close_matches(column.lower(), optional, n=1, cutoff=0.8)
        if near_names:
            near = near_names[0]
            yield f"column {column}: not known; did you mean '{near}'? Rename or remove it"
    for column in sorted({column for column in theirs.values() if header.count(column) > 1}):
        yield f"column {column}: stands {header.count(column)} times; keep one"


def _row_problems(values: dict[str, Any], *, folder: Path) -> Iterator[tuple[str, str]]:
    """Yield, by column, cells of one row that contradict each other, and a wrong path."""
    for start, end in _IN_THIS_ORDER:
        begin, finish = values.get(start), values.get(end)
        if begin is not None and finish is not None and finish < begin:
            yield end, f"{finish:g} is before {start} {begin:g}; correct one of them"
    levels = [name for name in contracts.LEVEL if values.get(name) is not None]
    if levels and values.get("event") not in (None, "level_change"):
        yield (
            levels[0],
            f"stated in a row of '{values['event']}'; a level is stated in patients.csv, or in"
            " a row with the event level_change",
        )
    path = values.get("path")
    if path is not None:
        words = entries.path_problem(path, folder=folder)
        if words is None and values.get("format") == "wfdb" and not path.endswith(".hea"):
            words = f"'{path}' is not a WFDB header; write the file that ends in .hea"
        if words is not None:
            yield "path", words
    death_h, left_h, last_h = (values.get(n) for n in contracts.TIMES)
    if death_h is None:
        return
    for name, end_h in (("left_unit_h", left_h), ("last_known_h", last_h)):
        if end_h is not None and end_h > death_h:
            yield name, f"{end_h:g} is after death_h {death_h:g}; correct one of them"


def _scores_of_the_dead(
    values: Mapping[str, Any], outcomes: Mapping[str, Mapping[str, Any]]
) -> Iterator[tuple[str, str]]:
    """Yield, by column, scores of a living patient beside a death that came before them."""
    death_h = values.get("death_h")
    for name, entry in reversed_scale.scales_with_death(outcomes).items():
        score = values.get(name)
        if death_h is None or score is None or death_h >= entry["deaths_before_h"]:
            continue
        if score != int(entry["dead"]):
            yield name, f"{score} although death_h is {death_h:g}; correct one of them"


def _repeated(rows: list[Row], *, name: str, contract: Table) -> Iterator[str]:
    """Yield a line for each row that repeats another, or differs from it in capitals only.

    Identifiers become names of files, and not every file system tells capitals apart.
    """
    keys: list[tuple[str, ...]] = [contract.key]
    if name == "recordings":
        channels = [column for column in contract.columns if column.endswith("_channel")]
        keys.append(("path", *channels[:1]))
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


def _strangers(rows: list[Row], patients: Rows | None) -> list[str]:
    """List the rows of another table whose patient is not in the table of patients."""
    listed = patients.rows if patients else []
    known = {row.values["patient_id"] for row in listed if row.values.get("patient_id")}
    if not known:
        return []  # one fault of the table of patients, not one of every row elsewhere
    nearest: dict[str, str] = {}
    problems = []
    for row in rows:
        patient_id = row.values.get("patient_id")
        if patient_id is not None and patient_id not in known:
            if patient_id not in nearest:
                nearest[patient_id] = suggestion(patient_id, known)
            problems.append(
                f"{row.where}, patient_id: '{patient_id}' is not in the table of patients; "
                f"{nearest[patient_id]}"
            )
    return problems
