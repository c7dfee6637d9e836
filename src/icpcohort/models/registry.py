"""Registry: what computes each family of `study.families`, by the same name."""

from collections.abc import Callable
from typing import NamedTuple

from icpcohort.models import (
    cause_specific,
    cox,
    firth,
    gee,
    linear,
    logistic,
    negative_binomial,
    proportional_odds,
    risk_ratios,
)
from icpcohort.models.absolute import Risk
from icpcohort.models.estimates import FamilyFit


class Computing(NamedTuple):
    """How a family is fitted, here and in R, and when it is not."""

    fit: Callable[..., FamilyFit]  # (response, design, *, problems)
    risk: Risk | None  # of (estimate, X); None where there is no absolute risk
    r_fit: str  # the same fit in R, see `replication`
    too_few: str  # when no estimate is reported, in words; {had} is what patients did or had


_FEW_EVENTS = f"fewer than {logistic.MIN_EVENTS} patients have, or lack, the outcome"
_FEW_DEATHS = f"fewer than {cox.MIN_EVENTS} patients {{had}}"

COMPUTING: dict[str, Computing] = {
    "logistic": Computing(logistic.fit, logistic.risk, logistic.R_FIT, _FEW_EVENTS),
    "firth_logistic": Computing(
        firth.fit, logistic.risk, firth.R_FIT, "nobody has, or lacks, the outcome"
    ),
    "proportional_odds": Computing(
        proportional_odds.fit,
        proportional_odds.risk,
        proportional_odds.R_FIT,
        f"fewer than {proportional_odds.MIN_OUTSIDE} patients are outside the most frequent "
        "score",
    ),
    "linear": Computing(
        linear.fit,
        linear.risk,
        linear.R_FIT,
        f"there are fewer than {linear.MIN_RESIDUAL_DF} more patients than coefficients",
    ),
    "negative_binomial": Computing(
        negative_binomial.fit,
        negative_binomial.risk,
        negative_binomial.R_FIT,
        f"fewer than {negative_binomial.MIN_COUNTS} patients have a count above zero, there "
        f"are fewer than {negative_binomial.MIN_RESIDUAL_DF} more patients than coefficients, "
        "or a value is no count",
    ),
    "modified_poisson": Computing(
        risk_ratios.fit, risk_ratios.risk, risk_ratios.R_FIT, _FEW_EVENTS
    ),
    "gee": Computing(gee.fit, logistic.risk, gee.R_FIT, _FEW_EVENTS),
    "cox_landmark": Computing(cox.fit, cox.risk, cox.R_FIT, _FEW_DEATHS),
    "cause_specific_cox": Computing(cause_specific.fit, None, cox.R_FIT, _FEW_DEATHS),
    "cox_time_dependent": Computing(cox.fit, None, cox.R_FIT, _FEW_DEATHS),
}
