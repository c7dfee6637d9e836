"""What `why` says of a model of one of several events."""

from pathlib import Path

import polars as pl

from icpcohort import contracts
from icpcohort.commands.why import model
from icpcohort.commands.why.results import Results
from icpcohort.contracts import store

PLAN = {
    "question": "Does it?",
    "family": "cause_specific_cox",
    "outcome": "stay",
    "event": "death",
    "window": "w",
    "exposure": "dose",
    "unit_of_effect": 1.0,
    "adjust_for": [],
    "time_varying": ["therapy_intensity"],
    "missing_data": "complete_cases",
}


def answers(folder: Path):
    place = folder / "models" / "m"
    place.mkdir(parents=True)
    for name, table in (
        ("flow", contracts.MODEL_FLOW),
        ("estimates", contracts.ESTIMATES),
        ("diagnostics", contracts.DIAGNOSTICS),
    ):
        store.write(store.empty(table), table, place / f"{name}.parquet")
    schema = {n: c.dtype for n, c in contracts.CUMULATIVE_INCIDENCE.columns.items()}
    rows = [
        ("all patients", "death", 720.0, 0.25, 0.07, 0.13, 0.39, 21, 10, 40, None),
        ("dose < 2", "death", 720.0, 0.1, 0.07, 0.02, 0.27, 15, 2, 20, 2.0),
    ]
    incidence = pl.DataFrame(rows, schema=schema, orient="row")
    store.write(incidence, contracts.CUMULATIVE_INCIDENCE, place / "incidence.parquet")
    nobody = pl.DataFrame(schema={"window": pl.String, "patient_id": pl.String})
    tables = {
        "analysis": nobody,
        "flow": store.empty(contracts.FLOW),
        "dropped": store.empty(contracts.DROPPED),
    }
    dropped = {"m": store.empty(contracts.MODEL_DROPPED)}
    return list(model.lines("m", Results(folder, {}, {"m": PLAN}, tables, dropped, {})))


def test_the_event_the_changing_covariate_and_the_incidence_of_all_are_said(tmp_path):
    lines = answers(tmp_path)
    assert (
        "  stay (event death) by dose in w, adjusted for therapy_intensity; complete cases"
    ) in lines
    at = lines.index("Cumulative incidence, all patients of the fit")
    assert lines[at + 1] == "  death by 720 h: 0.25, 10 of 40 patients, 21 still at risk"
    assert lines[at + 2] == ""
