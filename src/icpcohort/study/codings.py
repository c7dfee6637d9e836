"""Codings: values of a study's own tables in our words, each translation counted."""

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.study import gose

Coding = Mapping[str, str]  # their value -> ours; ours is empty for missing


class Meant(NamedTuple):
    """What a cell means in our words, or why it cannot be translated."""

    theirs: str
    ours: str
    words: str | None


def of_table(study: Mapping[str, Any], *, name: str) -> dict[str, Coding]:
    """Return, for each column of a table whose values are translated, theirs and ours."""
    stated: dict[str, Coding] = study["codings"][name]
    if name != "patients":
        return stated
    scale = gose.CODINGS[study["gose_coding"]]
    translated = {
        theirs: scale.get(ours, ours) for theirs, ours in stated.get("gose_6m", {}).items()
    }
    return stated | {"gose_6m": scale | translated}


def translate(text: str, coding: Coding, *, column: str) -> Meant:
    """Translate a cell; what its column's coding does not have stays as it is.

    A value that a coding of the outcome scale does not have is refused, since ours may mean
    another outcome.
    """
    whole = re.sub(r"\.0+$", "", text)  # 5.0: a whole number beside empty cells, as exported
    theirs = text if text in coding else whole
    if theirs in coding:
        return Meant(theirs, coding[theirs], None)
    words = None
    if column == "gose_6m" and theirs in gose.CODINGS["gose_1_dead"]:
        known = ", ".join(sorted(coding))
        words = f"{text} is not in the scale of study.gose_coding; known: {known}"
    return Meant(text, text, words)


def count(
    recoded: Iterable[tuple[str, str, str, str]],
    *,
    stated: Mapping[str, Mapping[str, Coding]],
) -> pl.DataFrame:
    """Count the translated cells (contracts.RECODINGS); one that no row needed has 0.

    Parameters
    ----------
    recoded : table, column, their value, ours; one a cell
    stated : table -> column -> coding, as in `study.codings`
    """
    counts = {
        (name, column, theirs, ours): 0
        for name, columns in stated.items()
        for column, values in columns.items()
        for theirs, ours in values.items()
        if column != "gose_6m"
    }
    for key in recoded:
        counts[key] = counts.get(key, 0) + 1
    contract = contracts.RECODINGS
    schema = {name: column.dtype for name, column in contract.columns.items()}
    frame = pl.DataFrame([(*key, n) for key, n in counts.items()], schema=schema, orient="row")
    return frame.sort(contract.key)


def merge_reversed_scores(
    problems: Sequence[str], patients: Sequence[Mapping[str, Any]]
) -> list[str]:
    """Return the problems, with one line on a reversed scale in place of one line per death."""
    deaths_h, scores = ([row.get(name) for row in patients] for name in ("death_h", "gose_6m"))
    words = gose.reversed_words(deaths_h, scores)
    if words is None:
        return list(problems)
    others = [line for line in problems if ", gose_6m: " not in line]
    return [f"study.gose_coding: {words}", *others]
