"""Tables as others export them: any separator, decimal commas, two tables in one file."""

import copy

import pytest
from published_settings import DECLARED

from icpcohort.study import tables as study

PATIENTS = (
    "patient_id,age_years,gcs_total,centre,gose_6m,death_h,left_unit_h\n"
    'P1,30.5,7,"Unit A, upper floor",,,100.25\nP2,64,,Unit B,,,\n'
)
RECORDINGS = "recording_id,patient_id,path,format,start_s\nR1,P1,r1.csv,csv,7200\n"
ALSO = {
    "monitors": "monitor_id,patient_id,kind\n",
    "events": "patient_id,event,start_s\n",
}


def _study(folder, patients, recordings=RECORDINGS, *, columns=None):
    """Write the tables and return the settings; both in one file where there is one text."""
    texts = {"patients": patients, "recordings": recordings, **ALSO}
    files = {name: f"{name}.csv" for name in texts}
    if recordings is None:
        files["recordings"] = files["patients"]
    for name, text in texts.items():
        if text is not None:
            (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    usual = {name: {} for name in study.TABLES}
    declared = {name: copy.deepcopy(DECLARED[name]) for name in ("variables", "outcomes")}
    of_study = {"columns": usual | (columns or {}), "codings": usual, **files}
    asked = {"study": {"folder": str(folder), **of_study}}
    return asked | declared | {"cohort": {"main_outcome": "unfavourable"}}


def _read(folder, *texts, **asked):
    return study.read_study(_study(folder, *texts, **asked))


def _problems(folder, *texts):
    with pytest.raises(study.StudyError) as caught:
        _read(folder, *texts)
    return caught.value.problems


def _notes(folder, *texts):
    settings = _study(folder, *texts)
    tables, problems = study.read_rows(settings)
    assert problems == []
    return study.unread(tables, settings)


def _separated(text, separator):
    """Return a table with another separator; the comma in a text stays."""
    return text.replace(",", separator).replace(f"A{separator} upper", "A, upper")


# --- separators and decimal commas -----------------------------------------------------------


@pytest.mark.parametrize("separator", [";", "\t", "|"])
def test_another_separator_gives_the_same_table(tmp_path, separator):
    usual = _read(tmp_path, PATIENTS).patients
    assert _read(tmp_path, _separated(PATIENTS, separator)).patients.equals(usual)


def test_the_header_says_what_separates_though_a_name_in_quotes_holds_another(tmp_path):
    text = 'patient_id;"a, b, c, d";gose_6m;death_h;left_unit_h\nP1;x;;;10,5\n'
    read = _read(tmp_path, text)
    assert read.patients["left_unit_h"].to_list() == [10.5]


def test_a_header_with_two_separators_alike_is_one_line(tmp_path):
    text = "patient_id,gose_6m;death_h,left_unit_h;centre\nP1,;,1;A\n"
    assert _problems(tmp_path, text) == [
        "patients.csv row 1: comma and semicolon stand equally often between the names of "
        "columns; put names that hold one of them in quotes"
    ]


def test_decimal_commas_are_understood_beside_semicolons_and_counted(tmp_path):
    text = _separated(PATIENTS, ";").replace("30.5", "30,5").replace("100.25", "100,25")
    assert _read(tmp_path, text).patients.equals(_read(tmp_path, PATIENTS).patients)
    notes = _notes(tmp_path, text)
    assert notes[0] == "patients.csv: 2 numbers with a decimal comma, read so: 1,5 is 1.5"


def test_a_text_keeps_its_comma(tmp_path):
    text = _separated(PATIENTS, ";").replace("Unit B", "3,5")
    text = text.replace("30.5", "30,5").replace("100.25", "100")
    assert _read(tmp_path, text).patients["centre"].to_list()[1] == "3,5"


def test_commas_and_points_in_one_table_are_one_line(tmp_path):
    text = _separated(PATIENTS, ";").replace("30.5", "30,5")
    assert _problems(tmp_path, text) == [
        "patients.csv: numbers have a comma (30,5 in row 2) and a point (100.25 in row 2); "
        "write one decimal mark throughout"
    ]


def test_commas_that_may_divide_thousands_are_one_line(tmp_path):
    text = "patient_id;gose_6m;death_h;left_unit_h\nP1;;;1,250\nP2;;;2,125\n"
    assert _problems(tmp_path, text) == [
        "patients.csv: 1,250 in row 2 may mean 1.250 or 1250, and so may all 2 commas in "
        "numbers; write decimal points, and nothing between thousands"
    ]


def test_a_row_that_does_not_fit_the_header_names_the_separator(tmp_path):
    text = "patient_id;gose_6m;death_h;left_unit_h\nP1;;;1;2\n"
    assert _problems(tmp_path, text)[0] == (
        "patients.csv row 2: 5 cells under 4 columns; put a text with a semicolon in quotes"
    )


# --- two tables in one file ------------------------------------------------------------------

BOTH = """patient_id,age_years,gose_6m,death_h,left_unit_h,recording_id,path,format,start_s
P1,30,,,,R1,r1.csv,csv,0
P1,30,,,,R2,r2.csv,csv,7200
P2,64,,,,R3,r3.csv,csv,0
P3,50,,,,,,,
"""


def test_patients_and_recordings_may_be_one_file(tmp_path):
    read = _read(tmp_path, BOTH, None)
    assert read.patients.select("patient_id", "age_years").rows() == [
        ("P1", 30.0),
        ("P2", 64.0),
        ("P3", 50.0),
    ]
    assert read.recordings.select("recording_id", "patient_id").rows() == [
        ("R1", "P1"),
        ("R2", "P1"),
        ("R3", "P2"),
    ]


def test_columns_of_the_other_table_are_not_called_unused(tmp_path):
    lines = BOTH.splitlines()
    text = "\n".join([f"{lines[0]},mood", *(f"{line},calm" for line in lines[1:])])
    notes = _notes(tmp_path, text, None)
    assert [line for line in notes if "not used" in line] == [
        "patients.csv: columns not used: mood"
    ]


def test_a_patient_who_differs_from_row_to_row_is_refused(tmp_path):
    text = BOTH.replace("P1,30,,,,R2", "P1,31,,,,R2")
    assert _problems(tmp_path, text, None) == [
        "patients.csv row 3, patient_id: 'P1' stands in row 2 too; keep one"
    ]


def test_a_line_that_stands_twice_is_refused(tmp_path):
    lines = _problems(tmp_path, BOTH + "P2,64,,,,R3,r3.csv,csv,0\n", None)
    assert "patients.csv row 6, patient_id: 'P2' stands in row 4 too; keep one" in lines
    assert "patients.csv row 6, recording_id: 'R3' stands in row 4 too; keep one" in lines
