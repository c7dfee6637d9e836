"""Text from data changes nothing in the page but itself."""

import runpy
from pathlib import Path

import polars as pl
import pytest
from markupsafe import escape
from published_settings import DECLARED, PUBLISHED

from icpcohort import contracts
from icpcohort.report.formats import html_page
from icpcohort.report.tables import table_one

INVENTED = runpy.run_path(str(Path(__file__).parents[1] / "report_arguments.py"))
TEMPLATE = (Path(__file__).parents[4] / "workflow/report/report.html.j2").read_text("utf-8")
HOSTILE = {
    "patient": "p</td><script>alert(1)</script><img src=x onerror=alert(2)>",
    "centre": "n=cmd()|' /C calc_exe'!A0",
    "other_centre": "s\u202e\u05d1\u05d9\u05ea\u202c \U0001f9e0\U0001f468\u200d\u2695\ufe0f",
    "detail": "T" + "very-long-label-without-any-space" * 6 + "]]>--><!--",
    "title": "I{{ 7 * 7 }}{% raw %}\"'&amp;<b>\U0001f600</b>",
    "question": "D</style></script>#{x}${y}\\u003c",
}
# sorted to the same place, and without a space where the other has none: it is broken anywhere
HARMLESS = {
    role: text[:2] + (f" words of a kind called {role}" if " " in text else "v" * len(text[2:]))
    for role, text in HOSTILE.items()
}


def _page(text_of):
    """Return the page of the invented cohort with these texts in the place of its own."""
    whole = INVENTED["whole_report"]()
    roles = {"p001": "patient", "north": "centre", "south": "other_centre"}
    swap = pl.col(pl.String).replace({old: text_of[role] for old, role in roles.items()})
    made = {name: frame.with_columns(swap) for name, frame in whole["tables"].items()}
    groups = table_one.groups_of(
        "outcome",
        exposure="prx_mean",
        exposed_above=0.0,
        main_outcome="unfavourable",
        columns=contracts.analysis(DECLARED).columns,
    )
    made["table1"] = table_one.table_one(
        made["analysis"],
        main_window=INVENTED["MAIN_WINDOW"],
        variables=PUBLISHED["cohort"]["table_one"]["rows"],
        groups=groups,
        columns=contracts.analysis(DECLARED).columns,
    )
    for name in ("excluded", "dropped"):
        made[name] = made[name].with_columns(detail=pl.lit(text_of["detail"]))
    models = {
        name: plan | {"question": text_of["question"], "reason": text_of["question"]}
        for name, plan in whole["models"].items()
    }
    arguments = whole | {"title": text_of["title"], "tables": made, "models": models}
    content, pictures = html_page.build_report(**arguments)
    return html_page.page(content, template=TEMPLATE, pictures=pictures)


@pytest.fixture(scope="module")
def pages():
    return {"hostile": _page(HOSTILE), "harmless": _page(HARMLESS)}


@pytest.mark.parametrize("role", HOSTILE)
def test_each_text_is_in_the_page_and_only_as_text(pages, role):
    assert str(escape(HOSTILE[role])) in pages["hostile"]
    if "<" in HOSTILE[role]:
        assert HOSTILE[role] not in pages["hostile"]


def test_nothing_else_of_the_page_changes(pages):
    restored = pages["hostile"].replace(' class="long"', "")  # a long word may be torn
    for role, text in HOSTILE.items():
        restored = restored.replace(str(escape(text)), str(escape(HARMLESS[role])))
    assert restored.replace("\u00a0", " ") == pages["harmless"].replace("\u00a0", " ").replace(
        ' class="long"', ""
    )
