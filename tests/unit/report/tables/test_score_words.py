"""What tables call the scale of the main outcome follows from what the study declares."""

import pytest

from icpcohort.contracts import variables
from icpcohort.report.tables import score_words

OUTCOMES = {
    "mrs_3m": {
        "label": "mRS",
        "kind": "ordered",
        "levels": ["0", "1", "2", "3", "4", "5", "6"],
        "better": "lower",
    },
    "recovery": {
        "label": "Recovery",
        "kind": "ordered",
        "levels": ["1", "2", "3"],
        "better": "higher",
    },
    "mrs_bad": {"label": "Bad mRS", "kind": "flag", "of": "mrs_3m"},
    "recovery_bad": {"label": "Bad recovery", "kind": "flag", "of": "recovery"},
    "infected": {"label": "Infection", "kind": "flag"},
}
COLUMNS = {name: variables.column_of(entry, role="outcome") for name, entry in OUTCOMES.items()}


@pytest.mark.parametrize(
    ("main_outcome", "words"),
    [
        ("mrs_bad", ("mRS (reversed: higher is better)", "mRS", "higher mRS")),
        ("recovery_bad", ("Recovery", "Recovery", "lower Recovery")),
        ("infected", ("a favourable outcome", "outcome", "fewer favourable outcomes")),
    ],
)
def test_a_correlation_below_zero_is_told_as_worse_in_the_scale_s_own_direction(
    main_outcome, words
):
    declared = {"cohort": {"main_outcome": main_outcome}, "outcomes": OUTCOMES}
    assert score_words.of_main_outcome(declared, COLUMNS) == words
