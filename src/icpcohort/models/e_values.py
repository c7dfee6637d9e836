"""E-values: how strong an unmeasured confounder must be to explain an effect away."""

import numpy as np

from icpcohort.models.estimates import Diagnostic
from icpcohort.study import families

COMMON = 0.15  # an outcome in more patients than this is common
VERDICT = (
    "an unmeasured confounder would need this risk ratio with both exposure and outcome, above "
    "the adjustment, to explain the {what} away"
)


def e_value(risk_ratio: float) -> float:
    """Return RR + sqrt(RR (RR - 1)), after turning a ratio below 1 over.

    Source: VanderWeele 2017b.
    """
    ratio = max(risk_ratio, 1 / risk_ratio)
    return float(ratio + np.sqrt(ratio * (ratio - 1)))


def as_risk_ratio(
    effect: float, *, scale: str, common: bool, outcome_sd: float | None
) -> float:
    """Return the risk ratio that an effect of another kind is about.

    Parameters
    ----------
    effect : float
        Odds, hazard, risk or rate ratio, or a difference.
    scale : a key of `study.families.EFFECTS`
    common : bool
        The outcome is in more than 15 % of the patients, so odds and hazard ratios are
        farther from 1 than the risk ratio.
    outcome_sd : float, or None
        Needed for a difference.

    Raises
    ------
    ValueError
        For a scale without a known relation to a risk ratio.

    Source: VanderWeele 2017a (sqrt(OR)); VanderWeele 2017b (rate ratio; hazard ratio; exp(0.91
    d) of a standardised difference).
    """
    if scale == families.DIFFERENCE.scale:
        return float(np.exp(0.91 * effect / outcome_sd)) if outcome_sd else np.nan
    if scale in (families.RISK_RATIO.scale, families.RATE_RATIO.scale):
        return effect
    if scale == families.ODDS_RATIO.scale:
        return float(np.sqrt(effect)) if common else effect
    if scale in (families.HAZARD_RATIO.scale, families.CAUSE_SPECIFIC.scale):
        halved = (1 - 0.5 ** np.sqrt(effect)) / (1 - 0.5 ** np.sqrt(1 / effect))
        return float(halved) if common else effect
    raise ValueError(f"e_values: no risk ratio of an effect on the scale {scale!r} is known")


def diagnostics(
    effect: float,
    low: float,
    high: float,
    *,
    scale: str,
    common: bool,
    outcome_sd: float | None,
) -> list[Diagnostic]:
    """Return the E-value of an effect, and of its nearer limit: 1 where that passes none."""
    none = families.EFFECTS[scale].none
    nearer = low if effect > none else high
    passed = low <= none <= high

    def value(of: float) -> float:
        return e_value(as_risk_ratio(of, scale=scale, common=common, outcome_sd=outcome_sd))

    return [
        Diagnostic("e_value", value(effect), VERDICT.format(what="estimate")),
        Diagnostic(
            "e_value_limit", 1.0 if passed else value(nearer), VERDICT.format(what="interval")
        ),
    ]
