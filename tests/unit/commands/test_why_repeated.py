"""What `why` says of a summary of repeated values: made again, and the values behind it."""

import polars as pl
import pytest

from icpcohort import contracts
from icpcohort.commands.why import number
from icpcohort.commands.why.results import NotOfOneRun, Results
from icpcohort.contracts import store
from icpcohort.exposures import repeated_summary

ENTRY = {
    "label": "Therapy intensity",
    "kind": "count",
    "summaries": ["mean", "share"],
    "share_from": 10,
}
WINDOWS = {"day": {"start_h": 0.0, "end_h": 24.0, "min_monitored_h": 6.0}}
SETTINGS = {
    "variables": {},
    "outcomes": {},
    "repeated": {"til": ENTRY},
    "burden": {"icp_above_mmhg": [], "cpp_below_mmhg": []},
    "windows": WINDOWS,
    "study": {"repeated": "therapy.csv"},
}


def _lines(folder, *, column, changed_by=0.0):
    values = pl.DataFrame(
        [("p1", "til", 0.0, None, 4.0), ("p1", "til", 6.0, 12.0, 12.0)],
        store.empty(contracts.REPEATED_VALUES).schema,
        orient="row",
    )
    made = repeated_summary.summarise(values, windows=WINDOWS, declared=SETTINGS)
    held = made.with_columns(til_mean=pl.col("til_mean") + changed_by)
    store.write(values, contracts.REPEATED_VALUES, folder / "repeated_values.parquet")
    contract = contracts.repeated_summary(SETTINGS)
    store.write(held, contract, folder / "repeated_summary.parquet")
    tables = {"analysis": made}
    codes = {"repeated_values": "aaaa", "repeated_summary": "bbbb"}
    results = Results(folder, SETTINGS, {}, tables, {}, codes)
    return list(number.lines(number.Asked("p1", column, "day"), results))


def test_a_summary_is_made_again_and_its_values_are_listed(tmp_path):
    assert _lines(tmp_path, column="til_mean") == [
        "til_mean of p1 in day: 8.0\n  Therapy intensity: mean over time in the window",
        "  made again from the repeated values, and the same in the tables",
        "Values of til in therapy.csv from before the window's end: 2",
        "  from 0 h to the next: 4",
        "  from 6 h to 12 h: 12",
        "Settings: repeated.til.share_from 10",
        "Code: repeated_values aaaa, repeated_summary bbbb",
    ]


def test_a_summary_that_is_another_in_the_table_is_no_answer(tmp_path):
    with pytest.raises(NotOfOneRun, match=r"made again it is 8\.0, and the table has 9\.0"):
        _lines(tmp_path, column="til_mean", changed_by=1.0)
