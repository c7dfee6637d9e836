"""Content: what the report says, in the order in which a reader asks, for every format."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from icpcohort.cohort import blinding
from icpcohort.contracts import declared_indices, declared_signals
from icpcohort.provenance import plan_lock
from icpcohort.report.figures import draw_all
from icpcohort.report.sections import checklists, findings, sources, specifications, study
from icpcohort.report.sections import models as model_section
from icpcohort.report.sections.blocks import (
    Block,
    Bullets,
    Content,
    Item,
    Link,
    Paragraph,
    PictureBlock,
    Section,
    numbered,
    table,
)
from icpcohort.report.sections.methods import SIGNALS
from icpcohort.report.tables import appendix
from icpcohort.report.tables.model_words import Columns, lower_first
from icpcohort.signals import rules

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
Tables = Mapping[str, pl.DataFrame]
Models = Mapping[str, Mapping[str, Any]]


def build(
    *,
    title: str,
    settings: Mapping[str, Any],
    columns: Columns,
    models: Models,
    tables: Tables,
    fits: model_section.Fits,
    figures: Mapping[str, PictureBlock],
    methods: Mapping[str, str],
    plan: Mapping[str, Any] | None,
    is_blinded: bool,
    versions: Mapping[str, str],
    fingerprints: Mapping[str, str],
) -> Content:
    """Return all that the report says, numbered; arguments as of `html_page.build_report`.

    `columns` are those of the analysis table, by which covariates and outcomes have words.

    Burden and indices are those of the patients in the analysis of their window; curves and
    optima of every patient who has one. `figures` are those of `draw_all.all_pictures`, by
    their names.

    Raises
    ------
    ValueError
        If a figure has no place in any section.
    """
    cohort_tables = draw_all.of_the_cohort(tables)
    sections = (
        _findings(cohort_tables, models, fits, settings=settings, columns=columns),
        *study.all_of(cohort_tables, settings=settings, columns=columns, figures=figures),
        model_section.of_all(
            cohort_tables, models, fits, figures=figures, columns=columns, declared=settings
        ),
        model_section.beside(
            models,
            fits,
            precision=specifications.precision(cohort_tables, columns),
            columns=columns,
        ),
        specifications.specifications(cohort_tables, figures),
        specifications.plan(
            cohort_tables, plan_lock.in_words(plan, cohort_tables["plan_changes"]), columns
        ),
        _methods(methods, settings),
        _limits(cohort_tables, settings),
        _settings(settings, models, columns),
        _made(cohort_tables, versions, fingerprints),
        checklists.section(list(methods), models),
    )
    caution = f"{blinding.WARNING} {SHORT_CAUTION}" if is_blinded else SHORT_CAUTION
    content = numbered(
        Content(
            title,
            findings.lead(cohort_tables, window=settings["cohort"]["main_window"]),
            caution,
            sources.listed(sections),
        )
    )
    shown = {block.name for block in content.blocks() if isinstance(block, PictureBlock)}
    if homeless := sorted(set(figures) - shown):
        raise ValueError(
            f"content.build: {', '.join(homeless)} is in no section; name it in study.FIGURES"
        )
    return content


def _findings(
    tables: Tables,
    models: Models,
    fits: model_section.Fits,
    *,
    settings: Mapping[str, Any],
    columns: Columns,
) -> Section:
    items = [
        Item(
            model_section.finding(name, plan, fits, columns=columns, declared=settings),
            (Link(f"table-{name}-estimates"), Link("figure-forest")),
            f"finding-model-{name}",
            plan["question"],
        )
        for name, plan in models.items()
    ] or [Item("The analysis plan holds no model.", head="Models.")]
    items += findings.points(tables, **_asked(settings), declared=settings)
    return Section("findings", "Key findings", (Bullets(tuple(items)),))


def _methods(paragraphs: Mapping[str, str], settings: Mapping[str, Any]) -> Section:
    masking = rules.from_blocks(settings["cleaning"]["rules"])
    parts = []
    for number, (heading, text) in enumerate(paragraphs.items(), start=1):
        blocks: list[Block] = [Paragraph(text)]
        if heading == SIGNALS:
            blocks = [
                Paragraph(text, (Link("table-rules"),)),
                *table(
                    "rules",
                    appendix.cleaning_rules(masking, declared=settings),
                    sortable=False,
                    supplementary=True,
                ),
            ]
        parts.append(Section(f"methods-{number}", heading, tuple(blocks)))
    words = "Every sentence and number of the methods comes from the settings that were run."
    return Section(sources.METHODS, "Methods", (Paragraph(words),), tuple(parts))


def _limits(tables: Tables, settings: Mapping[str, Any]) -> Section:
    items = [Item(caution) for caution in CAUTIONS]
    items += findings.limits(tables, **_asked(settings), declared=settings)
    return Section("limits", "Limits and cautions", (Bullets(tuple(items)),))


def _asked(settings: Mapping[str, Any]) -> dict[str, str]:
    """Return the window and the outcome that the findings are about."""
    cohort = settings["cohort"]
    return {"window": cohort["main_window"], "main_outcome": cohort["main_outcome"]}


def _abbreviations(settings: Mapping[str, Any], columns: Columns) -> str:
    """Return what abbreviations stand for, those of what the study declares."""
    labels, index = declared_signals.labels(settings), declared_indices.sought(settings)[0]
    signals = [
        f"{one['label']} {lower_first(one['about'])}"
        for one in declared_signals.recorded(settings).values()
    ]
    signals += [
        f"{one['label']} the {lower_first(one['about'])} ({labels[one['minuend']]} − "
        f"{labels[one['subtrahend']]})"
        for one in declared_signals.derived(settings).values()
    ]
    signals += [
        f"{one['label']} the {lower_first(one['about'])}"
        for one in declared_signals.of_patients(settings).values()
    ]
    signals[0] = signals[0].replace(" ", " is ", 1)
    of_index = lower_first(index.about.partition(":")[0])
    scales = [
        f", {column.label} {column.in_full.replace(f' ({column.label})', '')}"
        for column in columns.values()
        if column.role == "outcome" and f" ({column.label})" in column.in_full
    ]
    return (
        f"{', '.join(signals)}, {index.label} the {of_index}, CPPopt the CPP at which "
        f"{index.label} is lowest, LLR the lower limit of reactivity{''.join(scales)}."
    )


def _settings(settings: Mapping[str, Any], models: Models, columns: Columns) -> Section:
    as_run = appendix.settings(settings, caption="Settings as run")
    plan = appendix.settings(models, caption="Analysis plan as run")
    blocks: list[Block] = [
        Paragraph(_abbreviations(settings, columns)),
        *table("definitions", appendix.definitions(settings), supplementary=True),
        *table("settings", as_run, empty="Nothing was set.", supplementary=True),
        *table("plan", plan, empty="Nothing was planned.", supplementary=True),
    ]
    return Section("settings", "Definitions and settings as run", tuple(blocks))


def _made(
    tables: Tables, versions: Mapping[str, str], fingerprints: Mapping[str, str]
) -> Section:
    release = versions.get("icpcohort", "unknown")
    cite = (
        "Cite as: The icpcohort authors. icpcohort: retrospective cohort studies of "
        f"intracranial pressure, from recordings to regression. Version {release}."
    )
    repeat = (
        "The same recordings, tables, settings, plan and versions give the same numbers. Each "
        "fingerprint (SHA-256) changes with any byte of its file; that of the recordings is of "
        "their own fingerprints, sorted, one per line. Random numbers begin from the seeds in "
        "the settings. The report was made from the tables of results alone; the catalogue of "
        "results names every file and column."
    )
    blocks: list[Block] = [
        Paragraph(cite),
        Paragraph(repeat, (Link("table-settings"), Link("table-plan"))),
        *table(
            "data",
            appendix.fingerprints(fingerprints, tables["recordings"]),
            supplementary=True,
        ),
        *table(
            "versions",
            appendix.versions(versions),
            empty="No version was recorded.",
            supplementary=True,
        ),
    ]
    return Section("made", "How to cite and reproduce", tuple(blocks))
