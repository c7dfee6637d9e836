"""What the report shows of each model: its finding, its tables, and the curve if it has one."""

from collections.abc import Mapping
from typing import Any

import polars as pl
from markupsafe import Markup

from icpcohort import contracts, grids, model_grids, report_models, store, svg
from icpcohort.figures import Fits
from icpcohort.svg import Picture

CONTRACTS = {
    "estimates": contracts.ESTIMATES,
    "diagnostics": contracts.DIAGNOSTICS,
    "flow": contracts.MODEL_FLOW,
    "alternatives": contracts.ALTERNATIVES,
    "risks": contracts.RISKS,
    "curve": contracts.EXPOSURE_CURVE,
    "performance": contracts.PERFORMANCE,
}


def sections(
    plans: Mapping[str, Mapping[str, Any]], fits: Fits, *, pictures: Mapping[str, Picture]
) -> list[dict[str, Any]]:
    """Return what the template inserts, one a model of the plan.

    Parameters
    ----------
    plans : mapping of model name to its block of the plan
    fits : mapping of table name to a mapping of model name to DataFrame
        The names of `CONTRACTS`. A model without rows is told as not reported.
    pictures : mapping of name to Picture
        Those of curved exposures are called `curve-` and the model's name.
    """
    return [
        _section(
            name,
            plan,
            {
                table: fits[table].get(name, store.empty(contract))
                for table, contract in CONTRACTS.items()
            },
            picture=pictures.get(f"curve-{name}"),
        )
        for name, plan in plans.items()
    ]


def _section(
    name: str,
    plan: Mapping[str, Any],
    fit: Mapping[str, pl.DataFrame],
    *,
    picture: Picture | None,
) -> dict[str, Any]:
    estimates, diagnostics = fit["estimates"], fit["diagnostics"]
    adjusted_for = "; ".join(map(report_models.term_words, plan["adjust_for"]))
    return {
        "id": f"model-{name}",
        "name": grids.words_of(name),
        "question": plan["question"],
        "adjusted_for": adjusted_for or "nothing",
        "reason": plan["reason"],
        "finding": report_models.finding(
            plan, estimates=estimates, diagnostics=diagnostics, curve=fit["curve"]
        ),
        "estimates": report_models.estimates(estimates, plan=plan, diagnostics=diagnostics),
        "drawn": None if picture is None else Markup(svg.inline(picture)),
        "beside": [
            grid
            for grid in (
                model_grids.curve(fit["curve"], plan=plan),
                model_grids.risks(fit["risks"], plan=plan),
                model_grids.alternatives(fit["alternatives"], plan=plan),
                model_grids.performance(fit["performance"]),
            )
            if grid.rows
        ],
        "diagnostics": report_models.diagnostics(diagnostics),
        "flow": report_models.model_flow(fit["flow"]),
    }
