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
from icpcohort.report.tables.model_words import Columns
from icpcohort.study import plan_cautions

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


def finding(
    name: str,
    plan: Mapping[str, Any],
    fits: Fits,
    *,
    columns: Columns,
    declared: Mapping[str, Any],
) -> str:
    """Return what a model found; one without estimates is named as not reported."""
    fit = tables_of(name, fits)
    return model_words.finding(
        plan,
        estimates=fit["estimates"],
        diagnostics=fit["diagnostics"],
        curve=fit["curve"],
        columns=columns,
        declared=declared,
    )


def section(
    name: str,
    plan: Mapping[str, Any],
    fits: Fits,
    *,
    figures: Mapping[str, PictureBlock],
    columns: Columns,
    declared: Mapping[str, Any],
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
    columns : mapping of name to Column
        Those of the analysis table.
    declared : mapping
        The sections `signals` and `derived_signals` of the settings.
    """
    fit, title = tables_of(name, fits), _title(name, columns)
    estimates, diagnostics = fit["estimates"], fit["diagnostics"]
    covariates = (*plan["adjust_for"], *plan.get("time_varying", ()))
    adjusted_for = "; ".join(model_words.column_words(name, columns) for name in covariates)
    words = (
        f"{plan['question']} "
        f"{finding(name, plan, fits, columns=columns, declared=declared)} Adjusted for: "
        f"{adjusted_for or 'nothing'}. {plan['reason']}"
        f"{models.not_in_fit(fit['flow'], columns=columns)}"
    )
    blocks: list[Block] = [
        Paragraph(words),
        *table(
            f"{name}-estimates",
            _named(
                title,
                models.estimates(
                    estimates, plan=plan, diagnostics=diagnostics, columns=columns
                ),
            ),
            empty="No estimate was handed over.",
        ),
    ]
    if f"curve-{name}" in figures:
        blocks.append(figures[f"curve-{name}"])
    beside = {
        "risks": model_grids.risks(fit["risks"], plan=plan, columns=columns),
        "performance": model_grids.performance(fit["performance"]),
        "incidence": incidence.cumulative(fit["incidence"], plan=plan, columns=columns),
        "curve": model_grids.curve(fit["curve"], plan=plan, columns=columns),
        "flow": models.model_flow(fit["flow"], columns=columns),
        "diagnostics": models.diagnostics(diagnostics, columns=columns),
    }
    absent = {
        "flow": "No flow of this model was recorded.",
        "diagnostics": "No diagnostics were recorded.",
    }
    for table_name, grid in beside.items():
        blocks += table(
            f"{name}-{table_name}",
            _named(title, grid),
            empty=absent.get(table_name, ""),
            supplementary=table_name in FOLDED or len(grid.rows) > LONG,
            sortable=table_name not in ("curve", "flow"),
        )
    return Section(f"model-{name}", title, tuple(blocks))


def _named(title: str, grid: Grid) -> Grid:
    """Return a table of a model with the model in its caption."""
    return grid._replace(caption=f"{title}: {model_words.lower_first(grid.caption)}")


def _title(name: str, columns: Columns) -> str:
    return model_words.upper_first(grid_tables.words_of(name, columns))


def of_all(
    tables: Mapping[str, pl.DataFrame],
    plans: Mapping[str, Mapping[str, Any]],
    fits: Fits,
    *,
    figures: Mapping[str, PictureBlock],
    columns: Columns,
    declared: Mapping[str, Any],
) -> Section:
    """Return the section of all models: the forest, all estimates in one table, each model."""
    blocks: list[Block] = [Caution(NO_CAUSE)]
    blocks += [Caution(f"{words}.") for words in plan_cautions.multiplicity(plans)]
    if "forest" in figures:
        blocks.append(figures["forest"])
    if not plans:
        blocks.append(Paragraph("The analysis plan holds no model.", empty=True))
    blocks += table("models", model_grids.overview(plans, fits, columns=columns))
    comparisons = model_grids.comparisons(tables["comparisons"], columns=columns)
    blocks += table("comparisons", comparisons)
    parts = tuple(
        section(name, plan, fits, figures=figures, columns=columns, declared=declared)
        for name, plan in plans.items()
    )
    return Section("models", "Models", tuple(blocks), parts)


def beside(
    plans: Mapping[str, Mapping[str, Any]],
    fits: Fits,
    *,
    precision: Sequence[Block],
    columns: Columns,
) -> Section:
    """Return the section of the fits beside the main ones, and of what these could show."""
    blocks: list[Block] = []
    for name, plan in plans.items():
        grid = model_grids.alternatives(
            tables_of(name, fits)["alternatives"], plan=plan, columns=columns
        )
        blocks += table(f"{name}-alternatives", _named(_title(name, columns), grid))
    if not blocks:
        words = "No other fit stands beside the main ones: the plan asks for none."
        blocks.append(Paragraph(words, empty=True))
    return Section("sensitivity", "Sensitivity", (*blocks, *precision))
