"""Glasgow Outcome Scale: how a table codes it, and whether it runs the way that is stated."""

from collections.abc import Sequence

DEAD_BY_SCORE_H = 3_600.0  # a death in the first 150 days precedes the 6-month score; no source
MIN_DEAD = 2  # deaths with a score from which a reversed scale can be told

# What stands in a table -> the extended scale, 1 dead to 8 upper good recovery. The scale of
# five does not tell lower from upper; the lower score of each pair stands for both.
CODINGS: dict[str, dict[str, str]] = {
    "gose_1_dead": {str(score): str(score) for score in range(1, 9)},
    "gose_1_good": {str(score): str(9 - score) for score in range(1, 9)},
    "gos_1_dead": {"1": "1", "2": "2", "3": "3", "4": "5", "5": "7"},
    "gos_1_good": {"5": "1", "4": "2", "3": "3", "2": "5", "1": "7"},
}


def visible_cuts(coding: str) -> list[int]:
    """Return the lowest favourable scores that a coding can tell from the score below."""
    return sorted({int(score) for score in CODINGS[coding].values()} - {1})


def reversed_words(
    deaths_h: Sequence[float | None], scores: Sequence[int | None]
) -> str | None:
    """Return why the scale seems to be reversed, or None.

    Parameters
    ----------
    deaths_h, scores : one per patient
        Death since time zero [h], and the score in our direction; None where unknown.

    Who died before the score was due must have 1. Reversed means: at least `MIN_DEAD` of them
    have a score, and for more than half it is the highest of all patients.

    Source: the scale has been coded in both directions (Wilson 2021, for the usual one); the
    rule is our own.
    """
    known = [(h, s) for h, s in zip(deaths_h, scores, strict=True) if s is not None]
    dead = [
        score for death_h, score in known if death_h is not None and death_h < DEAD_BY_SCORE_H
    ]
    highest = max((score for _, score in known), default=1)
    n_high = dead.count(highest)
    if len(dead) < MIN_DEAD or highest == 1 or 2 * n_high <= len(dead):
        return None
    return (
        f"gose_6m is {highest}, the best outcome of the table, in {n_high} of {len(dead)} "
        "patients who died, so the scale runs the other way; state how your table codes it"
    )
