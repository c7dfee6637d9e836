"""Spreadsheets: a sheet of an .xlsx file as rows of texts, as people see them there."""

import random
import zipfile
from datetime import date, datetime, time, timedelta

import fastexcel
import openpyxl
import pytest

from icpcohort.study import read_table, spreadsheets

HEADER = ["patient_id", "age_years", "sex", "hypoxia", "start", "day", "share", "note"]


def _write(path, rows, *, formats=(), sheets=("Sheet",)):
    book = openpyxl.Workbook()
    book.active.title = sheets[0]
    for name in sheets[1:]:
        book.create_sheet(name).append(["patient_id", name])
    for number, row in rows.items():
        for place, value in enumerate(row, start=1):
            book.active.cell(number, place, value)
    for cell, form in formats:
        book.active[cell].number_format = form
    book.save(path)
    return path


def _texts(path, sheet=""):
    return spreadsheets.read(path, sheet=sheet)


def _refused(path, sheet=""):
    with pytest.raises(spreadsheets.SpreadsheetError) as caught:
        spreadsheets.read(path, sheet=sheet)
    return str(caught.value)


def test_cells_are_read_as_people_see_them_with_the_rows_of_the_sheet(tmp_path):
    moment = datetime(2024, 3, 1, 10, 5, 30)
    rows = {
        1: HEADER,
        2: ["P1", 30.0, "female", True, moment, date(2024, 3, 1), 0.45, " x "],
        5: ["007", 0.1 + 0.2, None, False, datetime(2024, 3, 2), time(10, 5), 12, None],
        6: [3, 1e-7, "", None, timedelta(hours=30, minutes=2), None, None, "5"],
    }
    path = _write(tmp_path / "t.xlsx", rows, formats=[("G2", "0%"), ("F2", "dd.mm.yyyy")])
    assert _texts(path) == [
        (1, HEADER),
        (2, ["P1", "30", "female", "true", str(moment), "2024-03-01", "45%", "x"]),
        (5, ["007", "0.3", "", "false", "2024-03-02 00:00:00", "10:05:00", "12", ""]),
        (6, ["3", "1e-07", "", "", "30:02:00", "", "", "5"]),
    ]


def test_a_midnight_is_a_day_alone_where_the_cell_shows_no_time(tmp_path):
    day = datetime(2024, 3, 2)
    rows = {1: ["a", "b", "c"], 2: [day, day, day]}
    formats = [("A2", 'dd.mm.yyyy "hh"'), ("B2", "[$-407]dd/mm/yy hh:mm"), ("C2", "d-mmm")]
    path = _write(tmp_path / "t.xlsx", rows, formats=formats)
    assert _texts(path)[1] == (2, ["2024-03-02", "2024-03-02 00:00:00", "2024-03-02"])


def _value(kind, draw):
    return {
        "count": lambda: draw.randint(-(10**9), 10**9),
        "number": lambda: round(draw.uniform(-1e6, 1e6), draw.randint(0, 8)),
        "text": lambda: "".join(draw.choices("abcÄé1 ;\"'<&", k=draw.randint(1, 9))),
        "flag": lambda: draw.random() < 0.5,
        "date": lambda: datetime(2000, 1, 1) + timedelta(minutes=draw.randint(1, 10**7)),
    }[kind]()


@pytest.mark.parametrize("seed", range(5))
def test_every_cell_is_what_another_reader_finds(tmp_path, seed):
    """Against calamine, a reader of spreadsheets in Rust, by fastexcel."""
    draw = random.Random(seed)
    kinds = ["text", "count", "number", "text", "flag", "date"]
    rows = {1: [f"column {i}" for i in range(len(kinds))]} | {
        number: [_value(kind, draw) if draw.random() < 0.8 else None for kind in kinds]
        for number in range(2, 60)
    }
    path = _write(tmp_path / "t.xlsx", rows)
    sheet = fastexcel.read_excel(path).load_sheet(0, header_row=None, dtypes="string")
    n_compared = 0
    theirs = dict(enumerate(sheet.to_polars().rows(), start=1))
    for number, cells in _texts(path)[1:]:
        for kind, ours, other in zip(kinds, cells, theirs[number]):
            expected = (other or "").strip()
            if kind == "number" and expected:
                assert float(ours) == pytest.approx(float(expected), rel=1e-14)
            elif kind == "date" and expected:
                assert datetime.fromisoformat(ours) == datetime.fromisoformat(expected)
            else:
                assert ours == expected
            n_compared += bool(expected)
    assert n_compared > 200


def test_the_first_sheet_is_read_unless_another_is_named(tmp_path):
    path = _write(tmp_path / "t.xlsx", {1: ["x"]}, sheets=("Patients", "Other"))
    assert _texts(path) == [(1, ["x"])]
    assert _texts(path, "Other") == [(1, ["patient_id", "Other"])]
    assert _refused(path, "other") == (
        "no sheet 'other'; did you mean 'Other'? (study.sheets in config.yaml)"
    )


def test_cells_beyond_the_header_and_empty_rows_are_not_read(tmp_path):
    rows = {3: ["a", "b", None], 4: ["1", None, "remark"], 9: [None, None, "another"]}
    path = _write(tmp_path / "t.xlsx", rows)
    assert _texts(path) == [(3, ["a", "b"]), (4, ["1", ""])]


def test_a_cell_far_away_costs_nothing(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["a", "b"])
    book.active["XFD1048576"] = "far"
    book.save(tmp_path / "t.xlsx")
    assert _texts(tmp_path / "t.xlsx") == [(1, ["a", "b"])]


# --- what is refused -------------------------------------------------------------------------


def test_merged_cells_and_formulas_without_a_result_are_refused(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["a", "b"])
    book.active.append(["=1/4", 2])
    book.save(tmp_path / "formula.xlsx")
    assert _refused(tmp_path / "formula.xlsx").startswith("a formula without a result (A2);")
    book.active["A2"] = 1
    book.active.merge_cells("A2:A3")
    book.save(tmp_path / "merged.xlsx")
    assert _refused(tmp_path / "merged.xlsx").startswith("merged cells (A2:A3);")


def _with_part(path, name, content):
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as package:
        package.writestr(name, content)
    return path


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("xl/vbaProject.bin", b"x", "has macros; save it as .xlsx without them"),
        ("xl/bomb.xml", b" " * 60_000_000, "more than 50 MB when unpacked; save the sheet"),
        *(
            (
                f"xl/{code}.xml",
                '<!DOCTYPE x [<!ENTITY a "b">]>'.encode(code),
                "declares XML ent",
            )
            for code in ("utf-8", "utf-16")
        ),
    ],
)
def test_what_a_package_should_not_hold_is_refused_before_it_is_read(
    tmp_path, name, content, words
):
    path = _with_part(_write(tmp_path / "t.xlsx", {1: ["a"]}), name, content)
    assert _refused(path).startswith(words)


@pytest.mark.parametrize("n", [0, 1, 100, 2000])
def test_a_broken_file_is_refused_in_words(tmp_path, n):
    path = _write(tmp_path / "t.xlsx", {1: ["a"], 2: ["b"]})
    path.write_bytes(path.read_bytes()[:n])
    assert _refused(path) == "not an .xlsx file that can be read; save it again"


def test_a_broken_part_is_refused_in_words(tmp_path):
    whole = _write(tmp_path / "t.xlsx", {1: ["a"], 2: ["b"]})
    with zipfile.ZipFile(whole) as package:
        parts = {name: package.read(name) for name in package.namelist()}
    for broken in ("xl/worksheets/sheet1.xml", "xl/workbook.xml", "[Content_Types].xml"):
        with zipfile.ZipFile(tmp_path / "broken.xlsx", "w") as package:
            for name, content in parts.items():
                package.writestr(name, content[:40] if name == broken else content)
        assert _refused(tmp_path / "broken.xlsx").startswith("not an .xlsx file that can be")


def test_a_file_with_a_password_is_refused_in_words(tmp_path):
    (tmp_path / "t.xlsx").write_bytes(bytes.fromhex("d0cf11e0a1b11ae1") + bytes(4000))
    assert _refused(tmp_path / "t.xlsx").startswith("has a password, or is an .xls file")


def test_a_table_of_the_study_may_be_a_sheet(tmp_path):
    path = _write(tmp_path / "t.xlsx", {2: ["patient_id", "age_years"], 4: ["P1", 30]})
    export, problems = read_table.read(path, within=tmp_path)
    assert export == read_table.Export(["patient_id", "age_years"], [(4, ["P1", "30"])], "")
    assert problems == []
