"""Grid: a table as people read it, with words in place of codes."""

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


ABBREVIATED = {  # words within codes: of windows, reasons, models and their terms
    **{"icp": "ICP", "abp": "ABP", "cpp": "CPP", "prx": "PRx", "cppopt": "CPPopt"},
    **{"llr": "LLR", "ulr": "ULR"},
    **{"gose": "GOSE", "gcs": "GCS", "impact": "IMPACT", "u": "U"},
}


class Grid(NamedTuple):
    """A table for people: the first cell of each row is its heading."""

    caption: str
    head: list[str]
    rows: list[list[str]]
    note: str


def words_of(code: str | None) -> str:
    """Return a short code in words; null becomes an en dash."""
    if code is None:
        return MISSING
    return " ".join(ABBREVIATED.get(word, word) for word in code.split("_"))


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
