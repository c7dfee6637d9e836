"""What the report says of each model: its finding, its tables, and the curve if it has one."""

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from icpcohort.contracts import store
from icpcohort.report.reads import OF_MODELS, REPORT
from icpcohort.report.sections.blocks import (
    Block,
    Caution,
    Paragraph,
    PictureBlock,
    Section,
    table,
)
from icpcohort.report.tables import grid as grid_tables
from icpcohort.report.tables import incidence, model_words, models
from icpcohort.report.tables import models as model_grids
from icpcohort.report.tables.grid import Grid

Fits = Mapping[str, Mapping[str, pl.DataFrame]]  # table -> model -> rows

FOLDED = ("curve", "flow", "diagnostics")
LONG = 12  # rows; a longer table beside the estimates belongs into a supplement
NO_CAUSE = (
    "Association is not causation: patients with high pressure differ from others in ways that "
    "no adjustment holds in full."
)


def tables_of(name: str, fits: Fits) -> dict[str, pl.DataFrame]:
    """Return the tables of one model; what was not handed over is empty."""
    return {
        table: fits[table].get(name, store.empty(OF_MODELS[table]))
        for table in REPORT.of_models
    }


def finding(name: str, plan: Mapping[str, Any], fits: Fits) -> str:
    """Return what a model found; one without estimates is named as not reported."""
    fit = tables_of(name, fits)
    return model_words.finding(
        plan,
        estimates=fit["estimates"],
        diagnostics=fit["diagnostics"],
        curve=fit["curve"],
    )


def section(
    name: str, plan: Mapping[str, Any], fits: Fits, *, figures: Mapping[str, PictureBlock]
) -> Section:
    """Return the section of one model.

    Parameters
    ----------
    name : str
    plan : mapping
        Its block of the plan.
    fits : mapping of table name to a mapping of model name to DataFrame
        The names of `reads.REPORT.of_models`.
    figures : mapping of figure name to block
        That of a curved exposure is called `curve-` and the model's name.
    """
    fit = tables_of(name, fits)
    estimates, diagnostics = fit["estimates"], fit["diagnostics"]
    covariates = (*plan["adjust_for"], *plan.get("time_varying", ()))
    adjusted_for = "; ".join(map(model_words.column_words, covariates)) or "nothing"
    words = (
        f"{plan['question']} {finding(name, plan, fits)} Adjusted for: {adjusted_for}. "
        f"{plan['reason']}{models.not_in_fit(fit['flow'])}"
    )
    blocks: list[Block] = [
        Paragraph(words),
        *table(
            f"{name}-estimates",
            _named(name, models.estimates(estimates, plan=plan, diagnostics=diagnostics)),
            empty="No estimate was handed over.",
        ),
    ]
    if f"curve-{name}" in figures:
        blocks.append(figures[f"curve-{name}"])
    beside = {
        "risks": model_grids.risks(fit["risks"], plan=plan),
        "performance": model_grids.performance(fit["performance"]),
        "incidence": incidence.cumulative(fit["incidence"], plan=plan),
        "curve": model_grids.curve(fit["curve"], plan=plan),
        "flow": models.model_flow(fit["flow"]),
        "diagnostics": models.diagnostics(diagnostics),
    }
    absent = {
        "flow": "No flow of this model was recorded.",
        "diagnostics": "No diagnostics were recorded.",
    }
    for table_name, grid in beside.items():
        blocks += table(
            f"{name}-{table_name}",
            _named(name, grid),
            empty=absent.get(table_name, ""),
            supplementary=table_name in FOLDED or len(grid.rows) > LONG,
            sortable=table_name not in ("curve", "flow"),
        )
    return Section(f"model-{name}", _title(name), tuple(blocks))


def _named(name: str, grid: Grid) -> Grid:
    """Return a table of a model with the model in its caption."""
    return grid._replace(caption=f"{_title(name)}: {model_words.lower_first(grid.caption)}")


def _title(name: str) -> str:
    words = grid_tables.words_of(name)
    return f"{words[:1].upper()}{words[1:]}"


def of_all(
    tables: Mapping[str, pl.DataFrame],
    plans: Mapping[str, Mapping[str, Any]],
    fits: Fits,
    *,
    figures: Mapping[str, PictureBlock],
) -> Section:
    """Return the section of all models: the forest, all estimates in one table, each model."""
    blocks: list[Block] = [Caution(NO_CAUSE)]
    if "forest" in figures:
        blocks.append(figures["forest"])
    if not plans:
        blocks.append(Paragraph("The analysis plan holds no model.", empty=True))
    blocks += table("models", model_grids.overview(plans, fits))
    blocks += table("comparisons", model_grids.comparisons(tables["comparisons"]))
    parts = tuple(section(name, plan, fits, figures=figures) for name, plan in plans.items())
    return Section("models", "Models", tuple(blocks), parts)


def beside(
    plans: Mapping[str, Mapping[str, Any]], fits: Fits, *, precision: Sequence[Block]
) -> Section:
    """Return the section of the fits beside the main ones, and of what these could show."""
    blocks: list[Block] = []
    for name, plan in plans.items():
        grid = model_grids.alternatives(tables_of(name, fits)["alternatives"], plan=plan)
        blocks += table(f"{name}-alternatives", _named(name, grid))
    if not blocks:
        words = "No other fit stands beside the main ones: the plan asks for none."
        blocks.append(Paragraph(words, empty=True))
    return Section("sensitivity", "Sensitivity", (*blocks, *precision))
