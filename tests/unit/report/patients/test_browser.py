"""The patient browser: everything known of each patient, escaped, and usable by keyboard."""

import json
import re
import runpy
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest

from icpcohort import contracts
from icpcohort.report.patients import browser as patient_browser
from icpcohort.report.patients import timeline
from icpcohort.report.sections.content import SHORT_CAUTION

INVENTED = runpy.run_path(str(Path(__file__).parents[1] / "report_arguments.py"))
TEMPLATE = (Path(__file__).parents[4] / "workflow/report/patients.html.j2").read_text("utf-8")
TABLES = INVENTED["make_tables"](30, lost=2, seed=20)
WINDOW, MODELS = INVENTED["MAIN_WINDOW"], INVENTED["MODELS"]
IN_IT = TABLES["analysis"].filter(window=WINDOW)["patient_id"].to_list()
LOST = INVENTED["frame_of"](
    {
        "patient_id": IN_IT[:3],
        "step": [2, 2, 3],
        "reason": ["outcome_unknown", "outcome_unknown", "age_years_missing"],
        "detail": ["gose_6m is missing; complete it"] * 2 + [None],
    },
    contracts.MODEL_DROPPED,
)


def render(tables=TABLES, **changes):
    arguments = {
        "tables": tables,
        "model_dropped": {"gose_by_dose": LOST},
        "models": {"gose_by_dose": MODELS["gose_by_dose"]},
        "windows": ["first_24_h", "first_72_h"],
        "settings": INVENTED["SETTINGS"],
    }
    return patient_browser.render(template=TEMPLATE, **(arguments | changes))


class Page(HTMLParser):
    """The tags of a page and its data."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.parts = [], []
        self.feed(text)
        self.close()
        self.data = json.loads("".join(self.parts))

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, text):
        if self.tags[-1:] == [("script", {"type": "application/json", "id": "data"})]:
            self.parts.append(text)


def facts_of(text, patient):
    """Return the rows of each section of a patient, in words."""
    data = Page(text).data
    return {
        about["caption"]: [[data["words"][i] for i in row] for row in rows]
        for about, rows in zip(data["sections"], data["patients"][patient], strict=True)
    }


WHOLE = render()


def test_the_page_is_marked_and_lists_everyone_most_valid_hours_first():
    assert timeline.NOT_FOR_SHARING in WHOLE
    assert SHORT_CAUTION in WHOLE
    listed = re.findall(r'<th scope="row"><a href="#(\w+)">', WHOLE)
    assert sorted(listed) == sorted(TABLES["patients"]["patient_id"])
    valid = dict(TABLES["quality"].filter(signal="icp").select("patient_id", "valid_s").rows())
    hours = [valid.get(patient, -1) for patient in listed]
    assert hours == sorted(hours, reverse=True)


def test_every_patient_has_every_section_and_its_place_in_every_analysis():
    facts = {p: facts_of(WHOLE, p) for p in TABLES["patients"]["patient_id"]}
    assert len(next(iter(facts.values()))) == 13
    places = {p: {row[0]: row[1:] for row in f["In which analyses"]} for p, f in facts.items()}
    for window in ("first_24_h", "first_72_h"):
        cohort = f"Cohort of the {window.replace('_', ' ')}"
        inside = {p for p, place in places.items() if place[cohort][0] == "yes"}
        assert inside == set(TABLES["analysis"].filter(window=window)["patient_id"])
        assert all(place[cohort][1] for p, place in places.items() if p not in inside)
    model = {p: place["Model GOSE by dose"] for p, place in places.items()}
    assert {p for p, (inside, _) in model.items() if inside == "yes"} == set(IN_IT[3:])
    assert model[IN_IT[0]] == ["no", "outcome unknown: gose_6m is missing; complete it"]
    assert model[IN_IT[2]] == ["no", "age years missing"]
    outside = next(p for p in model if p not in IN_IT)
    assert model[outside] == ["no", "not in the cohort of the first 72 h"]


def test_seconds_burden_and_exclusions_are_those_of_the_tables():
    patient = TABLES["quality"]["patient_id"][0]
    facts = facts_of(WHOLE, patient)
    row = TABLES["quality"].filter(patient_id=patient, signal="icp").row(0, named=True)
    names = ("recorded_s", "valid_s", "masked_s", "missing_s")
    assert facts["Every second accounted"][0][:5] == [
        "ICP",
        *(f"{row[name] / 3600:.2f}" for name in names),
    ]
    burden = TABLES["burden"].filter(patient_id=patient, window=WINDOW, threshold=20.0)
    dose, share = burden.select("dose_per_h", "percent_time").row(0)
    line = next(cells for cells in facts["Burden"] if cells[0] == "ICP above 20 mmHg")
    assert line[2] == f"{dose:.2f}; {share:.1f} %"
    left_out = TABLES["excluded"].row(0, named=True)
    recording = facts_of(WHOLE, left_out["patient_id"])["Recordings"][0]
    assert recording[3:] == ["excluded", f"truncated: {left_out['detail']}"]


def test_filters_hold_for_whom_they_name():
    rows = re.findall(r'data-holds="([\d ]*)"><th scope="row"><a href="#(\w+)"', WHOLE)
    holds = {p: {patient_browser.FILTERS[int(i)] for i in words.split()} for words, p in rows}
    assert {p for p, names in holds.items() if "in the analysis" in names} == set(IN_IT)
    outside = {p for p, names in holds.items() if "not in the analysis" in names}
    assert outside == set(holds) - set(IN_IT)
    with_cppopt = TABLES["optima"].filter(pl.col("cppopt_mmhg").is_not_null())["patient_id"]
    assert {p for p, names in holds.items() if "with a CPPopt" in names} == set(with_cppopt)
    left_out = set(TABLES["excluded"]["patient_id"])
    assert {p for p, n in holds.items() if "with a recording left out" in n} == left_out


HOSTILE = ("</script><img src=x onerror=alert(1)>", "=cmd()", "😀 שלום", "x" * 200, "a&b<!--")


@pytest.mark.parametrize("words", HOSTILE)
def test_hostile_words_are_words(words):
    first = TABLES["patients"]["patient_id"][0]
    swapped = pl.when(pl.col("patient_id") != first).then("patient_id").otherwise(pl.lit(words))
    tables = {
        name: table.with_columns(patient_id=swapped) if "patient_id" in table.columns else table
        for name, table in TABLES.items()
    }
    tables["patients"] = tables["patients"].with_columns(centre=pl.lit(words))
    text = render(tables)
    page = Page(text)
    assert [tag for tag, _ in page.tags] == [tag for tag, _ in Page(WHOLE).tags]
    assert words in page.data["patients"]
    assert ["Centre", words] in facts_of(text, words)["Who"]


def test_a_study_without_results_has_a_page_of_its_patients():
    empty = {name: frame.clear() for name, frame in TABLES.items()}
    text = render(empty | {"patients": TABLES["patients"]}, model_dropped={})
    facts = facts_of(text, TABLES["patients"]["patient_id"][0])
    assert facts["Recordings"] == [] and len(facts["Who"]) > 10
    assert "30 of 30 patients." in text
    assert "0 of 0 patients." in render(empty, model_dropped={})


def test_the_page_grows_by_no_more_than_1500_bytes_a_patient():
    large = INVENTED["make_tables"](230, lost=10, seed=3)
    grown = len(render(large, model_dropped={}).encode()) - len(WHOLE.encode())
    assert grown / 200 < 1500


# --- in a browser ----------------------------------------------------------------------------

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = "--no-sandbox --disable-gpu --no-first-run --disable-background-networking"


@pytest.fixture(scope="module")
def browser():
    playwright = pytest.importorskip("playwright.sync_api", reason="install playwright")
    if not CHROMIUM.exists():
        pytest.skip("install chromium to look at pages in a browser")
    with playwright.sync_playwright() as started:
        opened = started.chromium.launch(executable_path=CHROMIUM, args=FLAGS.split())
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("browser")
    (place / "patients.html").write_text(WHOLE, encoding="utf-8")
    (place / "pictures").mkdir()
    drawn = '<svg xmlns="http://www.w3.org/2000/svg" width="10" height="10"/>'
    for patient in TABLES["patients"]["patient_id"]:
        (place / f"pictures/{patient}.svg").write_text(drawn)
    (place / "cohort.svg").write_text(drawn)
    return place


@pytest.fixture
def opened(browser, folder):
    page = browser.new_page(viewport={"width": 1200, "height": 800})
    page.complaints, page.asked = [], []
    page.on("console", lambda message: page.complaints.append(message.text))
    page.on("pageerror", lambda error: page.complaints.append(str(error)))
    page.on("request", lambda request: page.asked.append(request.url))
    page.goto((folder / "patients.html").as_uri())
    yield page
    assert page.complaints == []
    assert all(url.startswith("file:") for url in page.asked)
    page.close()


def _listed(page):
    return page.eval_on_selector_all(
        "#list tbody tr", "rows => rows.filter(r => !r.hidden).map(r => r.cells[0].textContent)"
    )


def test_searching_and_filtering_leave_whom_they_should(opened):
    opened.fill("#search", "Outcome_Unknown".replace("_", " "))
    assert sorted(_listed(opened)) == sorted(IN_IT[:2])
    assert opened.inner_text("#shown") == "2 of 30 patients."
    opened.fill("#search", "")
    opened.select_option("#filter", label="not in the analysis")
    assert set(_listed(opened)) == set(TABLES["patients"]["patient_id"]) - set(IN_IT)


def test_a_click_on_a_head_sorts_numbers_with_the_unknown_last(opened):
    place = opened.eval_on_selector_all(
        "#list thead th", "heads => heads.findIndex(h => h.textContent.startsWith('Mean ICP'))"
    )
    head = opened.locator("#list thead button").nth(place)
    for order in ("ascending", "descending"):
        head.click()
        cells = opened.eval_on_selector_all(
            "#list tbody tr", f"rows => rows.map(r => r.cells[{place}].textContent)"
        )
        known = [float(cell) for cell in cells if cell != "–"]
        assert cells[len(known) :] == ["–"] * (len(cells) - len(known))
        assert known == sorted(known, reverse=order == "descending") and len(set(known)) > 9
        sorts = opened.eval_on_selector_all("[aria-sort]", "all => all.map(h => h.ariaSort)")
        assert sorts == [order]


def test_the_keyboard_opens_a_patient_steps_on_and_comes_back(opened):
    first, second = _listed(opened)[:2]
    opened.focus("#list tbody a")
    opened.keyboard.press("Enter")
    opened.locator("#name").filter(has_text=first).wait_for()
    assert opened.evaluate("document.activeElement.id") == "name"
    assert opened.eval_on_selector("#picture", "image => image.decode().then(() => true)")
    opened.focus("#after")
    opened.keyboard.press("Enter")
    opened.locator("#name").filter(has_text=second).wait_for()
    opened.focus("#back")
    opened.keyboard.press("Enter")
    assert not opened.is_visible("#one")
    assert opened.evaluate("document.activeElement.textContent") == second


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_accessibility_checker_finds_nothing_also_on_a_phone(opened, scheme):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="install axe")
    opened.emulate_media(color_scheme=scheme)
    opened.set_viewport_size({"width": 360, "height": 740})
    opened.click("#list tbody a")
    checked = axe.Axe().run(opened)
    assert checked.violations_count == 0, checked.generate_report()
    assert opened.evaluate("document.documentElement.scrollWidth") <= 360
