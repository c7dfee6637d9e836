"""Table problems: what is wrong in the study's tables, many of one cause in one line."""

from collections.abc import Sequence
from typing import NamedTuple

FEW = 3  # problems of one cause with a line each; of more there is one line that names so many


class Fault(NamedTuple):
    """Why a cell has no value."""

    words: str
    cause: str  # faults of one cause in one column are of one kind


class Problem(NamedTuple):
    """One problem and its place.

    Attributes
    ----------
    file : str
        Name of the table's file, or of a setting.
    words : str
        What is wrong; what to do.
    row : int or None
        Number of the row; None where the problem is not one of a row.
    column : str
        Empty where the problem is not one of a column.
    cause : str
        Many problems of one file, column and cause become one line; empty: never.
    value : str
        What the cell holds, where a line may show it.
    """

    file: str
    words: str
    row: int | None = None
    column: str = ""
    cause: str = ""
    value: str = ""

    @property
    def line(self) -> str:
        """The problem alone."""
        row = "" if self.row is None else f" row {self.row}"
        return f"{self.file}{row}{self.column and ', '}{self.column}: {self.words}"


def groups(problems: Sequence[Problem]) -> dict[tuple[str, ...], list[Problem]]:
    """Return the problems of rows by file, column and cause."""
    together: dict[tuple[str, ...], list[Problem]] = {}
    for problem in problems:
        if problem.cause and problem.row is not None:
            together.setdefault(_key(problem), []).append(problem)
    return together


def lines(problems: Sequence[Problem]) -> list[str]:
    """Return a line for each problem, and one for more than FEW of one cause.

    That one stands where the first of them would, has its words, and names three rows.
    """
    together = groups(problems)
    written = []
    for problem in problems:
        alike = together.get(_key(problem), [])
        if len(alike) <= FEW or problem.row is None:
            written.append(problem.line)
        elif problem is alike[0]:
            written.append(_of_many(alike))
    return written


def _key(problem: Problem) -> tuple[str, ...]:
    return (problem.file, problem.column, problem.cause)


def _of_many(alike: Sequence[Problem]) -> str:
    first = alike[0]
    unlike = list({problem.value: problem for problem in reversed(alike)}.values())[::-1]
    examples = (unlike + [problem for problem in alike if problem not in unlike])[:FEW]
    shown = [
        f"{one.row} ('{one.value[:80]}')" if one.value else f"{one.row}"
        for one in sorted(examples, key=lambda one: one.row or 0)
    ]
    rows = f"{', '.join(shown[:-1])} and {shown[-1]}"
    where = f"{first.file}{first.column and ', '}{first.column}"
    return f"{where}: {len(alike)} rows, such as {rows}: {first.words}"
