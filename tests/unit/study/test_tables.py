"""Study tables: what is read from a cell, and the words for each thing that can be wrong."""

import copy

import polars as pl
import pytest
from published_settings import DECLARED

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.study import tables as study

PATIENTS = (
    "patient_id,age_years,sex,gcs_motor,gose_6m,hypoxia\nP1,30,female,5,7,yes\nP2,64.5,,,,\n"
)
RECORDINGS = (
    "recording_id,patient_id,path,format,start_s\n"
    "R2,P1,data/r2.csv,csv,7200\n"
    "R1,P1,data/r1.hea,wfdb,-60\n"
)
MONITORS = "monitor_id,patient_id,kind,removal_h,insertion_h\nM1,P1,pneumatic,40,4\n"
EVENTS = "patient_id,event,start_s,end_s\nP1,rezero,300,360\nP1,drain_open,90,\n"


def _with_outcomes(text):
    """Add the columns that every table of patients needs, with empty cells, where absent."""
    header = text.split("\n")[0].split(",")
    absent = [name for name in ("gose_6m", "death_h", "left_unit_h") if name not in header]
    if "patient_id" not in header or not absent:
        return text
    lines, n_quotes = [], 0
    for number, line in enumerate(text.split("\n")):
        n_quotes += line.count('"')
        ends_row = line.strip() and n_quotes % 2 == 0
        more = "," + ",".join(absent) if number == 0 else "," * len(absent)
        lines.append(line + more if ends_row else line)
    return "\n".join(lines)


def _study(
    folder, *, columns=None, codings=None, gose_coding="gose_1_dead", ending="csv", **texts
):
    """Write four tables, some of them replaced, and return the settings that name them."""
    tables = {"patients": PATIENTS, "recordings": RECORDINGS} | {
        "monitors": MONITORS,
        "events": EVENTS,
    }
    names = {}
    for name, text in (tables | texts).items():
        names[name] = f"{name}.{ending}"
        if text is not None:
            if name == "patients" and isinstance(text, str) and ending == "csv":
                text = _with_outcomes(text)
            content = text if isinstance(text, bytes) else text.encode()
            (folder / names[name]).write_bytes(content)
    declared, ours = _declared(columns or {}, codings or {}, gose_coding)
    usual = {"folder": str(folder), "columns": ours[0], "codings": ours[1]}
    return {"study": usual | names, "cohort": {"main_outcome": "unfavourable"}} | declared


def _declared(columns, codings, gose_coding):
    """Put the columns and codings of declared variables into their entries."""
    declared = copy.deepcopy({name: DECLARED[name] for name in ("variables", "outcomes")})
    declared["outcomes"]["gose_6m"]["coding"] = gose_coding
    entries = declared["variables"] | declared["outcomes"]
    left = []
    for key, stated in (("column", columns), ("codings", codings)):
        rest = {name: {} for name in study.TABLES} | dict(stated)
        for name in [n for n in rest["patients"] if n in entries]:
            entries[name][key] = rest["patients"][name]
        rest["patients"] = {n: v for n, v in rest["patients"].items() if n not in entries}
        left.append(rest)
    return declared, left


def _problems(folder, **texts):
    with pytest.raises(study.StudyError) as caught:
        study.read_study(_study(folder, **texts))
    return caught.value.problems


def _patients(column, cell):
    return f'patient_id,age_years,{column}\nP1,30,"{cell}"\n'


# --- what is read ----------------------------------------------------------------------------


def test_the_four_tables_keep_their_contracts_sorted_by_key(tmp_path):
    read = study.read_study(_study(tmp_path))
    for name, table in study.tables_of(DECLARED).items():
        frame = getattr(read, name)
        assert store.problems(frame, table) == []
        assert list(frame.columns) == list(table.columns)
        assert frame.equals(frame.sort(table.key))
    assert read.recordings["recording_id"].to_list() == ["R1", "R2"]


def test_an_empty_cell_and_an_absent_column_are_null(tmp_path):
    patients = study.read_study(_study(tmp_path)).patients
    assert patients["sex"].to_list() == ["female", None]
    assert patients["gose_6m"].to_list() == [7, None]
    assert patients["glucose_mmol_l"].to_list() == [None, None]


@pytest.mark.parametrize(
    ("text", "value"),
    [
        *((text, True) for text in ("true", "TRUE", "1", "yes")),
        *((text, False) for text in ("false", "False", "0", "no")),
        ("", None),
    ],
)
def test_true_and_false_may_be_written_in_the_usual_ways(tmp_path, text, value):
    read = study.read_study(
        _study(
            tmp_path, patients=_patients("hypoxia", text), events="patient_id,event,start_s\n"
        )
    )
    assert read.patients["hypoxia"].to_list() == [value]


@pytest.mark.parametrize(
    ("column", "text", "value"),
    [
        ("gcs_total", "15", 15),
        ("gcs_total", "15.0", 15),
        ("gcs_motor", "5.0", "5"),
        ("gcs_motor", "untestable", "untestable"),
        ("glucose_mmol_l", " 7.25 ", 7.25),
        ("glucose_mmol_l", "1e1", 10.0),
        ("midline_shift_mm", ".5", 0.5),
        ("death_h", "0", 0.0),
        ("centre", "Unit A, upper floor", "Unit A, upper floor"),
    ],
)
def test_a_cell_gets_the_type_of_its_column(tmp_path, column, text, value):
    read = study.read_study(_study(tmp_path, patients=_patients(column, text)))
    assert read.patients[column].to_list() == [value]


@pytest.mark.parametrize(
    ("column", "cells"),
    [
        ("age_years", ("0", "120")),
        ("gcs_total", ("3", "15")),
        ("pupils_reactive", ("0", "2")),
        ("marshall_class", ("1", "6")),
        ("gose_6m", ("1", "8")),
        ("gcs_motor", ("1", "6")),
    ],
)
def test_both_ends_of_a_scale_are_accepted_and_the_next_step_is_not(tmp_path, column, cells):
    """Reference: scales as published (GCS 3-15, motor 1-6, Marshall I-VI, GOSE 1-8)."""

    def text(cell):
        age = "" if column == "age_years" else ",age_years"
        return f"patient_id,{column}{age}\nP1,{cell}{',40' if age else ''}\n"

    for cell in cells:
        assert study.read_study(_study(tmp_path, patients=text(cell))).patients.height == 1
    for beyond in (int(cells[0]) - 1, int(cells[1]) + 1):
        problems = _problems(tmp_path, patients=text(beyond))
        assert len(problems) == 1
        assert problems[0].startswith(f"patients.csv row 2, {column}: ")


def test_columns_may_have_the_exports_own_names(tmp_path):
    text = "Study ID,Alter,note,gose_6m,death_h,left_unit_h\nP1,30,x,,,\n"
    names = {"patients": {"patient_id": "Study ID", "age_years": "Alter"}}
    read = study.read_study(_study(tmp_path, patients=text, columns=names))
    assert read.patients.select("patient_id", "age_years").rows() == [("P1", 30.0)]


def test_a_parquet_table_is_read_like_the_csv_table(tmp_path):
    from_csv = study.read_study(_study(tmp_path))
    settings = _study(tmp_path)
    frame = from_csv.patients.with_columns(pl.col("gcs_motor").cast(pl.Float64))
    frame.select(
        *("patient_id", "age_years", "sex", "gcs_motor", "gose_6m", "hypoxia"),
        *("death_h", "left_unit_h"),
    ).write_parquet(tmp_path / "p.parquet")
    settings["study"]["patients"] = "p.parquet"
    assert study.read_study(settings).patients.equals(from_csv.patients)


def test_a_bad_cell_of_a_parquet_table_is_named_by_its_row(tmp_path):
    settings = _study(tmp_path)
    unknown = {name: [None, None] for name in ("gose_6m", "death_h", "left_unit_h")}
    pl.DataFrame(
        {"patient_id": ["P1", "P2"], "age_years": [30.0, float("nan")]} | unknown
    ).write_parquet(tmp_path / "p.parquet")
    settings["study"]["patients"] = "p.parquet"
    with pytest.raises(study.StudyError) as caught:
        study.read_study(settings)
    assert caught.value.problems == [
        "p.parquet row 2, age_years: 'nan' is not a value; leave the cell empty for missing"
    ]


def test_tables_of_monitors_and_events_may_have_no_rows(tmp_path):
    read = study.read_study(
        _study(
            tmp_path,
            monitors="monitor_id,patient_id,kind\n",
            events="patient_id,event,start_s\n",
        )
    )
    assert read.monitors.height == read.events.height == 0
    assert store.problems(read.events, study.TABLES["events"]) == []


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path):
    text = b"\xef\xbb\xbf" + _with_outcomes(PATIENTS).replace("\n", "\r\n").encode()
    assert study.read_study(_study(tmp_path, patients=text)).patients.height == 2


def test_the_rows_of_one_patient_come_by_their_start_as_plain_values(tmp_path):
    later_with_smaller_name = RECORDINGS.replace("R2", "R0")
    events = EVENTS.replace("300,360", "30,60")
    read = study.read_study(_study(tmp_path, recordings=later_with_smaller_name, events=events))
    rows = study.recordings_of(read, "P1")
    assert [row["recording_id"] for row in rows] == ["R1", "R0"]
    assert rows[0] == {
        "recording_id": "R1",
        "patient_id": "P1",
        "path": "data/r1.hea",
        "format": "wfdb",
        "start_s": -60.0,
        "icp_channel": None,
        "abp_channel": None,
        "icp_unit": None,
        "abp_unit": None,
        "time_column": None,
        "clock_zone": None,
    }
    assert [(row["event"], row["end_s"]) for row in study.events_of(read, "P1")] == [
        ("rezero", 60.0),
        ("drain_open", None),
    ]
    assert study.recordings_of(read, "P2") == study.events_of(read, "P2") == []


def test_the_rows_of_an_unknown_patient_are_refused(tmp_path):
    read = study.read_study(_study(tmp_path))
    with pytest.raises(ValueError, match="no patient 'p1'; did you mean 'P1'"):
        study.recordings_of(read, "p1")


# --- what is wrong ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("125s", "'125s' is not a number; write 125"),
        ("soon", "'soon' is not a number; write one, or leave the cell empty"),
        ("12,5", "'12,5' has a comma; write 12.5"),
        ("1,250", "'1,250' has a comma; write 1.250 or 1250, whichever is meant"),
        ("nan", "'nan' is not a value; leave the cell empty for missing"),
        ("Inf", "'Inf' is not a value; leave the cell empty for missing"),
        ("NA", "'NA' is not a value; leave the cell empty for missing"),
        ("1_0", "'1_0' is not a number; write one, or leave the cell empty"),
        ("2/3", "'2/3' is not a number; write one, or leave the cell empty"),
        ("7 mmHg", "'7 mmHg' is not a number; write one, or leave the cell empty"),
        ("", "empty; every row needs one"),
        ("1e9", "1e9 is out of range; write a value from -31536000 to 31536000 s"),
        ("1e999", "1e999 is out of range; write a value from -31536000 to 31536000 s"),
    ],
)
def test_a_bad_number_is_named_with_its_file_row_and_column(tmp_path, cell, words):
    text = RECORDINGS + f'R3,P1,data/r3.csv,csv,"{cell}"\n'
    assert _problems(tmp_path, recordings=text) == [f"recordings.csv row 4, start_s: {words}"]


@pytest.mark.parametrize(
    ("column", "cell", "words"),
    [
        ("sex", "Female", "'Female' is not one of female, male; did you mean 'female'?"),
        (
            "gcs_motor",
            "7",
            "'7' is not one of 1, 2, 3, 4, 5, 6, untestable",
        ),
        ("gcs_total", "14.5", "14.5 is not a whole number; write one"),
        ("gcs_total", "16", "16 is out of range; write a value from 3 to 15"),
        ("hypoxia", "maybe", "'maybe' is not true or false; write one"),
        ("age_years", "121", "121 is out of range; write a value from 0 to 120 years"),
        # 126 mg/dL and 130 g/L: the usual units elsewhere are out of range here
        ("glucose_mmol_l", "126", "126 is out of range; write a value from 1 to 60 mmol/L"),
        ("haemoglobin_g_dl", "130", "130 is out of range; write a value from 2 to 25 g/dL"),
        ("death_h", "-1", "-1 is out of range; write a value from 0 to 100000 h"),
    ],
)
def test_a_value_that_cannot_be_is_named_with_what_can(tmp_path, column, cell, words):
    text = f"patient_id,age,{column}\nP1,30,{cell}\n"
    names = {} if column == "age_years" else {"patients": {"age_years": "age"}}
    assert _problems(tmp_path, patients=text, columns=names) == [
        f"patients.csv row 2, {column}: {words}"
    ]


@pytest.mark.parametrize(
    ("tables", "line"),
    [
        (
            {"recordings": RECORDINGS.replace("wfdb", "edf+")},
            "recordings.csv row 3, format: 'edf+' is not one of wfdb, edf, bdf, csv, parquet; "
            "did you mean 'edf'?",
        ),
        (
            {"monitors": MONITORS.replace("pneumatic", "bolt")},
            "monitors.csv row 2, kind: 'bolt' is not one of strain_gauge, fibre_optic, "
            "pneumatic, ventricular_drain",
        ),
        (
            {"events": EVENTS.replace("rezero", "re-zero")},
            "events.csv row 2, event: 're-zero' is not one of drain_open, craniectomy, rezero, "
            "level_change, transport, disconnected, artefact; did you mean 'rezero'?",
        ),
        (
            {"events": EVENTS.replace("300,360", "300,299")},
            "events.csv row 2, end_s: 299 is before start_s 300; correct one of them",
        ),
        (
            {"monitors": MONITORS.replace("40,4", "4,40")},
            "monitors.csv row 2, removal_h: 4 is before insertion_h 40; correct one of them",
        ),
        (
            {"patients": PATIENTS + "P1,40,,,,\n"},
            "patients.csv row 4, patient_id: 'P1' stands in row 2 too; keep one",
        ),
        (
            {"patients": PATIENTS + "p1,40,,,,\n"},
            "patients.csv row 4, patient_id: 'p1' stands in row 2 too; keep one",
        ),
        (
            {"recordings": RECORDINGS + "R2,P2,data/r3.csv,csv,0\n"},
            "recordings.csv row 4, recording_id: 'R2' stands in row 2 too; keep one",
        ),
        (
            {"recordings": RECORDINGS + "R3,P2,data/r2.csv,csv,0\n"},
            "recordings.csv row 4, path: 'data/r2.csv' stands in row 2 too; keep one",
        ),
        (
            {"events": EVENTS + "P1,drain_open,90.0,\n"},
            "events.csv row 4, patient_id, event, start_s: 'P1, drain_open, 90.0' "
            "stands in row 3 too; keep one",
        ),
        (
            {"recordings": RECORDINGS.replace("R2,P1", "R2,P11")},
            "recordings.csv row 2, patient_id: 'P11' is not in the table of patients; "
            "did you mean 'P1'?",
        ),
        (
            {"monitors": MONITORS.replace("M1,P1", "M1,")},
            "monitors.csv row 2, patient_id: empty; every row needs one",
        ),
        (
            {"patients": PATIENTS + "P 3/x,40,,,,\n"},
            "patients.csv row 4, patient_id: 'P 3/x' cannot be the name of a file; write 1 to "
            "64 letters (a-z, A-Z), digits, - and _",
        ),
        (
            {"patients": "patient_id,age_years,death_h,left_unit_h\nP1,40,20,21\n"},
            "patients.csv row 2, left_unit_h: 21 is after death_h 20; correct one of them",
        ),
        (
            {"patients": "patient_id,age_years,death_h,gose_6m\nP1,40,20,3\n"},
            "patients.csv row 2, gose_6m: 3 although death_h is 20; correct one of them",
        ),
        (
            {"patients": PATIENTS + "P3,40,,,\n"},
            "patients.csv row 4: 7 cells under 8 columns; put a text with a comma in quotes, "
            "and write decimals with a point",
        ),
        ({"patients": PATIENTS + ",,,,,\n"}, "patients.csv row 4: an empty row; delete it"),
        (
            {"patients": "patient_id,age_years\n"},
            "patients.csv: no rows; write one line for each of the study's patients",
        ),
        ({"monitors": ""}, "monitors.csv: empty; write a line with the names of the columns"),
        (
            {"patients": "patient_id,age_years\nP1,30\nGrün,40\n".encode("latin-1")},
            "patients.csv: not UTF-8; cp1252 fits, with ü in it: if that is right, write in "
            "config.yaml under study the line `encoding: cp1252`; else save the table again as "
            "CSV in UTF-8",
        ),
        (
            {"patients": 'patient_id,age_years\nP1,"30\n'},
            "patients.csv row 2: not CSV (unexpected end of data); look for a quote that is "
            "not closed",
        ),
        (
            {"patients": b"patient_id,gose_6m,left_unit_h,Death\nP1,,,\n"},
            "patients.csv, column death_h: missing; add it, or write in config.yaml under "
            "study.columns.patients the line `death_h: Death`",
        ),
        (
            {"patients": b"patient_id,weight,left_unit_h,death_h\nP1,30,,\n"},
            "patients.csv, column gose_6m: missing; add it, or write in variables.yaml under "
            "outcomes the line `gose_6m: {column: NAME_OF_YOUR_COLUMN}`",
        ),
        (
            {"patients": "patient_id,age_years,pupil_reactive\nP1,30,2\n"},
            "patients.csv, column pupil_reactive: not known; did you mean 'pupils_reactive'? "
            "Rename or remove it, or write in variables.yaml under variables the line "
            "`pupils_reactive: {column: pupil_reactive}`",
        ),
        (
            {"patients": "patient_id,age_years,age_years\nP1,30,31\n"},
            "patients.csv, column age_years: stands 2 times; keep one",
        ),
        (
            {"patients": PATIENTS, "columns": {"patients": {"sex": "Geschlecht"}}},
            "patients.csv, column Geschlecht: missing; known here: sex "
            "(sex.column in variables.yaml)",
        ),
    ],
)
def test_each_thing_that_can_be_wrong_has_its_words(tmp_path, tables, line):
    problems = _problems(tmp_path, **tables)
    assert problems == [line]


def test_a_repeated_row_is_not_blamed_on_a_cell_that_was_not_understood(tmp_path):
    events = "patient_id,event,start_s\nP1,rezero,x\nP1,rezero,y\n"
    assert [line.split(" is ")[0] for line in _problems(tmp_path, events=events)] == [
        "events.csv row 2, start_s: 'x'",
        "events.csv row 3, start_s: 'y'",
    ]


def test_a_row_is_named_by_its_line_even_after_a_cell_of_two_lines_and_a_blank_line(tmp_path):
    text = 'patient_id,age_years,centre\nP1,young,"unit\nA"\n\nP2,old,\n'
    assert [line.split(" is ")[0] for line in _problems(tmp_path, patients=text)] == [
        "patients.csv row 2, age_years: 'young'",
        "patients.csv row 5, age_years: 'old'",
    ]


@pytest.mark.parametrize("identifier", ["P 3", "P/3", "P.3", "P\u00e9", "../P", "x" * 65])
def test_an_identifier_that_cannot_be_the_name_of_a_file_is_refused(tmp_path, identifier):
    (line,) = _problems(tmp_path, patients=PATIENTS + f"{identifier},40,,,,\n")
    assert "cannot be the name of a file; write 1 to 64 letters" in line


@pytest.mark.parametrize("identifier", ["x" * 64, "P-3_a", "007"])
def test_an_identifier_of_letters_digits_and_dashes_is_kept_as_it_is(tmp_path, identifier):
    read = study.read_study(_study(tmp_path, patients=PATIENTS + f"{identifier},40,,,,\n"))
    assert identifier in read.patients["patient_id"].to_list()


@pytest.mark.parametrize(
    ("path", "words"),
    [
        (
            "/data/r1.csv",
            "'/data/r1.csv' is an absolute path; write it relative to the study folder",
        ),
        ("C:/r1.csv", "'C:/r1.csv' is an absolute path; write it relative to the study folder"),
        ("data\\r1.csv", "'data\\r1.csv' is written with \\; write /"),
        (
            "data/../../r1.csv",
            "'data/../../r1.csv' leaves the study folder; put the file in it and write its "
            "path",
        ),
        (
            "out/r1.csv",
            "'out/r1.csv' is a link out of the study folder; put the file itself in the folder",
        ),
        ("round/r1.csv", "'round/r1.csv' leads nowhere; write the path of a file"),
    ],
)
def test_a_recording_stays_inside_the_study_folder(tmp_path, path, words):
    folder = tmp_path / "study"
    folder.mkdir()
    (folder / "out").symlink_to(tmp_path)
    (folder / "round").symlink_to(folder / "round")
    text = f"recording_id,patient_id,path,format,start_s\nR1,P1,{path},csv,0\n"
    assert _problems(folder, recordings=text) == [f"recordings.csv row 2, path: {words}"]


def test_a_link_inside_the_study_folder_is_followed(tmp_path):
    (tmp_path / "store").mkdir()
    (tmp_path / "data").symlink_to(tmp_path / "store")
    assert study.read_study(_study(tmp_path)).recordings.height == 2


def test_a_wfdb_recording_is_named_by_its_header(tmp_path):
    text = RECORDINGS.replace("r1.hea", "r1")
    assert _problems(tmp_path, recordings=text) == [
        "recordings.csv row 3, path: 'data/r1' is not a WFDB header; "
        "write the file that ends in .hea"
    ]


def test_a_missing_table_is_told_and_the_others_are_still_looked_at(tmp_path):
    problems = _problems(tmp_path, patients=None, events=EVENTS.replace("90", "x"))
    assert problems == [
        f"patients.csv: no such file in {tmp_path}; put it there, or correct study in "
        "config.yaml",
        "events.csv row 3, start_s: 'x' is not a number; write one, or leave the cell empty",
    ]


def test_a_file_that_only_calls_itself_parquet_is_told_in_words(tmp_path):
    (tmp_path / "p.parquet").write_bytes(b"PAR1 and rubbish PAR1")
    settings = _study(tmp_path)
    settings["study"]["patients"] = "p.parquet"
    with pytest.raises(study.StudyError, match=r"p\.parquet: not a Parquet file"):
        study.read_study(settings)


# --- many rows of one cause ---


@pytest.mark.parametrize(("n", "n_lines"), [(3, 3), (4, 1), (60, 1)])
def test_more_than_three_rows_of_one_cause_are_one_line(tmp_path, n, n_lines):
    rows = "".join(f"Q{i},x{i}\n" for i in range(n))
    problems = _problems(tmp_path, patients="patient_id,age_years\nP1,1\n" + rows)
    assert len(problems) == n_lines
    words = "'x0' is not a number; write one, or leave the cell empty"
    if n_lines == 1:
        shown = f"{n} rows, such as 3 ('x0'), 4 ('x1') and 5 ('x2')"
        assert problems == [f"patients.csv, age_years: {shown}: {words}"]
    else:
        assert problems[0] == f"patients.csv row 3, age_years: {words}"


def test_two_causes_in_one_column_are_two_lines_and_another_column_a_third(tmp_path):
    rows = "".join(f"Q{i},x,\n" for i in range(4)) + "".join(f"R{i},400,9\n" for i in range(4))
    text = "patient_id,age_years,gcs_motor\nP1,1,\n" + rows
    problems = _problems(tmp_path, patients=text)
    assert [line.split(":")[1][:7] for line in problems] == [" 4 rows"] * 3


def test_many_codes_are_one_line_with_the_line_to_write(tmp_path):
    rows = "".join(f"Q{i},{1 + i % 2}\n" for i in range(6))
    problems = _problems(tmp_path, patients="patient_id,sex\nP1,female\n" + rows)
    assert problems == [
        "patients.csv, sex: 6 rows, such as 3 ('1'), 4 ('2') and 5 ('1'): '1' is not one of "
        "female, male; if your table has codes, write in variables.yaml under variables the "
        'line `sex: {codings: {"1": "WHAT_IT_MEANS", "2": "WHAT_IT_MEANS"}}`, with what each '
        "code means after it"
    ]


def test_many_codes_of_another_table_are_written_into_config(tmp_path):
    rows = "".join(f"M{i},P1,ICP-{i % 2}\n" for i in range(4))
    (line,) = _problems(tmp_path, monitors="monitor_id,patient_id,kind\n" + rows)
    assert (
        'config.yaml under study.codings.monitors the line `kind: {"ICP-0": "WHAT_IT_MEANS", '
        '"ICP-1": "WHAT_IT_MEANS"}`' in line
    )


def test_rows_are_not_called_alike_by_a_column_that_is_not_there(tmp_path):
    """Events without a start: the missing column is the cause, and no row is too many."""
    rows = "P1,rezero\n" * 3
    problems = _problems(tmp_path, events="patient_id,event\n" + rows)
    assert [line.split(";")[0] for line in problems] == ["events.csv, column start_s: missing"]


def test_the_text_shows_50_problems_and_counts_the_rest():
    error = study.StudyError([f"problem {i}" for i in range(60)])
    assert len(error.problems) == 60
    lines = str(error).splitlines()
    assert len(lines) == 51
    assert lines[-1] == "... and 10 more"


@pytest.mark.parametrize("name", ["gose_6m", "death_h", "left_unit_h"])
def test_a_table_without_outcomes_or_times_of_leaving_is_refused(tmp_path, name):
    """Without them a death before a landmark would be taken for a stay."""
    text = _with_outcomes(PATIENTS).replace(name, "something_else").encode()
    assert any(f"column {name}: missing" in line for line in _problems(tmp_path, patients=text))
    empty = study.read_study(_study(tmp_path))
    assert empty.patients["death_h"].to_list() == [None, None]


def test_columns_that_are_not_used_or_not_there_are_told(tmp_path):
    text = _with_outcomes(PATIENTS).replace("hypoxia", "remarks")
    settings = _study(tmp_path, patients=text)
    notes = study.unread(study.read_rows(settings)[0], settings)
    assert notes[0] == "patients.csv: columns not used: remarks"
    assert notes[1].startswith("patients.csv: columns not there, so all missing: centre, ")


# --- where the transducer is, and when a monitor was fit -------------------------------------


def test_a_level_stands_with_the_patient_or_with_a_change_of_level(tmp_path):
    settings = _study(
        tmp_path,
        patients="patient_id,age_years,abp_level,bed_angle_deg,heart_to_tragus_cm\n"
        "P1,30,heart,30,25\nP2,64,,,\n",
        events="patient_id,event,start_s,abp_level\nP1,level_change,300,tragus\n",
    )
    tables = study.read_study(settings)
    heart = {"abp_level": "heart", "bed_angle_deg": 30.0, "heart_to_tragus_cm": 25.0}
    assert study.level_of(tables, "P1") == heart
    assert study.level_of(tables, "P2") == dict.fromkeys(heart)
    assert study.events_of(tables, "P1")[0]["abp_level"] == "tragus"


def test_a_level_in_the_row_of_another_event_is_refused(tmp_path):
    (problem,) = _problems(
        tmp_path, events="patient_id,event,start_s,abp_level\nP1,transport,300,heart\n"
    )
    assert "abp_level: stated in a row of 'transport'" in problem and "level_change" in problem


def test_the_times_of_a_monitor_come_by_insertion_and_stand_in_their_order(tmp_path):
    header = "monitor_id,patient_id,kind,insertion_h,removal_h,calibrated_h,malfunction_h\n"
    tables = study.read_study(
        _study(tmp_path, monitors=header + "M2,P1,pneumatic,9,40,,30\nM1,P1,pneumatic,4,9,3,\n")
    )
    assert [m["insertion_h"] for m in study.monitors_of(tables, "P1")] == [4.0, 9.0]
    assert study.monitors_of(tables, "P1")[1] == {
        "monitor_id": "M2",
        "insertion_h": 9.0,
        "removal_h": 40.0,
        "calibrated_h": None,
        "malfunction_h": 30.0,
        "drift_at_removal_mmhg": None,
    }
    problems = _problems(tmp_path, monitors=header + "M1,P1,pneumatic,4,9,10,3\n")
    assert len(problems) == 2
    assert "malfunction_h: 3 is before insertion_h 4" in problems[0]
    assert "removal_h: 9 is before calibrated_h 10" in problems[1]


def test_a_needed_column_that_is_not_there_is_a_problem_and_not_told_again(tmp_path):
    settings = _study(tmp_path, monitors="monitor_id,patient_id\nM1,P1\n")
    tables, problems = study.read_rows(settings)
    assert [line.split(";")[0] for line in problems] == ["monitors.csv, column kind: missing"]
    (note,) = [line for line in study.unread(tables, settings) if line.startswith("monitors")]
    assert "kind" not in note


# --- translated values ---

CODED = "patient_id,age_years,sex,gcs_motor,gose_6m,death_h\nP1,30,1,U,8,\nP2,64.5,2,9,1,50\n"
SEX = {"sex": {"1": "male", "2": "female"}, "gcs_motor": {"U": "untestable", "9": "", "X": "1"}}


def test_values_are_translated_and_every_translation_is_counted(tmp_path):
    read = study.read_study(_study(tmp_path, patients=CODED, codings={"patients": SEX}))
    assert read.patients["sex"].to_list() == ["male", "female"]
    assert read.patients["gcs_motor"].to_list() == ["untestable", None]
    assert read.recodings.rows() == [
        ("patients", "gcs_motor", "9", "", 1),
        ("patients", "gcs_motor", "U", "untestable", 1),
        ("patients", "gcs_motor", "X", "1", 0),
        ("patients", "sex", "1", "male", 1),
        ("patients", "sex", "2", "female", 1),
    ]
    store.check(read.recodings, contracts.RECODINGS, "recodings")


def test_a_whole_number_written_with_a_point_is_translated_too(tmp_path):
    text = CODED.replace(",30,1,", ",30,1.0,")
    read = study.read_study(_study(tmp_path, patients=text, codings={"patients": SEX}))
    assert read.patients["sex"].to_list() == ["male", "female"]
    assert read.recodings.filter(column="sex")["n"].to_list() == [1, 1]


@pytest.mark.parametrize(
    ("coding", "scores", "ours", "n_recoded"),
    [
        ("gose_1_dead", ("8", "1"), [8, 1], 0),
        ("gose_1_good", ("1", "8"), [8, 1], 2),
        ("gos_1_dead", ("5", "1"), [7, 1], 1),
        ("gos_1_good", ("2", "5"), [5, 1], 2),
    ],
)
def test_the_outcome_scale_is_turned_the_stated_way(tmp_path, coding, scores, ours, n_recoded):
    first, second = scores
    text = CODED.replace(",8,", f",{first},").replace(",1,50", f",{second},50")
    settings = _study(tmp_path, patients=text, codings={"patients": SEX}, gose_coding=coding)
    read = study.read_study(settings)
    assert read.patients["gose_6m"].to_list() == ours
    scale = read.recodings.filter(column="gose_6m")
    assert scale["n"].sum() == n_recoded


def test_a_coding_of_the_outcome_is_read_in_the_stated_scale(tmp_path):
    text = CODED.replace(",8,", ",good,").replace(",1,50", ",dead,50")
    codings = {"patients": SEX | {"gose_6m": {"good": "5", "dead": "1"}}}
    settings = _study(tmp_path, patients=text, codings=codings, gose_coding="gos_1_dead")
    read = study.read_study(settings)
    assert read.patients["gose_6m"].to_list() == [7, 1]
    assert read.recodings.filter(column="gose_6m").rows() == [
        ("patients", "gose_6m", "dead", "1", 1),
        ("patients", "gose_6m", "good", "7", 1),
    ]


def test_a_coding_of_ones_own_goes_before_the_scale(tmp_path):
    text = CODED.replace(",8,", ",5,").replace(",1,50", ",1,50")
    codings = {"patients": SEX | {"gose_6m": {"5": "4"}}}
    settings = _study(tmp_path, patients=text, codings=codings, gose_coding="gos_1_dead")
    assert study.read_study(settings).patients["gose_6m"].to_list() == [5, 1]


def test_a_score_that_the_scale_of_five_does_not_have_is_refused(tmp_path):
    settings = _study(
        tmp_path, patients=CODED, codings={"patients": SEX}, gose_coding="gos_1_dead"
    )
    with pytest.raises(study.StudyError) as caught:
        study.read_study(settings)
    assert caught.value.problems == [
        "patients.csv row 2, gose_6m: 8 is not in the scale 'gos_1_dead'; known: 1, 2, 3, 4, 5"
    ]


def test_a_reversed_scale_is_told_once_and_not_by_every_death(tmp_path):
    text = "patient_id,age_years,gose_6m,death_h\nP1,30,8,40\nP2,64.5,8,50\nP3,40,1,\n"
    assert _problems(tmp_path, patients=text) == [
        "outcomes.gose_6m.coding: gose_6m is 8, the best outcome of the table, in 2 of 2 "
        "patients who died, so the scale runs the other way; state how your table codes it"
    ]


def test_nobody_is_last_known_alive_after_death(tmp_path):
    text = "patient_id,age_years,gose_6m,death_h,last_known_h\nP1,30,1,40,41\nP2,50,,,\n"
    assert _problems(tmp_path, patients=text) == [
        "patients.csv row 2, last_known_h: 41 is after death_h 40; correct one of them"
    ]


def test_a_file_of_several_patients_may_stand_in_a_row_of_each(tmp_path):
    rows = (
        "recording_id,patient_id,path,format,start_s\n"
        "R1,P1,all.csv,csv,0\nR2,P2,all.csv,csv,0\nR3,P2,all.csv,csv,9\n"
    )
    settings = _study(tmp_path, recordings=rows)
    _, problems = study.read_rows(settings)
    once = [line for line in problems if "stands in row" in line]
    assert [line.partition(",")[0] for line in once] == [
        "recordings.csv row 3",
        "recordings.csv row 4",
    ]
    _, problems = study.read_rows(settings | {"recordings": {"patient_column": "who"}})
    shared = [line for line in problems if "stands in row" in line]
    assert shared == [
        "recordings.csv row 4, path, patient_id: 'all.csv, P2' stands in row 3 too; keep one"
    ]


def test_a_root_that_is_not_there_stops_a_study_in_words(tmp_path):
    settings = _study(tmp_path)
    roots = {"archive": str(tmp_path / "away")}
    with pytest.raises(study.StudyError) as caught:
        study.read_study(settings | {"recordings": {"roots": roots}})
    assert len(caught.value.problems) == 1
    assert caught.value.problems[0].startswith(
        "config.yaml, recordings.roots.archive: no such folder;"
    )
    assert str(tmp_path) not in caught.value.problems[0]
    (tmp_path / "away").mkdir()
    read = study.read_study(settings | {"recordings": {"roots": roots}})
    assert read.roots == {"archive": tmp_path / "away"}
