"""Reversed scale: whether an outcome scale runs the way that is stated, told by the deaths."""

from collections.abc import Mapping, Sequence
from typing import Any

MIN_DEAD = 2  # deaths with a score from which a reversed scale can be told


def scales_with_death(
    outcomes: Mapping[str, Mapping[str, Any]],
) -> dict[str, Mapping[str, Any]]:
    """Return the recorded scales that say which level means dead and by when deaths count."""
    return {
        name: entry
        for name, entry in outcomes.items()
        if entry["kind"] == "ordered" and entry.get("dead") and entry.get("deaths_before_h")
    }


def words(
    name: str,
    entry: Mapping[str, Any],
    *,
    deaths_h: Sequence[float | None],
    scores: Sequence[int | None],
) -> str | None:
    """Return why a scale seems to be reversed, or None.

    Parameters
    ----------
    name, entry
        A scale of `scales_with_death`.
    deaths_h, scores : one per patient
        Death since time zero [h], and the score; None where unknown.

    Who died before the score was due must have the level that means dead. Reversed means: at
    least `MIN_DEAD` of them have a score, and for more than half it is the best of all
    patients.

    Source: scales have been coded in both directions (Wilson 2021, for the usual one of the
    extended Glasgow Outcome Scale); the rule is our own.
    """
    known = [(h, s) for h, s in zip(deaths_h, scores, strict=True) if s is not None]
    limit_h, worst = float(entry["deaths_before_h"]), int(entry["dead"])
    dead = [score for death_h, score in known if death_h is not None and death_h < limit_h]
    best = (max if entry["better"] == "higher" else min)((s for _, s in known), default=worst)
    n_best = dead.count(best)
    if len(dead) < MIN_DEAD or best == worst or 2 * n_best <= len(dead):
        return None
    return (
        f"{name} is {best}, the best outcome of the table, in {n_best} of {len(dead)} "
        "patients who died, so the scale runs the other way; state how your table codes it"
    )
