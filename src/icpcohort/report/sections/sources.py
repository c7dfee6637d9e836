"""Sources: what the report cites by a key, in full, at the end of its methods."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from icpcohort.contracts import bibliography
from icpcohort.report.sections.blocks import (
    Block,
    Bullets,
    GridBlock,
    Item,
    Paragraph,
    PictureBlock,
    Section,
)

METHODS = "methods"  # id of the section that ends with the sources


def listed(sections: Sequence[Section]) -> tuple[Section, ...]:
    """Return the sections, the methods with a last part that has every source they cite.

    A source is listed once, in the order of the alphabet; a report that cites none has no list.
    """
    cited = bibliography.cited_in(text for section in sections for text in _texts(section))
    if not cited:
        return tuple(sections)
    items = tuple(Item(source.in_full()) for source in cited)
    part = Section("sources", "Sources", (Paragraph(bibliography.HOW_CHECKED), Bullets(items)))
    return tuple(
        replace(section, parts=(*section.parts, part)) if section.id == METHODS else section
        for section in sections
    )


def _texts(section: Section) -> Iterator[str]:
    for block in section.blocks:
        yield from _texts_of(block)
    for part in section.parts:
        yield from _texts(part)


def _texts_of(block: Block) -> Iterator[str]:
    if isinstance(block, GridBlock):
        yield from (block.grid.caption, block.grid.note)
        yield from (cell for row in block.grid.rows for cell in row)
    elif isinstance(block, Bullets):
        yield from (item.text for item in block.items)
    elif isinstance(block, PictureBlock):
        yield block.caption
    else:
        yield block.text
