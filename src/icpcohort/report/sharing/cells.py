"""Share cells: what a cell of a shared table says, and the counts that it would give away."""

from collections.abc import Collection, Mapping, Sequence
from typing import NamedTuple

import polars as pl

from icpcohort.report.sharing.disclosure import HIDDEN, Sum
from icpcohort.report.tables import numbers
from icpcohort.report.tables.numbers import MINUS, format_number

QUARTERS = 4  # median and quartiles need min_cell patients in each of them
People = frozenset[str]


class Cell(NamedTuple):
    """What a cell says, and the counts that must be shown for it to say so."""

    text: str
    needs: tuple[str, ...] = ()


class Sheet(NamedTuple):
    """One file: its table, and the counts in it by name.

    `people` has counts as sets of patients, so that differences between sheets are found; `n`
    the others. `sums` binds them; `zeros` names those whose zero reveals all the others,
    `never` those that stand in no cell.
    """

    about: str
    head: tuple[str, ...]
    rows: list[list[Cell]]
    people: Mapping[str, People] = {}
    n: Mapping[str, int] = {}
    sums: Sequence[Sum] = ()
    zeros: frozenset[str] = frozenset()
    never: frozenset[str] = frozenset()


def ids(frame: pl.DataFrame) -> People:
    """Return the patients of a table."""
    return frozenset(frame["patient_id"].to_list())


def number(value: float | None, *, decimals: int) -> Cell:
    """Return a number as the report rounds it, with the minus of a keyboard; null is empty."""
    if value is None:
        return Cell("")
    return Cell(format_number(value, decimals=decimals).replace(MINUS, "-"))


def quartiles(values: pl.Series, *, decimals: int, min_cell: int) -> list[Cell]:
    """Return median and quartiles, hidden of fewer than `QUARTERS` times `min_cell` values."""
    known = values.drop_nulls()
    if known.len() < QUARTERS * min_cell:
        return [Cell(HIDDEN)] * 3
    return [
        number(known.quantile(q, interpolation="linear"), decimals=decimals)
        for q in (0.5, 0.25, 0.75)
    ]


def percent(part: str, n_part: int, whole: str, n_whole: int) -> Cell:
    """Return a percentage, which needs both its counts; empty of nobody."""
    if n_whole == 0:
        return Cell("", (part, whole))
    decimals = 0 if n_whole < numbers.DECIMALS_FROM_N else 1
    return Cell(number(100 * n_part / n_whole, decimals=decimals).text, (part, whole))


def count(who: Collection[str], key: str) -> Cell:
    """Return how many they are, under the name of the count."""
    return Cell(str(len(who)), (key,))


def sum_of(names: Sequence[str]) -> Sum:
    """Return the sum whose total comes first."""
    return Sum(names[0], tuple(names[1:]))
