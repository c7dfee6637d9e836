"""Cause-specific Cox regression: the hazard of one of several events, the others censoring."""

from icpcohort.models import cox
from icpcohort.models.design import Design
from icpcohort.models.estimates import FamilyFit, Response
from icpcohort.study.families import CAUSE_SPECIFIC, HAZARD_RATIO


def fit(response: Response, design: Design, *, problems: list[str]) -> FamilyFit:
    """Fit a Cox regression of one event, or say why there is none; see `cox.fit`.

    Whoever has another event leaves the risk set at that time.

    Source: Prentice 1978.
    """
    fitted = cox.fit(response, design, problems=problems)
    return fitted._replace(
        scales=tuple(
            CAUSE_SPECIFIC.scale if scale == HAZARD_RATIO.scale else scale
            for scale in fitted.scales
        )
    )
