"""Disclosure: which counts must not leave the group, and which others would give them away.

A count is small when it is above zero and below the set minimum; where a zero tells about
everybody of a group (nobody has it), zero is small too. A small count is hidden, and so are
other counts, until it can no longer be worked out from sums.

**Source.** Threshold rule, secondary suppression, tables that share margins: Hundepool 2012;
Griffiths 2019. The width that is asked for and the order in which cells are hidden are our own.
"""

import csv
import io
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

HIDDEN = "[c]"  # confidential, as official statistics mark it (from memory)
ABOVE_ANY_COUNT = 10**6
MONTHS = "jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec"
DAY, MONTH, YEAR = "(?:0?[1-9]|[12]\\d|3[01])", "(?:0?[1-9]|1[0-2])", "(?:19|20)\\d\\d"
DATES = re.compile(
    rf"(?<!\d)(?:{YEAR}([-/.]){MONTH}\1{DAY}"
    rf"|(?:{DAY}([-/.]){MONTH}\2|{MONTH}([-/.]){DAY}\3)(?:{YEAR}|\d\d)"
    rf"|{DAY}\.? ?(?:{MONTHS})[a-z]*\.?,? {YEAR}"
    rf"|(?:{MONTHS})[a-z]*\.? {DAY}(?:st|nd|rd|th)?,? {YEAR})(?!\d)",
    re.IGNORECASE,
)
COLUMN_OF_PEOPLE = re.compile(r"patient|_id$|date|centre$", re.IGNORECASE)
CURE = "remove it, or call the patient, recording, monitor or centre otherwise"
MIN_DIGITS_OF_ID = 5  # a shorter number cannot be told from a count or a score


class Sum(NamedTuple):
    """A count and the counts that add up to it, all by name."""

    total: str
    parts: tuple[str, ...]


class Counts(NamedTuple):
    """All counts of a folder and what binds them.

    `n` has each count by name, also those that are shown nowhere but follow from others;
    `never` names these. `zeros` names the counts whose zero reveals everybody else.
    """

    n: Mapping[str, int]
    sums: Sequence[Sum]
    never: frozenset[str]
    zeros: frozenset[str]


def small(counts: Counts, *, min_cell: int) -> list[str]:
    """Return the names of the counts that must not be known, smallest first."""
    return sorted(
        (
            name
            for name, n in counts.n.items()
            if n < min_cell and (n > 0 or name in counts.zeros)
        ),
        key=lambda name: (counts.n[name], name),
    )


def hide(counts: Counts, *, min_cell: int) -> frozenset[str]:
    """Return the names of the counts to hide: small ones, and those that would give them away.

    Parameters
    ----------
    counts : Counts
        Every sum holds; counts are of people or of things, never negative.
    min_cell : int
        The smallest count that may be shown. A reader who adds and subtracts all that is shown
        is left with at least `min_cell` + 1 possible values of each small count.

    Returns
    -------
    frozenset of names
        Beside what is small: in an equation with one hidden count, the smallest positive
        other; then others until the range is wide enough.

    Raises
    ------
    ValueError
        If a sum does not hold, or a count cannot be protected though all else is hidden.
    """
    _check_sums(counts)
    hidden = {*small(counts, min_cell=min_cell), *counts.never}
    sums_of = _sums_by_name(counts.sums)
    for name in small(counts, min_cell=min_cell):
        while not _is_wide(name, counts, hidden, min_cell=min_cell):
            another = _another(name, counts, hidden, sums_of)
            if another is None:
                raise ValueError(
                    f"disclosure.hide: {name!r} follows from what is known anyway; leave the "
                    "table out, or lower share.min_cell"
                )
            hidden.add(another)
    return frozenset(hidden)


def exposed(counts: Counts, hidden: Collection[str], *, min_cell: int) -> list[str]:
    """Return in words each small count that is shown, or that can be worked out from sums.

    The words name the count and not its size.
    """
    problems = []
    for name in small(counts, min_cell=min_cell):
        if name not in hidden:
            problems.append(f"{name}: below {min_cell} and shown; hide it")
        elif not _is_wide(name, counts, hidden, min_cell=min_cell):
            problems.append(
                f"{name}: can be worked out from what is shown; hide more around it"
            )
    return problems


def limits(name: str, counts: Counts, hidden: Collection[str]) -> tuple[int, int]:
    """Return the least and the largest value that a hidden count can have for a reader.

    The reader knows every sum and every count that is not hidden, and that counts are whole
    and not negative. Nothing above: `ABOVE_ANY_COUNT`.
    """
    names, equations = _around(name, counts, hidden)
    if not equations:
        return 0, ABOVE_ANY_COUNT
    place = {one: i for i, one in enumerate(names)}
    matrix, known = np.zeros((len(equations), len(names))), np.zeros(len(equations))
    for row, equation in enumerate(equations):
        for sign, one in ((1.0, equation.total), *((-1.0, part) for part in equation.parts)):
            if one in place:
                matrix[row, place[one]] += sign
            else:
                known[row] -= sign * counts.n[one]
    aim = np.zeros(len(names))
    aim[place[name]] = 1.0
    ends = []
    for sign in (1.0, -1.0):
        solution = milp(
            sign * aim,
            integrality=np.ones(len(names)),
            bounds=Bounds(0, ABOVE_ANY_COUNT),
            constraints=LinearConstraint(matrix, known, known),
        )
        if not solution.success:
            raise ValueError(f"disclosure.limits: {name!r}: {solution.message}")
        ends.append(round(float(solution.x[place[name]])))
    return ends[0], ends[1]


def _is_wide(name: str, counts: Counts, hidden: Collection[str], *, min_cell: int) -> bool:
    low, high = limits(name, counts, hidden)
    return high - low >= min_cell


def _check_sums(counts: Counts) -> None:
    wrong = [
        f"{one.total}: {counts.n[one.total]} is not the sum of its parts"
        for one in counts.sums
        if counts.n[one.total] != sum(counts.n[part] for part in one.parts)
    ]
    if wrong:
        lines = "\n".join(f"  {line}" for line in wrong)
        raise ValueError(f"disclosure.hide: {len(wrong)} problem(s)\n{lines}")


def _sums_by_name(sums: Sequence[Sum]) -> dict[str, list[Sum]]:
    sums_of: dict[str, list[Sum]] = {}
    for one in sums:
        for name in (one.total, *one.parts):
            sums_of.setdefault(name, []).append(one)
    return sums_of


def _around(name: str, counts: Counts, hidden: Collection[str]) -> tuple[list[str], list[Sum]]:
    """Return the hidden counts that hang together with `name`, and the sums that bind them."""
    sums_of = _sums_by_name(counts.sums)
    names, equations, waiting = {name: None}, dict[Sum, None](), [name]
    while waiting:
        for equation in sums_of.get(waiting.pop(), ()):
            equations[equation] = None
            for one in (equation.total, *equation.parts):
                if one in hidden and one not in names:
                    names[one] = None
                    waiting.append(one)
    return list(names), list(equations)


def _another(
    name: str,
    counts: Counts,
    hidden: Collection[str],
    sums_of: Mapping[str, Sequence[Sum]],
) -> str | None:
    """Return the next count to hide for the sake of `name`; None when all are hidden."""
    _, equations = _around(name, counts, hidden)
    alone = [one for one in equations if len(_names_in(one) & set(hidden)) == 1]
    for group in (alone, sums_of.get(name, ()), equations):
        shown = {one for equation in group for one in _names_in(equation)} - set(hidden)
        if shown:
            return min(shown, key=lambda one: (counts.n[one] == 0, counts.n[one], one))
    return None


def _names_in(equation: Sum) -> set[str]:
    return {equation.total, *equation.parts}


def problems(
    files: Mapping[str, str], *, identifiers: Collection[str], min_cell: int
) -> list[str]:
    """Return what must not stand in these files: dates, identifiers, people, small counts.

    Parameters
    ----------
    files : mapping of file name to its text, as read back
        In a CSV the columns `n` and `n_...` are counts.
    identifiers : of patients, recordings, monitors, centres
        One with a digit in it is looked for as a word anywhere, any other as a whole cell. A
        number of fewer than `MIN_DIGITS_OF_ID` digits is not looked for: it cannot be told
        from a count.
    min_cell : int
    """
    words, cells = _as_words(identifiers)
    lines = []
    for name, text in files.items():
        lines += [f"{name}: the date {one[0]!r}; remove it" for one in DATES.finditer(text)]
        if words is not None:
            matches = sorted({one[0] for one in words.finditer(text)})
            lines += [f"{name}: the identifier {one!r}; {CURE}" for one in matches]
        if name.endswith(".csv"):
            lines += _problems_of_csv(name, text, cells, min_cell=min_cell)
    return lines


def _as_words(identifiers: Collection[str]) -> tuple[re.Pattern[str] | None, frozenset[str]]:
    sought = [one for one in identifiers if not (one.isdigit() and len(one) < MIN_DIGITS_OF_ID)]
    words = sorted(one for one in sought if any(sign.isdigit() for sign in one))
    pattern = None
    if words:
        pattern = re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, words))})(?!\w)")
    return pattern, frozenset(sought)


def _problems_of_csv(
    name: str, text: str, identifiers: Collection[str], *, min_cell: int
) -> Iterator[str]:
    rows = csv.reader(io.StringIO(text))
    head = next(rows, [])
    for column in head:
        if COLUMN_OF_PEOPLE.search(column):
            yield f"{name}: column {column!r}; share no rows of people, no identifier, no date"
    for number, row in enumerate(rows, start=2):
        for column, cell in zip(head, row, strict=True):
            if cell in identifiers:
                yield f"{name} row {number}, {column}: the identifier {cell!r}; {CURE}"
            counted = column == "n" or column.startswith("n_")
            if counted and cell.isdigit() and 0 < int(cell) < min_cell:
                yield f"{name} row {number}, {column}: a count below {min_cell}; hide it"
