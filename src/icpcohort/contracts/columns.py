"""Columns: what a column and a table are, and the columns that stand in many tables."""

from dataclasses import dataclass
from typing import NamedTuple

import polars as pl

TEXT, REAL, COUNT, FLAG = pl.String(), pl.Float64(), pl.Int64(), pl.Boolean()


class Column(NamedTuple):
    """One column. `unit` is a UCUM code, or empty for a bare number or a text."""

    dtype: pl.DataType
    unit: str
    about: str


@dataclass(frozen=True)
class Table:
    """One table: where it lies, what a row is, which columns make a row unique."""

    path: str
    about: str
    key: tuple[str, ...]
    columns: dict[str, Column]


PATIENT_ID = Column(TEXT, "", "Study identifier of the patient")
WINDOW = Column(TEXT, "", "Exposure window, as named in the settings")
REASON = Column(TEXT, "", "Why, as a short code")
DETAIL = Column(TEXT, "", "Why, in words that say what to do")
T_END_S = Column(REAL, "s", "End of the minute since time zero; the row uses only the past")
