"""Codings: values of a study's own tables in our words, each translation counted."""

import json
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.study import dictionary_checks, reversed_scale, table_problems
from icpcohort.study.table_problems import Fault, Problem
from icpcohort.study.values import NO_LEVEL, NO_NUMBER

Coding = Mapping[str, str]  # their value -> ours; ours is empty for missing
_MOST_VALUES = 12  # that a line of codings may hold


class Meant(NamedTuple):
    """What a cell means in our words, or why it cannot be translated."""

    theirs: str
    ours: str
    fault: Fault | None


def of_table(settings: Mapping[str, Any], *, name: str) -> dict[str, Coding]:
    """Return, for each column of a table whose values are translated, theirs and ours.

    A scale that is coded in one of several ways is translated by the one that is stated, and
    the study's own codings lead to a value of that way.
    """
    stated: dict[str, Coding] = dict(settings["study"]["codings"].get(name, {}))
    if name == "repeated":
        return stated | _of_values(settings.get("repeated", {}), stated.pop("value", {}))
    if name != "patients":
        return stated
    for column, entry in dictionary_checks.recorded(settings).items():
        own = entry.get("codings") or {}
        scale = (entry.get("scales") or {}).get(entry.get("coding", ""), {})
        translated = {theirs: scale.get(ours, ours) for theirs, ours in own.items()}
        if scale or own:
            stated[column] = {**scale, **translated}
    return stated


def _of_values(repeated: Mapping[str, Mapping[str, Any]], of_all: Coding) -> dict[str, Coding]:
    """Return the coding of each repeated variable; `of_all` is that of the column of values."""
    codings = {
        name: {**of_all, **(entry.get("codings") or {})} for name, entry in repeated.items()
    }
    return {name: coding for name, coding in codings.items() if coding}


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
    fault = None
    if outcome.get("scales") and theirs in outcome["levels"]:
        known = ", ".join(sorted(coding))
        words = f"{text} is not in the scale '{outcome.get('coding')}'; known: {known}"
        fault = Fault(words, "not in the scale")
    return Meant(text, text, fault)


def with_lines_to_write(
    problems: Sequence[Problem], *, settings: Mapping[str, Any], name: str
) -> list[Problem]:
    """Return the problems of a table, with the line of codings that may cure many of them.

    A column whose cells are no level of it, in many rows, may be coded in another way.
    """
    written = list(problems)
    for alike in table_problems.groups(problems).values():
        first = alike[0]
        values = sorted({problem.value for problem in alike} - {""})
        may_be_coded = first.cause in (NO_LEVEL, NO_NUMBER) and len(values) <= _MOST_VALUES
        place = _place_of_codings(settings, name, first)
        if len(alike) <= table_problems.FEW or not may_be_coded or not place:
            continue
        where, known, line = place
        coding = {**known, **dict.fromkeys(values, "WHAT_IT_MEANS")}
        line = line.format(json.dumps(coding, ensure_ascii=False))
        words = (
            f"{first.words}; if your table has codes, write in {where} the line `{line}`, "
            "with what each code means after it"
        )
        written[written.index(first)] = first._replace(words=words)
    return written


def _place_of_codings(
    settings: Mapping[str, Any], name: str, problem: Problem
) -> tuple[str, Coding, str] | None:
    """Return where the codings of a column are written, what stands there, and the line.

    None where a column has neither levels nor flags.
    """
    column = problem.column.removeprefix("value of ")
    entries = {"patients": ("variables", "outcomes"), "repeated": ("repeated",)}
    for section in entries.get(name, ()):
        entry = settings[section].get(column)
        if entry and (entry.get("levels") or entry["kind"] == "flag"):
            known = entry.get("codings") or {}
            return f"variables.yaml under {section}", known, f"{column}: {{{{codings: {{}}}}}}"
        if entry:
            return None
    if problem.cause == NO_NUMBER:
        return None
    known = settings["study"]["codings"].get(name, {}).get(column, {})
    return f"config.yaml under study.codings.{name}", known, f"{column}: {{}}"


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
    problems: Sequence[Problem],
    patients: Sequence[Mapping[str, Any]],
    *,
    outcomes: Mapping[str, Mapping[str, Any]],
) -> list[Problem]:
    """Return the problems, with one on a reversed scale in place of one per death."""
    merged = list(problems)
    deaths_h = [row.get("death_h") for row in patients]
    for name, entry in reversed_scale.scales_with_death(outcomes).items():
        scores = [row.get(name) for row in patients]
        words = reversed_scale.words(name, entry, deaths_h=deaths_h, scores=scores)
        if words is not None:
            others = [problem for problem in merged if problem.column != name]
            merged = [Problem(f"outcomes.{name}.coding", words), *others]
    return merged
