"""The report of the finished study in a browser: read, sorted, copied, enlarged, printed."""

import re
import shutil
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

pytestmark = pytest.mark.workflow

NAMES = ("chromium", "chromium-browser", "google-chrome")
SILENT = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
)
WIDTHS = (1280, 768, 390, 360)


@pytest.fixture(scope="module")
def browser():
    executable = next((path for name in NAMES if (path := shutil.which(name))), None)
    if executable is None:
        pytest.skip("no chromium here; install it (apt-get install chromium)")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=executable, args=SILENT)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def report(finished) -> Path:
    return finished.study / "results/report.html"


@pytest.fixture
def opened(browser, report):
    """Return a function that opens the report, and check that the page logged nothing."""
    heard, contexts = [], []

    def open_it(width=1280, **options):
        context = browser.new_context(
            viewport={"width": width, "height": 900}, reduced_motion="reduce", **options
        )
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: heard.append(message.text))
        page.on("pageerror", lambda error: heard.append(str(error)))
        page.on("request", lambda request: heard.append(request.url))
        page.goto(report.as_uri())
        return page

    yield open_it
    for context in contexts:
        context.close()
    assert set(heard) == {report.as_uri()}, "an error, or a request to somewhere else"


def test_the_page_fits_its_window(opened):
    page = opened()
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        beyond = page.evaluate("document.documentElement.scrollWidth - innerWidth")
        assert beyond <= 0, f"{beyond} px too wide at {width} px"


@pytest.mark.parametrize(
    ("scheme", "rules"), [("light", {}), ("dark", {"runOnly": ["color-contrast"]})]
)
def test_a_checker_of_accessibility_finds_no_fault(opened, scheme, rules):
    page = opened(color_scheme=scheme)
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    response = Axe().run(page, options={"resultTypes": ["violations"]} | rules).response
    assert [rule["id"] for rule in response["violations"]] == []
    assert len(response["passes"]) >= (1 if rules else 30)


def test_every_link_leads_to_something_that_it_scrolls_to(opened):
    page = opened()
    ways = page.locator("nav a")
    assert ways.count() == 15
    for way in ways.all():
        way.click()
        name = way.get_attribute("href")[1:]
        top = page.locator(f"[id='{name}']").evaluate("e => e.getBoundingClientRect().top")
        bottom = page.evaluate("scrollY + innerHeight >= document.body.scrollHeight - 1")
        assert 0 <= top < 60 or bottom, name
    lost = page.evaluate(
        "[...document.links].filter(a => !document.getElementById(a.hash.slice(1)))"
        ".map(a => a.href)"
    )
    assert lost == []


def test_a_finding_leads_to_its_table_and_the_table_back(opened):
    page = opened()
    point = page.locator("#findings + ul > li").first
    point.locator(".ways a").first.click()
    table = page.locator(page.evaluate("location.hash"))
    assert table.locator("table").is_visible()
    table.locator(".back").click()
    assert page.evaluate("location.hash.slice(1)") == point.get_attribute("id")


def test_a_link_into_a_folded_table_opens_it(opened):
    page = opened()
    folded = page.locator("details#table-settings")
    assert not folded.locator("table").is_visible()
    page.locator("#made ~ p a[href='#table-settings']").click()
    assert folded.locator("table").is_visible()


def _numbers(page):
    cells = page.locator("#table-masked tbody td:nth-child(3)").all_inner_texts()
    return [float(re.match(r"<?([\d.]+)", cell)[1]) for cell in cells]


def test_a_table_sorts_up_down_and_back(opened):
    page = opened()
    as_made = _numbers(page)
    head = page.locator("#table-masked thead th").nth(2)
    assert len(as_made) > 3 and as_made != sorted(as_made)
    head.locator("button").click()
    assert (_numbers(page), head.get_attribute("aria-sort")) == (sorted(as_made), "ascending")
    head.locator("button").press("Enter")
    assert _numbers(page) == sorted(as_made, reverse=True)
    assert head.get_attribute("aria-sort") == "descending"
    assert "descending" in page.locator("[role=status]").inner_text()
    head.locator("button").click()
    assert (_numbers(page), head.get_attribute("aria-sort")) == (as_made, None)


def test_the_rows_of_a_description_stay_in_their_order(opened):
    page = opened()
    assert page.locator("#table-one thead button").count() == 0
    assert page.locator("#table-one tbody tr").count() > 20


def test_a_table_is_copied_cell_by_cell(opened):
    page = opened(permissions=["clipboard-read", "clipboard-write"])
    page.locator("#table-recorded .tool").click()
    page.get_by_text("Copied", exact=True).wait_for()
    lines = page.evaluate("navigator.clipboard.readText()").splitlines()
    rows = page.locator("#table-recorded tr")
    assert len(lines) == rows.count()
    for line, row in zip(lines, rows.all()):
        cells = [" ".join(cell.split()) for cell in row.locator("th, td").all_text_contents()]
        assert line.split("\t") == cells


def test_a_copied_cell_is_no_formula(opened):
    page = opened(permissions=["clipboard-read", "clipboard-write"])
    cell = page.locator("#table-recorded tbody td").first
    cell.evaluate("cell => { cell.textContent = '=cmd()'; }")
    page.locator("#table-recorded .tool").click()
    page.get_by_text("Copied", exact=True).wait_for()
    assert "\t'=cmd()\t" in page.evaluate("navigator.clipboard.readText()")


def test_a_figure_is_told_in_words_and_enlarges(opened):
    page = opened()
    figures = page.locator("figure")
    assert figures.count() >= 5
    for figure in figures.all():
        drawing = figure.locator("svg[role=img]")
        about = drawing.get_attribute("aria-labelledby").split()
        for name in about:
            assert len(page.locator(f"[id='{name}']").text_content()) > 10
    figure = figures.first
    before = figure.locator("svg").bounding_box()["height"]
    figure.get_by_role("button", name="Enlarge Figure 1").click()
    dialog = page.locator("dialog")
    assert dialog.locator("svg").bounding_box()["height"] > 0 < before
    assert figure.locator("svg").count() == 0
    page.keyboard.press("Escape")
    figure.locator("svg").wait_for()
    assert page.evaluate("document.activeElement.textContent") == "Enlarge"


def test_paper_has_everything_and_no_buttons(opened):
    page = opened()
    document = page.pdf()
    assert document.startswith(b"%PDF")
    assert document.count(b"/Type /Page\n") > 8
    page.emulate_media(media="print")
    rows = page.locator("details tbody tr")
    assert rows.count() > 100
    assert rows.last.bounding_box()["height"] > 0
    assert not page.locator("nav").is_visible()
    assert not page.locator(".tool").first.is_visible()


def test_without_its_script_the_page_says_the_same(opened):
    page, plain = opened(), opened(java_script_enabled=False)
    assert plain.locator("main button").count() == 0
    for part in ("p", "li", "td", "th", "figcaption", "summary"):
        shown, expected = (
            sorted(
                " ".join(text.split())
                for text in one.locator(f"main {part}").all_text_contents()
            )
            for one in (plain, page)
        )
        assert shown == expected
    folded = plain.locator("details#table-settings")
    folded.locator("summary").click()
    assert folded.locator("table").is_visible()
