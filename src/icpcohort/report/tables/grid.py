"""Grid: what a table for people is, and the words of its codes and units."""

from typing import NamedTuple

from icpcohort.report.tables.numbers import MISSING

REACTIVITY = {
    "prx_mean": ("Mean PRx", 2),
    "pax_mean": ("Mean PAx", 2),
    "rac_mean": ("Mean RAC", 2),
    "rap_mean": ("Mean RAP", 2),
    "lprx_mean": ("Mean L-PRx", 2),
    "cppopt_yield_percent": ("CPPopt yield (% of minutes with CPP)", 1),
    "cppopt_mean_mmhg": ("Mean CPPopt (mmHg)", 1),
    "delta_cpp_mean_mmhg": ("Mean of CPP − CPPopt (mmHg)", 1),
    "percent_time_within_5_of_cppopt": ("Time with CPP within 5 mmHg of CPPopt (%)", 1),
    "percent_time_over_5_below_cppopt": ("Time with CPP over 5 mmHg below CPPopt (%)", 1),
    "percent_time_over_5_above_cppopt": ("Time with CPP over 5 mmHg above CPPopt (%)", 1),
    "percent_time_below_llr": ("Time with CPP below LLR (%)", 1),
}


ABBREVIATED = {
    **{"icp": "ICP", "abp": "ABP", "cpp": "CPP", "prx": "PRx", "cppopt": "CPPopt"},
    **{"llr": "LLR", "ulr": "ULR"},
    **{"gose": "GOSE", "gcs": "GCS", "impact": "IMPACT", "u": "U"},
}


UNIT_WORDS = {
    "mm[Hg]": "mmHg",
    "mm[Hg].h": "mmHg·h",
    "a": "years",
    "{score}": "points",
    "1": "",
    "": "",
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


def unit_words(unit: str) -> str:
    """Return a UCUM code as papers write it; a code that is not listed stays as it is."""
    return UNIT_WORDS.get(unit, unit)
