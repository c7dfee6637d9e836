import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published_settings import DECLARED

from icpcohort import contracts
from icpcohort.cohort import monitoring_end
from icpcohort.contracts import store

WINDOWS = {"first_72_h": {"start_h": 0.0, "end_h": 72.0, "min_monitored_h": 12.0}}
FACTS = {
    "patient_id": pl.String(),
    "monitoring_start_h": pl.Float64(),
    "monitoring_end_h": pl.Float64(),
    "monitor_removed_h": pl.Float64(),
}
TIMES = ("death_h", "left_unit_h", "monitor_removed_h", "monitoring_end_h")


def _describe(people, windows=WINDOWS):
    """Describe people given by their times; whoever has an end began monitoring at 2 h."""
    rows = [{"patient_id": name} | times for name, times in people.items()]
    patients = pl.DataFrame(
        [{n: row.get(n) for n in contracts.patients(DECLARED).columns} for row in rows],
        schema={n: c.dtype for n, c in contracts.patients(DECLARED).columns.items()},
    )
    facts = pl.DataFrame(
        [
            {"monitoring_start_h": 2.0} | {n: row.get(n) for n in FACTS if n in row}
            for row in rows
        ],
        schema=FACTS,
    )
    ends = monitoring_end.describe(patients, facts, windows=windows, tolerance_h=6.0)
    store.check(ends, contracts.MONITORING_END, "ends")
    return ends


@pytest.mark.parametrize(
    ("times", "reason", "until_h", "event_h"),
    [
        ({"monitoring_end_h": 72.0}, "landmark_reached", 72.0, None),
        ({"monitoring_end_h": 90.0, "death_h": 90.0}, "landmark_reached", 72.0, None),
        ({"monitoring_end_h": 40.0, "death_h": 40.0}, "death", 40.0, 40.0),
        ({"monitoring_end_h": 40.0, "death_h": 46.0}, "death", 40.0, 46.0),
        ({"monitoring_end_h": 40.0, "death_h": 46.1}, "recording_ended", 40.0, None),
        ({"monitoring_end_h": 40.0, "left_unit_h": 41.0}, "left_unit", 40.0, 41.0),
        ({"monitoring_end_h": 40.0, "monitor_removed_h": 35.0}, "monitor_removed", 40.0, 35.0),
        (
            {"monitoring_end_h": 40.0, "monitor_removed_h": 40.0, "death_h": 44.0},
            "death",
            40.0,
            44.0,
        ),
        ({"monitoring_end_h": 40.0}, "unknown", 40.0, None),
        ({"monitoring_end_h": 40.0, "monitor_removed_h": 20.0}, "unknown", 40.0, None),
        ({"monitoring_end_h": None, "death_h": 10.0}, "never_monitored", None, None),
    ],
)
def test_the_nearest_event_in_order_explains_the_end(times, reason, until_h, event_h):
    row = _describe({"a": times}).row(0, named=True)
    assert (row["reason"], row["monitored_until_h"], row["event_h"]) == (
        reason,
        until_h,
        event_h,
    )


def test_a_recording_that_begins_after_the_window_is_none_of_it():
    early = {"first_h": {"start_h": 0.0, "end_h": 2.0, "min_monitored_h": 0.0}}
    row = _describe({"a": {"monitoring_end_h": 40.0}}, early).row(0, named=True)
    assert (row["reason"], row["monitored_until_h"]) == ("never_monitored", None)


def _outcomes(unfavourable):
    return pl.DataFrame(
        {
            "patient_id": pl.Series(list(unfavourable), dtype=pl.String()),
            "unfavourable": pl.Series(list(unfavourable.values()), dtype=pl.Boolean()),
        }
    )


def test_reasons_are_counted_by_outcome_with_their_denominator():
    ends = _describe(
        {
            "a": {"monitoring_end_h": 30.0, "death_h": 30.0},
            "b": {"monitoring_end_h": 50.0, "death_h": 50.0},
            "c": {"monitoring_end_h": 80.0},
            "d": {"monitoring_end_h": 80.0},
            "e": {"monitoring_end_h": 80.0},
        }
    )
    table = monitoring_end.by_outcome(
        ends,
        _outcomes({"a": True, "b": True, "c": True, "d": False, "e": None}),
        main_outcome="unfavourable",
    )
    store.check(table, contracts.MONITORING_END_BY_OUTCOME, "by outcome")
    counted = {(r["outcome"], r["reason"]): r for r in table.to_dicts()}
    dead = counted["unfavourable", "death"]
    assert (dead["n"], dead["n_group"], dead["percent"]) == (2, 3, pytest.approx(200 / 3))
    assert (dead["until_median_h"], dead["until_q1_h"], dead["until_q3_h"]) == (40, 35, 45)
    none = counted["favourable", "death"]
    assert (none["n"], none["n_group"], none["percent"], none["until_median_h"]) == (
        0,
        1,
        0,
        None,
    )
    assert counted["unknown", "landmark_reached"]["n"] == 1


_time = st.none() | st.floats(0, 200)


@given(st.lists(st.tuples(*[_time] * 4, st.none() | st.booleans()), max_size=15))
def test_every_patient_has_one_reason_and_the_counts_add_up(people):
    named = {
        f"p{i}": dict(zip(TIMES, times, strict=False)) for i, (*times, _) in enumerate(people)
    }
    ends = _describe(named)
    assert ends.height == len(people)
    assert set(ends["reason"]) <= set(monitoring_end.REASONS)
    table = monitoring_end.by_outcome(
        ends,
        _outcomes({f"p{i}": p[-1] for i, p in enumerate(people)}),
        main_outcome="unfavourable",
    )
    assert table["n"].sum() == len(people)
    for _, group in table.group_by("window", "outcome"):
        assert group["n"].sum() == group["n_group"][0]
        assert group["percent"].sum() == pytest.approx(100)
