"""Wording: what the methods text says of a model, from its plan."""

import re
from collections.abc import Mapping

from icpcohort.contracts import Column, burden_columns
from icpcohort.models import cox
from icpcohort.models.registry import COMPUTING
from icpcohort.study.blocks import refuse
from icpcohort.study.families import EVENT_SUFFIX, FAMILIES
from icpcohort.study.plan import Plan

COMPARISON_SOURCES = {"holm": ("Holm 1979",), "hochberg": ("Hochberg 1988",)}
Columns = Mapping[str, Column]  # of the analysis table


def methods_sentence(plan: Plan, *, columns: Columns) -> str:
    """Return the report's sentences for one model, from its plan.

    Parameters
    ----------
    plan : Plan
    columns : mapping of name to Column
        Those of the analysis table; see `contracts.analysis`.
    """
    if plan.family not in FAMILIES:
        refuse(f"models.{plan.name}", [f"family: {plan.family!r} is unknown"])
    family = FAMILIES[plan.family]
    effect, had = family.effect.words, cox.words_of(plan.event).had
    return " ".join(
        [
            f"{plan.question} The outcome, {_outcome(plan, columns)}, was analysed by "
            f"{_of_event(family.words, plan)}{_of(family.sources)} in the cohort of the window "
            f"'{plan.window.replace('_', ' ')}'.",
            f"The exposure was {_in_words(plan.exposure, columns)}; its {effect} is for "
            f"{plan.unit_of_effect:g} more of it.",
            _of_event(family.direction.format(worse=plan.worse), plan),
            _adjustment(plan, columns),
            *_options(plan, columns, effect=effect),
            _missing(plan, columns),
            f"Intervals are 95 % {_intervals(plan)} and p values are two-sided. No estimate is "
            "reported where a term separates the outcome (Albert 1984), where terms are "
            f"collinear, or where {COMPUTING[plan.family].too_few.format(had=had)}.",
        ]
    )


def _intervals(plan: Plan) -> str:
    """Return what the intervals of a plan are; those of pooled estimates are always Wald's."""
    if plan.imputation is not None:
        return "Wald intervals (Student's t)"
    with_t = " (Student's t)" if plan.clusters else ""
    return FAMILIES[plan.family].intervals + with_t


def _options(plan: Plan, columns: Columns, *, effect: str) -> list[str]:
    """Return a sentence for each optional key of the plan."""
    sentences = []
    if plan.event is not None:
        sentences += _events(plan)
    elif plan.horizon_h is not None:
        sentences.append(
            f"Follow-up ran from the landmark to {plan.horizon_h:g} h after time zero, to "
            "death, or to when a patient was last known to be alive."
        )
    if plan.clusters:
        sentences.append(
            "Standard errors are robust between clusters "
            f"({_in_words(plan.clusters, columns)}), with Student's t for the number of "
            "clusters less one (Liang 1986)."
        )
    if plan.curve_knots:
        sentences.append(
            f"The exposure entered as a restricted cubic spline with {plan.curve_knots} knots "
            "(Harrell 2015); "
            "its curve is against the median exposure, and two Wald tests look at the exposure "
            "as a whole and at its departure from a straight line."
        )
    if plan.interaction:
        sentences.append(
            f"The {effect} of the exposure was allowed to differ between the levels of "
            f"{_in_words(plan.interaction, columns)}, with one Wald test of the differences."
        )
    if plan.risks_at:
        sentences.append(
            "Absolute risks are means over the patients, had each of them the stated exposure; "
            "their intervals carry the uncertainty of the coefficients (delta method)."
        )
    if plan.bootstrap:
        sentences.append(
            "Discrimination and calibration were corrected for optimism by fitting the model "
            f"again in {plan.bootstrap.repeats} bootstrap samples (Harrell 1996)."
        )
    if plan.comparisons:
        sentences.append(
            f"Its p value is one of the group '{plan.comparisons.group}', held together by the "
            f"method of {plan.comparisons.method.capitalize()}"
            f"{_of(COMPARISON_SOURCES[plan.comparisons.method])}."
        )
    return sentences


def _events(plan: Plan) -> list[str]:
    """Return what is said of a model of one of several events."""
    hours = ", ".join(f"{hour:g}" for hour in plan.incidence_at_h or (plan.horizon_h or 0.0,))
    split = plan.incidence_split
    where = "its median" if split is None else f"{split:g}"
    return [
        f"The event was '{plan.event}'. Follow-up ran from the landmark to "
        f"{plan.horizon_h:g} h after time zero. A patient with another event before left the "
        "analysis at that time (censored), as did one who was last seen then.",
        "The cumulative incidence of each event, in which the other events are events too, was "
        "estimated without a model (Aalen 1978), for all patients of the fit and for an "
        f"exposure below and from {where} on, at {hours} h after time zero; its intervals go "
        "through log(-log) (Kalbfleisch 1980).",
    ]


def _outcome(plan: Plan, columns: Columns) -> str:
    """Return the outcome in words and by its name; one of events is a column under another."""
    if plan.event is None:
        return _in_words(plan.outcome, columns)
    column = columns.get(plan.outcome + EVENT_SUFFIX)
    return f"{column.in_full} ({plan.outcome})" if column else plan.outcome


def _of_event(words: str, plan: Plan) -> str:
    """Return words with the event that a plan names in the place of death."""
    return words if plan.event is None else re.sub(r"\bdeaths?\b", f"'{plan.event}'", words)


def _missing(plan: Plan, columns: Columns) -> str:
    if plan.imputation is None:
        return (
            "Patients with an unknown outcome, exposure or adjustment value were left out "
            "(complete cases)."
        )
    how = plan.imputation
    auxiliary = ", ".join(_in_words(name, columns) for name in how.auxiliary)
    helped = f", helped by {auxiliary}" if auxiliary else ""
    outcome = (
        f"{plan.event or 'death'} and its cumulative hazard (White 2009)"
        if FAMILIES[plan.family].timed
        else "the outcome"
    )
    sentences = (
        "Patients with an unknown outcome or exposure were left out. Missing adjustment values "
        "were imputed by chained equations with predictive mean matching (van Buuren 2018), "
        f"from the exposure, {outcome} and the adjustment values{helped}; at least "
        f"{how.min_imputations} times, or as often as the percentage of incomplete patients "
        f"(White 2011), with {how.n_cycles} cycles (seed {how.seed}). Estimates were pooled "
        "by Rubin's rules (Rubin 1987) with the degrees of freedom of Barnard and Rubin "
        "(Barnard 1999); complete cases stand beside them."
    )
    if how.deltas:
        shifts = ", ".join(f"{delta:+g}" for delta in how.deltas)
        sentences += (
            " To see what follows if outcomes are not missing at random, unknown outcomes were "
            f"drawn from the adjusted model with a shift of {shifts} ({_shift_in(plan)}; "
            "Carpenter 2013)."
        )
    return sentences


def _shift_in(plan: Plan) -> str:
    """Return what a shift of unknown outcomes is counted in."""
    if FAMILIES[plan.family].outcome.kind == "count":
        return "log of the expected count"
    return "log odds, or standard deviations of a number"


def _adjustment(plan: Plan, columns: Columns) -> str:
    if not plan.covariates:
        return f"No adjustment was made. Reason: {plan.reason.strip().rstrip('.')}."
    adjusted_for = "; ".join(_in_words(name, columns) for name in plan.covariates)
    levels = (
        f" Entered one level at a time against the most frequent level: "
        f"{', '.join(plan.as_categories)}."
        if plan.as_categories
        else ""
    )
    return (
        "The model was fitted unadjusted and, in the same patients, adjusted for: "
        f"{adjusted_for}.{levels}{_time_varying(plan, columns)} Reason for the adjustment: "
        f"{plan.reason.strip().rstrip('.')}."
    )


def _time_varying(plan: Plan, columns: Columns) -> str:
    if not plan.time_varying:
        return ""
    names = ", ".join(_in_words(name, columns) for name in plan.time_varying)
    return (
        f" Of {names} the value in force entered: the last that had begun by the start of each "
        "interval, and at the landmark, never a later one; a value stayed until the next began "
        "(Therneau 2000). What changes in the follow-up may be a consequence of the exposure, "
        "and then takes part of its effect away."
    )


def _of(sources: tuple[str, ...]) -> str:
    """Return sources in brackets, by their keys; nothing for none."""
    return f" ({'; '.join(sources)})" if sources else ""


def _in_words(name: str, columns: Columns) -> str:
    """The column in full and its name; the name alone if no column is of that name."""
    column = columns.get(name)
    words = column.in_full if column else burden_columns.words(name)
    return f"{words} ({name})" if words else name
