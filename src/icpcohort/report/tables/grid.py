"""Grid: a table as people read it, with words in place of codes."""

import re
from collections.abc import Mapping
from typing import Any, NamedTuple

from icpcohort.contracts import declared_indices
from icpcohort.contracts.columns import Column
from icpcohort.contracts.indices import summary, summary_by_index
from icpcohort.report.tables.numbers import MISSING

_OF_CPPOPT = (
    *("cppopt_yield_percent", "cppopt_mean_mmhg", "delta_cpp_mean_mmhg"),
    *("percent_time_within_5_of_cppopt", "percent_time_over_5_below_cppopt"),
    *("percent_time_over_5_above_cppopt", "percent_time_below_llr"),
)
_OF_PULSE = "p2_p1_ratio_mean"  # the one mean of no unit that is of no index

ABBREVIATED = {  # words of the project's own within codes: of windows, reasons, models
    **{"icp": "ICP", "abp": "ABP", "cpp": "CPP", "prx": "PRx", "cppopt": "CPPopt"},
    **{"llr": "LLR", "ulr": "ULR"},
    "u": "U",
}


class Grid(NamedTuple):
    """A table for people: the first cell of each row is its heading."""

    caption: str
    head: list[str]
    rows: list[list[str]]
    note: str


def words_of(code: str | None, columns: Mapping[str, Column] | None = None) -> str:
    """Return a short code in words; null becomes an en dash.

    With the columns of the analysis table, a code may have abbreviations that the study
    declares, as the name of a model and the reason for a missing covariate do.
    """
    if code is None:
        return MISSING
    known = ABBREVIATED | declared_abbreviations(columns or {})
    return " ".join(known.get(word, word) for word in code.split("_"))


def declared_abbreviations(columns: Mapping[str, Column]) -> dict[str, str]:
    """Return the abbreviations in the labels of a study's columns, in small letters.

    A word with a capital that is not its first letter is one: `wfns` is WFNS, `mrs` is mRS.
    """
    labels = [column.label for column in columns.values()]
    words = {word for label in labels for word in re.findall("[A-Za-z]+", label)}
    return {word.lower(): word for word in sorted(words) if word[1:].lower() != word[1:]}


def is_of_reactivity(name: str) -> bool:
    """Return whether a column is one of `reactivity_columns`, whatever the indices are."""
    stem, by, _ = name.partition("_by_")
    of_cppopt = {place.rpartition("_")[0] for place in _OF_CPPOPT} if by else set()
    of_index = name.endswith("_mean") and name != _OF_PULSE
    return of_index or stem in {*_OF_CPPOPT, *of_cppopt}


def reactivity_columns(declared: Mapping[str, Any]) -> dict[str, Column]:
    """Return the columns of the summary that tell of reactivity, in the order of the tables.

    Parameters
    ----------
    declared : mapping
        Sections of the settings that declare columns; see `contracts.summary`.
    """
    names = [f"{index}_mean" for index in declared_indices.columns(declared)]
    for place, index in enumerate(declared_indices.by(declared)):
        names += [summary_by_index(name, index) if place else name for name in _OF_CPPOPT]
    columns = summary(declared).columns
    return {name: columns[name] for name in names}
