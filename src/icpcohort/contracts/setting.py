"""Setting: what a value of the settings may be and what it means, stated once, at its field.

A section of the settings is a frozen dataclass in the room that uses it. Its first line says
what the section is about; each field is annotated with a `Setting`. The JSON schemas and the
reference of settings are generated from these.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from icpcohort.contracts.columns import Table

OF_THE_STUDY = "choice of the study, no source"
COMMON_PRACTICE = "common practice, no source"
BLOCK_NAME = "the block's own name, not a key in it"


@dataclass(frozen=True)
class Setting:
    """What one setting means, where its value comes from, and which values are allowed.

    Attributes
    ----------
    about, source : str
        Meaning and source, for people.
    example : Any
        A value that may be copied.
    each : str, optional
        Of a list, what one entry is; the limits below are then those of an entry.
    at_least, above, at_most, below : float, optional
        Limits of a number; the limit itself is allowed by the first and the third.
    one_of : tuple, optional
        The allowed values, where the type of the field is no `Literal`.
    least_items : int, optional
        Of a list or of a block with free names.
    most_letters : int, optional
    pattern, pattern_in_words : str, optional
        What a text must match, and how that is said to people.
    """

    about: str
    source: str
    example: Any
    each: str | None = None
    at_least: float | None = None
    above: float | None = None
    at_most: float | None = None
    below: float | None = None
    one_of: tuple[Any, ...] | None = None
    least_items: int | None = None
    most_letters: int | None = None
    pattern: str | None = None
    pattern_in_words: str | None = None


@dataclass(frozen=True)
class Kinds:
    """A list of blocks of several kinds; the value of `rule` says which kind a block is.

    Attributes
    ----------
    of : dict
        The dataclass of each kind by its name.
    entry : str
        What one entry is, for people.
    example : str
        Name of a kind.
    prefix : str
        Before the names of the kinds where the schema defines them.
    """

    of: dict[str, type]
    entry: str
    example: str
    prefix: str = ""


@dataclass(frozen=True)
class OfColumns:
    """A block per table of the study, and in it a setting per column, which may be absent.

    Attributes
    ----------
    about : str
        What the whole is about.
    tables : mapping
        The tables' contracts by their names.
    of_table : str
        What the block of a table is about, with its name for `{table}`.
    of_column : str
        What the setting of a column means, with its name for `{column}` and its meaning for
        `{about}`.
    has_values : bool
        Whether a column's setting is a block of free names and texts, and not one text.
    further : mapping
        By table, the pattern of the names of columns that the study itself declares.
    """

    about: str
    tables: Mapping[str, Table]
    of_table: str
    of_column: str
    has_values: bool
    further: Mapping[str, str]
