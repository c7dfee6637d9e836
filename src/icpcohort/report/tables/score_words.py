"""Score words: what tables and figures call the scale that the main outcome is derived from."""

from collections.abc import Mapping
from typing import Any, NamedTuple

from icpcohort.exposures.intensity_duration import score_of
from icpcohort.report.tables.model_words import Columns


class ScoreWords(NamedTuple):
    """A scale in words, as correlations with it are told: below zero is worse."""

    correlated: str  # what is correlated, higher being better
    known: str  # what must be known of a patient
    worse: str


def of_main_outcome(declared: Mapping[str, Any], columns: Columns) -> ScoreWords:
    """Return the words of the scale of `cohort.main_outcome`.

    Parameters
    ----------
    declared : mapping
        Sections of the settings: `cohort` with `main_outcome`, and `outcomes`.
    columns : mapping of name to Column
        Those of the analysis table.
    """
    score = score_of(declared["cohort"]["main_outcome"], declared["outcomes"])
    column = columns[score.column]
    if column.kind == "flag":
        return ScoreWords("a favourable outcome", "outcome", "fewer favourable outcomes")
    if score.better == "lower":
        reversed_words = f"{column.label} (reversed: higher is better)"
        return ScoreWords(reversed_words, column.label, f"higher {column.label}")
    return ScoreWords(column.label, column.label, f"lower {column.label}")
