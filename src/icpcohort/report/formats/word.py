"""Document: the report as a Word file that an author edits, restyles and sends in."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import docx
from docx.enum.section import WD_SECTION
from docx.shared import Emu, Mm
from docx.text.paragraph import Paragraph as TextParagraph
from PIL import Image

from icpcohort.report.figures.names import NOT_FOR_SHARING
from icpcohort.report.formats import printable, word_styles, word_xml
from icpcohort.report.formats.word_styles import TABLE_STYLE
from icpcohort.report.sections.blocks import (
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

LEFT_OUT = (
    "Rows of single patients are in the page of the report alone: a document travels farther "
    "than a study's folder."
)
FOOTER = "For research on recorded data; not for treatment.   "
LONGEST_CELLS = (30, 18)  # signs after which a cell wraps; the second where that saves a turn
MIN_SIGNS, SIGNS_BESIDE = 8, 3  # of a column; of its margins
SIGNS_UPRIGHT, WIDTH_UPRIGHT_MM, WIDTH_LANDSCAPE_MM = 146, 170.0, 257.0
KEPT_ROWS = 15  # a table of no more rows is not parted by a page
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
    word_styles.define(document)
    word_styles.page(document.sections[0], landscape=False)
    word_xml.language(document, LANGUAGE)
    word_xml.drop_thumbnail(document)
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
    return word_xml.as_bytes(document)


def _check(content: Content, pictures: Mapping[str, Path]) -> None:
    wanted = [block.name for block in content.blocks() if isinstance(block, PictureBlock)]
    problems = [f"{name}: no picture; draw it first" for name in wanted if name not in pictures]
    for name in wanted:
        if name in pictures and not _words(pictures[name])[1]:
            problems.append(f"{pictures[name]}: no description; save it with canvas.save")
    if problems:
        lines = "\n".join(f"  {line}" for line in problems)
        raise ValueError(f"word.as_docx: {len(problems)} problem(s)\n{lines}")


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
    word_xml.field(foot, "PAGE")


def _add(writer: _Writer, text: str, style: str) -> Any:
    """Add a paragraph, in a section that stands upright."""
    _turn(writer, landscape=False)
    return writer.document.add_paragraph(printable.text(text), style=style)


def _turn(writer: _Writer, *, landscape: bool) -> None:
    """Begin a section on its side, or upright, where the last one is not."""
    if writer.landscape != landscape:
        section = writer.document.add_section(WD_SECTION.NEW_PAGE)
        word_styles.page(section, landscape=landscape)
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
    word_xml.bookmark(paragraph, _anchor(name), writer.n_marks)


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
            text = f"{block.number}. {block.grid.caption}. {LEFT_OUT}"
            _mark(writer, _add(writer, text, "Table Note"), block.id)
        case GridBlock(supplementary=True):
            writer.later.append(block)
        case GridBlock():
            _grid(writer, block)


def _links(paragraph: Any, links: Sequence[Link], *, brackets: bool = True) -> None:
    for number, link in enumerate(links):
        paragraph.add_run("; " if number else " (" if brackets else "")
        word_xml.link(paragraph, link.label, to=_anchor(link.target), style="Cross Reference")
    if links and brackets:
        paragraph.add_run(")")


def _picture(writer: _Writer, block: PictureBlock) -> None:
    path = writer.pictures[block.name]
    title, words = _words(path)
    shape = _add(writer, "", "Figure").add_run().add_picture(str(path))
    scale = min(1.0, Mm(WIDTH_UPRIGHT_MM) / shape.width, Mm(HEIGHT_MM) / shape.height)
    shape.width, shape.height = Emu(int(shape.width * scale)), Emu(int(shape.height * scale))
    word_xml.describe(shape, title=title, words=words)
    caption = _add(writer, "", "Caption")
    caption.add_run(f"{block.number}. ", style="Strong")
    caption.add_run(printable.text(block.caption))
    if block.patient_level:
        caption.add_run(f" {NOT_FOR_SHARING}")
    _mark(writer, caption, block.id)


def _grid(writer: _Writer, block: GridBlock) -> None:
    grid = block.grid
    lengths = _lengths(block)
    _turn(writer, landscape=sum(lengths) > SIGNS_UPRIGHT)
    label = writer.document.add_paragraph(style="Table Label")
    label.add_run(printable.text(f"{block.number}. {grid.caption}"))
    _mark(writer, label, block.id)
    rows, styles = [grid.head, *grid.rows], writer.document.styles
    ways = ((), *(block.ways or ((),) * len(grid.rows)))
    table = writer.document.add_table(len(rows), len(grid.head), style=TABLE_STYLE)
    style = "Table Head"
    for place, row, links in zip(table._tbl.tr_lst, rows, ways, strict=True):
        for cell, text in zip(place.tc_lst, row, strict=True):
            cell.p_lst[0].style = styles[style].style_id
            cell.p_lst[0].add_r().text = printable.text(text)
        _links(TextParagraph(place.tc_lst[-1].p_lst[0], table), links, brackets=False)
        style = "Table Text Kept" if len(rows) <= KEPT_ROWS else "Table Text"
    word_xml.only_head_is_special(table)
    word_xml.repeat_head(table)
    _widen(table, lengths, landscape=writer.landscape)
    writer.document.add_paragraph(printable.text(grid.note), style="Table Note")


def _lengths(block: GridBlock) -> list[int]:
    """Return how many signs wide each column is to be, as wide as an upright page allows."""
    for longest in LONGEST_CELLS:
        wanted = [
            _length(head, cells, longest)
            for head, *cells in zip(block.grid.head, *block.rows(), strict=True)
        ]
        if sum(wanted) <= SIGNS_UPRIGHT:
            break
    return wanted


def _length(head: str, cells: Sequence[str], longest: int) -> int:
    """Return the signs of the longest cell; a heading breaks between words, in three lines."""
    words = [len(word) for text in (head, *cells) for word in text.split()]
    widest = max(*words, *map(len, cells), len(head) // 3, 0)
    return max(min(widest, longest) + SIGNS_BESIDE, MIN_SIGNS)


def _widen(table: Any, lengths: Sequence[int], *, landscape: bool) -> None:
    """Share the width of the page between the columns."""
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
