"""Study rows: each table of the study read cell by cell, with every problem found in it."""

import difflib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from icpcohort import contracts
from icpcohort.contracts import Column, Table, declared_signals, repeated
from icpcohort.recordings import places, units
from icpcohort.study import codings, decimal_commas, dictionary_checks, read_table, row_checks
from icpcohort.study import values as entries
from icpcohort.study.schema import suggestion

# Without what the study declares; see `tables_of`.
TABLES: dict[str, Table] = {
    "patients": contracts.patients({}),
    "recordings": contracts.recording_list({}),
    "monitors": contracts.MONITORS,
    "events": contracts.EVENTS,
}
OPTIONAL: dict[str, Table] = {  # a study may have none
    "repeated": contracts.REPEATED_VALUES,
    "left_out": contracts.LEFT_OUT,
}
NEEDED = {  # columns that must be there, and filled unless they may be empty
    "patients": ("patient_id", "death_h", "left_unit_h"),
    "recordings": ("recording_id", "patient_id", "path", "format", "start_s"),
    "monitors": ("monitor_id", "patient_id", "kind"),
    "events": ("patient_id", "event", "start_s"),
    "repeated": ("patient_id", "variable", "from_h", "value"),
    "left_out": ("patient_id", "recording_id", "reason"),
}
_MAY_BE_EMPTY = {
    "patients": tuple(contracts.TIMES),
    "repeated": ("value",),
    "left_out": ("recording_id",),
}
_NUMBERS = (contracts.REAL, contracts.COUNT)
NEEDS_ROWS = ("patients", "recordings")


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
    n_decimal_commas: int = 0  # numbers that were read with one


class _Asked(NamedTuple):
    """A table of the study: its contract, and the columns of its file."""

    name: str
    contract: Table
    names: Mapping[str, str]  # ours -> theirs, where they differ
    needed: tuple[str, ...]
    coding: Mapping[str, codings.Coding]
    choices: Mapping[str, tuple[str, ...]]  # what a cell may say, by the name of its column
    values: Mapping[str, Column]  # of the repeated values, what each variable can be
    others: frozenset[str]  # columns of the other tables that lie in the same file
    has_decimal_commas: bool = False
    has_shared_files: bool = False  # a recording may be the rows of one patient in a file


class _Cell(NamedTuple):
    """What a cell is about: a column, or the variable that a repeated value is of."""

    about: str
    column: Column
    coding: codings.Coding


def tables_of(declared: Mapping[str, Any]) -> dict[str, Table]:
    """Return the contracts of a study's tables, with what it declares.

    The four that every study has, that of the repeated values where it declares any, and that
    of what the group leaves out where `study` names one.
    """
    has = {
        "repeated": bool(declared.get("repeated")),
        "left_out": "left_out" in declared.get("study", {}),
    }
    return (
        TABLES
        | {
            "patients": contracts.patients(declared),
            "recordings": contracts.recording_list(declared),
        }
        | {name: table for name, table in OPTIONAL.items() if has[name]}
    )


def listed(settings: Mapping[str, Any]) -> list[str]:
    """Return the names of the tables for which the settings name a file."""
    return [name for name in TABLES | OPTIONAL if name in settings["study"]]


def names_of(settings: Mapping[str, Any], *, name: str) -> dict[str, str]:
    """Return our name of a column and that of a table's file, where the two differ."""
    names = dict(settings["study"]["columns"].get(name, {}))
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
        repeated.columns_of_values(settings),
        columns_beside(settings, name=name),
        has_shared_files=places.are_shared(settings),
    )


def columns_beside(settings: Mapping[str, Any], *, name: str) -> frozenset[str]:
    """Return the columns of the other tables that lie in the same file as a table."""
    study = settings["study"]
    return frozenset(
        names_of(settings, name=other).get(ours, ours)
        for other, contract in tables_of(settings).items()
        if other != name and study.get(other) == study[name]
        for ours in contract.columns
    )


def read_rows(settings: Mapping[str, Any]) -> tuple[dict[str, Rows], list[str]]:
    """Return the tables that can be read by name, and every problem of all.

    Parameters
    ----------
    settings : mapping
        As in `tables.read_study`; a table whose name is not there is passed over.
    """
    study = settings["study"]
    where = places.of(settings)
    tables: dict[str, Rows] = {}
    wrong = list(where.problems())
    for name in (name for name in tables_of(settings) if name in study):
        asked = _asked(settings, name=name)
        table, problems = _read_table(
            where.folder / study[name], asked, where=where, outcomes=settings["outcomes"]
        )
        wrong += problems
        if table is not None:
            tables[name] = table
            if name != "patients":
                wrong += _strangers(table.rows, tables.get("patients"))
            if name == "left_out":
                wrong += _wrong_recordings(table.rows, tables.get("recordings"))
            if name == "repeated":
                wrong += _without_rows(table.rows, asked, file=study[name])
    patients = tables["patients"].rows if "patients" in tables else []
    return tables, codings.merge_reversed_scores(
        wrong, [row.values for row in patients], outcomes=settings["outcomes"]
    )


def _choices(declared: Mapping[str, Any]) -> dict[str, tuple[str, ...]]:
    """Return what a cell may say, by the name of its column."""
    signals = declared_signals.recorded(declared)
    of_units = {f"{name}_unit": units.names_like(s["unit"]) for name, s in signals.items()}
    return entries.CHOICES | of_units | {"variable": tuple(declared.get("repeated", {}))}


# --- one table -----------------------------------------------------------------------------


def _read_table(
    path: Path, asked: _Asked, *, where: places.Places, outcomes: Mapping[str, Any]
) -> tuple[Rows | None, list[str]]:
    """Return one table (None: it cannot be read) and its problems."""
    name = asked.name
    try:
        export, row_problems = read_table.read(path, within=where.folder)
    except read_table.ExportError as error:
        return None, [f"{path.name}{error}"]
    problems = [f"{path.name}{line}" for line in row_problems]
    commas = decimal_commas.found(export, columns=_of_numbers(asked))
    problems += [f"{path.name}{commas.problem}"] if commas.problem else []
    asked = asked._replace(has_decimal_commas=commas.n > 0)
    problems += [f"{path.name}, {line}" for line in _header_problems(export.header, asked)]
    if not export.rows and name in NEEDS_ROWS:
        problems.append(f"{path.name}: no rows; write one line for each of the study's {name}")
    rows = []
    for number, cells in export.rows:
        texts = dict(zip(export.header, cells, strict=True))
        if asked.others and _is_of_another_table(texts, asked):
            continue
        row = Row(path.name, number, {}, {})
        problems += _fill(row, texts, asked, outcomes=outcomes)
        of_row = list(row_checks.contradictions(row.values, places=where))
        if name == "patients":
            of_row += row_checks.scores_of_the_dead(row.values, outcomes)
        for ours, words in of_row:
            if ours not in outcomes:  # scores of the dead tell of a reversed scale
                row.values.pop(ours, None)
            problems.append(f"{row.where}, {ours}: {words}")
        rows.append(row)
    if asked.others:
        rows = _once(rows, dict(export.rows))
    return Rows(export.header, rows, commas.n), [
        *problems,
        *_repeated(rows, name=name, contract=asked.contract, shared=asked.has_shared_files),
    ]


def _fill(
    row: Row, texts: Mapping[str, str], asked: _Asked, *, outcomes: Mapping[str, Any]
) -> Iterator[str]:
    """Fill in the values of a row, and yield a line for each cell that has none."""
    for ours in asked.contract.columns:
        cell = _cell(ours, row, asked)
        if cell is None:
            continue
        theirs = asked.names.get(ours, ours)
        outcome = outcomes.get(cell.about, {})
        meant = codings.translate(texts.get(theirs, ""), cell.coding, outcome=outcome)
        value, words = None, meant.words
        text, is_number = meant.ours, cell.column.dtype in _NUMBERS
        if asked.has_decimal_commas and is_number:
            text = decimal_commas.with_point(text)
        if words is None:
            value, words = entries.understood(
                text, name=ours, column=cell.column, choices=asked.choices
            )
        if meant.ours != meant.theirs:
            row.recoded[cell.about] = (meant.theirs, meant.ours)
        if words is None and value is None and theirs in texts and _is_needed(ours, asked):
            words = "empty; every row needs one"
        if words is None:
            row.values[ours] = value
        else:
            of = "" if cell.about == ours else f" of {cell.about}"
            yield f"{row.where}, {ours}{of}: {words}"


def _is_needed(ours: str, asked: _Asked) -> bool:
    """Return whether every row has to have a value in a column."""
    return ours in NEEDED[asked.name] and ours not in _MAY_BE_EMPTY.get(asked.name, ())


def _is_of_another_table(texts: Mapping[str, str], asked: _Asked) -> bool:
    """Return whether a row of a file with several tables has nothing of this one."""
    needed = [name for name in NEEDED[asked.name] if name != "patient_id"]
    is_of_patients = asked.name == "patients"
    return not is_of_patients and not any(texts.get(asked.names.get(n, n)) for n in needed)


def _once(rows: list[Row], cells: Mapping[int, list[str]]) -> list[Row]:
    """Return rows that are alike once, where the whole lines differ by another table."""
    alike: set[str] = set()
    lines: set[tuple[str, ...]] = set()
    once = []
    for row in rows:
        values, line = repr(row.values), tuple(cells[row.number])
        if values not in alike or line in lines:
            once.append(row)
        alike.add(values)
        lines.add(line)
    return once


def _of_numbers(asked: _Asked) -> set[str]:
    """Return the columns of the file that hold numbers."""
    columns = asked.contract.columns
    return {asked.names.get(n, n) for n, column in columns.items() if column.dtype in _NUMBERS}


def _cell(ours: str, row: Row, asked: _Asked) -> _Cell | None:
    """Return what a cell is about; None for the value of a variable that is not known."""
    if ours != "value":
        return _Cell(ours, asked.contract.columns[ours], asked.coding.get(ours, {}))
    variable = row.values.get("variable")
    if variable is None:
        return None
    return _Cell(variable, asked.values[variable], asked.coding.get(variable, {}))


def _without_rows(rows: list[Row], asked: _Asked, *, file: str) -> Iterator[str]:
    """Yield a line for each declared variable that has no row."""
    there = {row.values.get("variable") for row in rows}
    for name in asked.values:
        if name not in there:
            yield (
                f"{file}: no row of '{name}'; add its values, or take it out of repeated in "
                "variables.yaml"
            )


def _header_problems(header: list[str], asked: _Asked) -> Iterator[str]:
    """Yield a line for each column that is missing, stands twice or looks misspelt."""
    name, names = asked.name, asked.names
    theirs = {ours: names.get(ours, ours) for ours in asked.contract.columns}
    known = {*theirs.values(), *asked.others}
    free = [column for column in header if column and column not in known]
    absent = [ours for ours, column in theirs.items() if column not in header]
    optional = []
    for ours in absent:
        if ours in names:
            is_ours = ours in (TABLES | OPTIONAL)[name].columns
            place = f"study.columns.{name}.{ours} in config.yaml"
            place = place if is_ours else f"{ours}.column in variables.yaml"
            yield f"column {theirs[ours]}: missing; {suggestion(theirs[ours], free)} ({place})"
        elif ours in asked.needed:
            near = suggestion(ours, free)
            yours = near.split("'")[1] if near.startswith("did") else "NAME_OF_YOUR_COLUMN"
            line = f"study.columns.{name} the line `{ours}: {yours}`"
            place = f"config.yaml under {line}"
            if ours not in (TABLES | OPTIONAL)[name].columns:
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


def _repeated(rows: list[Row], *, name: str, contract: Table, shared: bool) -> Iterator[str]:
    """Yield a line for each row that repeats another, or differs from it in capitals only.

    A file of several patients may stand in a row of each: `shared` says that there are such.

    Identifiers become names of files, and not every file system tells capitals apart.
    """
    keys: list[tuple[str, ...]] = [contract.key]
    if name == "recordings":
        channels = [column for column in contract.columns if column.endswith("_channel")]
        keys.append(("path", *(("patient_id",) if shared else ()), *channels[:1]))
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


def _wrong_recordings(rows: list[Row], recordings: Rows | None) -> Iterator[str]:
    """Yield a line for each row that leaves out a recording which is not the patient's."""
    listed = recordings.rows if recordings else []
    whose = {row.values.get("recording_id"): row.values.get("patient_id") for row in listed}
    known = {name for name in whose if name}
    for row in rows if known else ():
        patient_id, name = row.values.get("patient_id"), row.values.get("recording_id")
        if name is None or patient_id is None:
            continue
        if name not in known:
            yield (
                f"{row.where}, recording_id: '{name}' is not in the table of recordings; "
                f"{suggestion(name, known)}"
            )
        elif whose[name] not in (None, patient_id):
            yield (
                f"{row.where}, recording_id: '{name}' is a recording of {whose[name]}, not of "
                f"{patient_id}; correct one of them"
            )
