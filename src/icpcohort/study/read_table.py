"""Exports: a table of the study, CSV or Parquet, as rows of texts that know their place."""

import csv
from pathlib import Path
from typing import NamedTuple

import pyarrow as pa
import pyarrow.parquet as pq

from icpcohort.recordings import file_checks


class Export(NamedTuple):
    """A table before its cells are understood; an empty text is an empty cell."""

    header: list[str]
    rows: list[tuple[int, list[str]]]  # the row's number, and one text per column of the header


class ExportError(Exception):
    """The table cannot be read; the text has the words after the file's name."""


def read(path: Path, *, within: Path) -> tuple[Export, list[str]]:
    """Return a table with its cells as texts, and what is wrong with single rows.

    In a CSV file a row's number is its line (the header is line 1); in a Parquet file rows
    count from 1. Blanks around a cell are not part of it. Rows that do not fit the header are
    left out and named.

    Raises
    ------
    ExportError
        If there is no such file in the folder `within`, or nothing in it can be read.
    """
    if not file_checks.is_inside(path, within):
        raise ExportError(
            ": its path or a link leads out of the study folder; put the table itself into "
            "the folder"
        )
    if not path.is_file():
        raise ExportError(
            f": no such file in {path.parent}; put it there, or correct study in config.yaml"
        )
    if path.suffix == ".parquet":
        return _read_parquet(path), []
    return _read_csv(path)


def _read_csv(path: Path) -> tuple[Export, list[str]]:
    problems: list[str] = []
    lines: list[tuple[int, list[str]]] = []
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file, strict=True)
            before = 0
            for cells in reader:
                if cells:  # not a blank line
                    lines.append((before + 1, [cell.strip() for cell in cells]))
                before = reader.line_num
    except UnicodeDecodeError as error:
        raise ExportError(": not UTF-8; save the table again as CSV in UTF-8") from error
    except csv.Error as error:
        raise ExportError(
            f" row {before + 1}: not CSV ({error}); look for a quote that is not closed"
        ) from error
    if not lines:
        raise ExportError(": empty; write a line with the names of the columns")
    header = lines[0][1]
    for separator, name in ((";", "semicolons"), ("\t", "tabs")):
        if len(header) == 1 and separator in header[0]:
            raise ExportError(
                f": separated by {name}; save it with commas, and with decimal points"
            )
    rows = []
    for number, cells in lines[1:]:
        if not any(cells):
            problems.append(f" row {number}: an empty row; delete it")
        elif len(cells) != len(header):
            problems.append(
                f" row {number}: {len(cells)} cells under {len(header)} columns; put a text "
                "with a comma in quotes, and write decimals with a point"
            )
        else:
            rows.append((number, cells))
    return Export(header, rows), problems


def _read_parquet(path: Path) -> Export:
    try:
        table = pq.ParquetFile(path).read()
        columns = [
            [_as_text(value) for value in column.to_pylist()] for column in table.columns
        ]
    except (OSError, ValueError, pa.ArrowException) as error:
        raise ExportError(": not a Parquet file that can be read; write it again") from error
    rows = [(number, list(cells)) for number, cells in enumerate(zip(*columns, strict=True), 1)]
    return Export(table.column_names, rows)


def _as_text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    return str(value).strip()
