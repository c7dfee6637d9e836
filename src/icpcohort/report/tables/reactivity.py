"""Chance grid: the CPPopt of whole recordings beside what chance alone gives, for people."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from icpcohort.report.tables.grid import Grid, reactivity_columns, words_of
from icpcohort.report.tables.numbers import MISSING, format_median, format_number, format_share

P_CHANCE = 0.05
OF_AN_ASYMMETRIC_CURVE = {
    "cppopt_asymmetric_mmhg": "Lowest point of an asymmetric curve, mmHg",
    "parabola_bias_mmhg": "CPPopt less that lowest point, mmHg",
}


def beside_chance(optima: pl.DataFrame, *, decoupled: tuple[str, str]) -> Grid:
    """Return yield, spread and share found of the recordings and of their surrogates.

    Parameters
    ----------
    optima : contracts.OPTIMA
        Of one index. A patient counts in a row when both columns behind it are known.
    decoupled : tuple of two str
        Labels of the series of that index.
    """
    tried = optima.filter(pl.col("p_chance").is_not_null())
    timed = tried.drop_nulls(["cppopt_yield_percent", "chance_yield_percent"])
    n_found, bent = tried["cppopt_mmhg"].count(), (tried["p_chance"] <= P_CHANCE).sum()
    rolled = tried.drop_nulls("p_rolled")
    width = (tried["cppopt_ci_high_mmhg"] - tried["cppopt_ci_low_mmhg"]).drop_nulls()
    rows = [
        [
            "CPPopt of the whole recording",
            f"{tried.height}",
            format_share(n_found, tried.height),
            percent_of_all(tried["chance_percent"]),
        ],
        [
            "Yield, % of minutes with CPP",
            f"{timed.height}",
            _median(timed["cppopt_yield_percent"]),
            _median(timed["chance_yield_percent"]),
        ],
        [
            "Width of the 95 % interval of CPPopt, mmHg",
            f"{width.len()}",
            _median(width),
            MISSING,
        ],
        *(
            [words, f"{tried[name].count()}", _median(tried[name]), MISSING]
            for name, words in OF_AN_ASYMMETRIC_CURVE.items()
        ),
        [
            f"A U beyond chance (p at most {P_CHANCE:g})",
            f"{tried.height}",
            format_share(int(bent), tried.height),
            "at most 5 % expected",
        ],
        [
            f"A U beyond an index that has nothing to do with CPP (p at most {P_CHANCE:g})",
            f"{rolled.height}",
            format_share(int((rolled["p_rolled"] <= P_CHANCE).sum()), rolled.height),
            "at most 5 % expected",
        ],
        [
            "Yield with the index moved along CPP, % of minutes with CPP",
            f"{rolled.height}",
            MISSING,
            _median(rolled["rolled_yield_percent"]),
        ],
    ]
    note = (
        f"Surrogates are the patient's own recording with {decoupled[0]} decoupled from"
        f" {decoupled[1]}; what they give is chance. In the last two rows the minutes' index"
        " was moved in a circle along CPP instead: an index that wanders by itself gives a U"
        " now and then. The interval is that of the asymmetric curve, which may be steeper on"
        " one side: where it is, CPPopt, a parabola's, lies off its lowest point."
        " Median (IQR), or patients, n (%)."
    )
    head = ["Quantity", "Patients, n", "Recorded", "Surrogates"]
    return Grid("CPPopt beside chance", head, rows if tried.height else [], note)


def _median(values: pl.Series) -> str:
    return format_median(values.drop_nulls(), decimals=1)


def percent_of_all(values: pl.Series) -> str:
    """Return the share over the surrogates of all patients, each with equally many."""
    known = values.drop_nulls().to_numpy()
    if not known.size:
        return MISSING
    return f"{format_number(float(known.mean()), decimals=1)} % of surrogates"


def reactivity(summary: pl.DataFrame, *, declared: Mapping[str, Any]) -> Grid:
    """Return indices and CPPopt by window, of the patients who have them."""
    rows = []
    for (window,), part in summary.sort("window").group_by("window", maintain_order=True):
        for name, column in reactivity_columns(declared).items():
            known = part[name].drop_nulls()
            count = f"{known.len()} of {part.height}"
            median = format_median(known, decimals=column.decimals or 0)
            rows.append([column.heading(), words_of(str(window)), count, median])
    head = ["Quantity", "Window", "Patients, n", "Median (IQR)"]
    return Grid("Reactivity indices and optimal CPP by window", head, rows, "")


def optima_reasons(optima: pl.DataFrame) -> Grid:
    """Return how many patients have a CPPopt of the whole recording, and why not the others."""
    counts = optima.group_by("reason").agg(pl.len()).sort("reason", nulls_last=False)
    rows = [
        [
            "CPPopt found" if row["reason"] is None else f"None: {words_of(row['reason'])}",
            format_share(row["len"], optima.height),
        ]
        for row in counts.to_dicts()
    ]
    head = ["Whole recording", "Patients, n (%)"]
    return Grid("CPPopt of the whole recording", head, rows, "")
