"""The page of one model: its folder's summary as Markdown, from its tables."""

from collections.abc import Mapping
from typing import Any

from icpcohort.contracts import bibliography
from icpcohort.models.fit import Fit
from icpcohort.report.tables import incidence, model_words, models
from icpcohort.report.tables import models as model_grids
from icpcohort.report.tables.grid import Grid
from icpcohort.study.plan import Plan

CAUTION = (
    "For research on recorded data; not for treatment or for choosing a patient's target. "
    "Local protocols and licensed practice come first. Association is not causation."
)
FILES = """\
## Files

| file | what it is |
|---|---|
| `estimates.parquet` | every coefficient, unadjusted and adjusted |
| `alternatives.parquet` | other fits beside the main one |
| `risks.parquet`, `curve.parquet` | absolute risks; the effect along a curved exposure |
| `performance.parquet` | how well a prediction does, corrected for optimism |
| `incidence.parquet` | how many had each event by stated times; empty without an event |
| `diagnostics.parquet` | how far to trust the fit, or why there is none |
| `flow.parquet`, `dropped.parquet` | from the cohort to the fit: who left, and why |
| `plan.yaml` | the plan as it was run |
| `replicate.R`, `data.csv` | the same model in R: `Rscript replicate.R` in this folder |
"""


def markdown(
    made: Fit,
    *,
    plan: Plan,
    methods: str,
    columns: model_words.Columns,
    declared: Mapping[str, Any],
) -> str:
    """Return the summary of one model.

    Parameters
    ----------
    made : Fit
    plan : Plan
    methods : str
        Its methods text, from `models.wording`.
    columns : mapping of name to Column
        Those of the analysis table.
    declared : mapping
        The sections `signals` and `derived_signals` of the settings.
    """
    block = {name: getattr(plan, name) for name in Plan.__dataclass_fields__}
    finding = model_words.finding(
        block,
        estimates=made.estimates,
        diagnostics=made.diagnostics,
        curve=made.curve,
        columns=columns,
        declared=declared,
    )
    parts = [
        f"# {plan.name.replace('_', ' ')}",
        plan.question,
        finding,
        f"> **Caution.** {CAUTION}",
        _grid(
            models.estimates(
                made.estimates, plan=block, diagnostics=made.diagnostics, columns=columns
            )
        ),
        _grid(model_grids.curve(made.curve, plan=block, columns=columns)),
        _grid(model_grids.risks(made.risks, plan=block, columns=columns)),
        _grid(model_grids.alternatives(made.alternatives, plan=block, columns=columns)),
        _grid(model_grids.performance(made.performance)),
        _grid(incidence.cumulative(made.incidence, plan=block, columns=columns)),
        _grid(models.model_flow(made.flow, columns=columns)),
        _grid(models.diagnostics(made.diagnostics, columns=columns)),
        f"## Methods\n\n{methods}",
        bibliography.section_of([methods]).strip(),
        FILES.strip(),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def _grid(grid: Grid) -> str:
    """Return a grid under its caption; nothing for one without rows."""
    if not grid.rows:
        return ""
    lines = [f"## {grid.caption}", "", f"| {' | '.join(grid.head)} |"]
    lines.append(f"|{'---|' * len(grid.head)}")
    lines += [f"| {' | '.join(cell.replace('|', '/') for cell in row)} |" for row in grid.rows]
    return "\n".join([*lines, "", grid.note] if grid.note else lines)
