"""Spreadsheets: a sheet of an .xlsx file as rows of texts, as people see them there."""

import re
import warnings
import zipfile
import zlib
from datetime import date, datetime, time, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.utils.exceptions import InvalidFileException

from icpcohort.study.schema import suggestion

MOST_BYTES = 50_000_000  # unpacked; a table of 100,000 rows has some 20 MB
MOST_COLUMNS = 2_000
_OLD = bytes.fromhex("d0cf11e0a1b11ae1")  # how .xls begins, and an .xlsx with a password
_MERGED = re.compile(rb'<(?:\w+:)?mergeCell ref="([A-Z0-9:]+)"')
# A formula and nothing after it; the result of one that gives an empty text has a type (t).
_NO_RESULT = re.compile(
    rb'<(?:\w+:)?c r="([A-Z]+[0-9]+)"(?: s="[0-9]+")?>\s*<f[^>]*?(?:/>|>[^<]*</f>)'
    rb"\s*(?:<v\s*/>|<v></v>|</c>)"
)
_DOCTYPES = tuple("<!DOCTYPE".encode(name) for name in ("utf-8", "utf-16-le", "utf-16-be"))
_LITERAL = re.compile(r'"[^"]*"|\\.|\[[^\]]*\]')
_BROKEN = (  # a SyntaxError is what both parsers of XML raise
    *(zipfile.BadZipFile, zlib.error, SyntaxError, InvalidFileException, OSError, EOFError),
    *(KeyError, ValueError, TypeError, AttributeError, IndexError, NotImplementedError),
)


class SpreadsheetError(Exception):
    """The sheet cannot be read; the text says why."""


def read(path: Path, *, sheet: str) -> list[tuple[int, list[str]]]:
    """Return the rows of a sheet that are not empty: the row's number there, and its texts.

    A whole number has no decimals, a truth value is true or false, a percentage keeps its
    sign, a date with a time of day is written as ISO 8601, and a day alone without a time. A
    formula is what it gave when the file was saved. All rows have as many texts as the first.

    Parameters
    ----------
    path : Path
        Of an .xlsx file (Office Open XML, ECMA-376).
    sheet : str
        Its name; empty for the first.

    Raises
    ------
    SpreadsheetError
        If it is broken, encrypted, too large or has macros, or if the sheet is not there, has
        merged cells or formulas without a result.
    """
    try:
        _check_package(path)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of drawings and styles, which nothing here needs
            book = openpyxl.load_workbook(path, read_only=True, data_only=True)
            try:
                return _rows(path, book, sheet=sheet)
            finally:
                book.close()
    except _BROKEN as error:
        raise SpreadsheetError("not an .xlsx file that can be read; save it again") from error


def _check_package(path: Path) -> None:
    """Refuse a file by what its package shows, before any of it is understood."""
    with path.open("rb") as file:
        if file.read(len(_OLD)) == _OLD:
            raise SpreadsheetError(
                "has a password, or is an .xls file by another name; save it as .xlsx without "
                "a password"
            )
    with zipfile.ZipFile(path) as package:
        parts = package.infolist()
        if any(part.filename.lower().endswith("vbaproject.bin") for part in parts):
            raise SpreadsheetError("has macros; save it as .xlsx without them")
        if sum(part.file_size for part in parts) > MOST_BYTES:
            raise SpreadsheetError(
                f"more than {MOST_BYTES // 1_000_000} MB when unpacked; save the sheet as CSV "
                "in UTF-8"
            )
        for part in parts:
            is_xml = part.filename.endswith((".xml", ".rels"))
            if is_xml and any(sign in package.read(part) for sign in _DOCTYPES):
                raise SpreadsheetError("declares XML entities; save it again as .xlsx")


def _rows(path: Path, book: Any, *, sheet: str) -> list[tuple[int, list[str]]]:
    by_name = {one.title: one for one in book.worksheets}
    if not by_name or (sheet and sheet not in by_name):
        near = suggestion(sheet, by_name)
        raise SpreadsheetError(f"no sheet '{sheet}'; {near} (study.sheets in config.yaml)")
    chosen = by_name[sheet] if sheet else book.worksheets[0]
    with zipfile.ZipFile(path) as package:
        _check_sheet(package.read(chosen._worksheet_path))
    chosen.reset_dimensions()  # what the file says of its size need not be true
    rows: list[tuple[int, list[str]]] = []
    width = MOST_COLUMNS
    for number, cells in enumerate(chosen.iter_rows(), start=1):
        texts = [_text(cell) for cell in cells[:width]]
        if not any(texts):
            continue
        if not rows:  # the header, without empty cells at its end
            width = max(place for place, text in enumerate(texts, start=1) if text)
        rows.append((number, (texts + [""] * width)[:width]))
    return rows


def _check_sheet(xml: bytes) -> None:
    if merged := _MERGED.search(xml):
        raise SpreadsheetError(
            f"merged cells ({merged[1].decode()}); take them apart and fill in every cell"
        )
    if empty := _NO_RESULT.search(xml):
        raise SpreadsheetError(
            f"a formula without a result ({empty[1].decode()}); open it in a spreadsheet "
            "program, save it, and look at the result"
        )


def _text(cell: Any) -> str:
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (int, float)):
        is_percentage = "%" in _signs(cell.number_format)
        return f"{_number(value * 100)}%" if is_percentage else _number(value)
    if isinstance(value, timedelta):
        minutes, seconds = divmod(round(value.total_seconds()), 60)
        return f"{minutes // 60}:{minutes % 60:02}:{seconds:02}"
    if isinstance(value, datetime) and value.time() == time() and not _shows_a_time(cell):
        return value.date().isoformat()
    if isinstance(value, (date, time)):
        return str(value)
    return str(value).strip()


def _number(value: float) -> str:
    """Return a number with the 15 digits that spreadsheets have."""
    return str(value) if isinstance(value, int) else f"{value:.15g}"


def _shows_a_time(cell: Any) -> bool:
    return "h" in _signs(cell.number_format).lower()


@cache
def _signs(number_format: str) -> str:
    """Return a format without what it shows as it stands, and what stands in brackets."""
    return _LITERAL.sub("", number_format)
