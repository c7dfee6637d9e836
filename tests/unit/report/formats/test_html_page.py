"""The report: one file, complete, escaped, in order, and honest about what is not there."""

import re
import runpy
import time
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import polars as pl
import pytest
from published_settings import DECLARED, PUBLISHED

from icpcohort import contracts
from icpcohort.report import reads
from icpcohort.report.figures import draw_all, names
from icpcohort.report.formats import html_page
from icpcohort.report.sections import content
from icpcohort.report.tables import model_words, monitors

INVENTED = runpy.run_path(str(Path(__file__).parents[1] / "report_arguments.py"))
TEMPLATE = (Path(__file__).parents[4] / "workflow/report/report.html.j2").read_text("utf-8")
VOID = {"meta", "br", "use", "path", "link", "img"}


class Page(HTMLParser):
    """The parts of a page that the tests ask for; `open` is empty when all tags are closed."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.open, self.words, self.problems = [], [], [], []
        self.feed(text)
        self.text = re.sub(r"[\s\u00a0]+", " ", " ".join(self.words))

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.problems.append(tag)

    def handle_data(self, data):
        if not {"style", "script"} & set(self.open):
            self.words.append(data)

    def all(self, tag):
        return [attrs for name, attrs in self.tags if name == tag]


WHOLE = INVENTED["whole_report"]()


def _render(template, **arguments):
    """What the script of the rule `report` does."""
    report, pictures = html_page.build_report(**arguments)
    return html_page.page(report, template=template, pictures=pictures)


HTML = _render(template=TEMPLATE, **WHOLE)
PAGE = Page(HTML)
EMPTY = Page(_render(template=TEMPLATE, **INVENTED["empty_report"]()))
SMALL = INVENTED["make_tables"](3, lost=0, seed=5)
FEW = Page(_render(template=TEMPLATE, **(WHOLE | {"tables": SMALL})))


def test_the_same_tables_give_the_same_page():
    assert _render(template=TEMPLATE, **INVENTED["whole_report"]()) == HTML


def test_the_page_is_small_and_quick():
    began = time.process_time()
    _render(template=TEMPLATE, **WHOLE)
    assert time.process_time() - began < 10
    assert len(HTML.encode()) < 3e6


def test_the_page_needs_no_network():
    links = [a.get("href", "") for a in PAGE.all("a")]
    assert links and all(link.startswith("#") for link in links)
    assert not [tag for tag, attrs in PAGE.tags if "src" in attrs or tag == "link"]
    assert "@import" not in HTML and "url(http" not in HTML
    policy = next(m for m in PAGE.all("meta") if "http-equiv" in m)
    assert policy["content"].startswith("default-src 'none'; script-src 'sha256-")
    assert len(PAGE.all("script")) == 1


def test_every_link_leads_somewhere_and_no_id_is_doubled():
    ids = [attrs["id"] for _, attrs in PAGE.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    assert {a["href"][1:] for a in PAGE.all("a")} <= set(ids)


@pytest.mark.parametrize("page", [PAGE, EMPTY, FEW], ids=["whole", "empty", "few"])
def test_every_tag_is_closed(page):
    assert page.problems == []
    assert page.open == []


@pytest.mark.parametrize("page", [PAGE, EMPTY, FEW], ids=["whole", "empty", "few"])
def test_headings_go_down_one_step_at_a_time(page):
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_the_page_has_landmarks_and_a_language():
    assert PAGE.all("html")[0]["lang"] == "en"
    for tag in ("header", "nav", "main", "footer"):
        assert len(PAGE.all(tag)) == 1
    names = [attrs["aria-labelledby"] for attrs in PAGE.all("section")]
    assert len(names) == len(set(names)) == 15


def test_tables_have_captions_and_heads_with_a_scope():
    assert len(PAGE.all("caption")) == len(PAGE.all("table")) > 10
    assert {th.get("scope") for th in PAGE.all("th")} == {"row", "col"}


def test_wide_content_scrolls_in_a_box_that_the_keyboard_reaches():
    boxes = [a for a in PAGE.all("div") if a.get("class") == "scroll"]
    assert len(boxes) == len(PAGE.all("table")) + len(PAGE.all("figure"))
    assert all(box["tabindex"] == "0" and box["aria-label"] for box in boxes)


def test_every_path_of_a_figure_can_be_drawn():
    """Numbers of each command of a path, as in SVG 2, section 9.3."""
    n_of = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "Q": 4, "z": 0}
    paths = re.findall(r'\bd="([^"]*)"', HTML)
    assert len(paths) > 100
    for path in set(paths):
        for command, numbers in re.findall(r"([A-Za-z])([^A-Za-z]*)", path):
            n = len(numbers.split())
            assert n == 0 if command == "z" else n and n % n_of[command] == 0, path


def test_sections_stand_in_their_order():
    order = (
        "findings who recordings monitors burden reactivity models sensitivity specifications "
        "plan-lock methods limits settings made checklists"
    )
    headings = [attrs.get("id") for tag, attrs in PAGE.tags if tag == "h2"]
    assert headings == ["contents", *order.split()]


def test_text_from_data_is_escaped():
    assert HTML.count("<script") == 1
    assert "Invented cohort <script>alert('x')</script>" in PAGE.text
    assert "<b>during</b> an open drain & after" in PAGE.text


@pytest.mark.parametrize(
    "words",
    [
        "Not a medical device",
        "not for bedside decisions or for choosing a patient’s target",
        "Local protocols and licensed practice come first",
        "Association is not causation",
        "20 versus 22 mmHg lies within the drift of a sensor",
        "PRx is not interpretable with an open drain or after craniectomy",
    ],
)
@pytest.mark.parametrize("page", [PAGE, EMPTY], ids=["whole", "empty"])
def test_cautions_stand_before_the_first_finding(page, words):
    assert words in page.text.split("Contents")[0]


def test_numbers_agree_with_the_tables_they_come_from():
    tables = WHOLE["tables"]
    assert "92 of 104 patients (88.5 %) are in the analysis of the first 72 h" in PAGE.text
    icp = tables["quality"].filter(signal="icp")
    hours = round(sum(icp["recorded_s"]) / 3600)
    assert f"of {hours} recorded hours of ICP are valid (n = 100 patients)" in PAGE.text
    assert "4 of 104 recordings could not be used" in PAGE.text
    cohort = tables["analysis"].filter(window="first_72_h")["patient_id"].to_list()
    rows = tables["burden"].filter(window="first_72_h", signal="icp", threshold=22.0)
    rows = rows.filter(pl.col("patient_id").is_in(cohort))
    n = rows["percent_time"].count()
    assert 0 < n < 92
    low, median, high = (rows["percent_time"].quantile(q, "linear") for q in (0.25, 0.5, 0.75))
    assert f"22 mmHg: {median:.1f} ({low:.1f} to {high:.1f}) %, n = {n}" in PAGE.text


def test_recorded_time_is_told_by_tier():
    tables = WHOLE["tables"]
    joined = tables["quality"].filter(tier="waveform", signal="abp")
    hours = sum(joined["valid_s"]) / 3600
    share = 100 * sum(joined["valid_s"]) / sum(joined["recorded_s"])
    assert f"waveform, ABP {joined.height}" in PAGE.text.replace("  ", " ")
    assert f"{hours:.1f} ({share:.1f} %)" in PAGE.text


def test_masked_time_is_told_by_reason_and_the_level_of_abp_by_patients():
    tables = WHOLE["tables"]
    icp = tables["masked"].filter(signal="icp", reason="drain_open")
    hours = sum(icp["masked_s"]) / 3600
    share = (
        100 * sum(icp["masked_s"]) / sum(tables["quality"].filter(signal="icp")["recorded_s"])
    )
    assert f"ICP, drain open {icp.height} {hours:.1f} ({share:.1f} %)" in PAGE.text
    cohort = tables["analysis"].filter(window="first_72_h")
    for level, level_words in (("tragus", "tragus"), ("unknown", "not noted")):
        n = cohort.filter(abp_level_used=level).height
        assert 0 < n < cohort.height
        assert f"{level_words} {n} ({100 * n / cohort.height:.0f} %)" in PAGE.text


def test_the_limits_of_this_study_are_told_in_its_own_numbers():
    limits, few = (page.text.split("Reporting checklists")[-2] for page in (PAGE, FEW))
    limits, few = (text.split("Limits and cautions")[-1] for text in (limits, few))
    analysis = WHOLE["tables"]["analysis"].filter(window="first_72_h")
    unknown = analysis["unfavourable"].null_count()
    unsure = analysis.filter(pl.col("abp_level_used") != "tragus").height
    assert 0 < unknown < unsure < analysis.height
    for words in (
        "12 of 104 patients are not in the analysis of the first 72 h",
        f"The outcome of {unknown} of 92 patients is unknown.",
        f"In {unsure} of 92 patients the arterial pressure is not known",
        "patients of the cohort have no PRx:",
    ):
        assert words in limits
    assert "not in the analysis" not in few


def test_an_association_is_told_without_a_word_of_cause():
    assert (
        "Higher values of the ICP dose above 20 mmHg per monitored hour (mmHg·h/h) were "
        "associated with higher odds of an unfavourable GOSE at 6 months. Adjusted odds ratio "
        "1.32 (95 % CI 1.01 to 1.74) per 1 more, p = 0.030, n = 78 (41 with the outcome)."
    ) in PAGE.text
    causal = (
        r"\b(caus(e|es|ed)|leads? to|led to|due to|(?<!no )effects? of|impact of"
        r"|reduces?|increases?)\b"
    )
    assert re.findall(causal, PAGE.text) == []


def test_an_interval_with_one_inside_is_no_association_and_no_proof_of_none():
    assert "No clear association of the ICP dose above 20 mmHg" in PAGE.text
    assert "includes 1, which does not show that there is none" in PAGE.text


def test_a_withheld_model_is_told_with_its_reason():
    assert (
        "The adjusted association of the CPPopt yield (% of minutes with CPP) with death by "
        "6 months is "
        "not reported: fewer than 5 events."
    ) in PAGE.text


def test_the_direction_follows_the_unrounded_limits():
    plan = WHOLE["models"]["unfavourable_by_dose"]
    diagnostics = WHOLE["fits"]["diagnostics"]["unfavourable_by_dose"]
    rows = WHOLE["fits"]["estimates"]["unfavourable_by_dose"]
    straight = WHOLE["fits"]["curve"]["curved_dose"].clear()

    def finding(low, effect, high):
        limits = {"effect_ci_low": low, "effect": effect, "effect_ci_high": high}
        changed = rows.with_columns(**{name: pl.lit(value) for name, value in limits.items()})
        return model_words.finding(
            plan,
            estimates=changed,
            diagnostics=diagnostics,
            curve=straight,
            columns=contracts.analysis(DECLARED).columns,
            declared=DECLARED,
        )

    assert "were associated with higher odds" in finding(1.0001, 1.2, 1.4)
    assert "by an interval that just excludes 1." in finding(1.0001, 1.2, 1.4)
    assert "just excludes" not in finding(1.01, 1.2, 1.4)
    assert "No clear association" in finding(1.0, 1.2, 1.4)
    assert "were associated with lower odds" in finding(0.5, 0.7, 0.9999)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (
            "cpp_below_60_percent_time",
            "the time with CPP below 60 mmHg (% of the valid minutes)",
        ),
        ("icp_above_22_5_dose_mmhg_h", "the ICP dose above 22.5 mmHg (mmHg·h)"),
        ("age_years", "age at time zero (years)"),
        ("icp_mean_mmhg", "mean ICP (mmHg)"),
        ("gcs_pupils", "GCS-P: GCS - number of unreactive pupils (points)"),
        ("something_else", "something_else"),
    ],
)
def test_exposures_are_told_in_words_with_their_unit(name, words):
    assert model_words.exposure_words(name, contracts.analysis(DECLARED).columns) == words


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (
            "pbto2_below_20_dose_per_h_mmhg",
            "the PbtO2 dose below 20 mmHg per monitored hour (mmHg·h/h)",
        ),
        (
            "spo2_outside_92_98_dose_percent_h",
            "the SpO2 dose outside 92 to 98 % (%·h)",
        ),
        ("pbto2_mean_mmhg", "mean PbtO2 (mmHg)"),
        ("orx_mean", "the mean ORx"),
        ("prx_mean", "the mean PRx"),
        ("cppopt_mean_by_orx_mmhg", "the mean CPPopt, by ORx (mmHg)"),
    ],
)
def test_a_declared_exposure_is_told_by_the_label_that_the_study_gives(name, words):
    about = {"about": "What it is", "names": ["X"]}
    asked = DECLARED | {
        "signals": PUBLISHED["signals"]
        | {"pbto2": about | {"label": "PbtO2", "unit": "mmHg"}}
        | {"spo2": about | {"label": "SpO2", "unit": "%"}},
        "indices": PUBLISHED["indices"]
        | {"orx": {"label": "ORx", "about": "Oxygen reactivity", "of": ["pbto2", "cpp"]}},
        "optimal_cpp": {"by": ["prx", "orx"]},
        "burden": {
            "thresholds": {
                "pbto2": {"below": [20.0]},
                "spo2": {"outside": [{"low": 92.0, "high": 98.0}]},
            }
        },
    }
    assert model_words.exposure_words(name, contracts.analysis(asked).columns) == words


def test_settings_are_listed_by_their_place_in_the_file():
    for words in (
        "windows.first_72_h.end_h 72.0",
        "burden.thresholds.icp.above 18.0, 20.0, 22.0, 25.0",
        "cleaning.rules[1].min -10.0",
        "unfavourable_by_dose.adjust_for impact_core_logit",
    ):
        assert words in PAGE.text


@pytest.mark.parametrize(
    "words",
    [
        "No patient entered the study.",
        "No recording was listed.",
        "No patient of the cohort has an ICP burden in the main window.",
        "There is no patient to describe.",
        "No recording was left out.",
        "No event was noted.",
        "No monitor was described.",
        "is not reported: no estimate of the exposure",
    ],
)
def test_a_study_without_anything_says_so(words):
    assert words in EMPTY.text


@pytest.mark.parametrize("name", reads.TABLES)
def test_any_single_table_may_be_empty(name):
    tables = SMALL | {name: SMALL[name].clear()}
    report = content.build(
        **(WHOLE | {"tables": tables}),
        figures={},
        columns=contracts.analysis(DECLARED).columns,
    )
    page = Page(html_page.page(report, template=TEMPLATE, pictures={}))
    assert page.problems == []
    assert "How to cite and reproduce" in page.text


@pytest.mark.parametrize("name", ["masked", "transition", "summary", "optima"])
def test_a_figure_of_two_tables_may_lack_one(name):
    drawn = draw_all.all_pictures(
        SMALL | {name: SMALL[name].clear()},
        {table: {} for table in WHOLE["fits"]},
        models={},
        settings=WHOLE["settings"],
        columns=contracts.analysis(DECLARED).columns,
    )
    assert all(picture.description for picture in drawn.values())


def test_a_figure_in_which_each_patient_is_seen_says_that_it_is_not_for_sharing():
    captions = re.findall(
        r'<figure id="figure-(.*?)">.*?<figcaption>(.*?)</figcaption>', HTML, re.S
    )
    assert len(captions) == len(set(dict(captions))) > len(names.DRAW_EACH_PATIENT)
    marked = {name for name, words in captions if names.NOT_FOR_SHARING in words}
    assert marked == set(names.DRAW_EACH_PATIENT)
    assert names.NOT_FOR_SHARING not in EMPTY.text


def test_a_figure_without_a_place_is_refused():
    with pytest.raises(ValueError, match="new_one is in no section"):
        content.build(
            **WHOLE,
            figures={"new_one": "A figure."},
            columns=contracts.analysis(DECLARED).columns,
        )


def test_missing_and_broken_tables_are_all_named():
    tables = {k: v for k, v in WHOLE["tables"].items() if k not in {"flow", "curves"}}
    tables["optima"] = tables["optima"].drop("reason")
    with pytest.raises(ValueError) as caught:
        _render(template=TEMPLATE, **(WHOLE | {"tables": tables}))
    for words in (
        "3 problem(s)",
        "flow: missing",
        "curves: missing",
        "optima: reason: missing",
    ):
        assert words in str(caught.value)


def test_no_missing_value_shows_as_python_or_as_a_number():
    for page in (PAGE, EMPTY, FEW):
        assert re.findall(r"\b(None|nan|NaN|inf)\b(?!:)", page.text) == []


def test_a_number_is_not_torn_between_two_lines():
    cells = re.findall(r"<td([^>]*)>([^<]*)</td>", HTML)
    numbers = [(mark, text) for mark, text in cells if re.fullmatch(r"[<\u2212]?[\d.]+", text)]
    assert len(numbers) > 50
    assert all(mark == ' class="short"' for mark, _ in numbers)


@pytest.mark.parametrize(
    "words",
    [
        # of 78 patients the 20th is at 0.15 and the 59th at 0.90
        "was fitted as a curve: odds ratio 0.83 (95 % CI 0.73 to 0.94) at 0.15 and 0.98 (95 % "
        "CI 0.96 to 0.99) at 0.90, against the median 1.00; p = 0.030 for the exposure as a "
        "whole, p = 0.550 for a departure from a straight line",
        "the point: the median that the effects are against",
        "Curved dose: along the curve (18 rows)",
        "Against the median, 1.00. The limits hold for each point by itself.",
        "3 adjusted 0.62 (0.45 to 0.77) 0.21 (0.04 to 0.38) 78",
        "0 adjusted 0.41 (0.30 to 0.53) reference 78",
        "complete cases adjusted 1.23 (0.98 to 1.56) 0.030 77",
        "c statistic adjusted 0.74 0.71 (0.62 to 0.80) 198",
        "1.32 (1.01 to 1.74) 78 (41 with the outcome) 0.045 0.090 Holm, 2 tests",
        "not estimable 74 (4 with the outcome) \u2013 \u2013 Holm, 2 tests",
    ],
)
def test_what_stands_beside_an_estimate_is_in_the_page_with_n_and_interval(words):
    assert words in PAGE.text


def test_what_a_model_does_not_have_is_not_announced():
    assert EMPTY.text.count("Absolute risks") == 0
    assert PAGE.text.count("the point: the median that the effects are against") == 1


def test_tables_of_models_that_are_missing_or_broken_are_named():
    fits = {name: frames for name, frames in WHOLE["fits"].items() if name != "risks"}
    curve = fits["curve"]["curved_dose"].drop("n_nearest")
    with pytest.raises(ValueError) as caught:
        _render(
            template=TEMPLATE,
            **(WHOLE | {"fits": fits | {"curve": {"curved_dose": curve}}}),
        )
    assert "risks: missing" in str(caught.value)
    assert "curve.parquet, curved_dose: n_nearest: missing" in str(caught.value)


def test_complications_have_both_intervals():
    """1 of 29: 0.6 to 17.2 % (Wilson), 0.1 to 17.8 % (exact); Newcombe 1998, table I."""
    flags = {name: [True] + [False] * 28 for name in monitors.COMPLICATIONS}
    grid = monitors.complications(
        pl.DataFrame(flags | {"infection": pl.Series([None] * 29, dtype=pl.Boolean)})
    )
    rows = {row[0]: row[1:] for row in grid.rows}
    assert rows["Malfunction"] == ["1 (3 %)", "29", "1 to 17", "<1 to 18"]
    assert rows["Infection attributed to the monitor"] == ["–", "0", "–", "–"]
    assert grid.head[3:] == ["95 % CI, Wilson (%)", "95 % CI, exact (%)"]
