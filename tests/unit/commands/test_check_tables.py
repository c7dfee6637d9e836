"""Cross checks: what contradicts itself between tables and recordings, and what only may."""

import pytest

from icpcohort import recordings
from icpcohort.commands import check_tables
from icpcohort.commands.check_tables import Opened
from icpcohort.recordings import Description, Source
from icpcohort.study.tables import Row, Rows

KINDS = (
    "early",
    "overlap",
    "tiers",
    "dead",
    "gone",
    "monitor",
    "idle monitor",
    "idle event",
    "none",
)


def _row(table, number, **values):
    return Row(f"{table}.csv", number, values, {})


def _listed(number, patient_id="P1", start_h=0.0, path=None, **values):
    path = path or f"r{number}.csv"
    usual = {"recording_id": f"R{number}", "patient_id": patient_id, "path": path}
    usual |= {"format": "csv", "start_s": 3600 * start_h}
    return _row("recordings", number, **usual | values)


def _opened(row, hours=10.0, tier="minutes", channel="ICP"):
    icp = Source(channel, "mmHg", 1 / 60, "mmHg")
    about = Description("csv", tier, 3600 * hours, {"icp": icp})
    return Opened(row, about)


def _tables(recordings, patients=("P1",), **others):
    rows = [_row("patients", 2 + i, patient_id=p) for i, p in enumerate(patients)]
    tables = {"patients": rows, "recordings": recordings} | others
    return {name: Rows([], table) for name, table in tables.items()}


def _noted(opened, time_zero="injury", listed=None, **tables):
    """Return the notes by kind, the kinds without any left out."""
    listed = listed or [one.row for one in opened]
    suspicions = check_tables.suspicions(_tables(listed, **tables), opened, time_zero=time_zero)
    return {kind: lines for kind, lines in zip(KINDS, suspicions, strict=True) if lines}


# --- surely wrong ---


def test_nothing_is_recorded_before_an_injury_but_before_another_time_zero_it_may_be(tmp_path):
    row = _listed(2, start_h=-1)
    words = "recordings.csv row 2 (R2 of P1), start_s: -3600 is before "
    problems = check_tables.contradictions(
        _tables([row]), places=recordings.Places(tmp_path), time_zero="injury"
    )
    assert [line.startswith(f"{words}the injury") for line in problems] == [True]
    assert "early" not in _noted([_opened(row)], time_zero="injury")
    for time_zero in ("admission", None):
        otherwise = check_tables.contradictions(
            _tables([row]), places=recordings.Places(tmp_path), time_zero=time_zero
        )
        assert otherwise == []
    (line,) = _noted([_opened(row)], time_zero="admission")["early"]
    assert line == f"{words}time zero (admission); correct it, or leave it so"


@pytest.mark.parametrize(("start_h", "is_told"), [(20.0, False), (20.01, True)])
def test_no_recording_starts_after_death(tmp_path, start_h, is_told):
    tables = _tables([_listed(2, start_h=start_h)])
    tables["patients"].rows[0].values["death_h"] = 20.0
    problems = check_tables.contradictions(
        tables, places=recordings.Places(tmp_path), time_zero="injury"
    )
    assert ["is after the death at 20 h" in line for line in problems] == [True] * is_told


def _copies(folder, rows):
    return [
        line.split(",")[0].removeprefix("recordings.csv row ")
        for line in check_tables.contradictions(
            _tables(rows), places=recordings.Places(folder), time_zero="injury"
        )
    ]


def test_the_same_bytes_under_two_names_are_found(tmp_path, monkeypatch):
    monkeypatch.setattr(check_tables, "FIRST_BYTES", 4)
    for number, text in ((2, "abcdefgh"), (3, "abcdefgh"), (4, "abcdefgX"), (5, "Xbcdefgh")):
        (tmp_path / f"r{number}.csv").write_text(text)
    rows = [_listed(number) for number in (2, 3, 4, 5, 6)]  # r6 is not there
    assert _copies(tmp_path, rows) == ["3 (R3 of P1)"]


def test_one_file_listed_for_two_channels_is_no_copy_and_a_link_to_it_is_none(tmp_path):
    (tmp_path / "r2.csv").write_text("abc")
    (tmp_path / "r4.csv").symlink_to(tmp_path / "r2.csv")
    rows = [_listed(2), _listed(3, path="r2.csv", icp_channel="ICP2"), _listed(4)]
    assert _copies(tmp_path, rows) == []
    (tmp_path / "r5.csv").write_text("abc")
    assert _copies(tmp_path, [*rows, _listed(5)]) == ["5 (R5 of P1)"]


def test_files_of_different_sizes_are_not_opened(tmp_path, monkeypatch):
    monkeypatch.setattr(check_tables, "_beginnings", lambda files: pytest.fail("opened"))
    for number in (2, 3):
        (tmp_path / f"r{number}.csv").write_text("a" * number)
    assert _copies(tmp_path, [_listed(2), _listed(3)]) == []


def test_a_wfdb_record_is_a_copy_by_its_samples_since_its_header_bears_its_name(tmp_path):
    for number in (2, 3):
        lines = f"r{number} 1 1 4\nr{number}.dat 16 10(0)/mmHg 16 0 0 0 0 ICP\n"
        (tmp_path / f"r{number}.hea").write_text(lines)
        (tmp_path / f"r{number}.dat").write_bytes(b"12345678")
    rows = [_listed(n, path=f"r{n}.hea", format="wfdb") for n in (2, 3)]
    assert _copies(tmp_path, rows) == ["3 (R3 of P1)"]


def test_empty_and_unreadable_files_are_no_copies(tmp_path):
    (tmp_path / "r2.csv").touch()
    (tmp_path / "r3.csv").touch()
    (tmp_path / "r4.csv").mkdir()
    assert _copies(tmp_path, [_listed(2), _listed(3), _listed(4)]) == []


# --- suspicious ---


def test_recordings_that_touch_do_not_overlap_and_others_of_a_patient_are_told():
    touching = [_opened(_listed(2)), _opened(_listed(3, start_h=10))]
    assert _noted(touching) == {}
    overlapping = [*touching, _opened(_listed(4, start_h=8))]
    assert [line.split(";")[0] for line in _noted(overlapping)["overlap"]] == [
        "recordings.csv row 2 (R2 of P1): overlaps with recordings.csv row 4 (R4 of P1) for "
        "2.0 h",
        "recordings.csv row 4 (R4 of P1): overlaps with recordings.csv row 3 (R3 of P1) for "
        "8.0 h",
    ]
    apart = [_opened(_listed(2)), _opened(_listed(3, "P2"))]
    assert _noted(apart, patients=("P1", "P2")) == {}


def test_a_repeated_row_is_no_overlap_but_two_channels_of_a_file_are():
    rows = [_listed(2), _listed(3, path="r2.csv")]
    assert _noted([_opened(row) for row in rows]) == {}
    noted = _noted([_opened(rows[0]), _opened(rows[1], channel="ICP2")])
    assert list(noted) == ["overlap"]


def test_a_recording_of_another_tier_than_its_neighbours_is_told():
    rows = [_listed(2), _listed(3, start_h=10), _listed(4, start_h=20)]
    tiers = ("minutes", "waveform", "minutes")
    noted = _noted([_opened(row, tier=tier) for row, tier in zip(rows, tiers, strict=True)])
    assert noted == {
        "tiers": [
            "recordings.csv: the recordings of P1 are of different tiers (2 minutes from row 2 "
            "on, 1 waveform from row 3 on); look at the exports, or leave it so if both are "
            "meant"
        ]
    }


@pytest.mark.parametrize(("death_h", "is_told"), [(9.0, False), (8.9, True), (-1.0, False)])
def test_a_recording_may_go_on_for_an_hour_after_death(death_h, is_told):
    """After death from its start on, it is a contradiction instead."""
    row = _listed(2)
    patients = [_row("patients", 2, patient_id="P1", death_h=death_h)]
    suspicions = check_tables.suspicions(
        _tables([row]) | {"patients": Rows([], patients)}, [_opened(row)], time_zero="injury"
    )
    assert len(suspicions[KINDS.index("dead")]) == is_told


@pytest.mark.parametrize(("start_h", "is_told"), [(21.0, False), (21.1, True)])
def test_a_recording_that_begins_after_the_patient_left_is_told(start_h, is_told):
    """As one whose clock nobody knows does; within an hour times may be rough."""
    row = _listed(2, start_h=start_h)
    patients = [_row("patients", 2, patient_id="P1", left_unit_h=20.0)]
    suspicions = check_tables.suspicions(
        _tables([row]) | {"patients": Rows([], patients)}, [_opened(row)], time_zero="injury"
    )
    lines = suspicions[KINDS.index("gone")]
    assert ["after the patient left the unit at 20 h" in line for line in lines] == [
        True
    ] * is_told


def _monitor(number, insertion_h, removal_h, patient_id="P1"):
    usual = {"monitor_id": f"M{number}", "patient_id": patient_id}
    return _row("monitors", number, **usual, insertion_h=insertion_h, removal_h=removal_h)


@pytest.mark.parametrize(
    ("monitors", "bare"),
    [
        ([(-1, 12)], None),
        ([(None, None)], None),
        ([(0.9, 10)], None),
        ([(-1, 5), (5, 12)], None),
        ([(6, 12), (-1, 6)], None),
        ([(2, 12)], "0.0 to 2.0 h"),
        ([(None, 7)], "7.0 to 10.0 h"),
        ([(1, 4), (6, 7), (6.5, 9)], "0.0 to 1.0 h, 4.0 to 6.0 h, 9.0 to 10.0 h"),
        ([(2, 8), (3, 4)], "0.0 to 2.0 h, 8.0 to 10.0 h"),
    ],
)
def test_hours_recorded_without_a_monitor_in_place_are_told(monitors, bare):
    rows = [_monitor(i, *hours) for i, hours in enumerate(monitors)]
    noted = _noted([_opened(_listed(2))], monitors=rows).get("monitor", [])
    assert [line.split(": ")[1].split(" by ")[0] for line in noted] == (
        [f"no monitor is in place from {bare}"] if bare else []
    )


def test_a_patient_without_a_monitor_is_told_only_where_monitors_are_logged():
    opened = [_opened(_listed(2))]
    assert _noted(opened, monitors=[]) == {}
    noted = _noted(opened, patients=("P1", "P2"), monitors=[_monitor(1, 0, 9, "P2")])
    assert "monitors.csv has no monitor of this patient" in noted["monitor"][0]


@pytest.mark.parametrize(
    ("start_s", "end_s", "where"),
    [
        (0, 100, None),
        (-100, 0, None),
        (36000, None, None),
        (-100, None, None),
        (-7200, -3600, "-2.0 to -1.0 h"),
        (72000, None, "20.0 h on"),
    ],
)
def test_an_event_outside_every_recording_is_told(start_s, end_s, where):
    event = _row("events", 2, patient_id="P1", event="rezero", start_s=start_s, end_s=end_s)
    noted = _noted([_opened(_listed(2))], events=[event]).get("idle event", [])
    assert [line.split(" since")[0] for line in noted] == (
        [f"events.csv row 2 (rezero of P1): {where}"] if where else []
    )


def test_a_monitor_outside_every_recording_is_told():
    noted = _noted([_opened(_listed(2))], monitors=[_monitor(1, 0, 10), _monitor(2, 50, 60)])
    assert [line.split(";")[0] for line in noted["idle monitor"]] == [
        "monitors.csv row 2 (M2 of P1): 50.0 to 60.0 h since time zero is outside every "
        "recording of this patient (0.0 to 10.0 h)"
    ]


def test_of_many_recordings_only_the_first_and_last_hour_are_told():
    opened = [_opened(_listed(2 + i, start_h=10 * i)) for i in range(4)]
    (line,) = _noted(opened, monitors=[_monitor(1, 0, 40), _monitor(2, 50, 60)])["idle monitor"]
    assert "recording of this patient (0.0 to 40.0 h); look at" in line


def test_where_a_recording_could_not_be_opened_nothing_is_called_outside():
    event = _row("events", 2, patient_id="P1", event="rezero", start_s=72000, end_s=None)
    listed = [_listed(2), _listed(3, start_h=19)]
    assert _noted([_opened(listed[0])], listed=listed, events=[event]) == {}


def test_of_a_patient_who_is_not_in_the_table_of_patients_nothing_more_is_said():
    opened = [_opened(_listed(2, "P9")), _opened(_listed(3, "P9"))]
    assert list(_noted(opened, monitors=[_monitor(1, 0, 9)])) == ["none"]


def test_a_patient_without_a_recording_is_told_unless_a_row_does_not_say_whose_it_is():
    opened = [_opened(_listed(2))]
    (line,) = _noted(opened, patients=("P1", "P2"))["none"]
    assert line.startswith("patients.csv row 3 (P2): recordings.csv has no row of this patient")
    unknown = _row("recordings", 3, recording_id="R3")
    listed = [opened[0].row, unknown]
    assert _noted(opened, listed=listed, patients=("P1", "P2")) == {}
