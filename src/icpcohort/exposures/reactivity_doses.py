"""Reactivity doses: time and dose beyond an index's thresholds, and beyond CPPopt and LLR."""

import polars as pl

from icpcohort.contracts.reactivity_doses import ABOVE, RAP, words_of

MIN_PER_H = 60
RAP_DIVIDE = 0.4  # from here to 1 the reserve is poor; common practice, no source


def of_cppopt(
    cpp: pl.Expr, cppopt: pl.Expr, llr: pl.Expr, *, min_cppopt_h: float
) -> dict[str, pl.Expr]:
    """Return the doses of CPP below LLR, and below and above CPPopt.

    Parameters
    ----------
    cpp, cppopt, llr : Expr, mmHg
        One value per minute; null in one leaves the minute out.
    min_cppopt_h : float, h
        With fewer hours of both, a dose is null.

    Returns
    -------
    dict of Expr, mmHg h, and per hour with both

    Source: deviation from CPPopt and time below LLR as exposures: Donnelly 2017; as an integral
    of the excess: common practice, as of the dose of ICP (Vik 2008).
    """
    doses: dict[str, pl.Expr] = {}
    for side, excess in (
        ("below_llr", llr - cpp),
        ("below_cppopt", cppopt - cpp),
        ("above_cppopt", cpp - cppopt),
    ):
        enough = (excess.count() > 0) & (excess.count() >= MIN_PER_H * min_cppopt_h)
        total = excess.clip(0).sum()
        doses[f"cpp_{side}_dose_mmhg_h"] = pl.when(enough).then(total / MIN_PER_H)
        doses[f"cpp_{side}_dose_per_h_mmhg"] = pl.when(enough).then(total / excess.count())
    return doses


def of_index(index: str) -> dict[str, pl.Expr]:
    """Return time and dose above each threshold of `ABOVE`; null without a minute of it.

    Source: thresholds: Sorrentino 2012 (PRx 0.25, survival) and CAHR-TBI 2023 (PRx 0.35,
    survival); above a threshold, the threshold itself is not.
    """
    value = pl.col(index)
    columns: dict[str, pl.Expr] = {}
    for threshold in ABOVE:
        above = f"{index}_above_{words_of(threshold)}"
        total = (value - threshold).clip(0).sum()
        known = value.count() > 0
        columns |= {
            f"percent_time_{above}": pl.when(known).then(
                100 * (value > threshold).sum() / value.count()
            ),
            f"{above}_dose_h": pl.when(known).then(total / MIN_PER_H),
            f"{above}_dose_per_h": pl.when(known).then(total / value.count()),
        }
    return columns


def of_rap() -> dict[str, pl.Expr]:
    """Return the shares of minutes with RAP in [0.4, 1], (0, 0.4) and [-1, 0].

    Source: near 1 a poor reserve, near 0 a good one, below 0 an exhausted one: Czosnyka 1996;
    0.4 between the first two: common practice, no source.
    """
    rap = pl.col(RAP)
    zones = {
        "0_4_to_1": rap >= RAP_DIVIDE,
        "0_to_0_4": (rap > 0) & (rap < RAP_DIVIDE),
        "below_0": rap <= 0,
    }
    return {
        f"percent_time_rap_{zone}": pl.when(rap.count() > 0).then(
            100 * inside.sum() / rap.count()
        )
        for zone, inside in zones.items()
    }
