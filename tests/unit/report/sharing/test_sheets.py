"""Shared sheet of estimates: the events of a model of one of several events are counted."""

import polars as pl
import pytest

from icpcohort.report.sharing import disclosure, sheets

N = 30
PLAN = {
    "outcome": "stay",
    "event": "death",
    "window": "first_72_h",
    "exposure": "dose",
    "unit_of_effect": 1.0,
}
EVENTS = ["death"] * 6 + ["discharge"] * 20 + [None] * 4
ANALYSIS = pl.DataFrame(
    {
        "patient_id": [f"p{i:02}" for i in range(N)],
        "window": "first_72_h",
        "dose": [float(i) for i in range(N)],
        "stay_h": [100.0 + i for i in range(N)],
        "stay_event": EVENTS,
    }
)


def _fitted(n_events):
    row = {"term": "dose", "adjustment": "adjusted", "scale": "log_cshr", "effect": 1.5}
    limits = {"effect_ci_low": 1.1, "effect_ci_high": 2.0, "p": 0.01}
    return pl.DataFrame([row | limits | {"n": N, "n_events": n_events}])


def _sheet(plan, *, n_events, analysis=ANALYSIS):
    return sheets.estimates(
        analysis,
        models={"deaths": plan},
        fitted={"deaths": _fitted(n_events)},
        dropped={"deaths": pl.DataFrame(schema={"patient_id": pl.String()})},
        min_cell=5,
    )


def _row(sheet):
    return dict(zip(sheet.head, [cell.text for cell in sheet.rows[0]], strict=True))


@pytest.mark.parametrize(("event", "n"), [("death", 6), ("discharge", 20)])
def test_the_people_with_the_event_of_the_plan_are_counted(event, n):
    sheet = _sheet(PLAN | {"event": event}, n_events=n)
    assert len(sheet.people["model deaths, events"]) == n
    row = _row(sheet)
    assert (row["n"], row["n_events"], row["effect"]) == (str(N), str(n), "1.50")


def test_a_count_that_the_table_does_not_confirm_stays_hidden():
    assert _row(_sheet(PLAN, n_events=5))["n_events"] == disclosure.HIDDEN


def test_an_estimate_on_fewer_events_than_may_be_shown_is_hidden():
    few = ANALYSIS.with_columns(pl.Series("stay_event", [*["death"] * 4, *[None] * 26]))
    assert _row(_sheet(PLAN, n_events=4, analysis=few))["effect"] == disclosure.HIDDEN
