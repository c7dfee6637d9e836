"""Registry: the families of models by the name that a plan gives them."""

from collections.abc import Callable
from typing import NamedTuple

import polars as pl

from icpcohort.models import cox, firth, gee, linear, logistic, proportional_odds, risk_ratios
from icpcohort.models.absolute import Risk
from icpcohort.models.estimates import FamilyFit


class Family(NamedTuple):
    """A kind of model: how it is fitted, what outcome it takes, and how it is told."""

    fit: Callable[..., FamilyFit]  # (response, design, *, problems)
    risk: Risk | None  # of (estimate, X); None where there is no absolute risk
    r_fit: str  # the same fit in R, see `replication`
    outcomes: tuple[pl.DataType, ...]
    outcome_in_words: str
    in_words: str
    effect: str
    scale: str  # of its slopes
    direction: str
    too_few: str


_FLAG, _SCORE, _NUMBER = pl.Boolean(), pl.Int64(), pl.Float64()
_A_FLAG = "a flag such as unfavourable"
_ODDS_OF_THE_OUTCOME = "An odds ratio above 1 means higher odds of the outcome."
_FEW_EVENTS = f"fewer than {logistic.MIN_EVENTS} patients have, or lack, the outcome"
_FEW_DEATHS = f"fewer than {cox.MIN_EVENTS} patients died"
_EARLIER = "A hazard ratio above 1 means a higher rate of death."

FAMILIES: dict[str, Family] = {
    "logistic": Family(
        logistic.fit,
        logistic.risk,
        logistic.R_FIT,
        (_FLAG,),
        _A_FLAG,
        "logistic regression",
        "odds ratio",
        "log_or",
        _ODDS_OF_THE_OUTCOME,
        _FEW_EVENTS,
    ),
    "firth_logistic": Family(
        firth.fit,
        logistic.risk,
        firth.R_FIT,
        (_FLAG,),
        _A_FLAG,
        "logistic regression with Firth's penalty, which stays finite in sparse or separated "
        "data; its intervals and p values are those of the profile of the penalised likelihood",
        "odds ratio",
        "log_or",
        _ODDS_OF_THE_OUTCOME,
        "nobody has, or lacks, the outcome",
    ),
    "proportional_odds": Family(
        proportional_odds.fit,
        proportional_odds.risk,
        proportional_odds.R_FIT,
        (_SCORE,),
        "a whole-number score such as gose_6m_merged, higher being better",
        "proportional-odds (ordinal logistic) regression",
        "odds ratio",
        "log_or",
        "An odds ratio above 1 means higher odds of a worse (lower) score, at every cut of the "
        "score alike; a score test examines whether it is alike, and the odds ratio of each "
        "cut stands beside it.",
        f"fewer than {proportional_odds.MIN_OUTSIDE} patients are outside the most frequent "
        "score",
    ),
    "linear": Family(
        linear.fit,
        linear.risk,
        linear.R_FIT,
        (_NUMBER, _SCORE),
        "a number such as gose_6m, higher being better",
        "linear regression",
        "difference",
        "difference",
        "A difference above 0 means a higher outcome.",
        f"there are fewer than {linear.MIN_RESIDUAL_DF} more patients than coefficients",
    ),
    "modified_poisson": Family(
        risk_ratios.fit,
        risk_ratios.risk,
        risk_ratios.R_FIT,
        (_FLAG,),
        _A_FLAG,
        "Poisson regression with robust errors (modified Poisson)",
        "risk ratio",
        "log_rr",
        "A risk ratio above 1 means a higher risk of the outcome.",
        _FEW_EVENTS,
    ),
    "gee": Family(
        gee.fit,
        logistic.risk,
        gee.R_FIT,
        (_FLAG,),
        _A_FLAG,
        "logistic generalised estimating equations with one correlation within clusters and "
        "robust errors",
        "odds ratio",
        "log_or",
        _ODDS_OF_THE_OUTCOME,
        _FEW_EVENTS,
    ),
    "cox_landmark": Family(
        cox.fit,
        cox.risk,
        cox.R_FIT,
        (_FLAG,),
        "dead, with its time",
        "Cox regression of the time from the landmark to death, tied deaths by Efron's rule",
        "hazard ratio",
        "log_hr",
        _EARLIER,
        _FEW_DEATHS,
    ),
    "cox_time_dependent": Family(
        cox.fit,
        None,
        cox.R_FIT,
        (_FLAG,),
        "dead, with its time",
        "Cox regression of the time to death with an exposure that changes with time: from the "
        "landmark on it was the exposure since time zero, renewed at the end of each day, and "
        "after the end of monitoring its last value",
        "hazard ratio",
        "log_hr",
        _EARLIER,
        _FEW_DEATHS,
    ),
}
