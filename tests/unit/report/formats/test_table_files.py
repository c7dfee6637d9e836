"""Table files: CSV and LaTeX say what the report says, to a spreadsheet and to a parser."""

import csv
import io
import re
import runpy
from pathlib import Path

import pytest
from pylatexenc.latex2text import LatexNodes2Text

from icpcohort.report.formats import csv_cells, html_page, latex, printable, table_files
from icpcohort.report.sections.blocks import GridBlock
from icpcohort.report.tables.grid import Grid

INVENTED = runpy.run_path(str(Path(__file__).parents[1] / "report_arguments.py"))
CONTENT, _ = html_page.build_report(**INVENTED["whole_report"]())
GRIDS = [one for one in CONTENT.blocks() if isinstance(one, GridBlock)]
HOSTILE = (
    "=cmd()",
    r"\input{x} 50 % & #1 $y$ _{z} ~ ^ \\",
    "<b>x</b> | [h] \"q\" 'r'",
    "\u05e9\u05dc\u05d5\u05dd",
    "\U0001f9e0",
    "x" * 200,
    "--- `` '' ,, << >> ?` !`",
)
AS_TEXT = LatexNodes2Text(math_mode="text", strict_latex_spaces=True, keep_comments=True)


def _block(*cells, caption="Caption", note="Note"):
    rows = [[one, "1"] for one in cells]
    return GridBlock("table-t", Grid(caption, ["A", "A"], rows, note), number="Table 1")


def _cells(text):
    """Return the rows of a longtable as a parser of LaTeX reads them."""
    head = re.search(r"\\toprule\n(.*?) \\\\\n\\midrule", text, re.DOTALL)[1]
    body = re.search(r"\\endlastfoot\n(.*)\\end\{longtable\}", text, re.DOTALL)[1]
    rows = [head, *body.removesuffix(" \\\\\n").split(" \\\\\n")]
    split = [re.split(r"(?<!\\)&", row) for row in rows]
    return [[_read(cell.strip()) for cell in row] for row in split]


def _read(cell):
    """Return what the parser reads, with its circumflex and its minus as ours."""
    text = cell.replace("$-$", "−").replace(r"\textasciicircum{}", "^")
    return AS_TEXT.latex_to_text(text)


def test_every_table_has_its_files_and_the_index_names_them():
    texts = table_files.as_csv(CONTENT)
    index = list(csv.DictReader(io.StringIO(texts["index.csv"])))
    assert [row["file"] for row in index] == [n for n in texts if n != "index.csv"]
    assert [(row["number"], row["caption"]) for row in index] == [
        (one.number, one.grid.caption) for one in GRIDS
    ]
    drawn = {one.id.removeprefix("table-") for one in GRIDS if not one.patient_level}
    assert set(table_files.as_latex(CONTENT)) == {f"{name}.tex" for name in drawn}


def test_a_csv_has_the_cells_of_the_report():
    texts = table_files.as_csv(CONTENT)
    for one in GRIDS:
        read = list(csv.reader(io.StringIO(texts[f"{one.id.removeprefix('table-')}.csv"])))
        wanted = [one.grid.head, *one.rows()]
        assert read == [[csv_cells.safe_cell(cell) for cell in row] for row in wanted]


def test_a_latex_table_has_the_cells_of_the_report():
    for one in GRIDS:
        wanted = [[" ".join(c.split()) for c in row] for row in (one.grid.head, *one.rows())]
        assert _cells(latex.as_latex(one)) == wanted, one.id


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t", "\r", "\n", "＝", " ="])
def test_a_cell_that_begins_like_a_formula_is_only_text(sign):
    assert csv_cells.safe_cell(f"{sign}cmd()") == f"'{sign}cmd()"


@pytest.mark.parametrize(
    ("cell", "shown"),
    [("−0.13", "-0.13"), ("-5", "-5"), ("+2.5", "+2.5"), ("1e-5", "1e-5"), ("−1e+6", "-1e+6")],
)
def test_a_negative_number_stays_a_number(cell, shown):
    assert csv_cells.safe_cell(cell) == shown
    assert float(shown) is not None


@pytest.mark.parametrize("cell", ["−0.2 (−1.0 to 0.6)", "-1+cmd()", "-", "–", "<0.001", "a=b"])
def test_what_only_looks_like_a_number_is_text(cell):
    safe = csv_cells.safe_cell(cell)
    assert safe == (f"'{cell}" if cell.startswith("-") else cell)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_changes_nothing_but_its_own_cell(text):
    plain, hostile = (
        _cells(latex.as_latex(_block("a", "b"))),
        _cells(latex.as_latex(_block(text, "b"))),
    )
    shown = hostile[1].pop(0)
    assert (plain[1].pop(0), hostile) == ("a", plain)
    assert shown == text
    read = list(
        csv.reader(io.StringIO(csv_cells.as_csv(["A", "A"], [[text, "1"], ["b", "2"]])))
    )
    assert read == [["A", "A"], [csv_cells.safe_cell(text), "1"], ["b", "2"]]


def test_hostile_captions_and_notes_are_escaped():
    text = latex.as_latex(_block("a", caption=HOSTILE[1], note=HOSTILE[1]))
    assert text.count(r"\textbackslash{}input\{x\} 50 \% \& \#1 \$y\$ \_\{z\}") == 3
    assert r"\input" not in text


def test_control_characters_are_replaced_and_lines_are_kept_in_csv_only():
    assert csv_cells.safe_cell("a\x00b\nc") == "a\ufffdb\nc"
    assert _cells(latex.as_latex(_block("a\x00b\nc")))[1][0] == "a\ufffdb c"
    assert printable.text("a\tb\ud800\uffff\x85") == "a" + "\ufffd" + "b" + "\ufffd" * 3
