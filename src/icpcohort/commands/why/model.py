"""Model: who is in a model and who is not, step by step, in lines of text."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import polars as pl

from icpcohort import contracts
from icpcohort.commands.why.results import NotOfOneRun, Results
from icpcohort.contracts import store
from icpcohort.report.tables.grid import words_of
from icpcohort.study.families import EFFECTS

MOST_NAMED = 40


def lines(model: str, results: Results) -> Iterator[str]:
    """Yield the way from all patients to a model, with everybody who left and why."""
    plan = results.models[model]
    window = plan["window"]
    folder = results.folder / "models" / model
    inside = results.tables["analysis"].filter(window=window)["patient_id"]
    lost = results.model_dropped[model]
    yield f"Model {model}: {plan['question']}"
    yield (
        f"  {_outcome(plan)} by {plan['exposure']} in {window}, adjusted for "
        f"{', '.join([*plan['adjust_for'], *plan.get('time_varying', [])]) or 'nothing'}; "
        f"{words_of(plan['missing_data'])}"
    )
    yield ""
    yield f"From all patients to the cohort of {window}"
    flow = results.tables["flow"].filter(window=window).sort("step")
    columns = contracts.analysis(results.settings).columns
    yield from _steps(flow, results.tables["dropped"].filter(window=window), columns)
    yield ""
    yield f"From the cohort ({inside.len()} patients) to the model"
    yield from _steps(store.read(folder / "flow.parquet", contracts.MODEL_FLOW), lost, columns)
    estimates = store.read(folder / "estimates.parquet", contracts.ESTIMATES)
    yield ""
    yield f"Estimates for {plan['unit_of_effect']:g} more of the exposure"
    for row in estimates.filter(term=plan["exposure"]).iter_rows(named=True):
        yield f"  {row['adjustment']}: {_effect(row)}"
    diagnostics = store.read(folder / "diagnostics.parquet", contracts.DIAGNOSTICS)
    imputed = diagnostics.filter(quantity="percent_incomplete").drop_nulls("value")
    for row in imputed.iter_rows(named=True):
        share = f"{row['value']:.1f} % of patients imputed"
        yield f"  {row['adjustment']}: {share} ({row['verdict']})"
    yield from _incidence(folder, plan)
    yield ""
    yield f"The rows of the fit: {folder / 'data.csv'}; the same in R: {folder / 'replicate.R'}"


def _outcome(plan: Mapping[str, Any]) -> str:
    event = plan.get("event")
    return f"{plan['outcome']} (event {event})" if event else str(plan["outcome"])


def _incidence(folder: Path, plan: Mapping[str, Any]) -> Iterator[str]:
    """Yield how many of all patients of the fit had each event; nothing without events."""
    if not plan.get("event"):
        return
    yield ""
    yield "Cumulative incidence, all patients of the fit"
    table = store.read(folder / "incidence.parquet", contracts.CUMULATIVE_INCIDENCE)
    for row in table.filter(pl.col("split_value").is_null()).iter_rows(named=True):
        yield (
            f"  {row['event']} by {row['time_h']:g} h: {row['incidence']:.4g}, "
            f"{row['n_events']} of {row['n']} patients, {row['n_risk']} still at risk"
        )


def _steps(
    flow: pl.DataFrame, dropped: pl.DataFrame, columns: Mapping[str, contracts.Column]
) -> Iterator[str]:
    for row in flow.sort("step").iter_rows(named=True):
        yield f"  {row['name']}: {row['n_out']} of {row['n_in']}"
        gone = dropped.filter(step=row["step"]).sort("patient_id")
        if gone.height != row["n_dropped"]:
            raise NotOfOneRun(f"{row['name']}: {row['n_dropped']} left, {gone.height} named")
        for one in gone.head(MOST_NAMED).iter_rows(named=True):
            detail = f" ({one['detail']})" if one["detail"] else ""
            yield f"    - {one['patient_id']}: {words_of(one['reason'], columns)}{detail}"
        if gone.height > MOST_NAMED:
            yield f"    - and {gone.height - MOST_NAMED} more"


def _effect(row: dict[str, Any]) -> str:
    if row["effect"] is None:
        return "not reported; the diagnostics say why"
    limits = f"{row['effect_ci_low']:.4g} to {row['effect_ci_high']:.4g}"
    events = "" if row["n_events"] is None else f", {row['n_events']} with the outcome"
    words = EFFECTS[row["scale"]].words
    return f"{words} {row['effect']:.4g} (95 % CI {limits}), n = {row['n']}{events}"
