"""Document: a Word file that an author can edit, restyle and send in, read back by parts."""

import io
import re
import runpy
import zipfile
from pathlib import Path

import docx
import pytest
from docx.oxml.ns import qn
from PIL import Image, PngImagePlugin

from icpcohort.report.figures import names
from icpcohort.report.formats import content_json, html_page, word
from icpcohort.report.sections.blocks import (
    Content,
    GridBlock,
    PictureBlock,
    Section,
    numbered,
    picture,
    table,
)
from icpcohort.report.tables.grid import Grid

INVENTED = runpy.run_path(str(Path(__file__).parents[1] / "report_arguments.py"))
CONTENT, _ = html_page.build_report(**INVENTED["whole_report"]())
HOSTILE = (
    "<w:p>&amp;</w:p><script>",
    "=cmd()",
    "x" * 200,
    "\u05e9\u05dc\u05d5\u05dd \u202eabc",
    "\U0001f9e0\U0001f3e5",
    "a\x00b\x1bc\ud800",
    r"\\ % & ~ ^ {} $",
)


@pytest.fixture(scope="module")
def pictures(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pictures")
    made = {}
    for block in CONTENT.blocks():
        if isinstance(block, PictureBlock):
            words = PngImagePlugin.PngInfo()
            words.add_itxt("Title", f"Title of {block.name}")
            words.add_itxt("Description", f"Of {block.name}: <b> & “≥”")
            made[block.name] = folder / f"{block.name}.png"
            Image.new("L", (400, 200)).save(made[block.name], pnginfo=words, dpi=(50, 50))
    return made


@pytest.fixture(scope="module")
def written(pictures):
    return word.as_docx(CONTENT, pictures=pictures)


@pytest.fixture(scope="module")
def read(written):
    return docx.Document(io.BytesIO(written))


def _of(*blocks, title="Title"):
    return numbered(Content(title, "Lead", "Caution", (Section("one", "One", tuple(blocks)),)))


def _shown():
    grids = [one for one in CONTENT.blocks() if isinstance(one, GridBlock)]
    return sorted(
        (one for one in grids if not one.patient_level), key=lambda one: one.supplementary
    )


def _texts(made):
    return [[cell.text for cell in row.cells] for row in made.tables[0].rows]


def test_content_comes_back_from_its_text():
    assert content_json.from_json(content_json.as_json(CONTENT)) == CONTENT


def test_the_same_report_gives_the_same_bytes_and_no_time(written, pictures, read):
    assert word.as_docx(CONTENT, pictures=pictures) == written
    with zipfile.ZipFile(io.BytesIO(written)) as file:
        assert {one.date_time for one in file.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        core = file.read("docProps/core.xml").decode()
        assert not any("thumbnail" in name for name in file.namelist())
    assert not re.search(r"created|modified|\d{4}-\d\d-\d\d|python", core)
    assert read.core_properties.title == CONTENT.title
    assert read.core_properties.author == ""


def test_every_table_is_a_word_table_with_the_cells_of_the_report(read):
    labels = [one.text for one in read.paragraphs if one.style.name == "Table Label"]
    assert labels == [f"{one.number}. {one.grid.caption}" for one in _shown()]
    assert len(read.tables) == len(_shown())
    for made, block in zip(read.tables, _shown(), strict=True):
        rows = [[cell.text for cell in row.cells] for row in made.rows]
        assert rows == [block.grid.head, *block.rows()]
    notes = {one.text for one in read.paragraphs if one.style.name == "Table Note"}
    assert {one.grid.note for one in _shown()} <= notes


def test_a_table_has_three_rules_of_its_style_and_repeats_its_head(read):
    style = read.styles["Journal Table"].element
    borders = {one.tag.split("}")[1] for b in style.iter(qn("w:tblBorders")) for one in b}
    assert borders == {"top", "bottom"}
    assert [one.get(qn("w:type")) for one in style.iter(qn("w:tblStylePr"))] == ["firstRow"]
    for made in read.tables:
        assert made.style.name == "Journal Table"
        first, *others = made._tbl.tr_lst
        assert first.trPr.find(qn("w:tblHeader")) is not None
        assert all(one.trPr.find(qn("w:tblHeader")) is None for one in others)
        assert all(one.trPr.find(qn("w:cantSplit")) is not None for one in made._tbl.tr_lst)


def test_nothing_is_formatted_but_by_styles(read):
    body = read.element.body
    for tag in ("w:rPr", "w:pPr"):
        for properties in body.iter(qn(tag)):
            left = {one.tag.split("}")[1] for one in properties}
            assert left <= {"rStyle", "pStyle", "sectPr"}, left
    for tag in ("w:tcBorders", "w:tblBorders", "w:shd"):
        assert not list(body.iter(qn(tag)))
    names = {one.style.name for one in read.paragraphs}
    wanted = {"Title", "Caution", "Heading 1", "Heading 2", "List Bullet", "Caption", "Figure"}
    assert wanted <= names


def test_every_figure_stands_in_its_place_with_alternative_text(read):
    wanted = [one for one in CONTENT.blocks() if isinstance(one, PictureBlock)]
    shapes = [one._inline.docPr for one in read.inline_shapes]
    assert [one.get("descr") for one in shapes] == [f"Of {w.name}: <b> & “≥”" for w in wanted]
    captions = [one.text for one in read.paragraphs if one.style.name == "Caption"]
    not_for_sharing = {
        one.name: f" {names.NOT_FOR_SHARING}" for one in wanted if one.patient_level
    }
    assert set(not_for_sharing) == set(names.DRAW_EACH_PATIENT)
    assert captions == [
        f"{one.number}. {one.caption}{not_for_sharing.get(one.name, '')}" for one in wanted
    ]
    widest = read.sections[0].page_width - read.sections[0].left_margin * 2
    assert all(one.width <= widest for one in read.inline_shapes)


def test_links_lead_to_bookmarks_and_sections_are_headings_in_order(read):
    body = read.element.body
    marks = [one.get(qn("w:name")) for one in body.iter(qn("w:bookmarkStart"))]
    assert len(set(marks)) == len(marks)
    assert all(len(one) <= 40 for one in marks)
    assert {one.get(qn("w:anchor")) for one in body.iter(qn("w:hyperlink"))} <= set(marks)
    headings = [one.text for one in read.paragraphs if one.style.name == "Heading 1"]
    assert headings == [*(one.heading for one in CONTENT.sections), "Supplementary tables"]


def test_the_caution_and_the_methods_stand_in_words(read):
    text = "\n".join(one.text for one in read.paragraphs)
    assert CONTENT.caution in text
    assert "not for treatment" in read.sections[0].footer.paragraphs[0].text
    for words in INVENTED["METHODS"].values():
        assert words in text


def test_rows_of_single_patients_stay_out(read):
    (wanted,) = [b for b in CONTENT.blocks() if b.kind == "grid" and b.id == "table-dropped"]
    text = "\n".join(one.text for one in read.paragraphs)
    assert f"{wanted.number}. {wanted.grid.caption}. {word.LEFT_OUT}" in text
    cells = {cell for made in read.tables for row in made.rows for cell in (row.cells[0].text,)}
    assert wanted.grid.rows[0][0] not in cells


def test_a_wide_table_has_a_page_on_its_side_and_the_next_words_do_not(pictures):
    wide = Grid("Wide", [f"Head{i}" for i in range(12)], [["15 signs " * 2] * 12], "")
    narrow = Grid("Narrow", ["A", "B"], [["1", "2"]], "")
    made = docx.Document(
        io.BytesIO(word.as_docx(_of(*table("w", wide), *table("n", narrow)), pictures={}))
    )
    assert [one.page_width > one.page_height for one in made.sections] == [False, True, False]


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_changes_nothing_but_its_own_cell(text):
    def made(cell_text):
        grid = Grid("Caption", ["Centre", "n"], [[cell_text, "1"], ["b", "2"]], "Note")
        return docx.Document(io.BytesIO(word.as_docx(_of(*table("t", grid)), pictures={})))

    plain, hostile = made("a"), made(text)
    shown = re.sub("[\x00\x1b\ud800]", "\ufffd", text)
    assert _texts(hostile) == [["Centre", "n"], [shown, "1"], ["b", "2"]]
    for one in (plain, hostile):  # neither widths nor the text are of the frame
        for tag in ("w:t", "w:gridCol", "w:tcW"):
            for element in list(one.element.body.iter(qn(tag))):
                element.getparent().remove(element)
    assert plain.element.xml == hostile.element.xml


def test_a_hostile_title_heading_or_point_is_only_text(pictures):
    section = Section("x<y>&" * 20, HOSTILE[0], (), (Section("z", HOSTILE[5]),))
    content = numbered(Content(HOSTILE[6], HOSTILE[3], HOSTILE[2], (section,)))
    made = docx.Document(io.BytesIO(word.as_docx(content, pictures={})))
    assert made.paragraphs[0].text == HOSTILE[6]
    assert HOSTILE[0] in [one.text for one in made.paragraphs]


def test_missing_pictures_and_descriptions_are_named_together(tmp_path):
    bare = tmp_path / "bare.png"
    Image.new("L", (10, 10)).save(bare)
    with pytest.raises(ValueError, match=r"2 problem\(s\)") as error:
        word.as_docx(
            _of(picture("none", "No."), picture("bare", "Bare.")), pictures={"bare": bare}
        )
    assert "none: no picture; draw it first" in str(error.value)
    assert "no description; save it with canvas.save" in str(error.value)
