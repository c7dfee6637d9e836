"""Checklists: where each item of STROBE and RECORD is in the report, and what is left to write.

The items are given in short words of our own; the statements have the full ones.

**Source.** STROBE for cohort studies, 22 items: von Elm 2007. RECORD, which adds to them for
data collected for other ends: Benchimol 2015. Numbers and contents of the items from memory.
"""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from icpcohort.report.sections.blocks import GridBlock, Link, Paragraph, Section
from icpcohort.report.tables.grid import Grid

BY_AUTHORS = "All of it."
METHODS, MODELS, RISKS = "methods: ", "methods of models", "risks of models"


class Entry(NamedTuple):
    """An item; `places` are ids of the report, or headings of the methods after `METHODS`."""

    number: str
    asks: str
    left: str  # what the authors must still write; empty: nothing
    places: tuple[str, ...] = ()


WINDOWS, OUTCOMES = (
    f"{METHODS}Exposure windows and cohort",
    f"{METHODS}Outcomes and baseline risk",
)
SIGNALS, BURDEN = f"{METHODS}Signals and artefacts", f"{METHODS}Burden"
INDICES, OPTIMUM = f"{METHODS}Reactivity indices", f"{METHODS}Optimal CPP"
STROBE = (
    Entry("1a", "Design named in title or abstract", BY_AUTHORS),
    Entry("1b", "Balanced abstract of what was done and found", BY_AUTHORS, ("findings",)),
    Entry("2", "Background and why the study was made", BY_AUTHORS),
    Entry(
        "3", "Aims and hypotheses", "Which were set before the data were seen.", ("table-plan",)
    ),
    Entry("4", "Main features of the design, early on", "Why this design.", (WINDOWS,)),
    Entry(
        "5", "Places and dates of recruitment, exposure, follow-up and collection", BY_AUTHORS
    ),
    Entry(
        *("6a", "Who was eligible, how they were found, how they were followed"),
        *("How patients were found and outcomes were asked for.", (WINDOWS, "table-flow")),
    ),
    Entry("6b", "Matching, if any", "Nothing: the workflow matches nobody.", (WINDOWS,)),
    Entry(
        *("7", "Definitions of outcomes, exposures, confounders and modifiers"),
        *("Why these confounders, beyond the reasons in the plan.",),
        (OUTCOMES, "table-definitions", "table-plan"),
    ),
    Entry(
        *("8", "Where each variable came from and how it was measured"),
        *("Devices, their accuracy, and who scored outcomes, blinded or not.",),
        (SIGNALS, INDICES, OPTIMUM, BURDEN, "recordings", "monitors"),
    ),
    Entry(
        "9", "What was done about bias", "Judgement of what is left.", ("limits", "table-ends")
    ),
    Entry("10", "How the study size came about", "Whether it was planned.", ("figure-flow",)),
    Entry(
        *("11", "How quantitative variables were handled and grouped"),
        *("Why these thresholds.", (BURDEN, OUTCOMES, "table-plan")),
    ),
    Entry("12a", "Statistical methods, with control of confounding", "", (MODELS,)),
    Entry("12b", "Subgroups and interactions", "Why these.", (MODELS, "table-plan")),
    Entry("12c", "How missing data were handled", "Why they are missing.", (MODELS,)),
    Entry("12d", "How loss to follow-up was handled", "", (WINDOWS, MODELS)),
    Entry("12e", "Sensitivity analyses", "", ("sensitivity", "table-plan")),
    Entry("13a", "Numbers at each stage", "", ("figure-flow", "table-flow")),
    Entry("13b", "Why people left at each stage", "", ("figure-flow", "table-flow")),
    Entry("13c", "Flow diagram", "", ("figure-flow",)),
    Entry("14a", "Characteristics, exposures and confounders", "", ("table-one", "burden")),
    Entry("14b", "How many have missing data, each variable", "", ("table-one",)),
    Entry(
        "14c",
        "Follow-up time",
        "How long outcomes were followed.",
        ("recordings", "table-ends"),
    ),
    Entry("15", "Numbers of outcome events", "", ("findings", "table-one", "models")),
    Entry(
        "16a",
        "Estimates unadjusted and adjusted, with precision",
        "",
        ("figure-forest", "models"),
    ),
    Entry("16b", "Limits of categories", "", ("table-plan", "table-burden")),
    Entry(
        "16c", "Risks in absolute terms, where they say more", "Over which period.", (RISKS,)
    ),
    Entry("17", "Other analyses made", "", ("sensitivity", "table-comparisons")),
    Entry("18", "Key results against the aims", "In words of the paper.", ("findings",)),
    Entry(
        "19",
        "Limitations, with direction and size of bias",
        "Both for this study.",
        ("limits",),
    ),
    Entry("20", "Cautious interpretation, other evidence beside it", BY_AUTHORS),
    Entry("21", "To whom the results apply", BY_AUTHORS, ("table-one",)),
    Entry("22", "Funding and the funders' part", BY_AUTHORS),
)
RECORD = (
    Entry("1.1", "Type of data and names of databases in title or abstract", BY_AUTHORS),
    Entry("1.2", "Region and period in title or abstract", BY_AUTHORS),
    Entry("1.3", "Linkage of databases in title or abstract", "Whether any was linked."),
    Entry(
        *("6.1", "How the population was selected, with codes or algorithms"),
        *("How the list of patients itself was drawn.", (WINDOWS, "table-settings")),
    ),
    Entry("6.2", "Validation of the codes or algorithms", BY_AUTHORS),
    Entry("6.3", "Diagram of linkage, with numbers", "If databases were linked."),
    Entry(
        *("7.1", "All codes and algorithms of exposures, outcomes, confounders"),
        *("Those of the source, before export.",),
        ("table-definitions", "table-rules", "table-settings", OUTCOMES),
    ),
    Entry("12.1", "Access of the authors to the source population", BY_AUTHORS),
    Entry("12.2", "Cleaning of the data", "", (SIGNALS, "table-rules", "table-masked")),
    Entry("12.3", "Linkage: level, methods, quality", "If databases were linked."),
    Entry(
        *("13.1", "Selection of people, filtering by quality and availability included"),
        *("", ("figure-flow", "table-flow", "table-left-out")),
    ),
    Entry(
        *("19.1", "What it means that the data were collected for other ends"),
        *("For this study: misclassification, unmeasured confounding, changing eligibility.",),
        ("limits",),
    ),
    Entry(
        "22.1",
        "Access to protocol, raw data and code",
        "Where they lie.",
        ("made", "table-data"),
    ),
)
HEAD = [
    "Item",
    "What is asked for",
    "What the authors must still write",
    "Where in this report",
]
NOTE = (
    "Items in short words of our own; the published statement has the full ones, and is what a "
    "journal asks to be filled in. Nothing: the report has all of it."
)


def section(methods: Sequence[str], models: Mapping[str, Mapping[str, Any]]) -> Section:
    """Return both checklists as a section.

    Parameters
    ----------
    methods : headings of the methods, in order
    models : the plan
        Their methods and risks are places too. A place that this report has not is left out.
    """
    lists = (
        ("strobe", "STROBE, cohort studies", STROBE),
        ("record", "RECORD, beside STROBE", RECORD),
    )
    words = (
        "Where each item of two reporting guidelines is in this report, and what only the "
        "authors can write."
    )
    blocks = [
        _block(name, caption, items, methods=methods, models=models)
        for name, caption, items in lists
    ]
    return Section("checklists", "Reporting checklists", (Paragraph(words), *blocks))


def _block(
    name: str,
    caption: str,
    items: Sequence[Entry],
    *,
    methods: Sequence[str],
    models: Mapping[str, Mapping[str, Any]],
) -> GridBlock:
    grid = Grid(
        caption, HEAD, [[e.number, e.asks, e.left or "Nothing.", ""] for e in items], NOTE
    )
    ways = tuple(
        tuple(Link(one) for place in e.places for one in _ids(place, methods, models))
        for e in items
    )
    return GridBlock(f"table-{name}", grid, supplementary=True, sortable=False, ways=ways)


def _ids(
    place: str, methods: Sequence[str], models: Mapping[str, Mapping[str, Any]]
) -> list[str]:
    """Return the ids of a place in the report."""
    if place == MODELS:
        return [f"methods-{i}" for i, one in enumerate(methods, 1) if one.startswith("Model: ")]
    if place == RISKS:
        return [f"table-{name}-risks" for name in models]
    if place.startswith(METHODS):
        heading = place.removeprefix(METHODS)
        return [f"methods-{i}" for i, one in enumerate(methods, 1) if one == heading]
    return [place]
