"""Eligibility: the rules of a study, as questions to every patient who is left."""

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from icpcohort.cohort import rules
from icpcohort.cohort.rules import Columns, Step
from icpcohort.exposures.window import Window
from icpcohort.study import cohort_rules


def facts(
    recordings: pl.DataFrame, monitors: pl.DataFrame, events: pl.DataFrame
) -> pl.DataFrame:
    """Return what the rules ask of the tables with several rows per patient.

    Parameters
    ----------
    recordings, monitors, events
        Contracts RECORDINGS, MONITORS and EVENTS; of the first only what was used counts.

    Returns
    -------
    DataFrame, one row per patient that any of them names
        `monitoring_start_h` [h] and `monitoring_end_h` [h]: first and last moment of the
        recordings; `monitor_kinds`: the different kinds; `craniectomy_h` [h]: the first one;
        `monitor_removed_h` [h]: the last removal, null while any monitor has none. Null where
        a table has no row of the patient.
    """
    used = recordings.filter(pl.col("status") == "used").group_by("patient_id")
    removed = pl.when(pl.col("removal_h").null_count() == 0).then(pl.col("removal_h").max())
    parts = (
        used.agg(
            monitoring_start_h=pl.col("start_s").min() / 3600,
            monitoring_end_h=pl.col("end_s").max() / 3600,
        ),
        monitors.group_by("patient_id").agg(
            monitor_kinds=pl.col("kind").unique().sort(), monitor_removed_h=removed
        ),
        events.filter(pl.col("event") == "craniectomy")
        .group_by("patient_id")
        .agg(craniectomy_h=pl.col("start_s").min() / 3600),
    )
    first, *others = parts
    for other in others:
        first = first.join(other, on="patient_id", how="full", coalesce=True, validate="1:1")
    return first.sort("patient_id")


def steps_of(
    blocks: Sequence[Mapping[str, Any]], *, window: Window, columns: Columns
) -> list[Step]:
    """Return the questions that lead to one window's cohort, in the order of the rules.

    Parameters
    ----------
    blocks : sequence of mappings
        `cohort.eligibility` of the settings: each has the `rule` of its kind and the
        settings of that kind.
    window : Window
    columns : mapping of a name to its column
        Of the analysis table.

    Raises
    ------
    ValueError
        With every line of `cohort_rules.problems`.

    Source: numbers and reasons at each stage: von Elm 2007, items 13a and 13b;
    Benchimol 2015, item 13.1.
    """
    problems = cohort_rules.problems(blocks)
    if problems:
        raise ValueError("cohort.eligibility: " + "; ".join(problems))
    return [step for rule in rules.from_blocks(blocks) for step in rule.steps(window, columns)]


def left_out(reasons: Mapping[str, str]) -> list[Step]:
    """Return the question whether the group leaves a patient out; none if it does so to nobody.

    `reasons` are the group's, by patient.
    """
    if not reasons:
        return []
    patient = pl.col("patient_id")
    return [
        Step(
            "Not left out by the group",
            "left_out",
            patient.is_in(list(reasons)),
            patient.replace_strict(dict(reasons), default=None, return_dtype=pl.String()),
        )
    ]


def in_words(blocks: Sequence[Mapping[str, Any]], *, columns: Columns) -> list[str]:
    """Return a phrase for each rule that a patient may fail, for the methods text."""
    return [words for rule in rules.from_blocks(blocks) if (words := rule.words(columns))]
