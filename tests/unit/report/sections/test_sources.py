"""Sources: what the methods cite stands once, in full, at their end, in every form of them."""

import runpy
from pathlib import Path

import pytest
import yaml
from published_settings import CONFIG, DECLARED, PUBLISHED

from icpcohort import contracts
from icpcohort.contracts import bibliography
from icpcohort.contracts.bibliography import SOURCES
from icpcohort.models import fit, wording
from icpcohort.report.formats import content_json, html_page, model_page
from icpcohort.report.sections import methods, sources
from icpcohort.report.sections.blocks import Bullets, GridBlock, Paragraph, Section
from icpcohort.report.sharing import disclosure
from icpcohort.report.tables.grid import Grid
from icpcohort.study.families import FAMILIES

INVENTED = runpy.run_path(str(Path(__file__).parents[1] / "report_arguments.py"))
COHORT = runpy.run_path(str(Path(__file__).parents[3] / "reference" / "test_replication.py"))
MODELS = yaml.safe_load(CONFIG.with_name("models.yaml").read_text(encoding="utf-8"))["models"]
PARAGRAPHS = methods.paragraphs(PUBLISHED, MODELS)
DEFINITIONS = {
    "Signals and artefacts": {"Czosnyka 1996", "Grandke 1983", "Hu 2009"},
    "Reactivity indices": {
        *("Aries 2012b", "Czosnyka 1996", "Czosnyka 1997", "Fisher 1921", "Santos 2011"),
        "Zeiler 2018",
    },
    "Optimal CPP": {
        *(
            "Aries 2012a",
            "Bogli 2025",
            "COGiTATE 2021",
            "Davison 1997",
            "Donnelly 2017",
            "Kunsch 1989",
        ),
        *("Lazarus 2018", "Lind 2010", "Muller 2007", "Steiner 2002", "Theiler 1992"),
        *("CAHR-TBI 2023", "Czosnyka 1996", "Sorrentino 2012"),
    },
    "Burden": {"Bogli 2025", "Guiza 2015", "Sheth 2013", "Vik 2008"},
    "Exposure windows and cohort": {"Anderson 1983"},
    "Outcomes and baseline risk": {
        *("Anderson 1983", "Murray 2005", "Steyerberg 2008", "Wilson 2021")
    },
    "Presentation": {"Austin 2011", "Hyndman 1996", "Yang 2012"},
}


def _listed(content):
    """Return the points of the list of sources in the methods; None without a list."""
    (section,) = [one for one in content.sections if one.id == "methods"]
    found = [one for one in section.parts if one.id == "sources"]
    if not found:
        return None
    assert section.parts[-1] == found[0]
    words, points = found[0].blocks
    assert words == Paragraph(bibliography.HOW_CHECKED)
    return [item.text for item in points.items]


def _report(**paragraphs):
    """Return a report of these methods, whose settings as run cite nothing."""
    whole = INVENTED["whole_report"]()
    outcomes = {
        name: {key: value for key, value in entry.items() if key != "source"}
        for name, entry in whole["settings"]["outcomes"].items()
    }
    settings = whole["settings"] | {"outcomes": outcomes}
    changed = {"methods": paragraphs, "settings": settings}
    return html_page.build_report(**whole | changed)[0]


@pytest.mark.parametrize("heading", DEFINITIONS)
def test_a_published_definition_names_its_source(heading):
    cited = bibliography.cited_in([PARAGRAPHS[heading]])
    assert {source.key for source in cited} == DEFINITIONS[heading]


@pytest.mark.parametrize("name", [name for name in FAMILIES if FAMILIES[name].sources])
def test_a_model_names_the_sources_of_its_family(name):
    assert set(FAMILIES[name].sources) <= set(SOURCES)
    text = wording.methods_sentence(
        COHORT["planned"](name), columns=contracts.analysis(DECLARED).columns
    )
    cited = {source.key for source in bibliography.cited_in([text])}
    assert set(FAMILIES[name].sources) <= cited


def test_the_methods_end_with_every_source_once_in_full():
    listed = _listed(_report(one="By PRx (Zou 2004).", two="Firth 1993; (Zou 2004)"))
    assert listed == [
        "Firth 1993, Biometrika 80:27 [from memory]",
        "Zou 2004, Am J Epidemiol 159:702 [from memory]",
    ]


def test_a_source_that_was_read_is_not_marked():
    assert _listed(_report(one="(Maas 2005)")) == ["Maas and others 2005, Neurosurgery 57:1173"]


def test_a_report_that_cites_nothing_has_no_list():
    assert _listed(_report(one="Words of 2004.")) is None


def test_a_table_cites_as_the_text_does():
    rows = [["18 mmHg", "Hutchinson 2016 (from memory)"], ["22 mmHg", "Carney 2017"]]
    grid = GridBlock("table-x", Grid("Choices", ["Choice", "Source"], rows, "Peaks: Hu 2009."))
    *_, made = sources.listed([Section("x", "X", (grid,)), Section("methods", "Methods")])
    (part,) = made.parts
    assert isinstance(part.blocks[1], Bullets)
    assert [item.text.split(",")[0] for item in part.blocks[1].items] == [
        *("Carney 2017", "Hu 2009", "Hutchinson 2016")
    ]


def test_the_text_of_the_content_keeps_the_list():
    report = _report(one="(Zou 2004)")
    assert _listed(content_json.from_json(content_json.as_json(report))) == _listed(report)


def test_the_page_of_a_model_has_the_sources_of_its_methods():
    rows, planned = COHORT["patients"](150, seed=7), COHORT["planned"]("firth_logistic")
    updates = COHORT["days"](rows, seed=7)
    made = fit.fit_model(rows, plan=planned, landmark_h=72.0, updates=updates)
    text = wording.methods_sentence(planned, columns=contracts.analysis(DECLARED).columns)
    page = model_page.markdown(
        made,
        plan=planned,
        methods=text,
        columns=contracts.analysis(DECLARED).columns,
        declared=DECLARED,
    )
    assert f"## Methods\n\n{text}\n\n{bibliography.section_of([text])}\n## Files" in page
    assert "* Firth 1993, Biometrika 80:27 [from memory]\n" in page


def test_no_citation_looks_like_a_date_that_must_not_be_shared():
    text = bibliography.section_of(SOURCES)
    assert text.count("\n* ") == len(SOURCES)
    shared = {"methods.md": text}
    assert disclosure.problems(shared, identifiers=["p001"], min_cell=5) == []
