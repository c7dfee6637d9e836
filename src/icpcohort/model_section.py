"""What the report says of each model: its finding, its tables, and the curve if it has one."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from icpcohort import contracts, grids, model_grids, report_models, store
from icpcohort.blocks import Block, Paragraph, Section, picture, table

CONTRACTS = {
    "estimates": contracts.ESTIMATES,
    "diagnostics": contracts.DIAGNOSTICS,
    "flow": contracts.MODEL_FLOW,
    "alternatives": contracts.ALTERNATIVES,
    "risks": contracts.RISKS,
    "curve": contracts.EXPOSURE_CURVE,
    "performance": contracts.PERFORMANCE,
}
Fits = Mapping[str, Mapping[str, pl.DataFrame]]  # table -> model -> rows
CURVE_WORDS = (
    "Effect along the exposure against its median (dot), unadjusted and adjusted, with "
    "pointwise 95 % confidence band. Below: patients along the exposure."
)


def tables_of(name: str, fits: Fits) -> dict[str, pl.DataFrame]:
    """Return the tables of one model; what was not handed over is empty."""
    return {
        table: fits[table].get(name, store.empty(contract))
        for table, contract in CONTRACTS.items()
    }


def finding(name: str, plan: Mapping[str, Any], fits: Fits) -> str:
    """Return what a model found; one without estimates is told as not reported."""
    fit = tables_of(name, fits)
    return report_models.finding(
        plan,
        estimates=fit["estimates"],
        diagnostics=fit["diagnostics"],
        curve=fit["curve"],
    )


def section(name: str, plan: Mapping[str, Any], fits: Fits) -> Section:
    """Return the section of one model.

    Parameters
    ----------
    name : str
    plan : mapping
        Its block of the plan.
    fits : mapping of table name to a mapping of model name to DataFrame
        The names of `CONTRACTS`.
    """
    fit = tables_of(name, fits)
    estimates, diagnostics = fit["estimates"], fit["diagnostics"]
    adjusted_for = "; ".join(map(report_models.term_words, plan["adjust_for"])) or "nothing"
    words = (
        f"{plan['question']} {finding(name, plan, fits)} Adjusted for: {adjusted_for}. "
        f"{plan['reason']}"
    )
    blocks: list[Block] = [
        Paragraph(words),
        *table(
            f"{name}-estimates",
            report_models.estimates(estimates, plan=plan, diagnostics=diagnostics),
            empty="No estimate was handed over.",
        ),
    ]
    if plan.get("curve_knots"):
        blocks.append(picture(f"curve-{name}", CURVE_WORDS))
    beside = {
        "curve": model_grids.curve(fit["curve"], plan=plan),
        "risks": model_grids.risks(fit["risks"], plan=plan),
        "alternatives": model_grids.alternatives(fit["alternatives"], plan=plan),
        "performance": model_grids.performance(fit["performance"]),
        "flow": report_models.model_flow(fit["flow"]),
        "diagnostics": report_models.diagnostics(diagnostics),
    }
    absent = {
        "flow": "No flow of this model was recorded.",
        "diagnostics": "No diagnostics were recorded.",
    }
    for table_name, grid in beside.items():
        blocks += table(
            f"{name}-{table_name}",
            grid,
            empty=absent.get(table_name, ""),
            supplementary=True,
            sortable=table_name not in ("curve", "flow"),
        )
    return Section(f"model-{name}", grids.words_of(name), tuple(blocks))
