"""Content: numbers in the order of reading, links that lead somewhere, nothing twice."""

import pytest

from icpcohort.report.sections import blocks
from icpcohort.report.sections.blocks import (
    Bullets,
    Content,
    GridBlock,
    Item,
    Link,
    Paragraph,
    Section,
)
from icpcohort.report.tables.grid import Grid

GRID = Grid("A caption", ["Name", "n"], [["all", "4"]], "")
NOTHING = Grid("Without rows", ["Name", "n"], [], "")


def _content(*sections):
    return blocks.numbered(Content("Title", "Lead.", "Caution.", sections))


def _numbers(content):
    return {b.id: b.number for b in content.blocks() if hasattr(b, "number")}


def test_tables_and_figures_are_numbered_as_they_are_read_supplements_apart():
    part = Section("inner", "Inner", tuple(blocks.table("d", GRID)))
    content = _content(
        Section(
            "first",
            "First",
            (
                blocks.picture("x", "A figure."),
                *blocks.table("a", GRID),
                *blocks.table("b", GRID, supplementary=True),
                *blocks.table("c", NOTHING),
            ),
            (part,),
        ),
        Section("last", "Last", (*blocks.table("e", GRID), blocks.picture("y", "Another."))),
    )
    assert _numbers(content) == {
        "figure-x": "Figure 1",
        "table-a": "Table 1",
        "table-b": "Table S1",
        "table-d": "Table 2",
        "table-e": "Table 3",
        "figure-y": "Figure 2",
    }


def test_a_table_without_rows_is_the_sentence_of_its_absence():
    assert blocks.table("c", NOTHING, empty="There is none.") == [
        Paragraph("There is none.", empty=True)
    ]
    assert blocks.table("c", NOTHING) == []


def test_links_get_the_number_of_what_they_lead_to_and_the_first_point_is_led_back_to():
    points = (
        Item("Few.", (Link("table-a"), Link("table-gone")), "finding-1"),
        Item("Many.", (Link("table-a"), Link("last")), "finding-2"),
    )
    content = _content(
        Section("first", "First", (Bullets(points),)),
        Section(
            "last", "The end", (*blocks.table("a", GRID), Paragraph("x", (Link("table-a"),)))
        ),
    )
    bullets, table, paragraph = content.blocks()
    assert [item.links for item in bullets.items] == [
        (Link("table-a", "Table 1"),),
        (Link("table-a", "Table 1"), Link("last", "The end")),
    ]
    assert isinstance(table, GridBlock) and table.back == "finding-1"
    assert paragraph.links == (Link("table-a", "Table 1"),)


def test_an_id_that_stands_twice_is_refused():
    with pytest.raises(ValueError, match="table-a stand"):
        _content(
            Section("first", "First", (*blocks.table("a", GRID), *blocks.table("a", GRID)))
        )
