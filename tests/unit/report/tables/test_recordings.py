import polars as pl

from icpcohort import contracts
from icpcohort.report.tables import cohort

ROW = {
    "window": "first_72_h",
    "outcome": "unfavourable",
    "reason": "left_unit",
    "n": 30,
    "n_group": 120,
    "percent": 25.0,
    "until_median_h": 61.5,
    "until_q1_h": 40.04,
    "until_q3_h": 70.0,
}
NOBODY = ROW | {
    "reason": "never_monitored",
    "n": 0,
    "percent": 0.0,
    "until_median_h": None,
    "until_q1_h": None,
    "until_q3_h": None,
}


def test_each_reason_stands_with_its_share_and_its_hours():
    schema = {n: c.dtype for n, c in contracts.MONITORING_END_BY_OUTCOME.columns.items()}
    grid = cohort.ends_of_monitoring(pl.DataFrame([NOBODY, ROW], schema=schema), n_left_out=0)
    assert grid.rows == [
        [
            "first 72 h",
            "unfavourable",
            "left unit",
            "30 (25.0 %)",
            "120",
            "61.5 (40.0 to 70.0)",
        ],
        ["first 72 h", "unfavourable", "never monitored", "0 (0.0 %)", "120", "–"],
    ]
    assert len(grid.head) == len(grid.rows[0])
