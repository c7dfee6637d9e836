"""Document: the report as a Word file that an author edits, restyles and sends in."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import docx
from docx.enum.section import WD_SECTION
from docx.shared import Emu, Mm
from PIL import Image

from icpcohort import document_styles, printable, word_parts
from icpcohort.blocks import (
    Block,
    Bullets,
    Caution,
    Content,
    GridBlock,
    Link,
    Paragraph,
    PictureBlock,
    Section,
)
from icpcohort.document_styles import TABLE_STYLE
from icpcohort.grids import Grid

LEFT_OUT = (
    "Rows of single patients are in the page of the report alone: a document travels farther "
    "than a study's folder."
)
FOOTER = "For research on recorded data; not for treatment.   "
LONGEST_CELL = 34  # signs after which a cell is expected to wrap
SIGNS_UPRIGHT, WIDTH_UPRIGHT_MM, WIDTH_LANDSCAPE_MM = 128, 170.0, 257.0
HEIGHT_MM = 215.0  # of a figure, to leave room for its caption
LANGUAGE = "en-GB"


@dataclass
class _Writer:
    """A document in the making: where tables of the supplement and bookmarks are kept."""

    document: Any
    pictures: Mapping[str, Path]
    later: list[GridBlock] = field(default_factory=list)
    n_marks: int = 0
    landscape: bool = False


def as_docx(content: Content, *, pictures: Mapping[str, Path]) -> bytes:
    """Return the report as a Word file.

    Parameters
    ----------
    content : Content
        Numbered. Tables of patients are left out; supplementary tables come at the end.
    pictures : mapping of figure name to PNG
        With "Title" and "Description", which become the alternative text.

    Raises
    ------
    ValueError
        If a figure of the content has no picture, or a picture no description.
    """
    _check(content, pictures)
    document = docx.Document()
    document_styles.define(document)
    document_styles.page(document.sections[0], landscape=False)
    word_parts.language(document, LANGUAGE)
    word_parts.drop_thumbnail(document)
    writer = _Writer(document, pictures)
    _opening(writer, content)
    for section in content.sections:
        _section(writer, section, level=1)
    _supplement(writer)
    properties = document.core_properties
    properties.title = printable.text(content.title)
    properties.author = properties.comments = properties.keywords = ""
    properties.subject = "Retrospective cohort study of recorded intracranial pressure"
    properties.language = LANGUAGE
    return word_parts.as_bytes(document)


def _check(content: Content, pictures: Mapping[str, Path]) -> None:
    wanted = [block.name for block in content.blocks() if isinstance(block, PictureBlock)]
    found = [f"{name}: no picture; draw it first" for name in wanted if name not in pictures]
    for name in wanted:
        if name in pictures and not _words(pictures[name])[1]:
            found.append(f"{pictures[name]}: no description; save it with svg.save")
    if found:
        lines = "\n".join(f"  {line}" for line in found)
        raise ValueError(f"document.as_docx: {len(found)} problem(s)\n{lines}")


def _words(path: Path) -> tuple[str, str]:
    """Return title and description of a PNG."""
    with Image.open(path) as image:
        text = image.info
    return str(text.get("Title", "")), str(text.get("Description", ""))


def _opening(writer: _Writer, content: Content) -> None:
    _add(writer, content.title, "Title")
    _add(writer, content.lead, "Normal")
    _add(writer, content.caution, "Caution")
    foot = writer.document.sections[0].footer.paragraphs[0]
    foot.style = writer.document.styles["Footer"]
    foot.add_run(FOOTER)
    word_parts.field(foot, "PAGE")


def _add(writer: _Writer, text: str, style: str) -> Any:
    """Add a paragraph, in a section that stands upright."""
    _turn(writer, landscape=False)
    return writer.document.add_paragraph(printable.text(text), style=style)


def _turn(writer: _Writer, *, landscape: bool) -> None:
    """Begin a section on its side, or upright, where the last one is not."""
    if writer.landscape != landscape:
        section = writer.document.add_section(WD_SECTION.NEW_PAGE)
        document_styles.page(section, landscape=landscape)
        writer.landscape = landscape


def _section(writer: _Writer, section: Section, *, level: int) -> None:
    heading = _add(writer, section.heading, f"Heading {min(level, 3)}")
    _mark(writer, heading, section.id)
    for block in section.blocks:
        _block(writer, block)
    for part in section.parts:
        _section(writer, part, level=level + 1)


def _mark(writer: _Writer, paragraph: Any, name: str) -> None:
    writer.n_marks += 1
    word_parts.bookmark(paragraph, _anchor(name), writer.n_marks)


def _anchor(name: str) -> str:
    """Return a name that Word takes for a bookmark: letters, digits and _, at most 40."""
    plain = "".join(sign if sign.isascii() and sign.isalnum() else "_" for sign in name)
    if len(plain) <= 38:
        return f"r_{plain}"
    return f"r_{plain[:28]}_{sum(map(ord, name)) % 10**8}"


def _block(writer: _Writer, block: Block) -> None:
    match block:
        case Paragraph() | Caution():
            style = "Caution" if isinstance(block, Caution) else "Normal"
            _links(_add(writer, block.text, style), block.links)
        case Bullets():
            for item in block.items:
                point = _add(writer, "", "List Bullet")
                if item.head:
                    point.add_run(printable.text(f"{item.head} "), style="Strong")
                point.add_run(printable.text(item.text))
                _links(point, item.links)
        case PictureBlock():
            _picture(writer, block)
        case GridBlock(patient_level=True):
            _add(writer, f"{block.number}. {block.grid.caption}. {LEFT_OUT}", "Table Note")
        case GridBlock(supplementary=True):
            writer.later.append(block)
        case GridBlock():
            _grid(writer, block)


def _links(paragraph: Any, links: Sequence[Link]) -> None:
    for number, link in enumerate(links):
        paragraph.add_run("; " if number else " (")
        word_parts.link(paragraph, link.label, to=_anchor(link.target), style="Cross Reference")
    if links:
        paragraph.add_run(")")


def _picture(writer: _Writer, block: PictureBlock) -> None:
    path = writer.pictures[block.name]
    title, words = _words(path)
    shape = _add(writer, "", "Figure").add_run().add_picture(str(path))
    scale = min(1.0, Mm(WIDTH_UPRIGHT_MM) / shape.width, Mm(HEIGHT_MM) / shape.height)
    shape.width, shape.height = Emu(int(shape.width * scale)), Emu(int(shape.height * scale))
    word_parts.describe(shape, title=title, words=words)
    caption = _add(writer, "", "Caption")
    caption.add_run(f"{block.number}. ", style="Strong")
    caption.add_run(printable.text(block.caption))
    _mark(writer, caption, block.id)


def _grid(writer: _Writer, block: GridBlock) -> None:
    grid = block.grid
    _turn(writer, landscape=_signs(grid) > SIGNS_UPRIGHT)
    label = writer.document.add_paragraph(style="Table Label")
    label.add_run(printable.text(f"{block.number}. {grid.caption}"))
    _mark(writer, label, block.id)
    rows, styles = [grid.head, *grid.rows], writer.document.styles
    table = writer.document.add_table(len(rows), len(grid.head), style=TABLE_STYLE)
    for place, row in zip(table._tbl.tr_lst, rows, strict=True):
        for cell, text in zip(place.tc_lst, row, strict=True):
            cell.p_lst[0].style = styles["Table Text"].style_id
            cell.p_lst[0].add_r().text = printable.text(text)
    word_parts.only_head_is_special(table)
    word_parts.repeat_head(table)
    _widen(table, grid, landscape=writer.landscape)
    writer.document.add_paragraph(printable.text(grid.note), style="Table Note")


def _lengths(grid: Grid) -> list[int]:
    """Return how many signs wide each column wants to be; a heading breaks between words."""
    wanted = []
    for head, *cells in zip(grid.head, *grid.rows, strict=True):
        words = [word for text in (head, *cells) for word in text.split()]
        longest = max((len(text) for text in (*words, *cells)), default=0)
        wanted.append(min(longest, LONGEST_CELL) + 2)
    return wanted


def _signs(grid: Grid) -> int:
    return sum(_lengths(grid))


def _widen(table: Any, grid: Grid, *, landscape: bool) -> None:
    """Share the width of the page between the columns."""
    lengths = _lengths(grid)
    width_mm = WIDTH_LANDSCAPE_MM if landscape else WIDTH_UPRIGHT_MM
    table.autofit = False
    for column, length in zip(table.columns, lengths, strict=True):
        column.width = Mm(width_mm * length / sum(lengths))
    for row in table._tbl.tr_lst:
        for cell, column in zip(row.tc_lst, table.columns, strict=True):
            cell.width = column.width


def _supplement(writer: _Writer) -> None:
    if writer.later:
        _add(writer, "Supplementary tables", "Heading 1")
    for block in writer.later:
        _grid(writer, block)
