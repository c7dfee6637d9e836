import polars as pl

from icpcohort import contracts
from icpcohort.report.tables import cohort, recordings

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


def _lags(*parts):
    """Return contracts.LAGS of (patient, recording, t_s, lag_s, is_clear)."""
    rows = [
        {
            "patient_id": patient,
            "recording_id": recording,
            "t_s": t_s,
            "lag_s": lag_s,
            "correlation": 0.9,
            "correlation_elsewhere": 0.3,
            "is_clear": is_clear,
        }
        for patient, recording, t_s, lag_s, is_clear in parts
    ]
    schema = {name: column.dtype for name, column in contracts.LAGS.columns.items()}
    return pl.DataFrame(rows, schema=schema)


def test_recordings_out_of_step_are_counted_named_and_told():
    lags = _lags(
        ("P1", "a", 300.0, 0.1, True),
        ("P1", "b", 300.0, -4.0, True),
        ("P1", "b", 900.0, -5.0, True),
        ("P2", "c", 300.0, 30.0, False),
        ("P3", "d", 300.0, 12.0, True),
        ("P3", "d", 4200.0, 13.0, True),
        ("P3", "d", 7800.0, 14.0, True),
    )
    assert recordings.lags(lags).rows == [
        ["lag not clear", "1", "1", "1"],
        ["within 1 s", "1", "1", "1"],
        ["1 to 10 s", "1", "1", "2"],
        ["over 10 s", "1", "1", "3"],
    ]
    assert recordings.lags_of_each(lags).rows == [
        ["b", "P1", "\u22124.5", "\u2013", "2 of 2"],
        ["d", "P3", "13.0", "0.96", "3 of 3"],
    ]
    assert recordings.out_of_step(lags).startswith("In 2 of 2 patients with a clear heart rate")


def test_without_a_lag_there_is_no_table_and_no_sentence():
    assert recordings.lags(_lags()).rows == recordings.lags_of_each(_lags()).rows == []
    assert recordings.out_of_step(_lags(("P1", "a", 300.0, 0.9, True))) == ""


def test_recordings_that_are_scaled_to_themselves_are_told():
    frame = pl.DataFrame({"own_scale": ["icp", None, "icp, abp", None]})
    labels = {"icp": "ICP", "abp": "ABP"}
    assert "(ICP in 2, ABP in 1)" in recordings.own_scales(frame, labels=labels)
    assert (
        recordings.own_scales(frame.filter(pl.col("own_scale").is_null()), labels=labels) == ""
    )
    assert recordings.own_scales(frame.clear(), labels=labels) == ""


def test_noted_openings_of_a_drain_are_compared_with_the_signal():
    rows = [
        ("P1", "drain_open", 0.0, 3600.0),
        ("P1", "drain_open", 1800.0, 3600.0),  # noted twice, counted in hours once
        ("P1", "drain_by_signal", 1800.0, 5400.0),
        ("P2", "drain_open", 1800.0, 5400.0),
    ]
    table = pl.DataFrame(rows, schema=["patient_id", "event", "start_s", "end_s"], orient="row")
    note = recordings.events(table, without_effect=[]).note
    assert note.endswith(
        "Of 1.0 h in which a waveform of ICP looks as with an open drain, 0.5 h lie in noted"
        " openings; of 3 noted openings 2 look so."
    )
    assert "drain, " not in recordings.events(table.head(1), without_effect=[]).note
