"""Calendar times: dates and times of day in the study's tables, as time since time zero."""

import copy
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from published_settings import DECLARED

from icpcohort.study import calendar_times, date_texts
from icpcohort.study import tables as study
from icpcohort.study.table_problems import Fault

ZONES = (
    *("Europe/Vienna", "Europe/London", "Europe/Lisbon", "Europe/Helsinki"),
    *("America/New_York", "America/Sao_Paulo", "Australia/Lord_Howe", "Asia/Tehran"),
    *("Africa/Casablanca", "Europe/Moscow"),
)
YEARS = (2005, 2025)  # the first, and the one after the last
PATIENTS = "patient_id,gose_6m,death_h,left_unit_h,INJURY_TIME\n"
OTHERS = {
    "recordings": "recording_id,patient_id,path,format,start_s\nR1,P1,r1.csv,csv,7200\n",
    "monitors": "monitor_id,patient_id,kind,insertion_h\n",
    "events": "patient_id,event,start_s,end_s\n",
}
CALENDAR = {"time_zero": "INJURY_TIME", "zone": "Europe/Vienna"}


def _settings(folder, patients, *, calendar=CALENDAR, **others):
    for name, text in {"patients": PATIENTS + patients, **OTHERS, **others}.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    nothing = {name: {} for name in study.TABLES}
    files = {name: f"{name}.csv" for name in study.TABLES}
    of_study = {"folder": str(folder), "columns": nothing, "codings": nothing, **files}
    of_study |= {"calendar": calendar} if calendar is not None else {}
    declared = {name: copy.deepcopy(DECLARED[name]) for name in ("variables", "outcomes")}
    return {"study": of_study, "cohort": {"main_outcome": "unfavourable"}} | declared


def _read(folder, *args, **others):
    return study.read_study(_settings(folder, *args, **others))


def _problems(folder, *args, **others):
    return study.read_rows(_settings(folder, *args, **others))[1]


def _instant(text, zone):
    moment = date_texts.read(text, order=None)
    return calendar_times.instant_of(moment, zone)


# --- clocks ----------------------------------------------------------------------------------


def _changes(zone):
    """Return when the clocks of a zone changed, found day by day and then to the minute."""
    at, end = datetime(YEARS[0], 1, 1, tzinfo=UTC), datetime(YEARS[1], 1, 1, tzinfo=UTC)
    changes = []
    while at < end:
        low, high = at, at + timedelta(days=1)
        if low.astimezone(zone).utcoffset() != high.astimezone(zone).utcoffset():
            while high - low > timedelta(minutes=1):
                middle = low + (high - low) / 2
                same = middle.astimezone(zone).utcoffset() == low.astimezone(zone).utcoffset()
                low, high = (middle, high) if same else (low, middle)
            changes.append(high.replace(second=0, microsecond=0))
        at += timedelta(days=1)
    return changes


@pytest.mark.parametrize("name", ZONES)
def test_around_every_change_of_the_clocks_the_instant_is_found_or_refused(name):
    """Against zoneinfo by another route: instants in UTC, shown by local clocks, read back."""
    zone, step = ZoneInfo(name), timedelta(minutes=15)
    changes = _changes(zone)
    assert len(changes) >= 8
    n_twice = n_skipped = 0
    for change in changes:
        instants = [change + i * step for i in range(-16, 17)]
        local = [at.astimezone(zone).replace(tzinfo=None) for at in instants]
        shown = Counter(local)
        for at, clock in zip(instants, local):
            found = _instant(clock.isoformat(sep=" "), zone)
            if shown[clock] == 2:
                assert isinstance(found, Fault) and "twice" in found.words
                n_twice += 1
            else:
                assert found == at
            offset = at.astimezone(zone).isoformat()
            assert _instant(offset, zone) == at
        clock = min(local)
        while clock < max(local):
            if clock not in shown:
                found = _instant(clock.isoformat(), zone)
                assert isinstance(found, Fault) and "skip" in found.words
                n_skipped += 1
            clock += step
    assert n_twice and n_skipped


def test_a_stay_over_the_change_of_the_clocks_has_its_true_length(tmp_path):
    """31 March 2024 in Vienna has 23 hours."""
    row = "P1,,,2024-04-01 00:00,2024-03-31 00:00\n"
    assert _read(tmp_path, row).patients["left_unit_h"].to_list() == [23.0]
    for zone, hours in (("none", 24.0), ("+01:00", 24.0), ("UTC", 24.0)):
        read = _read(tmp_path, row, calendar=CALENDAR | {"zone": zone})
        assert read.patients["left_unit_h"].to_list() == [hours]


def test_a_time_that_no_clock_or_two_showed_is_refused_and_its_offset_cures_it(tmp_path):
    rows = "P1,,,2024-03-31 02:30,2024-03-01 00:00\nP2,,,2024-10-27 02:30,2024-10-01 00:00\n"
    first, second = _problems(tmp_path, rows)
    cure = "; write it with its offset from UTC, such as +01:00 after it"
    where = "patients.csv row 2, left_unit_h: clocks in Europe/Vienna"
    assert first == f"{where} skip this time{cure}"
    assert second == f"{where.replace('2', '3')} show this time twice{cure}"
    cured = rows.replace("02:30", "02:30+01:00")
    hours = _read(tmp_path, cured).patients["left_unit_h"].to_list()
    assert hours == [30 * 24 + 2.5, 26 * 24 + 3.5]


# --- how dates are written -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "hours"),
    [
        ("2024-03-02 10:30", 24.5),
        ("2024-03-02T10:30", 24.5),
        ("2024-03-02T10:30:00+01:00", 24.5),
        ("2024-03-02T09:30:00Z", 24.5),
        ("2024/03/02 10:30:36", 24.51),
        ("2024-03-02 10:30:36.000", 24.51),
        ("02.03.2024 10:30:36,000", 24.51),
        ("2.3.2024 10:30", 24.5),
        ("2.3.2024 10:30 PM", 36.5),
        ("2.3.2024 12:30 am", 14.5),
        ("2.3.2024 12:30 p.m.", 26.5),
    ],
)
def test_a_date_with_a_time_of_day_is_counted_from_time_zero(tmp_path, text, hours):
    row = f'P1,,,"{text}",2024-03-01 10:00\n'
    assert _read(tmp_path, row).patients["left_unit_h"].to_list() == [pytest.approx(hours)]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2024-03-02", "a day without a time of day; write for example 2024-03-01 10:00"),
        ("02.03.24 10:00", "a year of two digits; write all four"),
        ("2024-02-30 10:00", "no clock shows this day and time; correct it"),
        ("2024-03-02 24:00", "no clock shows this day and time; correct it"),
        ("2024-03-02 13:00 PM", "no clock shows this day and time; correct it"),
        ("2024-03-02 10:00+19:00", "no clock shows this day and time; correct it"),
        ("2024-03-02 at ten", "the time of day cannot be read; write for example 2024-03-01"),
        ("2024-02-29 10:00", "-24 h from time zero, and 0 to 100000 h can be; correct"),
    ],
)
def test_a_date_that_cannot_be_counted_is_refused_and_not_shown(tmp_path, text, words):
    (line,) = _problems(tmp_path, f'P1,,,"{text}",2024-03-01 10:00\n')
    assert line.startswith(f"patients.csv row 2, left_unit_h: {words}")
    assert text not in line


def test_every_table_counts_from_the_time_zero_of_its_patient(tmp_path):
    read = _read(
        tmp_path,
        "P1,,2024-03-05 10:00,,2024-03-01 10:00\nP2,,,7.5,2024-06-01 00:00\n".replace(
            "7.5", ""
        ),
        recordings="recording_id,patient_id,path,format,start_s\n"
        "R1,P1,r1.csv,csv,2024-03-01 12:00:01.5\nR2,P2,r2.csv,csv,2024-05-31 23:59\n",
        monitors="monitor_id,patient_id,kind,insertion_h,removal_h\n"
        "M1,P2,pneumatic,2024-06-01 06:00,2024-06-02 06:00\n",
        events="patient_id,event,start_s,end_s\nP1,rezero,2024-03-01 10:01,\n",
    )
    assert read.patients["death_h"].to_list() == [96.0, None]
    assert read.recordings["start_s"].to_list() == [7201.5, -60.0]
    assert read.monitors.select("insertion_h", "removal_h").rows() == [(6.0, 30.0)]
    assert read.events.select("start_s", "end_s").rows() == [(60.0, None)]
    everything = [*read.patients.rows(), *read.recordings.rows(), *read.recodings.rows()]
    assert "2024" not in str(everything) and "INJURY" not in str(read.patients.columns)


def test_times_of_a_parquet_table_are_counted_too(tmp_path):
    settings = _settings(tmp_path, "P1,,,,2024-03-01 10:00\n")
    starts = pa.array([datetime(2024, 3, 1, 11)], pa.timestamp("us"))
    columns = {"patient_id": ["P1"], "event": ["rezero"], "start_s": starts}
    pq.write_table(pa.table(columns), tmp_path / "events.parquet")
    settings["study"]["events"] = "events.parquet"
    assert study.read_study(settings).events["start_s"].to_list() == [3600.0]


# --- day and month ---------------------------------------------------------------------------


def _slashed(*days):
    return "".join(f"P{i},,,{day} 10:00,2024-02-01 10:00\n" for i, day in enumerate(days, 1))


def test_one_date_that_fits_one_order_alone_decides_for_its_column(tmp_path):
    read = _read(tmp_path, _slashed("02/03/2024", "13/03/2024"))
    assert read.patients["left_unit_h"].to_list() == [30 * 24, 41 * 24]
    read = _read(tmp_path, _slashed("02/03/2024", "02/13/2024"))
    assert read.patients["left_unit_h"].to_list() == [2 * 24, 12 * 24]


def test_where_every_date_fits_both_orders_the_study_says_which(tmp_path):
    rows = _slashed("03/02/2024", "05-02-2024")
    assert _problems(tmp_path, rows) == [
        "patients.csv, left_unit_h: every date fits with the day first and with the month "
        "first (row 2, for one); write in config.yaml under study.calendar the line "
        "`day_order: day_first` or `day_order: month_first`, whichever is right"
    ]
    for order, hours in (("day_first", [48, 96]), ("month_first", [30 * 24, 91 * 24 - 1])):
        read = _read(tmp_path, rows, calendar=CALENDAR | {"day_order": order})
        assert read.patients["left_unit_h"].to_list() == hours


def test_dates_of_both_orders_in_one_column_are_refused(tmp_path):
    (line,) = _problems(tmp_path, _slashed("13/03/2024", "03/13/2024"))
    assert "left_unit_h: row 2 can only have the day first, row 3 only the month" in line


# --- what is one problem ---------------------------------------------------------------------


def test_dates_without_a_calendar_are_one_problem_of_the_table_with_the_line_to_write(tmp_path):
    rows = "".join(f"P{i},,,2024-03-02 10:00,2024-03-01 10:00\n" for i in range(1, 30))
    events = "patient_id,event,start_s\nP1,rezero,2024-03-02 10:00\nP2,rezero,5\n"
    problems = _problems(tmp_path, rows, calendar=None, events=events)
    line = "`calendar: {time_zero: INJURY_TIME, zone: YOUR_TIME_ZONE}`"
    assert problems == [
        f"{file}.csv: dates in {column}, and times count from time zero; write in config.yaml "
        f"under study the line {line}"
        for file, column in (("patients", "left_unit_h"), ("events", "start_s"))
    ]


def test_a_column_of_dates_that_is_named_for_a_missing_one_needs_the_calendar_too(tmp_path):
    settings = _settings(tmp_path, "", calendar=None)
    text = "patient_id,gose_6m,death,left_unit_h\nP1,,2024-03-02 10:00,\n"
    (tmp_path / "patients.csv").write_text(text)
    (line,) = study.read_rows(settings)[1]
    assert "the line `death_h: death`, and since death holds dates, under study the" in line


def test_numbers_and_dates_in_one_column_are_one_problem(tmp_path):
    rows = "P1,,,2024-03-02 10:00,2024-03-01 10:00\nP2,,,24,2024-03-01 10:00\n"
    assert _problems(tmp_path, rows) == [
        "patients.csv, left_unit_h: numbers (row 3; 1 of 2) and dates (row 2) in one column; "
        "write one of them throughout"
    ]


def test_numbers_still_count_from_time_zero_beside_a_calendar(tmp_path):
    assert _read(tmp_path, "P1,,,24.5,\n").patients["left_unit_h"].to_list() == [24.5]


def test_patients_without_a_time_zero_are_one_problem_and_only_if_they_have_dates(tmp_path):
    rows = "".join(f"P{i},,,2024-03-02 10:00,\n" for i in range(1, 6)) + "P6,,,,\n"
    assert _problems(tmp_path, rows) == [
        "patients.csv, INJURY_TIME: missing for 5 patients with dates, P1, P2, P3 and others; "
        "fill it in, or empty their cells with dates"
    ]


def test_a_time_zero_that_cannot_be_read_is_named_once(tmp_path):
    rows = (
        "P1,,2024-03-09 10:00,2024-03-02 10:00,soon\nP2,,,2024-03-02 10:00,2024-03-01 10:00\n"
    )
    assert _problems(tmp_path, rows) == [
        "patients.csv row 2, INJURY_TIME: not a date and a time of day; write for example "
        "2024-03-01 10:00"
    ]


def test_a_column_of_time_zero_that_is_not_there_is_one_problem(tmp_path):
    rows = "P1,,,2024-03-02 10:00,2024-03-01 10:00\n"
    problems = _problems(tmp_path, rows, calendar=CALENDAR | {"time_zero": "ONSET"})
    assert problems == [
        "patients.csv, column ONSET: missing; it is study.calendar.time_zero in config.yaml, "
        "correct it there"
    ]


def test_a_date_in_another_column_is_refused_without_showing_it(tmp_path):
    (line,) = _problems(tmp_path, "P1,2023-06-02 20:35:09,,,\n")
    assert line == (
        "patients.csv row 2, gose_6m: a date, which cannot be here; correct it, or leave the "
        "cell empty"
    )


def test_what_is_no_date_in_a_column_of_dates_is_refused_in_its_words(tmp_path):
    rows = "P1,,,2024-03-02 10:00,2024-03-01 10:00\nP2,,,NA,2024-03-01 10:00\n"
    assert _problems(tmp_path, rows + "P3,,,later,2024-03-01 10:00\n") == [
        "patients.csv row 3, left_unit_h: 'NA' is not a value; leave the cell empty for "
        "missing",
        "patients.csv row 4, left_unit_h: not a date and a time of day; write for example "
        "2024-03-01 10:00",
    ]


@pytest.mark.parametrize("zone", ["Europe/Atlantis", "YOUR_TIME_ZONE", "+25:00", "1", "../etc"])
def test_a_zone_that_is_none_is_refused(zone):
    assert f"'{zone}' is no time zone; write an IANA name" in calendar_times.zone_problem(zone)


@pytest.mark.parametrize("zone", [*ZONES, "none", "+01:00", "-03:30", "UTC"])
def test_a_zone_that_is_one_is_not(zone):
    assert calendar_times.zone_problem(zone) is None


def test_one_offset_beside_clocks_without_a_zone_is_refused(tmp_path):
    row = "P1,,,2024-03-02 10:00+01:00,2024-03-01 10:00\n"
    (line,) = _problems(tmp_path, row, calendar=CALENDAR | {"zone": "none"})
    assert "only one has an offset from UTC; write study.calendar.zone" in line


# --- spreadsheets and encodings --------------------------------------------------------------


def test_dates_typed_into_a_spreadsheet_are_counted_and_a_day_alone_is_refused(tmp_path):
    settings = _settings(tmp_path, "")
    book = openpyxl.Workbook()
    book.active.append(PATIENTS.strip().split(","))
    book.active.append(["P1", None, None, datetime(2024, 3, 2, 10), datetime(2024, 3, 1, 10)])
    book.create_sheet("Bedside").append(["patient_id", "event", "start_s"])
    book["Bedside"].append(["P1", "rezero", datetime(2024, 3, 1, 10, 1)])
    book.save(tmp_path / "tables.xlsx")
    settings["study"] |= {"patients": "tables.xlsx", "events": "tables.xlsx"}
    settings["study"]["sheets"] = {"events": "Bedside"}
    read = study.read_study(settings)
    assert read.patients["left_unit_h"].to_list() == [24.0]
    assert read.events["start_s"].to_list() == [60.0]
    book["Bedside"]["C2"].number_format = "yyyy-mm-dd"
    book["Bedside"]["C2"] = date(2024, 3, 1)
    book["Bedside"].append(["P1", "#REF!", datetime(2024, 3, 1, 11)])
    book["Bedside"]["B3"].data_type = "e"
    book.save(tmp_path / "tables.xlsx")
    assert study.read_rows(settings)[1] == [
        "tables.xlsx (Bedside) row 2, start_s: a day without a time of day; write for example "
        "2024-03-01 10:00",
        "tables.xlsx (Bedside) row 3, event: a formula that fails (#REF!); correct it, or "
        "leave the cell empty",
    ]


def test_a_table_in_a_stated_encoding_is_read(tmp_path):
    settings = _settings(tmp_path, "", calendar=None)
    text = "patient_id,centre,gose_6m,death_h,left_unit_h\nP1,Zürich,,,\n"
    (tmp_path / "patients.csv").write_bytes(text.encode("cp1252"))
    assert "`encoding: cp1252`" in study.read_rows(settings)[1][0]
    settings["study"]["encoding"] = "cp1252"
    assert study.read_study(settings).patients["centre"].to_list() == ["Zürich"]
