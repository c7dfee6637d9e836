"""Styles of the Word document: everything that an author may want to look different."""

from typing import Any

from docx.document import Document
from docx.enum.style import WD_STYLE_TYPE
from docx.enum.text import WD_ALIGN_PARAGRAPH
from docx.oxml import parse_xml
from docx.oxml.ns import nsdecls, qn
from docx.shared import Mm, Pt, RGBColor

FONT = "Arial"
INK, GREY = RGBColor(0, 0, 0), RGBColor(0x55, 0x55, 0x55)
TABLE_STYLE = "Journal Table"
# a journal's three rules: above and below the heading, and below the last row
RULES = f"""\
<w:tblPr {nsdecls("w")}>
  <w:tblBorders>
    <w:top w:val="single" w:sz="8" w:space="0" w:color="000000"/>
    <w:bottom w:val="single" w:sz="8" w:space="0" w:color="000000"/>
  </w:tblBorders>
  <w:tblCellMar>
    <w:top w:w="30" w:type="dxa"/><w:left w:w="60" w:type="dxa"/>
    <w:bottom w:w="30" w:type="dxa"/><w:right w:w="60" w:type="dxa"/>
  </w:tblCellMar>
</w:tblPr>"""
HEAD_RULE = f"""\
<w:tblStylePr {nsdecls("w")} w:type="firstRow">
  <w:tcPr>
    <w:tcBorders><w:bottom w:val="single" w:sz="4" w:space="0" w:color="000000"/></w:tcBorders>
    <w:vAlign w:val="bottom"/>
  </w:tcPr>
</w:tblStylePr>"""
CAUTION_RULE = f"""\
<w:pBdr {nsdecls("w")}>
  <w:left w:val="single" w:sz="18" w:space="8" w:color="9A3324"/>
</w:pBdr>"""


def define(document: Document) -> None:
    """Give the document its styles; no paragraph or table is formatted by itself.

    "Table Label", "Table Head", "Table Text" (and "Kept", which follows it, for short tables),
    "Table Note", "Figure" and "Caution" are paragraphs; "Journal Table" is the style of tables,
    "Cross Reference" that of words that lead to a table or figure.
    """
    _paragraph(document, "Normal", size_pt=10.5, after_pt=6, lines=1.15)
    _paragraph(document, "Title", size_pt=20, after_pt=6, bold=True)
    for level, size_pt in enumerate((15, 12, 10.5), start=1):
        style = _paragraph(
            document, f"Heading {level}", size_pt=size_pt, before_pt=14, after_pt=4, bold=True
        )
        style.paragraph_format.keep_with_next = True
    _paragraph(document, "List Bullet", size_pt=10.5, after_pt=4, lines=1.15)
    caption = _paragraph(document, "Caption", size_pt=9, after_pt=10)
    caption.paragraph_format.keep_together = True
    label = _paragraph(document, "Table Label", size_pt=9, before_pt=12, after_pt=3, bold=True)
    label.paragraph_format.keep_with_next = True
    head = _paragraph(document, "Table Head", size_pt=8, bold=True)
    head.paragraph_format.keep_with_next = True
    text = _paragraph(document, "Table Text", size_pt=8)
    kept = document.styles.add_style("Table Text Kept", WD_STYLE_TYPE.PARAGRAPH)
    kept.base_style = text
    kept.paragraph_format.keep_with_next = True
    _paragraph(document, "Table Note", size_pt=8, before_pt=3, after_pt=12, colour=GREY)
    figure = _paragraph(document, "Figure", before_pt=8, after_pt=4)
    figure.paragraph_format.keep_with_next = True
    caution = _paragraph(document, "Caution", size_pt=10, after_pt=8, lines=1.1)
    properties = caution.element.get_or_add_pPr()
    properties.insert_element_before(parse_xml(CAUTION_RULE), "w:spacing", "w:ind", "w:jc")
    _paragraph(document, "Footer", size_pt=8, colour=GREY)
    reference = document.styles.add_style("Cross Reference", WD_STYLE_TYPE.CHARACTER)
    reference.font.color.rgb = RGBColor(0x1F, 0x4E, 0x79)
    _table(document)


def _paragraph(
    document: Document,
    name: str,
    *,
    size_pt: float = 10.5,
    before_pt: float = 0,
    after_pt: float = 0,
    lines: float = 1.0,
    bold: bool = False,
    colour: RGBColor = INK,
) -> Any:
    styles = document.styles
    known = name in [style.name for style in styles]
    style = styles[name] if known else styles.add_style(name, WD_STYLE_TYPE.PARAGRAPH)
    if not known:
        style.base_style = styles["Normal"]
        style.quick_style = True
    _font(style, size_pt=size_pt, bold=bold, colour=colour)
    layout = style.paragraph_format
    layout.space_before, layout.space_after = Pt(before_pt), Pt(after_pt)
    layout.line_spacing = lines
    layout.alignment = WD_ALIGN_PARAGRAPH.LEFT
    layout.widow_control = True
    for border in style.element.findall(f".//{qn('w:pBdr')}"):
        border.getparent().remove(border)
    return style


def _font(style: Any, *, size_pt: float, bold: bool, colour: RGBColor) -> None:
    style.font.name, style.font.size, style.font.bold = FONT, Pt(size_pt), bold
    style.font.italic, style.font.color.rgb = False, colour
    properties = style.element.get_or_add_rPr()
    fonts = properties.find(qn("w:rFonts"))
    for name in list(fonts.attrib):
        if name.endswith("Theme"):  # a theme's typeface would win over ours
            del fonts.attrib[name]
    for script in ("w:ascii", "w:hAnsi", "w:cs", "w:eastAsia"):
        fonts.set(qn(script), FONT)
    for spacing in properties.findall(qn("w:spacing")):
        properties.remove(spacing)


def _table(document: Document) -> None:
    style = document.styles.add_style(TABLE_STYLE, WD_STYLE_TYPE.TABLE)
    style.base_style = document.styles["Normal Table"]
    style.quick_style = True
    style.element.append(parse_xml(RULES))
    style.element.append(parse_xml(HEAD_RULE))


def page(section: Any, *, landscape: bool) -> None:
    """Make a section A4 with margins of 20 mm, upright or on its side."""
    sides = (Mm(297), Mm(210)) if landscape else (Mm(210), Mm(297))
    section.page_width, section.page_height = sides
    for margin in ("left_margin", "right_margin", "top_margin", "bottom_margin"):
        setattr(section, margin, Mm(20))
