"""Content: what the report says, in the order in which it is asked, whatever shows it."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from icpcohort import (
    chance_grid,
    cleaning,
    findings,
    grids,
    model_grids,
    model_section,
    recording_grids,
)
from icpcohort.blocks import (
    Block,
    Bullets,
    Content,
    Item,
    Link,
    Paragraph,
    Section,
    numbered,
    picture,
    table,
)

SHORT_CAUTION = (
    "Research use on recorded data. Not a medical device; not for bedside decisions or for "
    "choosing a patient’s target. Local protocols and licensed practice come first. "
    "Association is not causation. A cut of 20 versus 22 mmHg lies within the drift of a "
    "sensor. PRx is not interpretable with an open drain or after craniectomy."
)
CAUTIONS = (
    "This report describes recorded data for research. It is not a medical device and must not "
    "be used for bedside decisions or for choosing the target of a patient.",
    "Local protocols and licensed practice come first.",
    "Association is not causation. Patients with high pressure differ from others in ways that "
    "no adjustment holds in full.",
    "A cut of 20 versus 22 mmHg lies within the drift of a sensor. Burden, CPP and CPPopt move "
    "with the zero of the sensor; correlations such as PRx do not.",
    "PRx is not interpretable with an open drain or after craniectomy.",
    "Estimates belong to the patients who stayed in the analysis; the flow of patients says "
    "who did not.",
)
ABBREVIATIONS = (
    "ICP is intracranial pressure, ABP arterial blood pressure, CPP the cerebral perfusion "
    "pressure (ABP − ICP), PRx the pressure reactivity index, CPPopt the CPP at which PRx is "
    "lowest, LLR the lower limit of reactivity, GOSE the extended Glasgow Outcome Scale."
)
DOTS = (
    "A dot is a patient; the bar spans the quartiles, the tick is the median; median (IQR) and "
    "n beside it."
)
Given = Mapping[str, pl.DataFrame]
Models = Mapping[str, Mapping[str, Any]]


def build(
    *,
    title: str,
    settings: Mapping[str, Any],
    models: Models,
    tables: Given,
    fits: model_section.Fits,
    methods: Mapping[str, str],
    versions: Mapping[str, str],
) -> Content:
    """Return all that the report says, numbered; the arguments are those of `report.render`.

    Burden and indices are told of the patients in the analysis of their window; curves and
    optima of every patient who has one.
    """
    window = str(settings["cohort"]["main_window"])
    given = of_the_cohort(tables)
    sections = (
        _findings(given, models, fits, window=window),
        _who(given, window=window),
        _recordings(given, settings),
        _monitors(given),
        _burden(given, window=window),
        _reactivity(given, window=window),
        _models(given, models, fits),
        _methods(methods),
        _limits(given),
        _settings(settings, models),
        _made(versions),
    )
    return numbered(
        Content(
            title=title,
            lead=findings.lead(given, window=window),
            caution=SHORT_CAUTION,
            sections=sections,
        )
    )


def of_the_cohort(given: Given) -> Given:
    """Keep burden and indices of the patients who are in the analysis of their window."""
    cohort = given["analysis"].select("window", "patient_id")
    kept = {
        name: given[name].join(cohort, on=["window", "patient_id"], how="semi")
        for name in ("burden", "summary")
    }
    return {**given, **kept}


def _findings(
    given: Given, models: Models, fits: model_section.Fits, *, window: str
) -> Section:
    items = [
        Item(
            model_section.finding(name, plan, fits),
            (Link(f"table-{name}-estimates"), Link("figure-forest")),
            f"finding-{name}",
            f"Model {grids.words_of(name)}",
        )
        for name, plan in models.items()
    ] or [Item("The analysis plan holds no model.", head="Models")]
    items += findings.points(given, window=window)
    return Section("findings", "Key findings", (Bullets(tuple(items)),))


def _who(given: Given, *, window: str) -> Section:
    blocks: list[Block] = [
        picture("flow", f"Flow of patients into the analysis of the {grids.words_of(window)}."),
        *table(
            "one",
            grids.table_one(given["table1"]),
            empty="There is no patient to describe.",
            sortable=False,
        ),
        *table(
            "ends",
            grids.ends_of_monitoring(given["monitoring_ends"]),
            empty="There is no patient whose monitoring could end.",
            supplementary=True,
        ),
        *table(
            "flow",
            grids.flow(given["flow"]),
            empty="No flow of patients was recorded.",
            supplementary=True,
            sortable=False,
        ),
        *table(
            "dropped",
            grids.dropped(given["dropped"]),
            empty="No patient left.",
            supplementary=True,
            patient_level=True,
        ),
    ]
    return Section("who", "Who is in the study", tuple(blocks))


def _recordings(given: Given, settings: Mapping[str, Any]) -> Section:
    without_effect = cleaning.without_effect(
        given["events"]["event"].to_list(),
        rules=settings["cleaning"]["rules"],
        not_during=settings["reactivity"]["not_during"],
    )
    blocks: list[Block] = [
        *table(
            "recorded",
            recording_grids.recorded_time(given["quality"], given["recordings"]),
            empty="No recording could be used; there is no recorded time.",
        ),
        *table(
            "masked",
            recording_grids.masked_time(given["masked"], given["quality"]),
            empty="Nothing was masked.",
        ),
        *table(
            "abp-levels",
            recording_grids.abp_levels(
                given["summary"], window=settings["cohort"]["main_window"]
            ),
            empty="No patient has arterial pressure in the window.",
        ),
        *table(
            "left-out",
            recording_grids.excluded_reasons(given["excluded"]),
            empty="No recording was left out.",
        ),
        *table(
            "left-out-each",
            recording_grids.excluded_rows(given["excluded"]),
            supplementary=True,
            patient_level=True,
        ),
        *table(
            "events",
            recording_grids.events(given["events"], without_effect=without_effect),
            empty="No event was noted.",
        ),
    ]
    return Section("recordings", "Recordings", tuple(blocks))


def _monitors(given: Given) -> Section:
    blocks: list[Block] = [
        *table(
            "monitors",
            grids.monitor_kinds(given["monitors"]),
            empty="No monitor was described.",
            sortable=False,
        ),
        *table("complications", grids.complications(given["monitors"])),
    ]
    return Section("monitors", "Monitors", tuple(blocks))


def _burden(given: Given, *, window: str) -> Section:
    cohort = grids.words_of(window)
    words = f"Dose beyond each threshold per monitored hour, cohort of the {cohort}. {DOTS}"
    blocks: list[Block] = [
        picture("burden", words),
        *table(
            "burden",
            grids.burden(given["burden"]),
            empty="No patient of the cohort has a burden.",
        ),
    ]
    return Section("burden", "Burden", tuple(blocks))


def _reactivity(given: Given, *, window: str) -> Section:
    means = (
        "Mean pressure reactivity index (PRx) and yield of optimal CPP (CPPopt), cohort of the "
        f"{grids.words_of(window)}. {DOTS}"
    )
    curves = (
        "PRx by CPP over the whole recordings, all patients who have a curve. A thin line is a "
        "patient. The thick line is the mean of all minutes through Fisher z, drawn where five "
        "or more patients have minutes; n above each bin counts patients. Below: CPPopt of "
        "each patient, median (IQR) and n."
    )
    blocks: list[Block] = [
        picture("reactivity", means),
        picture("curves", curves),
        *table(
            "reactivity",
            grids.reactivity(given["summary"]),
            empty="No patient of the cohort has an index.",
        ),
        *table(
            "optima",
            grids.optima_reasons(given["optima"]),
            empty="No patient had CPP and PRx from which a CPPopt could be sought.",
        ),
        *table(
            "chance",
            chance_grid.beside_chance(given["optima"]),
            empty="What chance alone would give was not computed.",
            sortable=False,
        ),
    ]
    return Section("reactivity", "Reactivity and optimal CPP", tuple(blocks))


def _models(given: Given, models: Models, fits: model_section.Fits) -> Section:
    words = (
        "Estimates of the exposure in each model with 95 % confidence intervals. Grey: "
        "unadjusted; coloured: adjusted. A model with a curve or an interaction has no single "
        "estimate and stands below only."
    )
    blocks: list[Block] = [picture("forest", words)]
    if not models:
        blocks.append(Paragraph("The analysis plan holds no model.", empty=True))
    blocks += table("comparisons", model_grids.comparisons(given["comparisons"]))
    parts = tuple(model_section.section(name, plan, fits) for name, plan in models.items())
    return Section("models", "Models", tuple(blocks), parts)


def _methods(methods: Mapping[str, str]) -> Section:
    parts = tuple(
        Section(f"methods-{i}", heading, (Paragraph(text),))
        for i, (heading, text) in enumerate(methods.items(), start=1)
    )
    return Section("methods", "Methods", (), parts)


def _limits(given: Given) -> Section:
    cautions = [*CAUTIONS, findings.drift(given["monitors"])]
    points = Bullets(tuple(Item(caution) for caution in cautions))
    return Section("limits", "Limits and cautions", (points,))


def _settings(settings: Mapping[str, Any], models: Models) -> Section:
    as_run = grids.settings(settings, caption="Settings as run")
    plan = grids.settings(models, caption="Analysis plan as run")
    blocks: list[Block] = [
        Paragraph(ABBREVIATIONS),
        *table("definitions", grids.definitions(), supplementary=True),
        *table("settings", as_run, empty="Nothing was set.", supplementary=True),
        *table("plan", plan, empty="Nothing was planned.", supplementary=True),
    ]
    return Section("settings", "Definitions and settings", tuple(blocks))


def _made(versions: Mapping[str, str]) -> Section:
    words = (
        "The page was made from the tables of results alone; the catalogue of results names "
        "every file and column."
    )
    blocks: list[Block] = [
        Paragraph(words),
        *table("versions", grids.versions(versions), empty="No version was recorded."),
    ]
    return Section("made", "How it was made", tuple(blocks))
