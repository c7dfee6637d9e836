"""Study rows: each table of the study read cell by cell, with every problem found in it."""

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from icpcohort.contracts import Column
from icpcohort.recordings import places
from icpcohort.recordings.places import Places
from icpcohort.study import (
    calendar_times,
    codings,
    date_texts,
    decimal_commas,
    folded_names,
    header_names,
    read_table,
    row_checks,
    row_keys,
    table_problems,
)
from icpcohort.study import values as entries
from icpcohort.study.calendar_times import Calendar, Dates
from icpcohort.study.table_columns import (
    NEEDED,
    NEEDS_ROWS,
    Asked,
    asked_of,
    is_number,
    place_of,
    tables_of,
)
from icpcohort.study.table_problems import Fault, Problem


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

    def problem(self, column: str, fault: Fault, *, value: str = "") -> Problem:
        """Return the problem that a fault of a cell of this row is."""
        return Problem(self.file, fault.words, self.number, column, fault.cause, value)


class Rows(NamedTuple):
    """One table that can be read: the names in its file, and the rows that fit them."""

    header: list[str]
    rows: list[Row]
    n_decimal_commas: int = 0  # numbers that were read with one
    read_as: tuple[tuple[str, str], ...] = ()  # names written in another way, and ours


class _Times(NamedTuple):
    """What the dates in a row are counted from."""

    calendar: Calendar
    dates: Dates
    patient_id: str

    def is_date(self, text: str, ours: str) -> bool:
        """Return whether a filled cell stands in a column of dates."""
        return bool(text) and (ours in self.dates.orders or ours in self.dates.unread)

    def since_zero(
        self, text: str, ours: str, column: Column
    ) -> tuple[float | None, Fault | None]:
        """Return the time from the patient's time zero, and None or why there is none."""
        if self.calendar.counted is None or ours in self.dates.unread:
            return None, Fault("", calendar_times.UNKNOWN)
        return calendar_times.since_time_zero(
            text,
            self.calendar.counted,
            patient_id=self.patient_id,
            name=ours,
            column=column,
            order=self.dates.orders[ours],
        )


class _Cell(NamedTuple):
    """What a cell is about: a column, or the variable that a repeated value is of."""

    about: str
    column: Column
    coding: codings.Coding


def read_rows(settings: Mapping[str, Any]) -> tuple[dict[str, Rows], list[str]]:
    """Return the tables that can be read by name, and every problem of all.

    Many problems of one cause in a column are one line; see `table_problems.lines`.

    Parameters
    ----------
    settings : mapping
        As in `tables.read_study`; a table whose name is not there is passed over.
    """
    study, outcomes = settings["study"], settings["outcomes"]
    where = places.of(settings)
    calendar = Calendar(study.get("calendar"))
    tables: dict[str, Rows] = {}
    of_places = (line.partition(": ") for line in where.problems())
    wrong = [Problem(setting, words) for setting, _, words in of_places]
    for name in (name for name in tables_of(settings) if name in study):
        asked = asked_of(settings, name=name)
        table, problems = _read_table(where, asked, calendar, settings=settings)
        wrong += codings.with_lines_to_write(problems, settings=settings, name=name)
        if table is not None:
            tables[name] = table
            if name != "patients":
                wrong += row_keys.strangers(table.rows, _rows_of(tables, "patients"))
            if name == "left_out":
                recordings = _rows_of(tables, "recordings")
                wrong += row_keys.wrong_recordings(table.rows, recordings)
            if name == "repeated":
                wrong += row_keys.without_rows(table.rows, asked.values, file=study[name])
    values = [row.values for row in _rows_of(tables, "patients")]
    wrong = codings.merge_reversed_scores(calendar.merged(wrong), values, outcomes=outcomes)
    return tables, table_problems.lines(wrong)


def _rows_of(tables: Mapping[str, Rows], name: str) -> list[Row]:
    return tables[name].rows if name in tables else []


# --- one table -----------------------------------------------------------------------------


def _read_table(
    where: Places, asked: Asked, calendar: Calendar, *, settings: Mapping[str, Any]
) -> tuple[Rows | None, list[Problem]]:
    """Return one table (None: it cannot be read) and its problems."""
    name, study, outcomes = asked.name, settings["study"], settings["outcomes"]
    path, sheet = where.folder / study[name], place_of(settings, name)[1]
    file = f"{path.name} ({sheet})" if sheet else path.name
    try:
        export, of_rows = read_table.read(
            path,
            within=where.folder,
            sheet=sheet,
            encoding=study.get("encoding", ""),
        )
    except read_table.ExportError as error:
        return None, [Problem(file, str(error), error.row)]
    problems = [Problem(file, words, row, cause=cause) for row, words, cause in of_rows]
    same = folded_names.found(
        export.header, asked.contract.columns, names=asked.names, taken=asked.others
    )
    asked = asked.with_names(same.names, export.header)
    problems += [Problem(file, words, column=column) for column, words in same.problems]
    commas = decimal_commas.found(export, columns=asked.numbers())
    problems += [Problem(file, commas.problem)] if commas.problem else []
    asked = asked._replace(has_decimal_commas=commas.n > 0)
    if name == "patients":
        problems += calendar.count_from(export, asked, file=file)
    dates, of_dates = calendar.dates_of(export, asked, file=file)
    problems += [*_of_header(export, asked, calendar, file=file), *of_dates]
    if not export.rows and name in NEEDS_ROWS:
        words = f"no rows; write one line for each of the study's {name}"
        if name == "recordings":
            words += ", or let icpcohort list write them, by recordings.patterns"
        problems.append(Problem(file, words))
    rows: list[Row] = []
    for number, cells in export.rows:
        texts = dict(zip(export.header, cells, strict=True))
        if not asked.others or not _is_of_another_table(texts, asked):
            row = Row(file, number, {}, {})
            times = _Times(calendar, dates, texts.get(asked.theirs("patient_id"), ""))
            problems += _fill(row, texts, asked, times, outcomes=outcomes)
            problems += _contradictions(row, asked, where=where, outcomes=outcomes)
            rows.append(row)
    if asked.others:
        rows = _once(rows, dict(export.rows))
    absent = {ours for ours in asked.needed if asked.theirs(ours) not in export.header}
    problems += row_keys.repeated(
        rows,
        name=name,
        contract=asked.contract,
        absent=absent,
        has_shared_files=asked.has_shared_files,
    )
    read_as = tuple((theirs, ours) for ours, theirs in same.names.items())
    return Rows(export.header, rows, commas.n, read_as), problems


def _of_header(
    export: read_table.Export, asked: Asked, calendar: Calendar, *, file: str
) -> Iterator[Problem]:
    of_dates = calendar_times.columns_of_dates(export) if calendar.stated is None else ()
    for column, words in header_names.problems(
        export.header, asked, of_dates=of_dates, block=calendar.block
    ):
        yield Problem(file, words, column=column)


def _contradictions(
    row: Row, asked: Asked, *, where: Places, outcomes: Mapping[str, Any]
) -> Iterator[Problem]:
    """Yield a problem for each cell that contradicts another one, and take its value away."""
    of_row = list(row_checks.contradictions(row.values, places=where))
    if asked.name == "patients":
        of_row += row_checks.scores_of_the_dead(row.values, outcomes)
    for ours, fault in of_row:
        if ours not in outcomes:  # scores of the dead tell of a reversed scale
            row.values.pop(ours, None)
        yield row.problem(ours, fault)


def _fill(
    row: Row,
    texts: Mapping[str, str],
    asked: Asked,
    times: _Times,
    *,
    outcomes: Mapping[str, Any],
) -> Iterator[Problem]:
    """Fill in the values of a row, and yield a problem for each cell that has none."""
    for ours in asked.contract.columns:
        cell = _cell(ours, row, asked)
        if cell is None:
            continue
        theirs = asked.theirs(ours)
        outcome = outcomes.get(cell.about, {})
        meant = codings.translate(texts.get(theirs, ""), cell.coding, outcome=outcome)
        value, fault = None, meant.fault
        text = meant.ours
        if asked.has_decimal_commas and is_number(cell.column):
            text = decimal_commas.with_point(text)
        if fault is None and times.is_date(text, ours):
            value, fault = times.since_zero(text, ours, cell.column)
        elif fault is None:
            value, fault = entries.understood(
                text, name=ours, column=cell.column, choices=asked.choices
            )
        if meant.ours != meant.theirs:
            row.recoded[cell.about] = (meant.theirs, meant.ours)
        if fault is None and value is None and theirs in texts and asked.must_be_filled(ours):
            fault = Fault("empty; every row needs one", "empty")
        if fault is None:
            row.values[ours] = value
        else:
            of = "" if cell.about == ours else f" of {cell.about}"
            shown = "" if date_texts.is_date(meant.theirs) else meant.theirs
            shown = times.patient_id if fault.cause == calendar_times.NO_ZERO else shown
            yield row.problem(f"{ours}{of}", fault, value=shown)


def _is_of_another_table(texts: Mapping[str, str], asked: Asked) -> bool:
    """Return whether a row of a file with several tables has nothing of this one."""
    needed = [name for name in NEEDED[asked.name] if name != "patient_id"]
    is_of_patients = asked.name == "patients"
    return not is_of_patients and not any(texts.get(asked.theirs(n)) for n in needed)


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


def _cell(ours: str, row: Row, asked: Asked) -> _Cell | None:
    """Return what a cell is about; None for the value of a variable that is not known."""
    if ours != "value":
        return _Cell(ours, asked.contract.columns[ours], asked.coding.get(ours, {}))
    variable = row.values.get("variable")
    if variable is None:
        return None
    return _Cell(variable, asked.values[variable], asked.coding.get(variable, {}))
