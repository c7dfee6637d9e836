"""Grid: a table as people read it, with words in place of codes."""

import re
from collections.abc import Mapping
from typing import NamedTuple

from icpcohort.contracts import Column
from icpcohort.indices.reactivity import INDICES
from icpcohort.report.tables.numbers import MISSING

REACTIVITY = (  # columns of the summary, in the order of the tables of reactivity
    *(f"{index}_mean" for index in INDICES),
    *(
        "cppopt_yield_percent",
        "cppopt_mean_mmhg",
        "delta_cpp_mean_mmhg",
        "percent_time_within_5_of_cppopt",
    ),
    *("percent_time_over_5_below_cppopt", "percent_time_over_5_above_cppopt"),
    "percent_time_below_llr",
)


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
    """Return the abbreviations in the labels of covariates and outcomes, in small letters.

    A word with a capital that is not its first letter is one: `wfns` is WFNS, `mrs` is mRS.
    """
    labels = [
        column.label for column in columns.values() if column.role in ("covariate", "outcome")
    ]
    words = {word for label in labels for word in re.findall("[A-Za-z]+", label)}
    return {word.lower(): word for word in sorted(words) if word[1:].lower() != word[1:]}
