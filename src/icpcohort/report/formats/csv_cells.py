"""CSV text: cells of tables for people, safe to open in a spreadsheet and to edit by hand."""

import csv
import io
import re
from collections.abc import Sequence

from icpcohort.contracts import spreadsheet
from icpcohort.report.formats import printable
from icpcohort.report.tables.numbers import MINUS

NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")


def as_csv(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return a table as CSV: UTF-8, commas, line feeds, every text in quotes where needed.

    A negative number stays a number, with the minus of a keyboard; texts are those of
    `spreadsheet.safe_text`.

    Source: RFC 4180, with line feeds.
    """
    return "".join(map(_line, (head, *rows)))


def _line(row: Sequence[str]) -> str:
    """Return a row, in which a cell with a return or a line feed stands in quotes.

    The writer quotes only what it ends its lines with, so it ends them with both.
    """
    file = io.StringIO()
    csv.writer(file, lineterminator="\r\n").writerow([safe_cell(cell) for cell in row])
    return file.getvalue().removesuffix("\r\n") + "\n"


def safe_cell(text: str) -> str:
    """Return a cell that is a number, or a text that no spreadsheet computes."""
    plain = printable.text(text, keep="\t\n\r")
    number = plain.replace(MINUS, "-", 1) if plain.startswith(MINUS) else plain
    if NUMBER.fullmatch(number):
        return number
    return spreadsheet.safe_text(plain)
