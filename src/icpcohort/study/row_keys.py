"""Row keys: rows of a study table that stand twice, and rows of patients who are not listed."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any, Protocol

from icpcohort.contracts import Table
from icpcohort.study import values as entries
from icpcohort.study.schema import suggestion
from icpcohort.study.table_problems import Problem


class _Row(Protocol):
    @property
    def file(self) -> str: ...
    @property
    def number(self) -> int: ...
    @property
    def values(self) -> dict[str, Any]: ...


def repeated(
    rows: Sequence[_Row],
    *,
    name: str,
    contract: Table,
    absent: Collection[str],
    has_shared_files: bool,
) -> Iterator[Problem]:
    """Yield a problem for each row that repeats another, or differs from it in capitals only.

    A file of several patients may stand in a row of each: `has_shared_files` says that there
    are such.

    Identifiers become names of files, and not every file system tells capitals apart. Rows are
    not compared by a column that the file should have and has not (`absent`).
    """
    keys: list[tuple[str, ...]] = [contract.key]
    if name == "recordings":
        channels = [column for column in contract.columns if column.endswith("_channel")]
        whose = ("patient_id",) if has_shared_files else ()
        keys.append(("path", *whose, *channels[:1]))
    for key in keys:
        if not set(key).isdisjoint(absent):
            continue
        first: dict[tuple[str, ...], int] = {}
        for row in rows:
            values = [row.values.get(column) for column in key]
            if values[0] is None or not all(column in row.values for column in key):
                continue
            place = first.setdefault(tuple(_folded(key, values)), row.number)
            if place != row.number:
                filled = {c: str(v) for c, v in zip(key, values, strict=True) if v is not None}
                what, shown = ", ".join(filled), ", ".join(filled.values())
                words = f"'{shown}' stands in row {place} too; keep one"
                yield Problem(row.file, words, row.number, what, "stands twice", shown)


def _folded(key: tuple[str, ...], values: list[Any]) -> Iterator[str]:
    for column, value in zip(key, values, strict=True):
        yield str(value).casefold() if column in entries.IDENTIFIERS else str(value)


def strangers(rows: Sequence[_Row], patients: Sequence[_Row]) -> list[Problem]:
    """List the rows of another table whose patient is not in the table of patients."""
    known = {row.values["patient_id"] for row in patients if row.values.get("patient_id")}
    if not known:
        return []  # one fault of the table of patients, not one of every row elsewhere
    nearest: dict[str, str] = {}
    problems = []
    for row in rows:
        patient_id = row.values.get("patient_id")
        if patient_id is not None and patient_id not in known:
            if patient_id not in nearest:
                nearest[patient_id] = suggestion(patient_id, known)
            words = f"'{patient_id}' is not in the table of patients; {nearest[patient_id]}"
            problems.append(
                Problem(row.file, words, row.number, "patient_id", "a stranger", patient_id)
            )
    return problems


def without_rows(
    rows: Sequence[_Row], values: Mapping[str, Any], *, file: str
) -> Iterator[Problem]:
    """Yield a problem for each declared variable that has no row."""
    there = {row.values.get("variable") for row in rows}
    for name in values:
        if name not in there:
            yield Problem(
                file,
                f"no row of '{name}'; add its values, or take it out of repeated in "
                "variables.yaml",
            )


def wrong_recordings(rows: Sequence[_Row], recordings: Sequence[_Row]) -> Iterator[Problem]:
    """Yield a problem for each row that leaves out a recording which is not the patient's."""
    whose = {row.values.get("recording_id"): row.values.get("patient_id") for row in recordings}
    known = {name for name in whose if name}
    for row in rows if known else ():
        patient_id, name = row.values.get("patient_id"), row.values.get("recording_id")
        if name is None or patient_id is None:
            continue
        if name not in known:
            words = f"'{name}' is not in the table of recordings; {suggestion(name, known)}"
            yield Problem(row.file, words, row.number, "recording_id", "a stranger", name)
        elif whose[name] not in (None, patient_id):
            words = (
                f"'{name}' is a recording of {whose[name]}, not of {patient_id}; correct one "
                "of them"
            )
            yield Problem(row.file, words, row.number, "recording_id", "of another", name)
