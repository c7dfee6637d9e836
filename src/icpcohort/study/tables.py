"""Study: the tables that a study brings, typed, and the rows of one patient."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import Table, store
from icpcohort.contracts.setting import OF_THE_STUDY, OfColumns, Setting
from icpcohort.recordings import places
from icpcohort.study import calendar_times, codings, encodings, folded_names
from icpcohort.study.rows import Row, Rows, read_rows
from icpcohort.study.schema import suggestion
from icpcohort.study.table_columns import (
    NEEDED,
    OPTIONAL,
    TABLES,
    columns_beside,
    listed,
    names_of,
    place_of,
    tables_of,
)

__all__ = [
    "NEEDED",
    "OPTIONAL",
    "TABLES",
    "Row",
    "Rows",
    "Study",
    "StudyError",
    "events_of",
    "level_of",
    "listed",
    "monitors_of",
    "names_of",
    "read_rows",
    "read_study",
    "recordings_of",
    "tables_of",
    "unread",
]

MAX_SHOWN = 50
# Columns of the list of recordings that a study's own signals have; each name is checked later.
OF_A_SIGNAL = "^[a-z][a-z0-9_]*_(channel|unit)$"


class StudyError(Exception):
    """The study tables cannot be used; `problems` has every line, the text the first 50."""

    def __init__(self, problems: Sequence[str]):
        self.problems = list(problems)
        shown = self.problems[:MAX_SHOWN]
        if len(self.problems) > MAX_SHOWN:
            shown.append(f"... and {len(self.problems) - MAX_SHOWN} more")
        super().__init__("\n".join(shown))


def _table(name: str, *, note: str = "", file: str = "") -> Setting:
    return Setting(
        f"Table of the {name}, relative to the study folder; CSV, Parquet or .xlsx by its "
        f"ending{note}",
        OF_THE_STUDY,
        file or f"{name.partition(' ')[0]}.csv",
        pattern=r"\.(csv|parquet|xlsx)$",
        pattern_in_words="a file name that ends in .csv, .parquet or .xlsx",
    )


def _sheet(name: str) -> Setting:
    return Setting(
        f"Sheet with the {name}. Left out: the first of the file", OF_THE_STUDY, name.title()
    )


@dataclass(frozen=True, kw_only=True)
class Sheets:
    """Which sheet of an .xlsx file is which table."""

    patients: Annotated[str, _sheet("patients")] = ""
    recordings: Annotated[str, _sheet("recordings")] = ""
    monitors: Annotated[str, _sheet("monitors")] = ""
    events: Annotated[str, _sheet("events")] = ""
    repeated: Annotated[str, _sheet("repeated values")] = ""


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Where the study's own tables are."""

    title: Annotated[
        str,
        Setting(
            "Title of the study, for the report",
            OF_THE_STUDY,
            "Title of the study",
            most_letters=200,
        ),
    ]
    folder: Annotated[
        str,
        Setting(
            "Folder of the tables and the recordings, relative to the folder that holds "
            "config/",
            OF_THE_STUDY,
            ".",
            pattern=r"^(?![/~]|[A-Za-z]:)(?!(.*/)?\.\.(/|$))[^\\]+$",
            pattern_in_words="a folder beside or below config/, without .. and not absolute",
        ),
    ]
    patients: Annotated[str, _table("patients")]
    recordings: Annotated[str, _table("recordings")]
    monitors: Annotated[str, _table("monitors")]
    events: Annotated[str, _table("events")]
    repeated: Annotated[
        str,
        _table(
            "repeated values",
            note=". Left out: the study has none, and variables.yaml declares none",
        ),
    ] = ""
    left_out: Annotated[
        str,
        _table(
            "patients and recordings that the group leaves out, each with its reason",
            note=". Left out: the group leaves out nothing",
            file="left_out.csv",
        ),
    ] = ""
    time_zero: Annotated[
        Literal["injury", "onset", "admission", "monitoring_start"],
        Setting(
            "What all times of a patient count from; onset is that of the disease",
            OF_THE_STUDY,
            "injury",
        ),
    ]
    sheets: Sheets | None = None
    encoding: Annotated[
        encodings.Encoding | None,
        Setting(
            "Encoding of the CSV tables that are neither UTF-8 nor UTF-16. Left out: there are "
            "none",
            OF_THE_STUDY,
            "cp1252",
        ),
    ] = None
    calendar: calendar_times.Settings | None = None
    columns: Annotated[
        Mapping[str, Mapping[str, str]],
        OfColumns(
            "Names of columns in your tables, where they differ from ours",
            TABLES | OPTIONAL,
            "Names of the columns in the table of {table}, where they differ from ours",
            "Column of your table that holds {column}. {about}",
            has_values=False,
            further={"recordings": OF_A_SIGNAL},
            optional=tuple(OPTIONAL),
        ),
    ]
    codings: Annotated[
        Mapping[str, Mapping[str, Mapping[str, str]]],
        OfColumns(
            "Values in your tables that are not ours, column by column; each is counted in "
            "recodings.parquet",
            TABLES | OPTIONAL,
            "Columns of the table of {table} whose values are translated",
            "Values of {column} in your table, each with ours",
            has_values=True,
            further={"recordings": OF_A_SIGNAL},
            optional=tuple(OPTIONAL),
        ),
    ]


@dataclass(frozen=True, eq=False)
class Study:
    """The study's own tables: each under its contract, sorted by its key."""

    patients: pl.DataFrame
    recordings: pl.DataFrame
    monitors: pl.DataFrame
    events: pl.DataFrame
    repeated: pl.DataFrame  # of REPEATED_VALUES; no rows where the study has none
    left_out: pl.DataFrame  # of LEFT_OUT; the same
    recodings: pl.DataFrame  # what of them the settings translated
    roots: Mapping[str, Path] = field(default_factory=dict)  # of recordings, on this machine


def read_study(settings: dict[str, Any]) -> Study:
    """Return the tables of the study, or every problem of all.

    Parameters
    ----------
    settings : dict
        Checked settings; read are `study.folder`, the tables' names, `study.columns`,
        `study.codings`, `variables`, `outcomes`, `repeated` and `signals`, and
        `recordings.roots` where it is there. A relative folder counts from the working
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
    tables, problems = read_rows(settings)
    if problems:
        raise StudyError(problems)
    frames = {
        name: _frame(tables[name].rows, contract)
        for name, contract in (OPTIONAL | tables_of(settings)).items()
        if name in tables
    }
    frames |= {n: store.empty(table) for n, table in OPTIONAL.items() if n not in tables}
    recoded = [
        (name, column, *pair)
        for name, table in tables.items()
        for row in table.rows
        for column, pair in row.recoded.items()
    ]
    stated = {name: codings.of_table(settings, name=name) for name in tables}
    scales = [n for n, entry in settings["outcomes"].items() if entry.get("scales")]
    recodings = codings.count(recoded, stated=stated, scales=scales)
    return Study(**frames, recodings=recodings, roots=places.of(settings).roots)


def unread(tables: dict[str, Rows], settings: Mapping[str, Any]) -> list[str]:
    """List, for each table that was read, the columns not used and those not there.

    Decimal commas that were understood are counted, and names that are written in another way
    than ours are named.

    A column that is not there is null in every row; a name that only looks like a column's is
    not used. Neither is a fault, but whoever wrote the table should know.
    """
    notes, study, contracts_of = [], settings["study"], tables_of(settings)
    for name, table in tables.items():
        header = table.header
        names = names_of(settings, name=name)
        names |= {ours: theirs for theirs, ours in table.read_as}
        theirs = {ours: names.get(ours, ours) for ours in contracts_of[name].columns}
        known = {*theirs.values(), *columns_beside(settings, name=name)}
        known |= {column for other in tables.values() for column, _ in other.read_as}
        zero = study.get("calendar", {}).get("time_zero")
        known |= {folded_names.same(zero, header)} if zero and name == "patients" else set()
        unknown = [c for c in header if c and c not in known]
        absent = [
            ours
            for ours, column in theirs.items()
            if column not in header and ours not in NEEDED[name]  # those are problems
        ]
        if table.n_decimal_commas:
            notes.append(
                f"{study[name]}: {table.n_decimal_commas} numbers with a decimal comma, read "
                "so: 1,5 is 1.5"
            )
        place = place_of(settings, name)
        if table.read_as:
            pairs = ", ".join(f"'{theirs}' as {ours}" for theirs, ours in table.read_as)
            notes.append(f"{study[name]}: read {pairs}")
        first = next(n for n in tables if place_of(settings, n) == place)  # of several there
        if unknown and name == first:
            notes.append(f"{study[name]}: columns not used: {', '.join(unknown)}")
        if absent:
            notes.append(
                f"{study[name]}: columns not there, so all missing: {', '.join(absent)}"
            )
    return notes


def recordings_of(study: Study, patient_id: str) -> list[dict[str, Any]]:
    """Return the rows of one patient's recordings, by their start; null is None."""
    return _rows_of(study, "recordings", patient_id, by=("start_s", "recording_id"))


def events_of(study: Study, patient_id: str) -> list[dict[str, Any]]:
    """Return the rows of one patient's events, by their start; null is None."""
    return _rows_of(study, "events", patient_id, by=("start_s", "event"))


_OF_A_MONITOR = (
    *("monitor_id", "insertion_h", "removal_h", "calibrated_h", "malfunction_h"),
    "drift_at_removal_mmhg",
)


def monitors_of(study: Study, patient_id: str) -> list[dict[str, Any]]:
    """Return when each of one patient's monitors was in and working, and how it drifted.

    Null is None.
    """
    rows = _rows_of(study, "monitors", patient_id, by=("insertion_h", "monitor_id"))
    return [{name: row[name] for name in _OF_A_MONITOR} for row in rows]


def level_of(study: Study, patient_id: str) -> dict[str, Any]:
    """Return where one patient's arterial transducer is; null is None."""
    (row,) = _rows_of(study, "patients", patient_id, by=("patient_id",))
    return {name: row[name] for name in contracts.LEVEL}


def _rows_of(
    study: Study, name: str, patient_id: str, *, by: tuple[str, ...]
) -> list[dict[str, Any]]:
    known = _by_patient(study, "patients", ("patient_id",))
    if patient_id not in known:
        raise ValueError(
            f"patients: no patient '{patient_id}'; {suggestion(patient_id, list(known))}"
        )
    return _by_patient(study, name, by).get(patient_id, [])


@cache
def _by_patient(
    study: Study, name: str, by: tuple[str, ...]
) -> dict[str, list[dict[str, Any]]]:
    """Divide a table by patient once: searching it again for every patient would be slow."""
    rows: dict[str, list[dict[str, Any]]] = {}
    table: pl.DataFrame = getattr(study, name)
    for row in table.sort(by, maintain_order=True).iter_rows(named=True):
        rows.setdefault(row["patient_id"], []).append(row)
    return rows


def _frame(rows: list[Row], table: Table) -> pl.DataFrame:
    columns = {name: [row.values[name] for row in rows] for name in table.columns}
    schema = {name: column.dtype for name, column in table.columns.items()}
    return pl.DataFrame(columns, schema=schema).sort(table.key)
