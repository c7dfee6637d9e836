"""Decimal commas: whether the commas in the numbers of a table are decimal marks."""

import re
from collections.abc import Collection
from typing import NamedTuple

from icpcohort.study.read_table import Export

_COMMA = re.compile(r"[+-]?[0-9]+,([0-9]+)")
_POINT = re.compile(r"[+-]?[0-9]*\.[0-9]+")
_THOUSANDS = 3  # digits after a mark that may divide thousands


class Commas(NamedTuple):
    """How many numbers have a comma, and why what they mean is not known (None: it is)."""

    n: int
    problem: str | None


def found(export: Export, *, columns: Collection[str]) -> Commas:
    """Return the commas in the numbers of a table.

    Parameters
    ----------
    export : Export
        One that is separated by commas has none: each comma in a number is refused there.
    columns : collection of str
        Names of the columns that hold numbers, as in the table.
    """
    if export.separator in ("", ","):
        return Commas(0, None)
    places = [i for i, name in enumerate(export.header) if name in columns]
    cells = [(number, row[i]) for number, row in export.rows for i in places]
    commas = [(n, text, m) for n, text in cells if (m := _COMMA.fullmatch(text))]
    points = [(n, text) for n, text in cells if _POINT.fullmatch(text)]
    if not commas:
        return Commas(0, None)
    row, first, _ = commas[0]
    problem = None
    if points:
        problem = (
            f"numbers have a comma ({first} in row {row}) and a point ({points[0][1]} in row "
            f"{points[0][0]}); write one decimal mark throughout"
        )
    elif all(len(match[1]) == _THOUSANDS for _, _, match in commas):
        whole, thousandths = first.split(",")
        problem = (
            f"{first} in row {row} may mean {whole}.{thousandths} or {whole}{thousandths}, "
            f"and so may all {len(commas)} commas in numbers; write decimal points, and "
            "nothing between thousands"
        )
    return Commas(len(commas), problem)


def with_point(text: str) -> str:
    """Return a number with a point in place of its decimal comma; any other text as it is."""
    return text.replace(",", ".") if _COMMA.fullmatch(text) else text
