"""Word parts: what python-docx has no call for, as the elements of Office Open XML.

Source: ECMA-376, part 1, WordprocessingML.
"""

import datetime
import io
import zipfile
from typing import Any

from docx.document import Document
from docx.oxml import OxmlElement
from docx.oxml.ns import qn

from icpcohort.report.formats import printable

ZIP_TIME = (1980, 1, 1, 0, 0, 0)  # the earliest that a zip can hold; it says nothing of when
EPOCH = datetime.datetime(1980, 1, 1)
NO_DATES = ("dcterms:created", "dcterms:modified", "cp:lastPrinted", "cp:lastModifiedBy")
THUMBNAIL = "docProps/thumbnail.jpeg"  # of the library's empty document


def bookmark(paragraph: Any, name: str, number: int) -> None:
    """Mark a paragraph, so that links of the document lead to it."""
    ends = [_element("w:bookmarkStart", id=number, name=name)]
    ends.append(_element("w:bookmarkEnd", id=number))
    place = 1 if paragraph._p.pPr is not None else 0
    paragraph._p.insert(place, ends[0])
    paragraph._p.append(ends[1])


def link(paragraph: Any, words: str, *, to: str, style: str) -> None:
    """Add words that lead to a bookmark."""
    run = paragraph.add_run(printable.text(words), style=style)
    around = _element("w:hyperlink", anchor=to)
    around.append(run._r)
    paragraph._p.append(around)


def field(paragraph: Any, code: str) -> None:
    """Add a field that the program fills in, such as PAGE."""
    for kind, text in (("begin", None), (None, code), ("separate", None), ("end", None)):
        run = paragraph.add_run()
        if kind:
            run._r.append(_element("w:fldChar", fldCharType=kind))
        else:
            instruction = OxmlElement("w:instrText")
            instruction.text = text
            run._r.append(instruction)


def repeat_head(table: Any) -> None:
    """Repeat the first row on every page, and let no row break over a page."""
    for number, row in enumerate(table._tbl.tr_lst):
        properties = row.get_or_add_trPr()
        properties.append(OxmlElement("w:cantSplit"))
        if number == 0:
            properties.append(OxmlElement("w:tblHeader"))


def only_head_is_special(table: Any) -> None:
    """Let the table's style act on the first row, and on no first column or band."""
    look = table._tbl.tblPr.find(qn("w:tblLook"))
    if look is None:
        look = OxmlElement("w:tblLook")
        table._tbl.tblPr.append(look)
    look.attrib.clear()
    for name, value in (("firstRow", 1), ("lastRow", 0), ("firstColumn", 0), ("noHBand", 1)):
        look.set(qn(f"w:{name}"), str(value))
    look.set(qn("w:noVBand"), "1")
    look.set(qn("w:val"), "0620")


def describe(shape: Any, *, title: str, words: str) -> None:
    """Give a picture its alternative text."""
    properties = shape._inline.docPr
    properties.set("title", printable.text(title))
    properties.set("descr", printable.text(words))


def language(document: Document, code: str) -> None:
    """Say in which language the document is, for spelling and for a screen reader."""
    for one in document.styles.element.iter(qn("w:lang")):
        one.set(qn("w:val"), code)


def as_bytes(document: Document) -> bytes:
    """Return the file; the same document gives the same bytes, with no date in them."""
    properties = document.core_properties
    for tag in NO_DATES:
        for one in properties._element.findall(qn(tag)):
            properties._element.remove(one)
    made, fixed = io.BytesIO(), io.BytesIO()
    document.save(made)
    with zipfile.ZipFile(made) as parts, zipfile.ZipFile(fixed, "w") as file:
        for name in parts.namelist():
            info = zipfile.ZipInfo(name, ZIP_TIME)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = 0o600 << 16
            file.writestr(info, parts.read(name))
    return fixed.getvalue()


def drop_thumbnail(document: Document) -> None:
    """Leave out the picture of an empty page that the library's template has."""
    relations = document.part.package.rels
    for key in [k for k, one in relations.items() if one.reltype.endswith("/thumbnail")]:
        del relations[key]


def _element(tag: str, **attributes: Any) -> Any:
    made = OxmlElement(tag)
    for name, value in attributes.items():
        made.set(qn(f"w:{name}"), str(value))
    return made
