"""Declared: a value that the study recorded or that is derived from it, in lines of text."""

from collections.abc import Iterator, Mapping
from typing import Any

from icpcohort.commands.why.results import Results
from icpcohort.study.published_scores import SCORES

TIMES = ("death_h", "left_unit_h", "last_known_h")
RULES = (
    *("favourable_from", "merge", "equals", "sliding_by", "n_bands"),
    *("death_by_h", "events", "score"),
)


def as_exported(column: str, value: object, results: Results) -> Iterator[str]:
    """Yield where in the study's own table a recorded value stands."""
    study = results.settings["study"]
    entry = entry_of(column, results.settings)
    theirs = entry.get("column") or study["columns"]["patients"].get(column, column)
    if value is None:
        yield f"  missing: the cell is empty in column {theirs} of {study['patients']}"
    else:
        yield f"  as written in column {theirs} of {study['patients']}"
    if column in study["codings"]["patients"]:
        yield "  translated as study.codings.patients says; see results/recodings.parquet"
    elif entry.get("codings") or entry.get("coding"):
        yield f"  translated as {column} of variables.yaml says; see results/recodings.parquet"


def derived_from(column: str, patient: Mapping[str, Any], results: Results) -> Iterator[str]:
    """Yield the patient's values from which a column is derived, and the rule.

    Parameters
    ----------
    column : str
        A derived covariate or outcome, the band of an outcome, or a time to the first event.
    patient : mapping
        The patient's row of the table of patients, with the derived columns beside it.
    """
    name = declared_name(column, results.settings)
    entry = entry_of(name, results.settings)
    values = ", ".join(
        f"{one} {'missing' if patient.get(one) is None else patient[one]}"
        for one in _sources(entry, results.settings["outcomes"])
    )
    yield f"  derived from {values}"
    rules = {rule: entry[rule] for rule in RULES if entry.get(rule)}
    if form := results.settings["scores"].get(_family(entry)):
        rules |= form
    stated = ", ".join(f"{name}.{rule} {value}" for rule, value in rules.items())
    yield f"Settings: {stated or 'none'}"


def declared_name(column: str, settings: Mapping[str, Any]) -> str:
    """Return the entry that a column belongs to; the column itself where it is an entry."""
    for suffix in ("_band", "_h", "_event"):
        if column not in settings["outcomes"] and column.endswith(suffix):
            stem = column.removesuffix(suffix)
            if stem in settings["outcomes"]:
                return stem
    return column


def entry_of(name: str, settings: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return the entry of a covariate or an outcome; empty for what the project itself asks."""
    empty: dict[str, Any] = {}
    return settings["variables"].get(name) or settings["outcomes"].get(name) or empty


def _family(entry: Mapping[str, Any]) -> str:
    return SCORES[entry["score"]].family if entry.get("score") else ""


def _sources(
    entry: Mapping[str, Any], outcomes: Mapping[str, Mapping[str, Any]]
) -> tuple[str, ...]:
    """Return the columns that an entry is made of, those of the times for survival."""
    if entry.get("score"):
        return SCORES[entry["score"]].parts
    if entry.get("of"):
        sliding = (entry["sliding_by"],) if entry.get("sliding_by") else ()
        return (entry["of"], *sliding)
    scales = tuple(name for name, one in outcomes.items() if one.get("dead"))
    return (*scales, *TIMES)
