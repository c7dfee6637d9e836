"""The report: one HTML page from the results tables, and nothing that is not in them."""

import base64
import hashlib
import re
from collections.abc import Mapping
from typing import Any

import jinja2
import polars as pl
from markupsafe import Markup

from icpcohort import contracts
from icpcohort.contracts import Table, store
from icpcohort.report.figures import canvas, draw_all
from icpcohort.report.figures.canvas import Picture
from icpcohort.report.figures.names import NOT_FOR_SHARING
from icpcohort.report.reads import OF_MODELS, REPORT, contract_of
from icpcohort.report.sections import blocks, content
from icpcohort.report.sections import models as model_section
from icpcohort.report.sections.blocks import Content

ONLY_NAMED = ("analysis", "curves")  # their columns depend on the settings, or are added to
# what a line break must not tear: a short bracket, "n = 78", "20 mmHg"
TIED = re.compile(r"\([^()]{1,28}\)|\b[pn] [=<] [\d.]+|[\d)] (?:mmHg|%|h\b)")


def build_report(
    *,
    title: str,
    settings: Mapping[str, Any],
    models: Mapping[str, Mapping[str, Any]],
    tables: Mapping[str, pl.DataFrame],
    fits: model_section.Fits,
    methods: Mapping[str, str],
    plan: Mapping[str, Any] | None,
    is_blinded: bool,
    versions: Mapping[str, str],
    fingerprints: Mapping[str, str],
) -> tuple[Content, dict[str, Picture]]:
    """Return the content of the report and its figures, for every format.

    Parameters
    ----------
    title : str
        Title of the study.
    settings : mapping
        The settings as run; `cohort.main_window` names the window of Table 1 and the figures,
        `variables` and `outcomes` say what the covariates and outcomes are called.
    models : mapping of model name to its plan
        A model of the plan without estimates is said not to be reported.
    tables : mapping of table name to DataFrame
        The names of `reads.TABLES`; `curves` with `patient_id`. Any may be empty.
    fits : mapping of table name to a mapping of model name to DataFrame
        The names of `reads.REPORT.of_models`.
    methods : mapping of heading to paragraph
        Sentences of the stages, in order.
    plan : mapping or None
        The content of the plan's lock; None without one.
    is_blinded : bool
        Whether outcomes are shuffled, which the report then says at its top.
    versions : mapping of component to version
    fingerprints : mapping of file name to sha256
        Of the study's own tables.

    Raises
    ------
    ValueError
        If a table is missing or breaks its contract; all problems together.
    """
    check(tables, fits, declared=settings)
    columns = contracts.analysis(settings).columns
    pictures = draw_all.all_pictures(
        tables, fits, models=models, settings=settings, columns=columns
    )
    report = content.build(
        title=title,
        settings=settings,
        columns=columns,
        models=models,
        tables=tables,
        fits=fits,
        figures={
            name: blocks.picture(name, one.caption, patient_level=one.patient_level)
            for name, one in pictures.items()
        },
        methods=methods,
        plan=plan,
        is_blinded=is_blinded,
        versions=versions,
        fingerprints=fingerprints,
    )
    return report, pictures


def page(report: Content, *, template: str, pictures: Mapping[str, Picture]) -> str:
    """Return content as a page, with the pictures that its figures name."""
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["tied"] = tie
    environment.filters["sha256"] = _fingerprint
    drawn = {name: Markup(canvas.inline(picture)) for name, picture in pictures.items()}
    return environment.from_string(template).render(
        content=report, pictures=drawn, not_for_sharing=NOT_FOR_SHARING
    )


def _fingerprint(script: str) -> str:
    """Return the hash by which a content security policy knows a script."""
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


def tie(text: str) -> str:
    """Return `text` with spaces that do not break inside a number with its unit or interval."""
    return TIED.sub(lambda tied: tied[0].replace(" ", "\u00a0"), text)


def check(
    tables: Mapping[str, pl.DataFrame],
    fits: model_section.Fits,
    *,
    declared: Mapping[str, Any],
) -> None:
    """Refuse tables of the report that are missing or break their contract, all together."""
    wanted: list[tuple[str, pl.DataFrame, Table]] = [
        (name, tables[name], contract_of(name, declared))
        for name in REPORT.tables
        if name in tables and name not in ONLY_NAMED
    ]
    for name in REPORT.of_models:
        path = OF_MODELS[name].path
        frames = fits.get(name, {})
        wanted += [
            (f"{path}, {model}", frame, OF_MODELS[name]) for model, frame in frames.items()
        ]
    problems = [
        f"{name}: missing; hand it over, empty if need be"
        for names, handed in ((REPORT.tables, tables), (REPORT.of_models, fits))
        for name in names
        if name not in handed
    ]
    problems += [
        f"{name}: {line}"
        for name, frame, table in wanted
        for line in store.problems(frame, table)
    ]
    if problems:
        lines = "\n".join(f"  {line}" for line in problems)
        raise ValueError(f"report: {len(problems)} problem(s)\n{lines}")
