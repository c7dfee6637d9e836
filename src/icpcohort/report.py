"""The report: one HTML page from the results tables, and nothing that is not in them."""

import base64
import hashlib
import re
from collections.abc import Mapping
from typing import Any

import jinja2
import polars as pl
from markupsafe import Markup

from icpcohort import content, contracts, figures, model_figures, model_section, store
from icpcohort.blocks import Content
from icpcohort.contracts import Table

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
    "summary": contracts.SUMMARY,
    "outcomes": contracts.OUTCOMES,
    "flow": contracts.FLOW,
    "dropped": contracts.DROPPED,
    "table1": contracts.TABLE_ONE,
    "monitoring_ends": contracts.MONITORING_END_BY_OUTCOME,
    "comparisons": contracts.COMPARISONS,
}
ONLY_NAMED = ("analysis", "curves")  # their columns depend on the settings, or are added to
# what a line break must not tear: a short bracket, "n = 78", "20 mmHg"
TIED = re.compile(r"\([^()]{1,28}\)|\b[pn] [=<] [\d.]+|[\d)] (?:mmHg|%|h\b)")


def render(
    *,
    template: str,
    title: str,
    settings: Mapping[str, Any],
    models: Mapping[str, Mapping[str, Any]],
    tables: Mapping[str, pl.DataFrame],
    fits: model_section.Fits,
    methods: Mapping[str, str],
    versions: Mapping[str, str],
) -> str:
    """Return the report as the text of one HTML file that needs nothing else.

    Parameters
    ----------
    template : str
        The text of the jinja2 template; what it inserts is escaped.
    title : str
        Title of the study.
    settings : mapping
        The settings as run; `cohort.main_window` names the window of Table 1 and the figures.
    models : mapping of model name to its plan
        A model of the plan without estimates is told as not reported.
    tables : mapping of table name to DataFrame
        The names of `CONTRACTS`, `analysis`, and `curves` with `patient_id`. Any may be empty.
    fits : mapping of table name to a mapping of model name to DataFrame
        The names of `model_section.CONTRACTS`.
    methods : mapping of heading to paragraph
        Sentences of the stages, in order.
    versions : mapping of component to version

    Raises
    ------
    ValueError
        If a table is missing or breaks its contract; all problems together.
    """
    check(tables, fits)
    said = content.build(
        title=title,
        settings=settings,
        models=models,
        tables=tables,
        fits=fits,
        methods=methods,
        versions=versions,
    )
    drawn = _figures(tables, models, fits, window=str(settings["cohort"]["main_window"]))
    return page(said, template=template, pictures=drawn)


def page(said: Content, *, template: str, pictures: Mapping[str, Markup]) -> str:
    """Return content as a page; `pictures` has the SVG element of each figure by its name."""
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["tied"] = tie
    environment.filters["sha256"] = _fingerprint
    return environment.from_string(template).render(content=said, pictures=pictures)


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
        raise ValueError(f"report.render: {len(found)} problem(s)\n{lines}")


def _figures(
    given: Mapping[str, pl.DataFrame],
    models: Mapping[str, Mapping[str, Any]],
    fits: model_section.Fits,
    *,
    window: str,
) -> dict[str, Markup]:
    """Return the figures; their text is escaped by the figures themselves."""
    given = content.of_the_cohort(given)
    drawn = {
        "flow": figures.flow_diagram(given["flow"], window=window),
        "burden": figures.burden_distribution(given["burden"], window=window),
        "reactivity": figures.reactivity_distribution(given["summary"], window=window),
        "curves": figures.reactivity_curves(given["curves"], given["optima"]),
        "forest": figures.forest_plot(fits["estimates"]),
    }
    for name, plan in models.items():
        if plan.get("curve_knots"):
            of_model = model_section.tables_of(name, fits)
            drawn[f"curve-{name}"] = model_figures.exposure_curve(
                of_model["curve"],
                model=name,
                plan=plan,
                estimates=of_model["estimates"],
                diagnostics=of_model["diagnostics"],
            )
    return {name: Markup(text) for name, text in drawn.items()}
