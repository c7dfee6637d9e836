"""Registry: the families of models by the name that a plan gives them."""

from collections.abc import Callable
from typing import NamedTuple

import polars as pl

from icpcohort.models import logistic, proportional_odds
from icpcohort.models.estimates import FamilyFit


class Family(NamedTuple):
    """A kind of model: how it is fitted, what outcome it takes, and how it is told."""

    fit: Callable[..., FamilyFit]  # (outcome, design, *, problems)
    outcome_dtype: pl.DataType
    outcome_in_words: str
    in_words: str
    direction: str
    too_few: str


FAMILIES: dict[str, Family] = {
    "logistic": Family(
        logistic.fit,
        pl.Boolean(),
        "a flag such as unfavourable",
        "logistic regression",
        "An odds ratio above 1 means higher odds of the outcome.",
        f"fewer than {logistic.MIN_EVENTS} patients have, or lack, the outcome",
    ),
    "proportional_odds": Family(
        proportional_odds.fit,
        pl.Int64(),
        "a whole-number score such as gose_6m_merged, higher being better",
        "proportional-odds (ordinal logistic) regression",
        "An odds ratio above 1 means higher odds of a worse (lower) score, at every cut of the "
        "score alike; a score test examines whether it is alike.",
        f"fewer than {proportional_odds.MIN_OUTSIDE} patients are outside the most frequent "
        "score",
    ),
}
