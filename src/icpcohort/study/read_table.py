"""Exports: a table of the study, whatever its format, as rows of texts and their places."""

import csv
import io
import re
from pathlib import Path
from typing import NamedTuple

import pyarrow as pa
import pyarrow.parquet as pq

from icpcohort.recordings import file_checks
from icpcohort.study import encodings, spreadsheets

SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
MOST_OF_A_HEADER = 1_000_000  # characters
_QUOTED = re.compile(r'"(?:[^"]|"")*"')


class Export(NamedTuple):
    """A table before its cells are understood; an empty text is an empty cell."""

    header: list[str]
    rows: list[tuple[int, list[str]]]  # the row's number, and one text per column of the header
    separator: str  # between the cells; empty where there is none, as in Parquet


class OfRow(NamedTuple):
    """What is wrong with a whole row."""

    row: int
    words: str
    cause: str


class ExportError(Exception):
    """The table cannot be read; the text says why, and `row` where, if it is one row."""

    def __init__(self, words: str, *, row: int | None = None):
        super().__init__(words)
        self.row = row


def read(
    path: Path, *, within: Path, sheet: str = "", encoding: str = ""
) -> tuple[Export, list[OfRow]]:
    """Return a table with its cells as texts, and what is wrong with single rows.

    In a CSV file a row's number is its line (the header is line 1), in a spreadsheet that of
    the sheet; in a Parquet file rows count from 1. Blanks around a cell are not part of it.
    Rows that do not fit the header are left out and named. The cells of a CSV file are
    separated by commas, semicolons, tabs or bars: by what stands most often in its header,
    outside quotes.

    Parameters
    ----------
    path : Path
        CSV, Parquet or .xlsx, by its ending.
    within : Path
        Folder that it must lie in.
    sheet : str
        Of a spreadsheet; empty for the first.
    encoding : str
        Of a CSV file that is neither UTF-8 nor UTF-16; empty if it is not known.

    Raises
    ------
    ExportError
        If there is no such file in the folder `within`, or nothing in it can be read.
    """
    if not file_checks.is_inside(path, within):
        raise ExportError(
            "its path or a link leads out of the study folder; put the table itself into "
            "the folder"
        )
    if not path.is_file():
        raise ExportError(
            f"no such file in {path.parent}; put it there, or correct study in config.yaml"
        )
    if path.suffix == ".parquet":
        return _read_parquet(path), []
    if path.suffix == ".xlsx":
        return _read_sheet(path, sheet), []
    return _read_csv(path, encoding)


def _read_sheet(path: Path, sheet: str) -> Export:
    try:
        rows = spreadsheets.read(path, sheet=sheet)
    except spreadsheets.SpreadsheetError as error:
        raise ExportError(str(error)) from error
    if not rows:
        raise ExportError("empty; write a line with the names of the columns")
    return Export(rows[0][1], rows[1:], "")


def _read_csv(path: Path, encoding: str) -> tuple[Export, list[OfRow]]:
    problems: list[OfRow] = []
    lines: list[tuple[int, list[str]]] = []
    before = 0
    try:
        text = encodings.decoded(path.read_bytes(), encoding=encoding)
        separator = _separator(text[:MOST_OF_A_HEADER])
        file = io.StringIO(text, newline="")
        reader = csv.reader(file, strict=True, delimiter=separator)
        for cells in reader:
            if cells:  # not a blank line
                lines.append((before + 1, [cell.strip() for cell in cells]))
            before = reader.line_num
    except encodings.EncodingError as error:
        raise ExportError(str(error)) from error
    except csv.Error as error:
        raise ExportError(
            f"not CSV ({error}); look for a quote that is not closed", row=before + 1
        ) from error
    if not lines:
        raise ExportError("empty; write a line with the names of the columns")
    header = lines[0][1]
    more = "comma in quotes, and write decimals with a point"
    if separator != ",":
        more = f"{SEPARATORS[separator]} in quotes"
    rows = []
    for number, cells in lines[1:]:
        if not any(cells):
            problems.append(OfRow(number, "an empty row; delete it", "an empty row"))
        elif len(cells) != len(header):
            words = f"{len(cells)} cells under {len(header)} columns; put a text with a {more}"
            problems.append(OfRow(number, words, "more or fewer cells"))
        else:
            rows.append((number, cells))
    return Export(header, rows, separator), problems


def _separator(text: str) -> str:
    """Return what separates the cells of a table, by its header; a comma for one column."""
    lines = (line for line in _QUOTED.sub("", text).splitlines() if line.strip())
    header = next(lines, "")
    counts = {separator: header.count(separator) for separator in SEPARATORS}
    most = max(counts.values())
    often = [separator for separator, n in counts.items() if n == most > 0]
    if len(often) > 1:
        names = " and ".join(SEPARATORS[separator] for separator in often)
        raise ExportError(
            f"{names} stand equally often between the names of columns; put names that hold "
            "one of them in quotes",
            row=1,
        )
    return often[0] if often else ","


def _read_parquet(path: Path) -> Export:
    try:
        table = pq.ParquetFile(path).read()
        columns = [
            [_as_text(value) for value in column.to_pylist()] for column in table.columns
        ]
    except (OSError, ValueError, pa.ArrowException) as error:
        raise ExportError("not a Parquet file that can be read; write it again") from error
    rows = [(number, list(cells)) for number, cells in enumerate(zip(*columns, strict=True), 1)]
    return Export(table.column_names, rows, "")


def _as_text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    return str(value).strip()
