"""Listing: the table of recordings from the names of files, and from what their heads say."""

import csv
import io
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

import polars as pl
import pyarrow as pa

from icpcohort.recordings import patterns, places, starts
from icpcohort.recordings.chunks import RecordingError
from icpcohort.recordings.time_columns import Timing
from icpcohort.study import read_table, settings, tables
from icpcohort.study.schema import at

MAX_NAMES = 20  # identifiers in one line
MAX_EXAMPLES = 3  # of paths
NEEDED = tables.NEEDED["recordings"]


class NotListed(Exception):  # noqa: N818 (what the study is)
    """The table cannot be written; the text has one problem per line."""


class Listing(NamedTuple):
    """The table with the new lines, and what was counted."""

    table: Path
    content: bytes
    added: str  # the new lines alone
    n_added: int
    n_filled: int  # starts of lines that had none
    counts: list[str]


class _New(NamedTuple):
    """A recording that is not in the table yet."""

    patient_id: str
    listed: str
    format: str
    start: datetime | None
    is_readable: bool


class _Table(NamedTuple):
    """The table as it is: its bytes, its columns, and rows by our names."""

    content: bytes
    header: list[str]
    separator: str
    lines: list[tuple[int, list[str]]]  # number in the file, and cells
    theirs: Mapping[str, str]

    @property
    def rows(self) -> list[dict[str, str]]:
        """The columns that every row needs, by our names."""
        at = {ours: self.header.index(self.theirs[ours]) for ours in NEEDED}
        return [{ours: cells[i] for ours, i in at.items()} for _, cells in self.lines]


def list_recordings(
    study: Path, *, schema_folder: Path, progress: Callable[[int, int], None]
) -> Listing:
    """Return the table of recordings with a line for each file that fits a pattern.

    Lines that are there stay byte for byte as they are, but for an empty `start_s`, which is
    filled in; new ones follow, in the order of patients and of starts. `start_s` has the date
    and time that a file states, to be turned into seconds where tables are read, and is empty
    where a file states none.

    Parameters
    ----------
    study : Path
        Folder that holds `config/`.
    schema_folder : Path
        Holds the schemas of the settings.
    progress : function
        Called with the number of files whose head was read, and of all.

    Raises
    ------
    NotListed
        If settings, the table of patients or that of recordings cannot be used.
    """
    asked = _settings(study, schema_folder)
    patients = _patients(asked)
    table = _table(asked)
    where = places.of(asked)
    reading = asked["recordings"]
    found = patterns.find(reading["patterns"], places=where, patients=patients)
    of_study = {asked["study"][name] for name in tables.listed(asked)}
    found = found._replace(
        files=[file for file in found.files if file.listed not in of_study],
        of_unknown=[file for file in found.of_unknown if file.listed not in of_study],
        unfitting=[name for name in found.unfitting if name not in of_study],
    )
    rows = {(row["path"], row["patient_id"]): i for i, row in enumerate(table.rows)}
    without_start = {
        (row["path"], row["patient_id"])
        for row, (_, cells) in zip(table.rows, table.lines, strict=True)
        if not row["start_s"] and not any("\n" in cell for cell in cells)
    }
    there, filled = set(rows) - without_start, dict[int, str]()
    new: list[_New] = []
    strangers: Counter[str] = Counter(str(file.patient_id) for file in found.of_unknown)
    n_there = 0
    for i, file in enumerate(found.files, start=1):
        if file.patient_id is not None and (file.listed, file.patient_id) in there:
            n_there += 1
            continue
        for one in _recordings(file, where=where, reading=reading):
            if one.patient_id not in patients:
                strangers[one.patient_id] += 1
            elif (place := rows.get((one.listed, one.patient_id))) is not None:
                n_there += 1
                if one.start is not None and (one.listed, one.patient_id) in without_start:
                    filled[place] = one.start.isoformat()
            else:
                new.append(one)
        progress(i, len(found.files))
    text = _lines(new, table, patients)
    return Listing(
        table=where.folder / asked["study"]["recordings"],
        content=_joined(_with_starts(table, filled), text),
        added=text,
        n_added=len(new),
        n_filled=len(filled),
        counts=_counts(
            new,
            table,
            found,
            patients,
            strangers=strangers,
            n_there=n_there,
            n_filled=len(filled),
            has_zone=bool(reading.get("clock_zone")),
        ),
    )


# --- what is there -------------------------------------------------------------------------


def _settings(study: Path, schema_folder: Path) -> dict[str, Any]:
    """Return the settings with folders that count from here."""
    config = study / "config"
    files = settings.read(
        config / "config.yaml", config / "models.yaml", schema_folder=schema_folder
    )
    if files.settings is None or files.settings_problems:
        raise NotListed("\n".join(["the settings are not right:", *files.settings_problems]))
    asked = files.settings
    if not at(asked, "recordings", "patterns"):
        raise NotListed(
            "recordings.patterns: not in config.yaml; write where the recordings lie, for "
            'example `patterns: ["recordings/{patient}_{any}.edf"]`'
        )
    folder = {"folder": str(study / asked["study"]["folder"])}
    asked = asked | {"study": asked["study"] | folder}
    if problems := list(places.of(asked).problems()):
        raise NotListed("\n".join(problems))
    return asked


def _patients(asked: dict[str, Any]) -> list[str]:
    """Return the identifiers in the table of patients."""
    keep = ("folder", "columns", "codings", "patients", "sheets", "encoding")
    alone = {name: asked["study"][name] for name in keep if name in asked["study"]}
    read, problems = tables.read_rows(asked | {"study": alone})
    rows = read["patients"].rows if "patients" in read else []
    patients = [row.values["patient_id"] for row in rows if row.values.get("patient_id")]
    if not patients:
        why = problems[0] if problems else f"{alone['patients']}: no patients"
        raise NotListed(f"{why}\nwrite the table of patients first: a file belongs to one")
    return list(dict.fromkeys(patients))


def _table(asked: dict[str, Any]) -> _Table:
    """Return the table of recordings, with its usual columns where it is not there yet."""
    study, name = asked["study"], asked["study"]["recordings"]
    path = Path(study["folder"]) / name
    names = tables.names_of(asked, name="recordings")
    columns = tables.tables_of(asked)["recordings"].columns
    theirs = {ours: names.get(ours, ours) for ours in columns}
    if path.suffix != ".csv" or name == study["patients"]:
        raise NotListed(
            f"{name}: lines are added to a CSV table of recordings alone; name one in "
            "study.recordings"
        )
    content = path.read_bytes() if path.is_file() else b""
    if not content.strip():
        header = list(theirs.values())
        return _Table(_csv([header], ",").encode(), header, ",", [], theirs)
    try:
        content.decode("utf-8")  # so that what is added has the same encoding
    except UnicodeDecodeError as error:
        raise NotListed(f"{name}: not UTF-8; save the table as CSV in UTF-8") from error
    try:
        export, problems = read_table.read(path, within=Path(study["folder"]))
    except read_table.ExportError as error:
        raise NotListed(f"{name}{error}") from error
    absent = [theirs[ours] for ours in NEEDED if theirs[ours] not in export.header]
    lines = [f"{name} row {one.row}: {one.words}" for one in problems]
    lines += [f"{name}, column {column}: missing; add it" for column in absent]
    if lines:
        raise NotListed("\n".join(lines))
    return _Table(content, export.header, export.separator, export.rows, theirs)


# --- what is new ---------------------------------------------------------------------------


def _recordings(
    file: patterns.File, *, where: places.Places, reading: Mapping[str, Any]
) -> list[_New]:
    """Return the recording in a file, or one per patient of a file for all."""
    path = where.path_of(file.listed)
    timing = Timing(reading["time_columns"], day_order=reading.get("day_order"))
    try:
        if file.patient_id is None:
            of_patients = starts.starts_by_patient(
                path,
                format=file.format,
                timing=timing,
                patient_column=reading["patient_column"],
            )
        else:
            start = starts.start_of(path, format=file.format, timing=timing)
            of_patients = {file.patient_id: start}
    except (
        *(RecordingError, OSError, ValueError, IndexError, pa.ArrowException),
        *(pl.exceptions.PolarsError, pl.exceptions.PanicException),
    ) as error:
        if file.patient_id is None:
            words = error.detail if isinstance(error, RecordingError) else "cannot be read"
            raise NotListed(f"{file.listed}: {words}") from error
        return [_New(file.patient_id, file.listed, file.format, None, is_readable=False)]
    return [
        _New(patient_id, file.listed, file.format, start, is_readable=True)
        for patient_id, start in of_patients.items()
    ]


def _lines(new: Sequence[_New], table: _Table, patients: Sequence[str]) -> str:
    """Return the lines of new recordings, each patient's numbered in the order of starts."""
    last = _last_numbers(table)
    order = {patient_id: i for i, patient_id in enumerate(patients)}
    lines = []
    for one in sorted(new, key=lambda one: (order[one.patient_id], *_by_start(one))):
        patient = one.patient_id.casefold()
        last[patient] += 1
        values = {
            "recording_id": f"{one.patient_id}_r{last[patient]}",
            "patient_id": one.patient_id,
            "path": one.listed,
            "format": one.format,
            "start_s": "" if one.start is None else one.start.isoformat(),
        }
        of_column = {table.theirs[ours]: value for ours, value in values.items()}
        lines.append([of_column.get(column, "") for column in table.header])
    return _csv(lines, table.separator)


def _by_start(one: _New) -> tuple[bool, datetime, str]:
    start = one.start.replace(tzinfo=None) if one.start else datetime.min
    return one.start is None, start, one.listed


def _last_numbers(table: _Table) -> Counter[str]:
    """Return the highest running number of each patient, in small letters, in the table."""
    last: Counter[str] = Counter()
    for row in table.rows:
        if match := re.fullmatch(r"(.+)_r(\d{1,9})", row["recording_id"].casefold()):
            last[match[1]] = max(last[match[1]], int(match[2]))
    return last


def _csv(lines: Sequence[Sequence[str]], separator: str) -> str:
    text = io.StringIO()
    csv.writer(text, delimiter=separator, lineterminator="\n").writerows(lines)
    return text.getvalue()


def _with_starts(table: _Table, starts_of: Mapping[int, str]) -> bytes:
    """Return the table's bytes, with a start in the lines at these places that had none."""
    lines = table.content.splitlines(keepends=True)
    at = table.header.index(table.theirs["start_s"])
    for place, start in starts_of.items():
        number, cells = table.lines[place]
        line = _csv([[*cells[:at], start, *cells[at + 1 :]]], table.separator)
        end = lines[number - 1][len(lines[number - 1].rstrip(b"\r\n")) :]
        lines[number - 1] = line.rstrip("\n").encode("utf-8") + end
    return b"".join(lines)


def _joined(content: bytes, text: str) -> bytes:
    """Return the table's bytes as they are, and the new lines with its ends of lines."""
    end = b"\r\n" if b"\r\n" in content else b"\n"
    between = b"" if content.endswith(b"\n") else end
    return content + between + text.encode("utf-8").replace(b"\n", end)


# --- what is said --------------------------------------------------------------------------


def _counts(
    new: Sequence[_New],
    table: _Table,
    found: patterns.Found,
    patients: Sequence[str],
    *,
    strangers: Mapping[str, int],
    n_there: int,
    n_filled: int,
    has_zone: bool,
) -> list[str]:
    have = {row["patient_id"] for row in table.rows} | {one.patient_id for one in new}
    without = [patient_id for patient_id in patients if patient_id not in have]
    unread = [one.listed for one in new if not one.is_readable]
    undated = [one.listed for one in new if one.is_readable and one.start is None]
    local = [one.listed for one in new if one.start and one.start.tzinfo is None]
    filled = f"; of these with a start now: {n_filled}" if n_filled else ""
    n_fit = len(found.files) + len(found.of_unknown)
    lines = [
        f"files that fit a pattern: {n_fit}; new recordings: {len(new)}; listed already: "
        f"{n_there}{filled}",
        _line("files whose head cannot be read", unread, "icpcohort check says why"),
        _line("files that state no date", undated, "write start_s of each"),
        _line(
            "files with the time of a clock and no offset from UTC",
            [] if has_zone else local,
            "of CSV and Parquet write clock_zone",
        ),
        _line("patients with recordings that begin at the same moment", _same_start(new)),
        _line("patients of files who are not in the table of patients", list(strangers)),
        _line("patients without a recording", without),
        _line("files that fit no pattern", found.unfitting),
        _line("links that lead out of the study folder and its roots", found.outside),
    ]
    return [line for line in lines if line]


def _line(what: str, names: Sequence[str], then: str = "") -> str:
    """Return a count with examples: three paths, or more identifiers, which are short."""
    if not names:
        return ""
    most = MAX_EXAMPLES if what.startswith(("files", "links")) else MAX_NAMES
    shown = ", ".join(names[:most]) + (", ..." if len(names) > most else "")
    return f"{what}: {len(names)} ({shown})" + (f"; {then}" if then else "")


def _same_start(new: Sequence[_New]) -> list[str]:
    """Return the patients with new recordings that begin at the same moment."""
    starts_of = defaultdict(list)
    for one in new:
        if one.start is not None:
            starts_of[one.patient_id].append(one.start)
    return [p for p, all_of in starts_of.items() if len(set(all_of)) < len(all_of)]
