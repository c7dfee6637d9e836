"""Checklists: every item is there, and every place it names is in the report."""

import runpy
from pathlib import Path

from icpcohort.report.formats import html_page
from icpcohort.report.sections import checklists
from icpcohort.report.sections.blocks import GridBlock

INVENTED = runpy.run_path(str(Path(__file__).parents[1] / "report_arguments.py"))
CONTENT, _ = html_page.build_report(**INVENTED["whole_report"]())
BLOCKS = {one.id: one for one in CONTENT.blocks() if isinstance(one, GridBlock)}


def _numbers(items):
    return [one.number for one in items]


def test_strobe_has_its_22_items_with_their_parts():
    """Source: the checklist for cohort studies, von Elm 2007 (parts from memory)."""
    parts = {1: "ab", 6: "ab", 12: "abcde", 13: "abc", 14: "abc", 16: "abc"}
    assert _numbers(checklists.STROBE) == [
        f"{item}{part}" for item in range(1, 23) for part in parts.get(item, ("",))
    ]


def test_record_has_its_13_items():
    """Source: Benchimol 2015 (from memory)."""
    assert _numbers(checklists.RECORD) == [
        *("1.1", "1.2", "1.3", "6.1", "6.2", "6.3", "7.1"),
        *("12.1", "12.2", "12.3", "13.1", "19.1", "22.1"),
    ]


def test_every_item_is_in_the_report_or_left_to_the_authors():
    for one in (*checklists.STROBE, *checklists.RECORD):
        assert one.places or one.left, one.number


def test_every_place_leads_somewhere_in_a_full_report():
    """The invented report has no methods of windows, outcomes and indices, and no rules."""
    methods = [
        place.removeprefix(checklists.METHODS)
        for one in (*checklists.STROBE, *checklists.RECORD)
        for place in one.places
        if place.startswith(checklists.METHODS)
    ]
    arguments = INVENTED["whole_report"]()
    arguments["methods"] = dict.fromkeys([*methods, "Model: one"], "Words.")
    content, _ = html_page.build_report(**arguments)
    grids = {one.id: one for one in content.blocks() if isinstance(one, GridBlock)}
    for name, items in (("strobe", checklists.STROBE), ("record", checklists.RECORD)):
        for item, ways in zip(items, grids[f"table-{name}"].ways, strict=True):
            wanted = {p for p in item.places if not p.startswith(checklists.METHODS)}
            wanted -= {checklists.MODELS, checklists.RISKS}
            assert wanted <= {way.target for way in ways}, item.number
            assert len(ways) >= len(item.places), item.number
            assert all(way.label for way in ways)


def test_an_item_names_its_places_in_the_plain_rows():
    rows = {row[0]: row[-1] for row in BLOCKS["table-strobe"].rows()}
    flow = next(one.number for one in CONTENT.blocks() if getattr(one, "name", "") == "flow")
    assert rows["13c"] == flow
    assert rows["2"] == ""
    assert rows["18"] == "Key findings"
