"""Cautions: the standards that a fit fails, told before its estimate."""

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

import polars as pl

from icpcohort.report.tables.numbers import format_number, format_p


class Standard(NamedTuple):
    """A standard that a fit should meet, and what is said where it does not."""

    fails: Callable[[float], bool]
    words: str  # {value} is the value of the diagnostic, {p} the same as a p value


def _below(limit: float) -> Callable[[float], bool]:
    return lambda value: value < limit


def _above(limit: float) -> Callable[[float], bool]:
    return lambda value: abs(value) > limit


# Ten per parameter: Peduzzi 1996; inflation and clusters: common practice; others: our own.
STANDARDS = {
    "events_per_parameter": Standard(
        _below(10), "{value} events per parameter (fewer than 10)"
    ),
    "patients_per_parameter": Standard(
        _below(10), "{value} patients per parameter (fewer than 10)"
    ),
    "effective_n_per_parameter": Standard(
        _below(10), "an effective {value} patients per parameter (fewer than 10)"
    ),
    "proportional_hazards_p": Standard(
        _below(0.05),
        "the hazard ratio changes with time ({p}), so that one is an average",
    ),
    "proportional_odds_p": Standard(
        _below(0.05),
        "the odds ratio differs between cuts of the score ({p}), so that one is an average",
    ),
    "max_variance_inflation": Standard(
        _above(10), "terms are nearly collinear (variance inflation {value})"
    ),
    "max_influence_se": Standard(
        _above(1), "one patient moves the estimate by {value} standard errors"
    ),
    "unit_per_range": Standard(
        _above(1), "the unit of the effect is {value} times the range of the exposure"
    ),
    "n_clusters": Standard(_below(10), "{value} clusters (fewer than 10)"),
    "n_fitted_risk_above_1": Standard(_above(0), "{value} patients have a fitted risk above 1"),
}
WHOLE = frozenset({"n_clusters", "n_fitted_risk_above_1"})  # counts: no decimals


def of_fit(diagnostics: pl.DataFrame, *, fit: str) -> list[str]:
    """Return what a fit fails, the order of `STANDARDS`; empty where nothing.

    Parameters
    ----------
    diagnostics : DataFrame, contracts.DIAGNOSTICS of one model
    fit : {"unadjusted", "adjusted"}
    """
    rows = {row["quantity"]: row for row in diagnostics.filter(adjustment=fit).to_dicts()}
    known = [name for name in STANDARDS if name in rows]
    return [words for name in known if (words := _failing(name, rows[name]))]


def sentence(diagnostics: pl.DataFrame, *, fit: str) -> str:
    """Return the cautions of a fit as one sentence; empty where there are none."""
    failing = of_fit(diagnostics, fit=fit)
    return f"Read with caution: {'; '.join(failing)}." if failing else ""


def _failing(name: str, row: Mapping[str, Any]) -> str:
    standard, value, verdict = STANDARDS[name], row["value"], row["verdict"] or ""
    if value is None:
        hidden = name == "max_influence_se" and "there is no estimate" in verdict
        return "without one of the patients there is no estimate" if hidden else ""
    if not standard.fails(value) or "by nature" in verdict:
        return ""
    if name.endswith("_p"):
        return standard.words.format(p=f"p = {format_p(value)}".replace("= <", "< "))
    return standard.words.format(
        value=format_number(abs(value), decimals=0 if name in WHOLE else 1)
    )
