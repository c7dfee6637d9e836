import polars as pl
import pytest
from published_settings import DECLARED

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.exposures import burden_settings, daily_burden

THRESHOLDS = {"icp": {"above": [20.0]}, "cpp": {"below": [60.0]}}
ASKED = DECLARED | {"burden": {"thresholds": THRESHOLDS}}
HOW = {"integration": "rectangle", "inequality": "strict", "episode_min": 5, "merge_gap_min": 1}
RULES = burden_settings.Rules(thresholds=THRESHOLDS, **HOW)
DOSE = "icp_above_20_dose_mmhg_h"


def minutes(levels):
    """Return minutes of a patient: the ICP of each hour."""
    rows = [
        (patient, 60.0 * (60 * hour + minute + 1), icp)
        for patient, hours in levels.items()
        for hour, icp in enumerate(hours)
        for minute in range(60)
    ]
    made = pl.DataFrame(rows, schema=["patient_id", "t_s", "icp_mmhg"], orient="row")
    return made.with_columns(
        cpp_mmhg=80.0 - pl.col("icp_mmhg"),
        **{
            name: pl.lit(None, column.dtype)
            for name, column in contracts.minutes(ASKED).columns.items()
            if name not in ("t_s", "icp_mmhg", "cpp_mmhg")
        },
    )


LEVELS = {"a": [25.0] * 24 + [10.0] * 24 + [30.0] * 2, "b": [22.0] * 10}


def test_each_day_has_the_dose_since_time_zero_by_hand():
    made = daily_burden.day_by_day(minutes(LEVELS), rules=RULES, declared=ASKED)
    store.check(made, contracts.updates(ASKED), "updates")
    rows = made.select("patient_id", "until_h", DOSE).rows()
    assert [row[:2] for row in rows] == [("a", 24.0), ("a", 48.0), ("a", 72.0), ("b", 24.0)]
    assert [row[2] for row in rows] == pytest.approx([120.0, 120.0, 140.0, 20.0])


def test_the_future_changes_no_day_before_it():
    changed = LEVELS | {"a": [25.0] * 24 + [10.0] * 24 + [90.0] * 2}
    made, other = (
        daily_burden.day_by_day(minutes(levels), rules=RULES, declared=ASKED)
        for levels in (LEVELS, changed)
    )
    past = pl.col("until_h") <= 48
    assert made.filter(past).equals(other.filter(past))
    assert not made.equals(other)


def test_without_minutes_there_is_no_day():
    assert (
        daily_burden.day_by_day(minutes(LEVELS).clear(), rules=RULES, declared=ASKED).height
        == 0
    )
