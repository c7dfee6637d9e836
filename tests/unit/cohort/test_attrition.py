import polars as pl
import pytest

from icpcohort.cohort import attrition

ROWS = pl.DataFrame({"age_years": [12.0, None, 40.0]})


def test_both_halves_add_up_and_the_dropped_say_why():
    halves = attrition.split(
        ROWS, drop_when=(pl.col("age_years") < 16).fill_null(False), reason="under_age"
    )
    assert halves.kept["age_years"].to_list() == [None, 40.0]
    assert halves.dropped.to_dicts() == [{"age_years": 12.0, "reason": "under_age"}]


def test_a_test_that_does_not_know_is_refused():
    with pytest.raises(ValueError, match="null in 1 of 3 rows"):
        attrition.split(ROWS, drop_when=pl.col("age_years") < 16, reason="under_age")
