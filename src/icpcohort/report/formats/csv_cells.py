"""CSV text: cells of tables for people, safe to open in a spreadsheet and to edit by hand."""

import csv
import io
import re
from collections.abc import Sequence

from icpcohort.report.formats import printable
from icpcohort.report.tables.numbers import MINUS

FORMULA_SIGNS = (*"=+-@\t\r\n", "＝", "＋", "－", "＠")
NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")


def as_csv(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return a table as CSV: UTF-8, commas, line feeds, every text in quotes where needed.

    A text that a spreadsheet would take for a formula gets a `'` before it. A negative number
    stays a number, with the minus of a keyboard.

    Source: RFC 4180, with line feeds; formulas in cells: OWASP, CSV injection (from memory).
    """
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\n")
    writer.writerows([[safe_cell(cell) for cell in row] for row in (head, *rows)])
    return file.getvalue()


def safe_cell(text: str) -> str:
    """Return a cell that is a number, or a text that no spreadsheet computes."""
    plain = printable.text(text, keep="\t\n\r")
    number = plain.replace(MINUS, "-", 1) if plain.startswith(MINUS) else plain
    if NUMBER.fullmatch(number):
        return number
    return f"'{plain}" if plain.lstrip(" ").startswith(FORMULA_SIGNS) else plain
