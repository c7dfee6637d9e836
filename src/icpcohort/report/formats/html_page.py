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
from icpcohort.report.sections import content
from icpcohort.report.sections import models as model_section
from icpcohort.report.sections.blocks import Content

CONTRACTS = {
    "patients": contracts.PATIENTS,
    "recordings": contracts.RECORDINGS,
    "excluded": contracts.EXCLUDED,
    "quality": contracts.QUALITY,
    "masked": contracts.MASKED,
    "monitors": contracts.MONITORS,
    "events": contracts.EVENTS,
    "optima": contracts.OPTIMA,
    "burden": contracts.BURDEN,
    "burden_by_state": contracts.BURDEN_BY_STATE,
    "intensity": contracts.INTENSITY,
    "intensity_map": contracts.INTENSITY_MAP,
    "transition": contracts.TRANSITION,
    "summary": contracts.SUMMARY,
    "outcomes": contracts.OUTCOMES,
    "flow": contracts.FLOW,
    "dropped": contracts.DROPPED,
    "table1": contracts.TABLE_ONE,
    "monitoring_ends": contracts.MONITORING_END_BY_OUTCOME,
    "comparisons": contracts.COMPARISONS,
    "planning": contracts.PLANNING,
    "plan_changes": contracts.PLAN_CHANGES,
    "plan_status": contracts.PLAN_STATUS,
    "specifications": contracts.SPECIFICATIONS,
    "specification_options": contracts.SPECIFICATION_OPTIONS,
    "specification_choices": contracts.SPECIFICATION_CHOICES,
    "specification_summary": contracts.SPECIFICATION_SUMMARY,
}
ONLY_NAMED = ("analysis", "curves")  # their columns depend on the settings, or are added to
# what a line break must not tear: a short bracket, "n = 78", "20 mmHg"
TIED = re.compile(r"\([^()]{1,28}\)|\b[pn] [=<] [\d.]+|[\d)] (?:mmHg|%|h\b)")


def say(
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
    """Return what the report says and its figures, whatever shows them.

    Parameters
    ----------
    title : str
        Title of the study.
    settings : mapping
        The settings as run; `cohort.main_window` names the window of Table 1 and the figures.
    models : mapping of model name to its plan
        A model of the plan without estimates is told as not reported.
    tables : mapping of table name to DataFrame
        The names of `CONTRACTS`, `analysis`, and `curves` with `patient_id`. Any may be empty.
    fits : mapping of table name to a mapping of model name to DataFrame
        The names of `models.CONTRACTS`.
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
    check(tables, fits)
    window = str(settings["cohort"]["main_window"])
    pictures = draw_all.all_pictures(
        tables,
        fits,
        models=models,
        window=window,
        impaired_prx=settings["burden"]["impaired_prx"],
    )
    said = content.build(
        title=title,
        settings=settings,
        models=models,
        tables=tables,
        fits=fits,
        captions={name: picture.caption for name, picture in pictures.items()},
        methods=methods,
        plan=plan,
        is_blinded=is_blinded,
        versions=versions,
        fingerprints=fingerprints,
    )
    return said, pictures


def page(said: Content, *, template: str, pictures: Mapping[str, Picture]) -> str:
    """Return content as a page, with the pictures that its figures name."""
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["tied"] = tie
    environment.filters["sha256"] = _fingerprint
    drawn = {name: Markup(canvas.inline(picture)) for name, picture in pictures.items()}
    return environment.from_string(template).render(content=said, pictures=drawn)


def _fingerprint(script: str) -> str:
    """Return the hash by which a content security policy knows a script."""
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


def tie(text: str) -> str:
    """Return `text` with spaces that do not break inside a number with its unit or interval."""
    return TIED.sub(lambda found: found[0].replace(" ", "\u00a0"), text)


def check(given: Mapping[str, pl.DataFrame], fits: model_section.Fits) -> None:
    """Refuse tables of the report that are missing or break their contract, all together."""
    wanted: list[tuple[str, pl.DataFrame, Table]] = [
        (name, given[name], table) for name, table in CONTRACTS.items() if name in given
    ]
    for name, table in model_section.CONTRACTS.items():
        frames = fits.get(name, {})
        wanted += [(f"{table.path}, {model}", frame, table) for model, frame in frames.items()]
    found = [
        f"{name}: missing; hand it over, empty if need be"
        for names, handed in (
            ((*CONTRACTS, *ONLY_NAMED), given),
            (model_section.CONTRACTS, fits),
        )
        for name in names
        if name not in handed
    ]
    found += [
        f"{name}: {line}"
        for name, frame, table in wanted
        for line in store.problems(frame, table)
    ]
    if found:
        lines = "\n".join(f"  {line}" for line in found)
        raise ValueError(f"report: {len(found)} problem(s)\n{lines}")
