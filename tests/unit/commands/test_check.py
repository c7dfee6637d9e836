"""Checking: many mistakes at once, each told in one line that can be acted on."""

import datetime as dt
import re
import zoneinfo
from pathlib import Path

import edfio
import numpy as np
import pytest

from icpcohort.commands import check
from icpcohort.commands import new as study_folder
from icpcohort.recordings import RecordingError
from icpcohort.study.tables import Row

REPOSITORY = Path(__file__).resolve().parents[3]
SCHEMAS = REPOSITORY / "workflow" / "schemas"
LINE = re.compile(r"[^:;]+(: [^;]+)+; .+")  # where: what; what to do


def _edit(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1, old
    path.write_text(text.replace(old, new), encoding="utf-8")


def _numbers(folder, name, heading="t_s,ICP [mmHg]", n=120, first=10):
    rows = (f"{60 * i},{first + i % 3}" for i in range(n))
    (folder / name).write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8")


def _table(folder, name, *rows):
    """Write rows, given as `column=cell` texts, under the header that a new study has."""
    header = (folder / f"{name}.csv").read_text(encoding="utf-8").splitlines()[0]
    lines = [header]
    for row in rows:
        cells = dict(cell.split("=") for cell in row.split())
        lines.append(",".join(cells.pop(column, "") for column in header.split(",")))
        assert not cells
    (folder / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def _recording(number, path, *more):
    return " ".join(
        [f"recording_id=R{number} patient_id=P1 path={path} format=csv start_s=0", *more]
    )


@pytest.fixture
def folder(tmp_path):
    """A sound study of two patients, one recording of two hours each."""
    for name, text in study_folder.texts(title="t", like="tbi", repository=REPOSITORY).items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    _table(tmp_path, "patients", "patient_id=P1 age_years=30", "patient_id=P2 age_years=40")
    second = _recording(2, "r2.csv").replace("P1", "P2")
    _table(tmp_path, "recordings", _recording(1, "r1.csv"), second)
    _numbers(tmp_path, "r1.csv")
    _numbers(tmp_path, "r2.csv", "t_s,ICP [mmHg],ART [mmHg]", n=0)
    rows = "".join(f"{60 * i},{12 + i % 2},{80 + i % 3}\n" for i in range(120))
    (tmp_path / "r2.csv").write_text("t_s,ICP [mmHg],ART [mmHg]\n" + rows, encoding="utf-8")
    return tmp_path


def _check(folder):
    return check.check(folder, schema_folder=SCHEMAS, progress=lambda n_done, n_all: None)


def test_fifteen_mistakes_are_told_in_one_list_and_none_hides_another(folder):
    config = folder / "config"
    _edit(config / "config.yaml", "  window_min: 20", "  window_mi: 20")
    first = "adjust_for: [impact_core_logit]\n    as_categories: []         #"
    _edit(config / "models.yaml", first, first.replace("impact_core_logit", "age_yrs"))
    _table(
        folder,
        "patients",
        "patient_id=P1 age_years=30 death_h=5",
        "patient_id=P2 age_years=40 gose_6m=9",
    )
    _edit(folder / "patients.csv", "hypoxia", "hypoxya")
    _table(folder, "monitors", "monitor_id=M1 patient_id=P3 kind=pneumatic")
    _table(folder, "events", "patient_id=P1 event=rezero start_s=300 end_s=30")
    _table(
        folder,
        "recordings",
        _recording(1, "r1.csv"),
        _recording(2, "furlong.csv"),
        _recording(3, "gone.csv"),
        _recording(4, "short.hea").replace("csv", "wfdb"),
        _recording(5, "two.csv"),
        _recording(6, "bare.csv"),
        _recording(7, "../r1.csv"),
        _recording(8, "zero.csv"),
        _recording(9, "late.csv").replace("start_s=0", "start_s=18001"),
        _recording(10, "copy.csv").replace("P1", "P2"),
        _recording(11, "r11.csv", "icp_unit=mmhgs"),
    )
    _numbers(folder, "furlong.csv", "t_s,ICP [furlong]")
    (folder / "short.hea").write_text("short 1 1 100\nshort.dat 16 10(0)/mmHg 16 0 0 0 0 ICP\n")
    (folder / "short.dat").write_bytes(bytes(120))
    (folder / "two.csv").write_text("t_s,ICP [mmHg],ICP1 [mmHg]\n0,1,1\n60,1,1\n")
    _numbers(folder, "bare.csv", "t_s,ICP")
    (folder / "zero.csv").touch()
    _numbers(folder, "late.csv", first=20)
    (folder / "copy.csv").write_bytes((folder / "r1.csv").read_bytes())

    checked = _check(folder)

    assert checked.settings == [
        "config.yaml, reactivity.window_mi: unknown setting; did you mean 'window_min'?",
        "config.yaml, reactivity.window_min: missing; write for example the line "
        "`window_min: 20`",
    ]
    assert checked.plan == [
        "models.yaml, models.unfavourable_by_dose.adjust_for: 'age_yrs' is no column that a "
        "model may use; did you mean 'age_years'?"
    ]
    assert checked.tables == [
        "patients.csv, column hypoxya: not known; did you mean 'hypoxia'? Rename or remove it, "
        "or write in variables.yaml under variables the line `hypoxia: {column: hypoxya}`",
        "patients.csv row 3, gose_6m: 9 is out of range; write a value from 1 to 8",
        "recordings.csv row 8, path: '../r1.csv' leaves the study folder; put the file in it "
        "and write its path",
        "recordings.csv row 12, icp_unit: 'mmhgs' is not one of mmHg, kPa, cmH2O, Pa; did you "
        "mean 'mmHg'?",
        "monitors.csv row 2, patient_id: 'P3' is not in the table of patients; known here: "
        "P1, P2",
        "events.csv row 2, end_s: 30 is before start_s 300; correct one of them",
    ]
    assert [line.split("[")[-1] for line in checked.recordings] == [
        *("unknown_unit]", "missing_file]", "truncated]"),
        *("ambiguous_channel]", "no_unit]", "empty]"),
    ]
    assert checked.recordings[1] == (
        "recordings.csv row 4 (R3 of P1), gone.csv: not there; restore it or correct "
        "recordings.csv [missing_file]"
    )
    assert checked.contradictions == [
        "recordings.csv row 10 (R9 of P1), start_s: 18001 (5.0 h) is after the death at 5 h "
        "(patients.csv row 2); correct one of them",
        "recordings.csv row 11 (R10 of P2), path: 'copy.csv' has the same samples, byte by "
        "byte, as recordings.csv row 2 (R1 of P1); put the right file there, or remove the row",
    ]
    assert [line for line in checked.problems if not LINE.fullmatch(line)] == []
    assert checked.problem_lines()[-2:] == [
        "not checked: the files of recordings.csv row 8, 12, since path, format, a channel or "
        "a unit is not right there",
        "17 problem(s): settings 2, plan 1, tables 6 (a run stops at these); recordings 6 "
        "(left out of a run, with their reason); contradictions 2 (a run uses what stands "
        "there)",
    ]


def test_a_sound_study_has_no_line_but_what_was_found(folder):
    checked = _check(folder)
    assert checked.problem_lines() == []
    assert checked.note_lines() == []
    assert checked.inventory == [
        "2 patients, 2 recordings, 0 monitors, 0 events",
        "",
        "recordings (hours)      csv      all",
        "minutes             2 (4.0)  2 (4.0)",
        "all                 2 (4.0)  2 (4.0)",
        "",
        "sampling of ICP: every 60 s (2)",
        "sampling of ABP: every 60 s (1), none (1)",
        "patients without ABP: 1 (P1)",
        "recordings of one patient that overlap: none",
    ]


@pytest.mark.parametrize(
    ("old", "new", "not_checked"),
    [
        (
            "study:",
            "study: [",
            "the tables and the recordings, since config.yaml does not say where they are "
            "(study.folder)",
        ),
        (
            "  events: events.csv",
            "  evens: events.csv",
            "the table of events, since study.events is not right",
        ),
        (
            "    names: [ICP,",
            "    names: [ICP, 7,",
            "the files of 2 recordings, since signals in config.yaml is not right",
        ),
        (
            "  time_columns: [t_s,",
            "  time_columns: [1,",
            "the files of 2 recordings, since recordings.time_columns in config.yaml is not "
            "right",
        ),
    ],
)
def test_what_a_fault_of_the_settings_keeps_from_being_checked_is_said(
    folder, old, new, not_checked
):
    _table(folder, "patients", "patient_id=P1 age_years=200", "patient_id=P2")
    _edit(folder / "config" / "config.yaml", f"\n{old}", f"\n{new}")
    checked = _check(folder)
    assert len(checked.settings) > 0
    assert checked.not_checked == [not_checked]
    assert len(checked.tables) == (0 if new.endswith("[") else 1)
    assert checked.inventory == []


def test_a_faulty_cell_elsewhere_in_a_row_does_not_keep_its_file_closed(folder):
    row = _recording(1, "gone.csv").replace("start_s=0", "start_s=soon")
    _table(folder, "recordings", row)
    checked = _check(folder)
    assert len(checked.tables) == 1
    assert [line.split("[")[-1] for line in checked.recordings] == ["missing_file]"]


def test_one_wrong_name_of_a_column_leaves_the_others_as_they_are_mapped(folder):
    """A typo in `study.columns` would else make every column of that table seem missing."""
    _edit(folder / "patients.csv", "last_known_h", "seen_h")
    config = folder / "config" / "config.yaml"
    _edit(
        config,
        "the two differ\n    patients: {}",
        "the two differ\n    patients: {last_known_h: seen_h, death: died_h}",
    )
    checked = _check(folder)
    assert checked.settings == [
        "config.yaml, study.columns.patients.death: unknown setting; did you mean 'death_h'?"
    ]
    assert checked.tables == []


def test_every_problem_is_shown_but_of_one_kind_of_note_only_the_first(folder):
    rows = [f"patient_id=P{i} age_years=40" for i in range(1, 90)]
    _table(folder, "patients", *rows)
    notes = _check(folder).note_lines()
    assert len(notes) == check.MAX_NOTES + 1
    assert notes[-1] == "note: ... and 82 more like the last"
    wrong = "age_years=400 gcs_total=99 glucose_mmol_l=999 haemoglobin_g_dl=999"
    _table(folder, "patients", *(f"patient_id=P{i} {wrong}" for i in range(1, 4)))
    checked = _check(folder)
    assert len(checked.tables) == 12 > check.MAX_NOTES
    assert checked.problem_lines()[-1] == "12 problem(s): tables 12 (a run stops at these)"


def test_many_rows_of_one_cause_are_one_problem(folder):
    _table(folder, "patients", *(f"patient_id=P{i} age_years=400" for i in range(1, 90)))
    checked = _check(folder)
    assert checked.tables[0].startswith("patients.csv, age_years: 89 rows, such as 2 ('400'), ")
    assert checked.problem_lines()[-1] == "1 problem(s): tables 1 (a run stops at these)"


def test_progress_counts_the_files_that_are_opened(folder):
    seen = []
    check.check(
        folder,
        schema_folder=SCHEMAS,
        progress=lambda n_done, n_all: seen.append((n_done, n_all)),
    )
    assert seen == [(1, 2), (2, 2)]


def _faults(text, comma):
    """Yield a text with each line dropped, and with each value of it emptied or replaced."""
    lines = text.splitlines()
    for i, line in enumerate(lines):
        changed = [None]
        for place in (m.end() for m in re.finditer(comma, line)):
            rest = line[place:].partition(",")
            changed += [line[:place] + new + "".join(rest[1:]) for new in ("", "7", '"')]
        for new in changed:
            yield "\n".join([*lines[:i], *([] if new is None else [new]), *lines[i + 1 :]])


@pytest.mark.parametrize(
    ("name", "until", "comma"),
    [
        ("config/config.yaml", "cleaning:", ": "),
        ("patients.csv", "P2", ","),
        ("recordings.csv", "R2", "^|,"),
        ("monitors.csv", "M2", "^|,"),
        ("events.csv", "P2", "^|,"),
    ],
)
def test_whatever_is_wrong_with_a_file_of_the_study_only_lines_come_out(
    folder, name, until, comma
):
    _table(folder, "monitors", "monitor_id=M1 patient_id=P1 kind=pneumatic removal_h=9")
    _table(folder, "events", "patient_id=P1 event=rezero start_s=300 end_s=400")
    text = (folder / name).read_text(encoding="utf-8")
    varied, kept = text.partition(until)[0], "".join(text.partition(until)[1:])
    n_faults = 0
    for fault in _faults(varied, comma):
        (folder / name).write_text(f"{fault}\n{kept}", encoding="utf-8")
        checked = _check(folder)
        n_faults += bool(checked.problems)
        lines = [*checked.problem_lines(), *checked.note_lines(), *checked.inventory]
        assert not any("\n" in line for line in lines)
        stops_run = checked.settings + checked.plan + checked.tables
        assert bool(checked.inventory) == (not stops_run)
    assert n_faults > 5


def test_annotations_that_mean_nothing_are_counted_and_not_repeated(folder):
    signal = edfio.EdfSignal(
        np.full(7200, 12.0),
        1.0,
        label="ICP",
        physical_dimension="mmHg",
        physical_range=(-50, 150),
    )
    notes = [edfio.EdfAnnotation(20, 10, "Drain open"), edfio.EdfAnnotation(40, 5, "a name")]
    edfio.Edf([signal], annotations=notes).write(folder / "r9.edf")
    _edit(folder / "recordings.csv", "R1,P1,r1.csv,csv", "R1,P1,r9.edf,edf")
    note_lines = _check(folder).note_lines()
    assert any("1 of 2 annotations" in line for line in note_lines)
    assert not any("a name" in line for line in note_lines)


def _plan_of(folder, **changes):
    """Replace lines `key: value` of the first model of the plan."""
    path = folder / "config" / "models.yaml"
    first, second = path.read_text(encoding="utf-8").split("  gose_by_dose:")
    for key, value in changes.items():
        first, n = re.subn(rf"(?m)^    {key}: .*$", f"    {key}: {value}", first)
        assert n == 1, key
    path.write_text(f"{first}  gose_by_dose:{second}", encoding="utf-8")


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        ({"exposure": "left_unit_h"}, "exposure: 'left_unit_h' is known only after the window"),
        (
            {"exposure": "cppopt_mmhg"},
            "exposure: 'cppopt_mmhg' is no column that a model may use",
        ),
        (
            {"outcome": "dead_by_horizon"},
            "outcome: 'dead_by_horizon' is settled at 48 h, but 'icp_above_20_dose_per_h_mmhg' "
            "is measured until 72 h, after it",
        ),
        (
            {"adjust_for": "[impact_core_logit, last_known_h]"},
            "adjust_for: 'last_known_h' is known only after the window",
        ),
        ({"outcome": "death_h"}, "nobody can die in between (immortal time)"),
    ],
    ids=["whole_stay", "whole_recording", "settled_before", "late_covariate", "immortal_time"],
)
def test_a_plan_that_looks_ahead_is_told_before_anything_runs(folder, changes, line):
    early = "outcomes:\n  dead_by_horizon: {death_by_h: 48.0}"
    _edit(folder / "config" / "variables.yaml", "outcomes: {}", early)
    _plan_of(folder, **changes)
    checked = _check(folder)
    assert [problem for problem in checked.plan if line in problem]
    assert [problem for problem in checked.problems if not LINE.fullmatch(problem)] == []
    assert "(a run stops at these)" in checked.problem_lines()[-1]


def test_no_column_is_called_unused_while_it_is_not_known_which_are_declared(folder):
    before = [line for part in _check(folder).notes for line in part]
    _edit(folder / "config" / "variables.yaml", "outcomes: {}", "outcomes: {own: {kind: flag}}")
    checked = _check(folder)
    assert [line for line in checked.problems if line.startswith("variables.yaml")]
    after = [line for part in checked.notes for line in part]
    assert {line for line in after if "not used" in line} <= set(before)


@pytest.mark.parametrize("outcome", ["unfavourable_sliding", "dead_by_horizon"])
def test_a_plan_with_another_outcome_of_the_cohort_is_sound(folder, outcome):
    _plan_of(folder, outcome=outcome)
    assert _check(folder).plan == []


def test_a_reversed_score_is_told_once_and_by_the_setting_that_mends_it(folder):
    rows = [f"patient_id=P{i} age_years=40 death_h=20 gose_6m=8" for i in range(1, 4)]
    _table(folder, "patients", *rows, "patient_id=P4 age_years=40 gose_6m=1")
    problems = [line for line in _check(folder).problems if "gose" in line]
    assert problems == [
        "outcomes.gose_6m.coding: gose_6m is 8, the best outcome of the table, in 3 of 3 "
        "patients who died, so the scale runs the other way; state how your table codes it"
    ]
    turned = "outcomes:\n  gose_6m: {coding: gose_1_good}"
    _edit(folder / "config/variables.yaml", "outcomes: {}", turned)
    assert [line for line in _check(folder).problems if "gose" in line] == []


def test_the_lock_the_changes_and_other_decisions_are_looked_at_too(folder):
    config = folder / "config"
    (config / "plan.lock.json").write_text("{", encoding="utf-8")
    (config / "plan.changes.yaml").write_text("changes:\n  - {wat: 1}\n", encoding="utf-8")
    lines = _check(folder).plan
    assert any("plan.lock.json: not as it was written" in line for line in lines)
    assert any("plan.changes.yaml" in line and "wat" in line for line in lines)
    (config / "plan.changes.yaml").unlink()
    asked = "questions:\n  q: {question: Is it?, model: none, seed: 1, n_permutations: 99}\n"
    (config / "specifications.yaml").write_text(asked, encoding="utf-8")
    assert any("specifications.yaml" in line for line in _check(folder).plan)


@pytest.mark.parametrize(("n", "n_lines"), [(3, 3), (4, 1), (190, 1)])
def test_many_recordings_with_one_fault_are_one_line(n, n_lines):
    def fault(number, detail):
        values = {"path": f"a/P{number}.csv", "recording_id": f"R{number}", "patient_id": "P"}
        error = RecordingError("no_unit", f"P{number}.csv: {detail}")
        return Row("recordings.csv", number, values, {}), error

    unusable = [fault(number, "no unit; write it") for number in range(2, n + 2)]
    lines = check.unusable_lines([*unusable, fault(n + 2, "another fault; mend it")])
    assert len(lines) == n_lines + 1
    assert lines[0].startswith("recordings.csv row 2 (R2 of P), P2.csv: no unit; write it")
    assert ("; the same of" in lines[0]) == (n > 3)
    assert "another fault" in lines[-1]


def test_recordings_in_a_root_are_opened_and_those_of_an_absent_one_passed_over(folder):
    home = folder / "home"
    home.mkdir()
    for path in list(folder.iterdir()):
        if path != home and path.name != "r1.csv":
            path.rename(home / path.name)
    (folder / "archive").mkdir()
    (folder / "r1.csv").rename(folder / "archive/r1.csv")
    _edit(home / "recordings.csv", "r1.csv", "archive/r1.csv")
    stated = "\nrecordings:\n  roots: {archive: ../archive}\n"
    _edit(home / "config/config.yaml", "\nrecordings:\n", stated)
    assert _check(home).problems == []
    (folder / "archive").rename(folder / "elsewhere")
    checked = _check(home)
    assert [line.partition(";")[0] for line in checked.problems] == [
        "config.yaml, recordings.roots.archive: no such folder"
    ]
    assert checked.not_checked == [
        "the files of 1 recordings in archive, since it is not there"
    ]


def test_one_file_for_all_patients_is_opened_for_each(folder):
    rows = "".join(f"{60 * i},{p},{12 + i % 3}\n" for i in range(120) for p in ("P1", "P2"))
    (folder / "all.csv").write_text("t_s,patient_id,ICP [mmHg]\n" + rows, encoding="utf-8")
    second = _recording(2, "all.csv").replace("P1", "P2")
    _table(folder, "recordings", _recording(1, "all.csv"), second)
    config = folder / "config/config.yaml"
    problems = _check(folder).problems
    assert any("[several_patients]" in line for line in problems)
    _edit(config, "\nrecordings:\n", "\nrecordings:\n  patient_column: patient_id\n")
    checked = _check(folder)
    assert (checked.problems, checked.not_checked) == ([], [])


# --- left out by the group --------------------------------------------------------------------


def _leave_out(folder, *rows):
    config = folder / "config" / "config.yaml"
    _edit(config, "  # left_out: left_out.csv", "  left_out: left_out.csv")
    lines = ["patient_id,recording_id,reason", *rows]
    (folder / "left_out.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def test_a_recording_that_is_left_out_is_not_opened_and_is_counted(folder):
    (folder / "r1.csv").write_bytes(b"\x00rubbish")
    assert len(_check(folder).recordings) == 1
    _leave_out(folder, "P1,,export broken")
    checked = _check(folder)
    assert checked.problems == []
    assert checked.inventory[0] == (
        "2 patients (1 left out by the group), 2 recordings (1 left out by the group), "
        "0 monitors, 0 events"
    )
    assert not [line for notes in checked.notes for line in notes if "P1" in line]


def test_a_copy_of_a_file_that_is_left_out_contradicts_nothing(folder):
    copy = (folder / "r2.csv").read_bytes()
    (folder / "r1.csv").write_bytes(copy)
    assert len(_check(folder).contradictions) == 1
    _leave_out(folder, "P1,R1,a copy")
    assert _check(folder).problems == []


# --- dates, sheets and names as others write them --------------------------------------------


def _in_study(folder, lines):
    _edit(
        folder / "config/config.yaml",
        "\n  time_zero: injury",
        f"\n{lines}\n  time_zero: injury",
    )


def test_dates_are_checked_from_the_settings_to_the_last_table(folder):
    patients = folder / "patients.csv"
    _table(folder, "patients", "patient_id=P1 death_h=2024-03-02T10:00", "patient_id=P2")
    (line,) = _check(folder).tables
    assert LINE.fullmatch(line)
    assert "under study the line `calendar: {time_zero: YOUR_COLUMN_OF_TIME_ZERO, zone" in line
    text = patients.read_text("utf-8").splitlines()
    added = [text[0] + ",Injury time", text[1] + ",2024-03-01 10:00", text[2] + ","]
    patients.write_text("\n".join(added) + "\n", encoding="utf-8")
    assert (
        'calendar: {time_zero: "Injury time", zone: YOUR_TIME_ZONE}' in _check(folder).tables[0]
    )
    _in_study(folder, '  calendar: {time_zero: "Injury time", zone: YOUR_TIME_ZONE}')
    checked = _check(folder)
    assert checked.tables == []
    assert [line.split(";")[0] for line in checked.settings] == [
        "config.yaml, study.calendar.zone: 'YOUR_TIME_ZONE' is no time zone"
    ]
    assert "dates, since study.calendar is not right" in checked.not_checked
    _edit(folder / "config/config.yaml", "YOUR_TIME_ZONE", "Europe/Vienna")
    checked = _check(folder)
    assert checked.problems == []
    assert "2024" not in str(checked.notes) and "Injury" not in str(checked.notes)


def test_a_name_in_another_writing_is_noted(folder):
    _edit(folder / "patients.csv", "age_years", "Age (years)")
    notes = _check(folder).note_lines()
    assert "note: patients.csv: read 'Age (years)' as age_years" in notes


def test_an_encoding_and_a_sheet_come_from_the_settings(folder):
    text = (folder / "patients.csv").read_text("utf-8").replace("patient_id", "Für wen?", 1)
    (folder / "patients.csv").write_bytes(text.encode("cp1252"))
    assert "`encoding: cp1252`" in _check(folder).tables[0]
    _in_study(folder, "  encoding: cp1252\n  sheets: {events: Bedside}")
    assert _check(folder).settings == [
        "config.yaml, study.sheets.events: events.csv has no sheets; name an .xlsx file under "
        "study.events, or leave this out"
    ]
    _edit(folder / "config/config.yaml", "  sheets: {events: Bedside}\n", "")
    _edit(
        folder / "config/config.yaml",
        "    patients: {}\n",
        "    patients: {patient_id: Für wen?}\n",
    )
    assert _check(folder).tables == []


# --- clocks ----------------------------------------------------------------------------------


def _clock_times(folder, name, first, n=240):
    start = dt.datetime.fromisoformat(first)
    texts = [(start + i * dt.timedelta(minutes=1)).strftime("%d/%m/%Y %H:%M") for i in range(n)]
    rows = "".join(f"{text},{10 + i % 5}\n" for i, text in enumerate(texts))
    (folder / name).write_text(f"Time,ICP [mmHg]\n{rows}", encoding="utf-8")


def test_the_zone_and_the_order_of_days_may_stand_once_in_the_settings(folder):
    _clock_times(folder, "r1.csv", "2024-02-03 10:00")
    config, line = folder / "config" / "config.yaml", "\n  chunk_samples:"
    assert [x.split("[")[-1] for x in _check(folder).recordings] == ["unclear_dates]"]
    _edit(config, line, f"\n  day_order: day_first{line}")
    assert [x.split("[")[-1] for x in _check(folder).recordings] == ["no_zone]"]
    _edit(config, line, f"\n  clock_zone: Europe/Vienna{line}")
    checked = _check(folder)
    assert (checked.recordings, checked.settings, checked.note_lines()) == ([], [], [])


def test_a_recording_with_a_change_of_the_clock_is_noted(folder):
    vienna = zoneinfo.ZoneInfo("Europe/Vienna")
    start = dt.datetime(2024, 10, 26, 22, tzinfo=dt.UTC)
    times = [(start + i * dt.timedelta(minutes=1)).astimezone(vienna) for i in range(240)]
    rows = "".join(f"{t:%d.%m.%Y %H:%M},{10 + i % 5}\n" for i, t in enumerate(times))
    (folder / "r1.csv").write_text(f"Time,ICP [mmHg]\n{rows}", encoding="utf-8")
    line = "\n  chunk_samples:"
    _edit(folder / "config" / "config.yaml", line, f"\n  clock_zone: Europe/Vienna{line}")
    checked = _check(folder)
    assert checked.problem_lines() == []
    (note,) = [line for line in checked.note_lines() if "clock" in line]
    assert note.endswith(
        "r1.csv, Time, row 181: the clock was put back here, as clocks in Europe/Vienna are; "
        "its times are counted so, leave it"
    )
    assert "2024" not in note


def test_files_of_one_patient_that_never_overlap_are_named_with_the_likely_cause(folder):
    _numbers(folder, "abp.csv", "t_s,ART [mmHg]")
    other = _recording(3, "abp.csv").replace("start_s=0", "start_s=90000")
    second = _recording(2, "r2.csv").replace("P1", "P2")
    _table(folder, "recordings", _recording(1, "r1.csv"), second, other)
    checked = _check(folder)
    assert checked.problems == []
    (line,) = [line for line in checked.note_lines() if "never overlap" in line]
    assert line == (
        "note: recordings.csv: ICP and ABP of P1 are in files that never overlap, so there is "
        "no CPP; compare start_s, clock_zone and the dates of rows 2 and 4, or leave it so"
    )
    together = other.replace("start_s=90000", "start_s=0")
    _table(folder, "recordings", _recording(1, "r1.csv"), second, together)
    checked = _check(folder)
    assert not [line for line in checked.note_lines() if "overlap" in line]
    assert "recordings of different signals joined: 1 pair(s), 2.0 h" in checked.inventory


def test_a_file_without_icp_names_the_channels_that_it_has(folder):
    _numbers(folder, "r1.csv", "t_s,ART [mmHg],PRESS 3 [mmHg]", n=0)
    rows = "".join(f"{60 * i},80,12\n" for i in range(120))
    with (folder / "r1.csv").open("a", encoding="utf-8") as file:
        file.write(rows)
    (line,) = [line for line in _check(folder).note_lines() if "PRESS 3" in line]
    assert line == (
        "note: recordings.csv row 2 (R1 of P1), icp_channel: ABP is read, and no ICP is among "
        "'PRESS 3 [mmHg]'; add its name to signals.icp.names, or leave it so"
    )
