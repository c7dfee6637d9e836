"""Codings: values of a study's own tables in our words, each translation counted."""

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.study import dictionary_checks, reversed_scale

Coding = Mapping[str, str]  # their value -> ours; ours is empty for missing


class Meant(NamedTuple):
    """What a cell means in our words, or why it cannot be translated."""

    theirs: str
    ours: str
    words: str | None


def of_table(settings: Mapping[str, Any], *, name: str) -> dict[str, Coding]:
    """Return, for each column of a table whose values are translated, theirs and ours.

    A scale that is coded in one of several ways is translated by the one that is stated, and
    the study's own codings lead to a value of that way.
    """
    stated: dict[str, Coding] = dict(settings["study"]["codings"][name])
    if name != "patients":
        return stated
    for column, entry in dictionary_checks.recorded(settings).items():
        own = entry.get("codings") or {}
        scale = (entry.get("scales") or {}).get(entry.get("coding", ""), {})
        translated = {theirs: scale.get(ours, ours) for theirs, ours in own.items()}
        if scale or own:
            stated[column] = {**scale, **translated}
    return stated


def translate(text: str, coding: Coding, *, outcome: Mapping[str, Any]) -> Meant:
    """Translate a cell; what its column's coding does not have stays as it is.

    A value that the coding of an outcome scale does not have is refused, since ours may mean
    another outcome.

    Parameters
    ----------
    outcome : mapping
        The declared outcome of the column; empty for any other column.
    """
    whole = re.sub(r"\.0+$", "", text)  # 5.0: a whole number beside empty cells, as exported
    theirs = text if text in coding else whole
    if theirs in coding:
        return Meant(theirs, coding[theirs], None)
    words = None
    if outcome.get("scales") and theirs in outcome["levels"]:
        known = ", ".join(sorted(coding))
        words = f"{text} is not in the scale '{outcome.get('coding')}'; known: {known}"
    return Meant(text, text, words)


def count(
    recoded: Iterable[tuple[str, str, str, str]],
    *,
    stated: Mapping[str, Mapping[str, Coding]],
    scales: Collection[str],
) -> pl.DataFrame:
    """Count the translated cells (contracts.RECODINGS); one that no row needed has 0.

    Parameters
    ----------
    recoded : table, column, their value, ours; one a cell
    stated : table -> column -> coding, as the settings state them
    scales : columns whose coding is that of a whole scale; of these only what occurs is counted
    """
    counts = {
        (name, column, theirs, ours): 0
        for name, columns in stated.items()
        for column, values in columns.items()
        for theirs, ours in values.items()
        if column not in scales
    }
    for key in recoded:
        counts[key] = counts.get(key, 0) + 1
    contract = contracts.RECODINGS
    schema = {name: column.dtype for name, column in contract.columns.items()}
    frame = pl.DataFrame([(*key, n) for key, n in counts.items()], schema=schema, orient="row")
    return frame.sort(contract.key)


def merge_reversed_scores(
    problems: Sequence[str],
    patients: Sequence[Mapping[str, Any]],
    *,
    outcomes: Mapping[str, Mapping[str, Any]],
) -> list[str]:
    """Return the problems, with one line on a reversed scale in place of one line per death."""
    lines = list(problems)
    deaths_h = [row.get("death_h") for row in patients]
    for name, entry in reversed_scale.scales_with_death(outcomes).items():
        scores = [row.get(name) for row in patients]
        words = reversed_scale.words(name, entry, deaths_h=deaths_h, scores=scores)
        if words is not None:
            others = [line for line in lines if f", {name}: " not in line]
            lines = [f"outcomes.{name}.coding: {words}", *others]
    return lines
