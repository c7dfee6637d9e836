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
from icpcohort.study import families
from icpcohort.study.schema import at, is_number


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


def spans_of(
    columns: Mapping[str, contracts.Column],
    *,
    window: Mapping[str, float],
    windows: Mapping[str, Mapping[str, float]],
) -> dict[str, Span]:
    """Return the span of each column of an analysis table in one exposure window.

    Parameters
    ----------
    columns : mapping of a name to its column
        The column says when it is known.
    window : mapping
        Of the model: a column of the window without a name of its own is measured in it.
    windows : mapping
        All windows, for columns that are measured in a stated one.
    """
    return {
        name: _span_of(column, windows.get(column.known_window, window))
        for name, column in columns.items()
    }


def _span_of(column: contracts.Column, window: Mapping[str, float]) -> Span:
    if column.known == "at an hour":
        return Span(-math.inf, float(column.known_h or 0.0))
    if column.known == "afterwards":
        return FOLLOWED
    if column.known == "in the window" or column.role == "exposure":
        return Span(window["start_h"], window["end_h"])
    return BASELINE


def endpoints_of(
    outcomes: Mapping[str, Mapping[str, Any]], *, landmark_h: float
) -> dict[str, Endpoint]:
    """Return the endpoints of an analysis table in a window that ends at the landmark.

    Parameters
    ----------
    outcomes : mapping
        As the study declares them. One that states no hour is due at no time that is known, and
        is held to nothing.
    landmark_h : float, h
    """
    due = {name: _due_h(entry) for name, entry in outcomes.items()}
    firsts = [name for name, entry in outcomes.items() if entry["kind"] == "event"]
    return {
        **{name: Endpoint(None, at_h) for name, at_h in due.items() if at_h is not None},
        **dict.fromkeys((f"{name}_event" for name in firsts), Endpoint(landmark_h, None)),
        "survival_h": Endpoint(landmark_h, None),
        "died": Endpoint(landmark_h, None),
        "death_h": Endpoint(0.0, None),
    }


def _due_h(entry: Mapping[str, Any]) -> float | None:
    at_h = entry.get("death_by_h") or entry.get("at_h")
    return None if at_h is None else float(at_h)


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
    models: object,
    *,
    windows: object,
    burden_columns: Collection[str],
    declared: Mapping[str, Any],
) -> dict[str, list[str]]:
    """Return the refusals of each model of a plan by its name; models without any are left out.

    Parameters
    ----------
    models, windows
        What stands in `models.yaml`, and under `windows` of the settings.
    burden_columns
        Columns that the settings add to `contracts.analysis`.
    declared : mapping
        Sections of the settings that declare columns; see `contracts.analysis`.

    Entries of a wrong type are passed over: the schema has named them.
    """
    exposure = contracts.Column(contracts.REAL, "", "Burden", role="exposure")
    columns = contracts.analysis({**declared, "burden": {}}).columns | dict.fromkeys(
        burden_columns, exposure
    )
    by_model = {}
    plans = at(models, "models")
    for name, plan in plans.items() if isinstance(plans, dict) else ():
        window = at(windows, str(at(plan, "window")))
        family = families.named(at(plan, "family"))
        limits = at(window, "start_h"), at(window, "end_h")
        adjusted = at(plan, "adjust_for")
        if not all(is_number(limit) for limit in limits) or not isinstance(adjusted, list):
            continue
        lines = refusals(
            {"outcome": at(plan, "outcome"), "exposure": at(plan, "exposure")}
            | {"adjust_for": [column for column in adjusted if isinstance(column, str)]},
            spans=spans_of(columns, window=window, windows=_sound(windows)),
            endpoints=endpoints_of(declared["outcomes"], landmark_h=window["end_h"]),
            landmark_h=window["end_h"],
            time_dependent=family is not None and family.time_dependent,
        )
        if lines:
            by_model[name] = lines
    return by_model


def _sound(windows: object) -> dict[str, Mapping[str, float]]:
    """Return the windows whose limits are numbers."""
    return {
        name: window
        for name, window in (windows.items() if isinstance(windows, dict) else ())
        if is_number(at(window, "start_h")) and is_number(at(window, "end_h"))
    }


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
    """List why the rows of one window must not be analysed: patients who were gone.

    Looks at `death_h` and `left_unit_h` where they are there. Whoever had died or
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
    return lines
