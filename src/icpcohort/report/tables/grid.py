"""Grid: a table as people read it, with words in place of codes."""

from typing import NamedTuple

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
