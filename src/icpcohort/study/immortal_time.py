"""Immortal time: whether a model would let the outcome decide who could be exposed.

A column of the analysis table is measured over a span of hours. Who died before its end could
not have the whole of it, so an exposure that ends after the model begins to count makes the
exposed look safe. The check uses when a column is measured, not its name, so it works for any
table.
"""

import math
from collections.abc import Collection, Mapping
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.study import families, gose
from icpcohort.study.schema import at, is_number

AT_6_MONTHS_H = 4_380.0


class Span(NamedTuple):
    """Hours since time zero over which a column is measured; infinite: while followed."""

    from_h: float
    until_h: float


class Endpoint(NamedTuple):
    """What a model is asked to explain.

    `origin_h`: a time to an event is counted from it. `at_h`: a state at that hour, in which
    deaths since time zero count. One of the two is None.
    """

    origin_h: float | None
    at_h: float | None


BASELINE = Span(-math.inf, 0.0)
FOLLOWED = Span(0.0, math.inf)


def spans_of(columns: Collection[str], *, window: Mapping[str, float]) -> dict[str, Span]:
    """Return the span of each column of `contracts.analysis` in one exposure window.

    The contract of each column says when it is known. A column that the contracts do not name,
    such as a burden of the settings, is an exposure of the window.
    """
    in_window = Span(window["start_h"], window["end_h"])
    known = {name: column.known for name, column in contracts.analysis({}).columns.items()}
    spans = {"at admission": BASELINE, "in the window": in_window, "afterwards": FOLLOWED}
    return {name: spans[known.get(name) or "in the window"] for name in columns}


def endpoints_of(*, landmark_h: float, mortality_horizon_h: float) -> dict[str, Endpoint]:
    """Return the endpoints of `contracts.analysis` in a window that ends at the landmark."""
    scores = [n for n, column in contracts.OUTCOMES.columns.items() if column.role == "outcome"]
    return {
        **dict.fromkeys(scores, Endpoint(None, AT_6_MONTHS_H)),
        "dead_by_horizon": Endpoint(None, mortality_horizon_h),
        "survival_h": Endpoint(landmark_h, None),
        "died": Endpoint(landmark_h, None),
        "death_h": Endpoint(0.0, None),
    }


def refusals(
    plan: Mapping[str, Any],
    *,
    spans: Mapping[str, Span],
    endpoints: Mapping[str, Endpoint],
    landmark_h: float,
    time_dependent: bool,
) -> list[str]:
    """List why a model must not be fitted, in words; an empty list lets it pass.

    Parameters
    ----------
    plan : mapping
        `outcome`, `exposure` and `adjust_for`, as in `config/models.yaml`. Names that have no
        span or endpoint here are passed over: whether they exist is another check.
    spans, endpoints
        What is known of the columns; see `spans_of` and `endpoints_of`.
    landmark_h : float, h
        The moment since time zero from which the patients are in the analysis.
    time_dependent : bool
        Whether the family lets the exposure change while the patient is followed (start-stop
        intervals); then only what it is adjusted for must be known beforehand.

    Source: immortal time and the landmark: Anderson 1983; intervals of a time-dependent
    exposure: Crowley 1977.
    """
    exposure = str(plan["exposure"])
    lines = []
    if not time_dependent and exposure in spans:
        lines += _late(exposure, spans[exposure], landmark_h=landmark_h)
        endpoint = endpoints.get(str(plan["outcome"]))
        if endpoint is not None and not lines:
            lines += _early_outcome(plan, spans[exposure], endpoint)
    for name in plan["adjust_for"]:
        if name in spans and spans[name].until_h > landmark_h:
            lines.append(
                f"adjust_for: '{name}' is known only {_until(spans[name])}, after the landmark "
                f"at {landmark_h:g} h, so it may be a consequence of the exposure; adjust for "
                "what was known before"
            )
    return lines


def plan_refusals(
    models: object, *, windows: object, burden_columns: Collection[str], horizon_h: object
) -> dict[str, list[str]]:
    """Return the refusals of each model of a plan by its name; models without any are left out.

    Parameters
    ----------
    models, windows
        What stands in `models.yaml`, and under `windows` of the settings.
    burden_columns
        Columns that the settings add to `contracts.analysis`.
    horizon_h : number, h
        `outcomes.mortality_horizon_h` of the settings.

    Entries of a wrong type are passed over: the schema has named them.
    """
    columns = (*contracts.analysis({}).columns, *burden_columns)
    by_model = {}
    plans = at(models, "models")
    for name, plan in plans.items() if isinstance(plans, dict) else ():
        window = at(windows, str(at(plan, "window")))
        family = families.named(at(plan, "family"))
        limits = at(window, "start_h"), at(window, "end_h"), horizon_h
        adjusted = at(plan, "adjust_for")
        if not all(is_number(limit) for limit in limits) or not isinstance(adjusted, list):
            continue
        lines = refusals(
            {"outcome": at(plan, "outcome"), "exposure": at(plan, "exposure")}
            | {"adjust_for": [column for column in adjusted if isinstance(column, str)]},
            spans=spans_of(columns, window=window),
            endpoints=endpoints_of(
                landmark_h=window["end_h"], mortality_horizon_h=float(str(horizon_h))
            ),
            landmark_h=window["end_h"],
            time_dependent=family is not None and family.time_dependent,
        )
        if lines:
            by_model[name] = lines
    return by_model


def _late(name: str, span: Span, *, landmark_h: float) -> list[str]:
    if span.until_h <= landmark_h:
        return []
    if math.isinf(span.until_h):
        return [
            f"exposure: '{name}' is measured for as long as the patient is followed, so only "
            "those who live have the time to get it (immortal time); take an exposure of a "
            "fixed window and count from its end, or a family with a time-dependent exposure"
        ]
    return [
        f"exposure: '{name}' is measured until {span.until_h:g} h, after the landmark at "
        f"{landmark_h:g} h, so who died in between could not have all of it (immortal time); "
        "take an exposure that ends at the landmark, or a later window"
    ]


def _early_outcome(plan: Mapping[str, Any], span: Span, endpoint: Endpoint) -> list[str]:
    outcome, exposure = plan["outcome"], plan["exposure"]
    if endpoint.origin_h is not None and endpoint.origin_h < span.until_h:
        return [
            f"outcome: '{outcome}' is counted from {endpoint.origin_h:g} h, but '{exposure}' "
            f"is measured until {span.until_h:g} h; nobody can die in between (immortal time); "
            f"count from the landmark at {span.until_h:g} h"
        ]
    if endpoint.at_h is not None and endpoint.at_h <= span.until_h:
        return [
            f"outcome: '{outcome}' is settled at {endpoint.at_h:g} h, but '{exposure}' is "
            f"measured until {span.until_h:g} h, after it; take a later outcome or an earlier "
            "window"
        ]
    return []


def _until(span: Span) -> str:
    return "in the follow-up" if math.isinf(span.until_h) else f"at {span.until_h:g} h"


def refused_rows(analysis: pl.DataFrame, *, landmark_h: float) -> list[str]:
    """List why the rows of one window must not be analysed: patients gone, a reversed scale.

    Looks at `death_h`, `left_unit_h` and `gose_6m` where they are there. Whoever had died or
    left before the landmark should have left in the cohort; one such row means that the table
    was put together in another way, and only who lived long enough can have the exposure.

    Source: immortal time, Anderson 1983.
    """
    lines = []
    for name, what in (("death_h", "died"), ("left_unit_h", "left the unit")):
        if name in analysis.columns:
            n = analysis.filter(pl.col(name) < landmark_h).height
            if n:
                lines.append(
                    f"{n} of {analysis.height} patients {what} before {landmark_h:g} h, when "
                    "the exposure was not yet complete (immortal time); form the cohort with "
                    "rule 'landmark', or write family: cox_time_dependent with a window that "
                    "ends before"
                )
    if {"death_h", "gose_6m"} <= set(analysis.columns):
        words = gose.reversed_words(
            analysis["death_h"].to_list(), analysis["gose_6m"].to_list()
        )
        lines += [words] if words else []
    return lines
