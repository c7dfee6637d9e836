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
            "recording_id": recording.split("+")[0],
            "abp_recording_id": recording.split("+")[-1],
            "t_s": t_s,
            "lag_s": lag_s,
            "correlation": 0.9,
            "correlation_elsewhere": 0.3,
            "is_clear": is_clear,
            "corrected_s": (corrected_s or [None])[0],
        }
        for patient, recording, t_s, lag_s, is_clear, *corrected_s in parts
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
        ["b", "P1", "\u22124.5", "\u2013", "2 of 2", "\u2013"],
        ["d", "P3", "13.0", "0.96", "3 of 3", "\u2013"],
    ]
    sentence = recordings.out_of_step(lags)
    assert sentence.startswith("In 2 of 2 patients with a clear heart rate")
    assert sentence.endswith("towards zero; nothing was corrected.")
    assert "zero. Nothing was corrected." in recordings.lags(lags).note


def test_a_pair_of_recordings_and_what_was_corrected_are_told():
    lags = _lags(
        ("P1", "a", 300.0, 0.1, True),
        ("P1", "b+c", 300.0, 7.0, True, 7.1),
        ("P1", "b+c", 900.0, 7.2, True, 7.1),
    )
    assert recordings.lags_of_each(lags).rows == [
        ["b, ABP of c", "P1", "7.1", "\u2013", "2 of 2", "7.1"]
    ]
    note = recordings.lags(lags).note
    assert "A constant lag was taken from the times of ICP in 1 of 2." in note
    assert "1 of them are pairs: ICP of one recording and ABP of another" in note
    assert recordings.out_of_step(lags).endswith("from the times of ICP in 1 of 1.")


def test_without_a_lag_there_is_no_table_and_no_sentence():
    assert recordings.lags(_lags()).rows == recordings.lags_of_each(_lags()).rows == []
    assert recordings.out_of_step(_lags(("P1", "a", 300.0, 0.9, True))) == ""


def _suspects(*rows):
    """Return contracts.SUSPECTS of (patient, recording, kind)."""
    schema = {name: column.dtype for name, column in contracts.SUSPECTS.columns.items()}
    same = {"signal": "icp", "from_s": 0.0, "to_s": 9000.0, "seen": "x", "look_at": "y"}
    names = ("patient_id", "recording_id", "kind")
    return pl.DataFrame([dict(zip(names, r, strict=True)) | same for r in rows], schema=schema)


def test_recordings_that_are_hard_to_believe_are_counted_named_and_told():
    table = _suspects(
        ("P2", "c", "unit"), ("P1", "a", "unit"), ("P1", "b", "no_pulse"), ("P1", "", "drift")
    )
    assert recordings.suspects(table).rows == [
        ["drift", "0", "1"],
        ["no pulse", "1", "1"],
        ["unit", "2", "2"],
    ]
    assert recordings.suspects_of_each(table).rows[0] == [
        *("whole patient", "P1", "drift", "0.0 to 2.5", "x", "y")
    ]
    words = recordings.hard_to_believe(table, n_patients=120)
    assert words.startswith("2 of 120 patients have a recording that cannot be right")
    assert recordings.hard_to_believe(_suspects(), n_patients=120) == ""
    assert recordings.suspects(_suspects()).rows == []


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
