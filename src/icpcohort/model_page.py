"""The page of one model: its folder's summary as Markdown, from its tables."""

from collections.abc import Sequence

import polars as pl

from icpcohort import report_models
from icpcohort.grids import Grid
from icpcohort.models.fit import Fit
from icpcohort.models.plan import Plan
from icpcohort.tables import MISSING, format_estimate, format_number, format_p

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
| `diagnostics.parquet` | how far to trust the fit, or why there is none |
| `flow.parquet`, `dropped.parquet` | from the cohort to the fit: who left, and why |
| `plan.yaml` | the plan as it was run |
| `replicate.R`, `data.csv` | the same model in R: `Rscript replicate.R` in this folder |
"""


def markdown(made: Fit, *, plan: Plan, methods: str) -> str:
    """Return the summary of one model.

    Parameters
    ----------
    made : Fit
    plan : Plan
    methods : str
        Its methods text, from `models.wording`.
    """
    block = {name: getattr(plan, name) for name in Plan.__dataclass_fields__}
    finding = report_models.finding(
        block, estimates=made.estimates, diagnostics=made.diagnostics
    )
    parts = [
        f"# {plan.name.replace('_', ' ')}",
        plan.question,
        finding,
        f"> **Caution.** {CAUTION}",
        _grid(report_models.estimates(made.estimates, plan=block)),
        _risks(made.risks, plan=plan),
        _alternatives(made.alternatives, plan=plan),
        _performance(made.performance),
        _grid(report_models.model_flow(made.flow)),
        _grid(report_models.diagnostics(made.diagnostics)),
        f"## Methods\n\n{methods}",
        FILES.strip(),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def _table(heading: str, head: Sequence[str], rows: Sequence[Sequence[str]], note: str) -> str:
    lines = [f"## {heading}", "", f"| {' | '.join(head)} |", f"|{'---|' * len(head)}"]
    lines += [f"| {' | '.join(cell.replace('|', '/') for cell in row)} |" for row in rows]
    return "\n".join([*lines, "", note] if note else lines)


def _grid(grid: Grid) -> str:
    return _table(grid.caption, grid.head, grid.rows, grid.note)


def _risks(risks: pl.DataFrame, *, plan: Plan) -> str:
    if risks.is_empty():
        return ""
    rows = [
        [
            row["outcome"],
            f"{row['exposure_value']:g}",
            row["adjustment"],
            format_estimate(row["risk"], row["ci_low"], row["ci_high"]),
            MISSING
            if row["difference_ci_low"] == row["difference_ci_high"]
            else format_estimate(
                row["difference"], row["difference_ci_low"], row["difference_ci_high"]
            ),
        ]
        for row in risks.to_dicts()
    ]
    head = ["Outcome", plan.exposure, "Fit", "Risk (95 % CI)", "Difference (95 % CI)"]
    note = (
        "Mean over the patients of the fit, had every one of them the stated exposure; the "
        "difference is against the first value. No effect of changing the exposure is claimed."
    )
    return _table("Absolute risks", head, rows, note)


def _alternatives(table: pl.DataFrame, *, plan: Plan) -> str:
    shown = table.filter(term=plan.exposure)
    if shown.is_empty():
        return ""
    rows = [
        [
            row["analysis"],
            row["adjustment"],
            format_estimate(row["effect"], row["effect_ci_low"], row["effect_ci_high"]),
            format_p(row["p"]),
            report_models.counts(row),
        ]
        for row in shown.to_dicts()
    ]
    head = ["Analysis", "Fit", "Effect of the exposure (95 % CI)", "p", "n"]
    return _table("Beside the main fit", head, rows, "")


def _performance(table: pl.DataFrame) -> str:
    if table.is_empty():
        return ""
    rows = [
        [
            row["measure"].replace("_", " "),
            row["adjustment"],
            format_number(row["apparent"], decimals=2),
            format_estimate(row["corrected"], row["ci_low"], row["ci_high"]),
        ]
        for row in table.to_dicts()
    ]
    head = ["Measure", "Fit", "Apparent", "Corrected for optimism (95 % CI)"]
    return _table("Prediction", head, rows, "")
