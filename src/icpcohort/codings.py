"""Codings: the values of a study's tables in our words, and how often each was translated."""

import re
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from icpcohort import contracts, gose

Coding = dict[str, str]  # their value -> ours


def of_table(study: Mapping[str, Any], *, name: str) -> dict[str, Coding]:
    """Return the coding of each column of a table, as `study` of the settings states them.

    The outcome score goes through `study.codings` first and then through the scale that
    `study.gose_coding` names.
    """
    stated: dict[str, Coding] = study["codings"][name]
    if name != "patients":
        return stated
    scale = gose.CODINGS[study["gose_coding"]]
    own = {theirs: scale.get(ours, ours) for theirs, ours in stated.get("gose_6m", {}).items()}
    return stated | {"gose_6m": scale | own}


def translate(text: str, coding: Coding, *, column: str) -> tuple[str, str | None]:
    """Return what a cell means in our words, and None or the words that say why not.

    A text without a coding stays. 5.0 is read as 5, since whole numbers beside empty cells are
    exported so. A score that our scale has and the stated one has not is refused: it would mean
    another outcome.
    """
    whole = re.sub(r"\.0+$", "", text)
    theirs = text if text in coding else whole
    if theirs in coding:
        return (text if coding[theirs] == theirs else coding[theirs]), None
    if column == "gose_6m" and theirs in gose.CODINGS["gose_1_dead"]:
        known = ", ".join(sorted(coding))
        return text, f"{text} is not in the scale of study.gose_coding; known: {known}"
    return text, None


def count(
    recoded: Mapping[str, Sequence[Mapping[str, tuple[str, str]]]],
    *,
    stated: Mapping[str, Mapping[str, Coding]],
) -> pl.DataFrame:
    """Count the translated cells.

    Parameters
    ----------
    recoded : table -> one mapping a row: column -> what stood there, what it means
    stated : table -> column -> coding
        As in `study.codings`; a translation that no row needed is there with 0.

    Returns
    -------
    DataFrame of `contracts.RECODINGS`
    """
    counts = {
        (table, column, theirs, ours): 0
        for table, columns in stated.items()
        for column, coding in columns.items()
        for theirs, ours in coding.items()
        if column != "gose_6m"  # what it means depends on the scale, too
    }
    for table, rows in recoded.items():
        for row in rows:
            for column, (theirs, ours) in row.items():
                exported = (table, column, theirs, ours)
                whole = (table, column, re.sub(r"\.0+$", "", theirs), ours)
                key = exported if exported in counts else whole
                counts[key] = counts.get(key, 0) + 1
    schema = {name: column.dtype for name, column in contracts.RECODINGS.columns.items()}
    rows_ = [(*key, n) for key, n in counts.items()]
    return pl.DataFrame(rows_, schema=schema, orient="row").sort(contracts.RECODINGS.key)


def told_once(found: Sequence[str], patients: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return the problems with one line on a reversed scale in place of one a death."""
    deaths_h, scores = ([row.get(name) for row in patients] for name in ("death_h", "gose_6m"))
    words = gose.reversed_words(deaths_h, scores)
    if words is None:
        return list(found)
    others = [line for line in found if ", gose_6m: " not in line]
    return [f"study.gose_coding: {words}", *others]
