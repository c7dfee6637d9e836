"""Columns: what a column and a table are, and the columns that stand in many tables."""

from dataclasses import dataclass, replace
from typing import Literal

import polars as pl

TEXT, REAL, COUNT, FLAG = pl.String(), pl.Float64(), pl.Int64(), pl.Boolean()

Role = Literal["key", "covariate", "exposure", "outcome", "neither"]
Known = Literal["at admission", "at an hour", "in the window", "afterwards"]
Kind = Literal["", "number", "count", "flag", "category", "score", "time", "event"]
KNOWN_OF_ROLE: dict[Role, Known] = {
    "key": "at admission",
    "covariate": "at admission",
    "exposure": "in the window",
    "outcome": "afterwards",
}
# A unit as papers write it, where this is not its UCUM code.
UNIT_WORDS = {
    "mm[Hg]": "mmHg",
    "Cel": "°C",
    "mL/(100.g.min)": "mL/100 g/min",
    "a": "years",
    "{score}": "points",
    "1": "",
}


@dataclass(frozen=True)
class Column:
    """One column: what it holds, its label, and what a model may use it for.

    What is not stated follows from the rest, so that most columns are one line.

    Attributes
    ----------
    dtype : polars data type
    unit : str
        UCUM code; empty for a bare number or a text.
    about : str
        The meaning.
    label : str
        What tables and axes call it, without its unit; the meaning up to a semicolon.
    decimals : int or None
        Of a value, or of its median; 1 for a real number. None for what is shown as it is: a
        text, a flag, and a whole number that is counted level by level.
    role : {"key", "covariate", "exposure", "outcome", "neither"}
        What it is to a model; what its table says.
    known : {"at admission", "at an hour", "in the window", "afterwards"} or None
        When its value is known; what its role says. None: the question does not arise.
    known_h : float or None, h
        The hour since time zero, with "at an hour".
    known_window : str
        The window, with "in the window"; that of the row where it is empty.
    kind : str
        What a declared variable is, where its type does not say it: a score is an ordered scale
        of whole numbers.
    levels : tuple of str
        Of a category, an ordered scale or an event, in their order.
    low, high : float or None
        What a value can be.
    better : {"higher", "lower", ""}
        Which way an outcome is better.
    is_death : bool
        Whether an outcome is death, which has a time.
    in_full : str
        What a sentence calls it where nothing around explains it; the meaning.
    formerly : str
        The name that the column had before; who still writes it is told the new one.
    kind : {"", "number", "count", "flag", "category", "score", "time", "event"}
        What a model may take it for; empty where its type says it, see `families.kind_of`.
    """

    dtype: pl.DataType
    unit: str
    about: str
    label: str = ""
    decimals: int | None = None
    role: Role | None = None
    known: Known | None = None
    in_full: str = ""
    formerly: str = ""
    known_h: float | None = None
    known_window: str = ""
    kind: Kind = ""
    levels: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    better: str = ""
    is_death: bool = False

    def __post_init__(self) -> None:
        """Fill in what was not stated."""
        follows = {
            "label": self.label or self.about.split(";")[0],
            "decimals": 1 if self.decimals is None and self.dtype == REAL else self.decimals,
            "known": self.known or (KNOWN_OF_ROLE.get(self.role) if self.role else None),
            "in_full": self.in_full or self.about,
        }
        for name, value in follows.items():
            object.__setattr__(self, name, value)

    def heading(self) -> str:
        """Return the label with the plain unit in brackets, unless it names the unit itself."""
        unit = self.plain_unit()
        return self.label if not unit or f"({unit}" in self.label else f"{self.label} ({unit})"

    def plain_unit(self) -> str:
        """Return the unit as papers write it; empty for a bare number, a score or a text."""
        return "" if self.unit == "{score}" else unit_words(self.unit)


def unit_words(unit: str) -> str:
    """Return a UCUM code as papers write it; a code that is not listed stays as it is."""
    base = unit.removesuffix(".h")
    return UNIT_WORDS.get(base, base) + ("·h" if base != unit else "")


def lower_first(words: str) -> str:
    """Return words within a sentence: an abbreviation stays as it is."""
    return words if words[1:2].isupper() else words[:1].lower() + words[1:]


@dataclass(frozen=True)
class Table:
    """One table: where it lies, what a row is, which columns make a row unique.

    `role` is that of the columns that state none; a column of the key is a key.
    """

    path: str
    about: str
    key: tuple[str, ...]
    columns: dict[str, Column]
    role: Role = "neither"

    def __post_init__(self) -> None:
        """Give each column its role."""
        columns = {
            name: column
            if column.role
            else replace(column, role="key" if name in self.key else self.role)
            for name, column in self.columns.items()
        }
        object.__setattr__(self, "columns", columns)

    def renamed(self) -> dict[str, str]:
        """Return the columns that had another name: that name, and what it is now."""
        return {
            column.formerly: name for name, column in self.columns.items() if column.formerly
        }


PATIENT_ID = Column(TEXT, "", "Study identifier of the patient")
WINDOW = Column(TEXT, "", "Exposure window, as named in the settings")
REASON = Column(TEXT, "", "Why, as a short code")
DETAIL = Column(TEXT, "", "Why, in words that say what to do")
T_END_S = Column(REAL, "s", "End of the minute since time zero; the row uses only the past")
