"""Which outcomes a family can have follows from the kinds of columns."""

import pytest
from published_settings import DECLARED

from icpcohort import contracts
from icpcohort.contracts.columns import Column
from icpcohort.study import families, plan_checks
from icpcohort.study.families import FAMILIES

COLUMNS = {
    "icu_days": Column(contracts.COUNT, "d", "Days in intensive care", role="outcome"),
    "mrs_3m": Column(contracts.COUNT, "{score}", "Rankin at 3 months", role="outcome"),
    "cost": Column(contracts.REAL, "1", "Cost of the stay", role="outcome"),
    "infected": Column(contracts.FLAG, "", "Infection", role="outcome"),
    "stay_h": Column(
        contracts.REAL, "h", "Time to the first event", role="outcome", kind="time"
    ),
    "stay_event": Column(contracts.TEXT, "", "First event", role="outcome", kind="event"),
    "odd_event": Column(
        contracts.TEXT, "", "An event without time", role="outcome", kind="event"
    ),
    "wfns": Column(contracts.COUNT, "{score}", "Grade at admission", role="covariate"),
}


@pytest.mark.parametrize(
    ("name", "outcomes"),
    [
        ("logistic", ("infected",)),
        ("gee", ("infected",)),
        ("proportional_odds", ("mrs_3m",)),
        ("linear", ("icu_days", "mrs_3m", "cost")),
        ("negative_binomial", ("icu_days",)),
        ("cause_specific_cox", ("stay",)),
        ("cox_time_dependent", ("stay",)),
        ("cox_landmark", ()),
    ],
)
def test_a_declared_outcome_is_offered_to_the_families_of_its_kind(name, outcomes):
    assert families.outcomes_of(FAMILIES[name], COLUMNS) == outcomes


def test_the_outcomes_of_the_shipped_dictionary_are_offered_by_their_kinds():
    columns = contracts.analysis(DECLARED).columns
    flags = ("unfavourable", "unfavourable_sliding", "dead", "dead_by_horizon")
    scores = ("gose_6m", "gose_6m_merged")
    offered = {name: families.outcomes_of(one, columns) for name, one in FAMILIES.items()}
    assert set(offered["logistic"]) == set(flags)
    assert set(offered["proportional_odds"]) == set(offered["linear"]) == set(scores)
    assert offered["cox_landmark"] == offered["cox_time_dependent"] == ("dead",)
    assert offered["negative_binomial"] == offered["cause_specific_cox"] == ()


@pytest.mark.parametrize(
    ("column", "kind"),
    [
        (Column(contracts.FLAG, "", "a"), "flag"),
        (Column(contracts.COUNT, "{score}", "a"), "score"),
        (Column(contracts.COUNT, "d", "a"), "count"),
        (Column(contracts.REAL, "h", "a"), "number"),
        (Column(contracts.TEXT, "", "a"), "category"),
        (Column(contracts.COUNT, "", "a", kind="score"), "score"),
        (Column(contracts.REAL, "h", "a", kind="time"), "time"),
    ],
)
def test_a_kind_is_stated_or_follows_from_type_and_unit(column, kind):
    assert families.kind_of(column) == kind


@pytest.mark.parametrize(
    ("name", "cure"),
    [
        (
            "negative_binomial",
            "the study has none of kind count; declare one in variables",
        ),
        (
            "cause_specific_cox",
            "the study has none of kind event; declare one in variables.yaml",
        ),
        ("linear", "write gose_6m or gose_6m_merged"),
    ],
)
def test_an_outcome_of_another_kind_is_named_with_what_fits(name, cure):
    block = {"family": name, "outcome": "unfavourable", "window": "w"}
    lines = plan_checks.contradictions(
        {"models": {"m": block}},
        declared=DECLARED,
        windows={"w": {}},
        burden_columns=None,
        file="models.yaml",
    )
    expected = (
        f"models.yaml, models.m.outcome: 'unfavourable' is no outcome of family {name}; {cure}"
    )
    assert any(line.startswith(expected) for line in lines), lines
