"""What the group leaves out: its table, and what of it reaches pages."""

import polars as pl
import pytest
from published_settings import PUBLISHED

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.report.sharing import sheets
from icpcohort.report.tables import cohort, recordings
from icpcohort.study import left_out
from icpcohort.study import tables as study

PATIENTS = "patient_id,death_h,left_unit_h,gose_6m\nP1,,,5\nP2,,,6\nP3,,,7\n"
RECORDINGS = (
    "recording_id,patient_id,path,format,start_s\n"
    "R1,P1,r1.csv,csv,0\nR2,P1,r2.csv,csv,9000\nR3,P2,r3.csv,csv,0\n"
)
OTHERS = {
    "monitors": "monitor_id,patient_id,kind\n",
    "events": "patient_id,event,start_s\n",
}
HEAD = "patient_id,recording_id,reason\n"


def _settings(folder, rows):
    texts = {"patients": PATIENTS, "recordings": RECORDINGS, **OTHERS}
    texts |= {} if rows is None else {"left_out": HEAD + rows}
    for name, text in texts.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    names = {name: f"{name}.csv" for name in texts}
    return PUBLISHED | {
        "study": {"folder": str(folder), "columns": {}, "codings": {}, **names},
        "repeated": {},
    }


def test_reasons_are_by_patient_and_by_recording(tmp_path):
    settings = _settings(tmp_path, 'P1,R2,clock wrong\nP2,,"no consent, in writing"\n')
    read = study.read_study(settings)
    assert left_out.of_patients(read) == {"P2": "no consent, in writing"}
    of_first = left_out.of_patient(read, "P1")
    assert [left_out.reason(name, of_first) for name in ("R1", "R2")] == [None, "clock wrong"]
    of_second = left_out.of_patient(read, "P2")
    assert left_out.reason("R3", of_second) == "no consent, in writing"
    assert left_out.of_patient(read, "P3") == {}
    assert "left_out" in study.listed(settings)


@pytest.mark.parametrize("rows", [None, ""])
def test_a_study_may_leave_out_nothing(tmp_path, rows):
    read = study.read_study(_settings(tmp_path, rows))
    assert store.problems(read.left_out, contracts.LEFT_OUT) == []
    assert (read.left_out.height, left_out.of_patients(read)) == (0, {})


def test_each_mistake_of_the_table_has_one_line(tmp_path):
    rows = "P1,R9,a\nP1,R3,b\nP7,,c\nP2,,d\nP2,,e\nP3,,\nP1,R1,f\n"
    with pytest.raises(study.StudyError) as error:
        study.read_study(_settings(tmp_path, rows))
    assert error.value.problems == [
        "left_out.csv row 7, reason: empty; every row needs one",
        "left_out.csv row 6, patient_id: 'P2' stands in row 5 too; keep one",
        "left_out.csv row 4, patient_id: 'P7' is not in the table of patients; "
        "known here: P1, P2, P3",
        "left_out.csv row 2, recording_id: 'R9' is not in the table of recordings; "
        "known here: R1, R2, R3",
        "left_out.csv row 3, recording_id: 'R3' is a recording of P2, not of P1; "
        "correct one of them",
    ]


# --- what reaches pages -----------------------------------------------------------------------

WORDS = "asked to be taken out on a Monday"


def _excluded(*rows):
    types = {name: column.dtype for name, column in contracts.EXCLUDED.columns.items()}
    return pl.DataFrame(rows, schema=types, orient="row")


def test_the_reasons_of_the_group_are_counted_in_its_report():
    excluded = _excluded(
        ("patient", "P1", "", "left_out", WORDS),
        ("recordings", "P1", "R1", "left_out", WORDS),
        ("recordings", "P1", "R2", "left_out", WORDS),
        ("recordings", "P2", "R3", "left_out", "clock wrong"),
        ("recordings", "P2", "R4", "truncated", "ends early"),
    )
    grid = recordings.left_out_by_group(excluded)
    assert grid.rows == [[WORDS, "1", "2"], ["clock wrong", "0", "1"]]
    assert recordings.left_out_by_group(excluded.tail(1)).rows == []


def test_the_ends_of_monitoring_say_that_somebody_is_not_counted():
    ends = store.empty(contracts.MONITORING_END_BY_OUTCOME)
    assert "Every patient listed, in" in cohort.ends_of_monitoring(ends, n_left_out=0).note
    note = cohort.ends_of_monitoring(ends, n_left_out=2).note
    assert "Every patient listed but 2 left out by the group, in" in note


def test_no_words_of_the_group_are_shared():
    listed = {f"P{n}" for n in range(20)}
    gone = [f"P{n}" for n in range(6)]
    counts = [("w", 1, "Patients listed", 20, 20, 0, None)]
    counts += [("w", 2, "Not left out by the group", 20, 14, 6, "left_out")]
    flow = pl.DataFrame(
        counts,
        {name: column.dtype for name, column in contracts.FLOW.columns.items()},
        orient="row",
    )
    dropped = pl.DataFrame(
        [("w", patient, 2, "left_out", WORDS) for patient in gone],
        {name: column.dtype for name, column in contracts.DROPPED.columns.items()},
        orient="row",
    )
    texts = [
        cell.text
        for row in sheets.flow(frozenset(listed), flow, dropped, min_cell=5).rows
        for cell in row
    ]
    assert "Not left out by the group" in texts
    assert WORDS not in " ".join(texts)
