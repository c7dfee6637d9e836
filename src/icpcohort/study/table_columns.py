"""Table columns: the tables of a study, and what is asked of the file of each."""

from collections.abc import Collection, Mapping
from typing import Any, NamedTuple

from icpcohort import contracts
from icpcohort.contracts import Column, Table, declared_signals, repeated
from icpcohort.recordings import places, units
from icpcohort.study import codings, dictionary_checks, folded_names
from icpcohort.study import values as entries

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


class Asked(NamedTuple):
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

    def must_be_filled(self, ours: str) -> bool:
        """Return whether every row has to have a value in a column."""
        return ours in NEEDED[self.name] and ours not in _MAY_BE_EMPTY.get(self.name, ())

    def theirs(self, ours: str) -> str:
        """Return the name of a column in the file."""
        return self.names.get(ours, ours)

    def with_names(self, names: Mapping[str, str], header: Collection[str]) -> "Asked":
        """Return the same with names as they are written in the file, ours -> theirs."""
        folded = {folded_names.folded(name) for name in self.others}
        alike = {name for name in header if folded_names.folded(name) in folded}
        others = self.others | (alike - {*names.values()})
        return self._replace(names={**self.names, **names}, others=frozenset(others))

    def numbers(self) -> set[str]:
        """Return the columns of the file that hold numbers."""
        columns = self.contract.columns
        return {self.theirs(n) for n, column in columns.items() if column.dtype in _NUMBERS}


def is_number(column: Column) -> bool:
    """Return whether a column holds numbers."""
    return column.dtype in _NUMBERS


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


def asked_of(settings: Mapping[str, Any], *, name: str) -> Asked:
    """Return what the settings ask of a table."""
    names, needed = names_of(settings, name=name), NEEDED[name]
    if name == "patients":
        needed += tuple(n for n in names if n not in TABLES[name].columns)
        needed += dictionary_checks.main_column(settings)
    return Asked(
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
    return frozenset(
        names_of(settings, name=other).get(ours, ours)
        for other, contract in tables_of(settings).items()
        if other != name and place_of(settings, other) == place_of(settings, name)
        for ours in contract.columns
    )


def place_of(settings: Mapping[str, Any], name: str) -> tuple[str | None, str]:
    """Return the file of a table, and the sheet in it; empty where none is stated."""
    study = settings["study"]
    return study.get(name), study.get("sheets", {}).get(name, "")


def _choices(declared: Mapping[str, Any]) -> dict[str, tuple[str, ...]]:
    """Return what a cell may say, by the name of its column."""
    signals = declared_signals.recorded(declared)
    of_units = {f"{name}_unit": units.names_like(s["unit"]) for name, s in signals.items()}
    return entries.CHOICES | of_units | {"variable": tuple(declared.get("repeated", {}))}
