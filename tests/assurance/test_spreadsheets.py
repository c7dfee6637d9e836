"""Promise: no text of a study is computed by a spreadsheet that opens a CSV of the results."""

import csv
import io
import re
import runpy
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from published_settings import DECLARED

from icpcohort import contracts
from icpcohort.cohort import export
from icpcohort.contracts import spreadsheet
from icpcohort.models import replication
from icpcohort.report.formats import html_page, table_files
from icpcohort.report.sections.blocks import Content, GridBlock, Link, Section
from icpcohort.report.sharing import folder
from icpcohort.report.tables import table_one
from icpcohort.report.tables.grid import Grid

HOME = Path(__file__).parents[2]
INVENTED = runpy.run_path(str(HOME / "tests/unit/report/report_arguments.py"))
MODELS = runpy.run_path(str(HOME / "tests/reference/test_replication.py"))
MAIN = INVENTED["MAIN_WINDOW"]
PLANTED = ("=1+1", "+1", "-1", "@x", "\tx", "\rx", "x\r=1+1")
SIGNS = ("=", "+", "-", "@", "\t", "\r")
WRITERS = {  # of CSV; what is simulated is read by the workflow, and a digest by nobody
    *("src/icpcohort/cohort/export.py", "src/icpcohort/report/formats/csv_cells.py"),
    *("src/icpcohort/provenance/plan_lock.py", "workflow/scripts/model.py"),
    "src/icpcohort/commands/list_recordings.py",  # the study's own table, read by the workflow
}


def _cells(text):
    return [cell for row in csv.reader(io.StringIO(text, newline="")) for cell in row]


def _as_text(text):
    """Return a planted text as a file of the analysis has it."""
    return f"'{text}" if text.startswith(SIGNS) else text


def _live(cells):
    """Return the cells that a spreadsheet computes; a signed number is what it says."""
    return [
        cell
        for cell in cells
        if cell.startswith(SIGNS) and not re.fullmatch(r"[-+]?[0-9.]+(e[-+]?[0-9]+)?", cell)
    ]


def test_a_live_cell_is_seen():
    assert _live(["=1+1", "-1+2", "@x", "\tx", "'=1", "-1", "1e-5", "−1", ""]) == [
        *("=1+1", "-1+2", "@x", "\tx"),
    ]


@pytest.mark.parametrize("text", PLANTED)
def test_no_text_of_the_analysis_table_is_live(text):
    table = contracts.analysis(
        DECLARED | {"burden": {"thresholds": {"icp": {"above": [20.0]}}}}
    )
    row = {
        name: text if column.dtype == contracts.TEXT else None
        for name, column in table.columns.items()
    }
    schema = {name: column.dtype for name, column in table.columns.items()}
    written = export.as_csv(pl.DataFrame([row], schema=schema), table).decode("utf-8")
    cells = _cells(written)[len(row) :]
    texts = [cell for cell, value in zip(cells, row.values(), strict=True) if value]
    assert len(texts) > 8
    assert set(texts) == {_as_text(text)}
    assert _live(cells) == []


def test_no_text_in_the_data_of_a_model_is_live():
    rows = MODELS["patients"](300, seed=4)
    planted = pl.Series([PLANTED[i % len(PLANTED)] for i in range(rows.height)])
    asked = MODELS["planned"](
        "logistic", adjust_for=("sex", "centre"), as_categories=("sex", "centre")
    )
    made = MODELS["fit"].fit_model(
        rows.with_columns(centre=planted, sex=planted.reverse()),
        plan=asked,
        landmark_h=MODELS["LANDMARK_H"],
        updates=None,
    )
    data = replication.data(made, plan=asked)
    for name in ("centre", "sex"):
        assert set(data[name]) == set(map(_as_text, PLANTED))
    assert _live(_cells(data.write_csv())) == []


def _planted(block, text):
    """Return a table of the report with a text in every cell, its caption and its note."""
    grid = block.grid
    rows = [[text] * len(row) for row in grid.rows]
    ways = tuple((Link("x", text),) if one else () for one in block.ways)
    return replace(block, grid=Grid(text, [text] * len(grid.head), rows, text), ways=ways)


@pytest.fixture(scope="module")
def grids():
    content, _ = html_page.build_report(**INVENTED["whole_report"]())
    return [block for block in content.blocks() if isinstance(block, GridBlock)]


@pytest.mark.parametrize("text", PLANTED)
def test_no_cell_of_a_table_of_the_report_is_live(grids, text):
    planted = tuple(_planted(block, text) for block in grids)
    files = table_files.as_csv(Content("", "", "", (Section("s", "", planted),)))
    assert len(files) > 20
    for name, written in files.items():
        cells = _cells(written)
        assert sum(text in cell for cell in cells) > 2, name
        assert _live(cells) == [], name


@pytest.mark.parametrize("text", PLANTED)
def test_no_cell_of_a_shared_table_is_live(text):
    tables = INVENTED["make_tables"](104, lost=4, seed=20)
    planted = pl.lit(text)
    tables["analysis"] = tables["analysis"].with_columns(sex=planted, tier=planted)
    tables["monitors"] = tables["monitors"].with_columns(kind=planted)
    tables["flow"] = tables["flow"].with_columns(name=planted)
    plan = INVENTED["MODELS"]["unfavourable_by_dose"]
    files = folder.files(
        tables=tables,
        models={text: plan},
        estimates={text: INVENTED["make_estimates"]()["unfavourable_by_dose"]},
        dropped={text: tables["dropped"].clear()},
        methods={},
        main_window=MAIN,
        groups=table_one.Groups(text, f"{text} too", pl.col("unfavourable")),
        min_cell=5,
        variables=["sex", "tier", "age_years"],
        columns=contracts.analysis(DECLARED).columns,
        declared=INVENTED["SETTINGS"],
    )
    for name in ("table1.csv", "monitors.csv", "flow.csv", "estimates.csv"):
        assert any(text in cell for cell in _cells(files[name])), name
    assert [c for n, t in files.items() if n.endswith(".csv") for c in _live(_cells(t))] == []


@pytest.mark.parametrize("text", [*PLANTED[:-1], " =1", "\n=1", "＝1", "＋1", "－1", "＠x"])
def test_what_a_spreadsheet_would_take_for_a_formula_is_guarded(text):
    assert spreadsheet.safe_text(text) == f"'{text}"


@pytest.mark.parametrize("text", ["", "a=b", "Zürich", "−1", "1 = 1", "'=1"])
def test_any_other_text_stays(text):
    assert spreadsheet.safe_text(text) == text


def test_no_other_module_writes_csv():
    writing = {
        str(path.relative_to(HOME))
        for folder in ("src", "workflow")
        for path in (HOME / folder).rglob("*.py")
        if re.search(r"\.write_csv\(|csv\.(DictW|w)riter\(|\.to_csv\(", path.read_text("utf-8"))
    }
    simulated = {path for path in writing if path.startswith("src/icpcohort/simulate/")}
    assert writing - simulated == WRITERS
