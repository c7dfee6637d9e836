"""Table files: every table of the report as CSV and as LaTeX, by its name in the report."""

from collections.abc import Mapping
from pathlib import Path

from icpcohort.contracts import atomic_write
from icpcohort.report.formats import csv_cells, latex
from icpcohort.report.sections.blocks import Content, GridBlock

INDEX = "index.csv"
INDEX_HEAD = ("file", "number", "caption", "note")


def as_csv(content: Content) -> dict[str, str]:
    """Return each table by the name of its file, and `INDEX`, which has captions and notes.

    Tables of single patients are among them: these files are for the group.
    """
    tables = _tables(content)
    index = [
        [f"{name}.csv", block.number, block.grid.caption, block.grid.note]
        for name, block in tables.items()
    ]
    texts = {
        f"{name}.csv": csv_cells.as_csv(block.grid.head, block.rows())
        for name, block in tables.items()
    }
    return texts | {INDEX: csv_cells.as_csv(INDEX_HEAD, index)}


def as_latex(content: Content) -> dict[str, str]:
    """Return each table by the name of its file, without those of single patients."""
    return {
        f"{name}.tex": latex.as_latex(block)
        for name, block in _tables(content).items()
        if not block.patient_level
    }


def _tables(content: Content) -> dict[str, GridBlock]:
    return {
        block.id.removeprefix("table-"): block
        for block in content.blocks()
        if isinstance(block, GridBlock)
    }


def write(texts: Mapping[str, str], folder: Path) -> None:
    """Write the files into a folder of their own."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        atomic_write.write(folder / name, text)
