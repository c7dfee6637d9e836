"""What a report is made of: sections of blocks, numbered once for every format.

The page, the Word document and the files of tables show the same `Content`; none of them
counts, words or leaves out anything by itself.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

from icpcohort.report.tables.grid import Grid


@dataclass(frozen=True)
class Link:
    """A way to a block or section of this report; `label` is filled in by `numbered`."""

    target: str  # an id of the content
    label: str = ""


@dataclass(frozen=True)
class Paragraph:
    """A piece of running text; `empty` marks a sentence that says there is nothing."""

    kind: ClassVar[str] = "paragraph"
    text: str
    links: tuple[Link, ...] = ()
    empty: bool = False


@dataclass(frozen=True)
class Item:
    """A point of a list; `id` is empty for a point that nothing leads back to."""

    text: str
    links: tuple[Link, ...] = ()
    id: str = ""
    head: str = ""  # a word or two that say what the point is about


@dataclass(frozen=True)
class Bullets:
    """A list of points."""

    kind: ClassVar[str] = "bullets"
    items: tuple[Item, ...]


@dataclass(frozen=True)
class Caution:
    """A warning that stays where it is."""

    kind: ClassVar[str] = "caution"
    text: str
    links: tuple[Link, ...] = ()


@dataclass(frozen=True)
class GridBlock:
    """A table: "Table 1", or "Table S1" for one that belongs into a supplement.

    A table without rows never gets here: `table` gives the sentence of its absence instead.
    """

    kind: ClassVar[str] = "grid"
    id: str  # "table-" and its name
    grid: Grid
    supplementary: bool = False  # folded on the page
    sortable: bool = True  # False where the order of rows has a meaning
    patient_level: bool = False  # has rows of single patients: not for sharing
    number: str = ""
    back: str = ""  # id of the finding that leads here
    ways: tuple[tuple[Link, ...], ...] = ()  # of each row, what its last cell leads to

    def rows(self) -> list[list[str]]:
        """Return the rows with the labels of their ways in the last cell, for plain text."""
        if not self.ways:
            return self.grid.rows
        return [
            [*row[:-1], "; ".join([*filter(None, row[-1:]), *(one.label for one in ways)])]
            for row, ways in zip(self.grid.rows, self.ways, strict=True)
        ]


@dataclass(frozen=True)
class PictureBlock:
    """A figure by its name: "Figure 1", or "Figure S1" for a supplementary one."""

    kind: ClassVar[str] = "picture"
    id: str  # "figure-" and its name
    name: str
    caption: str
    supplementary: bool = False
    patient_level: bool = False  # a dot or a line is a patient: not for sharing
    number: str = ""
    back: str = ""


Block = Paragraph | Bullets | Caution | GridBlock | PictureBlock


@dataclass(frozen=True)
class Section:
    """A section: its own blocks, then its parts one level below."""

    id: str
    heading: str
    blocks: tuple[Block, ...] = ()
    parts: tuple["Section", ...] = ()


@dataclass(frozen=True)
class Content:
    """All that a report says."""

    title: str
    lead: str
    caution: str
    sections: tuple[Section, ...]

    def blocks(self) -> list[Block]:
        """Return all blocks in their order."""
        return [block for section in _flat(self.sections) for block in section.blocks]


def table(
    name: str,
    grid: Grid,
    *,
    empty: str = "",
    supplementary: bool = False,
    sortable: bool = True,
    patient_level: bool = False,
) -> list[Block]:
    """Return a table as a block, or the sentence `empty` where it has no row; else nothing."""
    if grid.rows:
        return [GridBlock(f"table-{name}", grid, supplementary, sortable, patient_level)]
    return [Paragraph(empty, empty=True)] if empty else []


def picture(
    name: str, caption: str, *, supplementary: bool = False, patient_level: bool = False
) -> PictureBlock:
    """Return the figure `name` as a block."""
    return PictureBlock(f"figure-{name}", name, caption, supplementary, patient_level)


def numbered(content: Content) -> Content:
    """Return the content with numbers on tables and figures, and labels on links.

    Numbers run in the order of reading, supplementary ones apart (S1, S2, ...). A link to a
    block that is not there goes; a block that a point with an id leads to leads back to the
    first such point.

    Raises
    ------
    ValueError
        If an id stands twice.
    """
    sections, blocks = _flat(content.sections), content.blocks()
    ids = [section.id for section in sections]
    ids += [block.id for block in blocks if isinstance(block, GridBlock | PictureBlock)]
    points = [
        item
        for block in blocks
        if isinstance(block, Bullets)
        for item in block.items
        if item.id
    ]
    ids += [item.id for item in points]
    twice = sorted({one for one in ids if ids.count(one) > 1})
    if twice:
        raise ValueError(f"blocks.numbered: {', '.join(twice)} stand(s) twice; name one anew")
    labels = {section.id: section.heading for section in sections} | _numbers(blocks)
    back: dict[str, str] = {}
    for item in points:
        for link in item.links:
            back.setdefault(link.target, item.id)
    made = tuple(_numbered(section, labels, back) for section in content.sections)
    return replace(content, sections=made)


def _flat(sections: Sequence[Section]) -> list[Section]:
    return [one for section in sections for one in (section, *_flat(section.parts))]


def _numbers(blocks: Sequence[Block]) -> dict[str, str]:
    counts: dict[str, int] = {}
    numbers = {}
    for block in blocks:
        if isinstance(block, GridBlock | PictureBlock):
            word = "Table " if isinstance(block, GridBlock) else "Figure "
            word += "S" if block.supplementary else ""
            counts[word] = counts.get(word, 0) + 1
            numbers[block.id] = f"{word}{counts[word]}"
    return numbers


def _numbered(section: Section, labels: Mapping[str, str], back: Mapping[str, str]) -> Section:
    blocks = tuple(_resolved(block, labels, back) for block in section.blocks)
    parts = tuple(_numbered(part, labels, back) for part in section.parts)
    return replace(section, blocks=blocks, parts=parts)


def _resolved(block: Block, labels: Mapping[str, str], back: Mapping[str, str]) -> Block:
    if isinstance(block, GridBlock):
        block = replace(block, ways=tuple(_labelled(ways, labels) for ways in block.ways))
    if isinstance(block, GridBlock | PictureBlock):
        return replace(block, number=labels[block.id], back=back.get(block.id, ""))
    if isinstance(block, Bullets):
        items = [replace(item, links=_labelled(item.links, labels)) for item in block.items]
        return Bullets(tuple(items))
    return replace(block, links=_labelled(block.links, labels))


def _labelled(links: Sequence[Link], labels: Mapping[str, str]) -> tuple[Link, ...]:
    return tuple(
        replace(link, label=link.label or labels[link.target])
        for link in links
        if link.target in labels
    )
