"""What the report reads: every results table by its name there, with its contract and files.

A rule names its inputs with `files` and its script reads them with `read`, both by the same
`Selection`; the page, the figures, the patient page and the share folder use the same names.
"""

from collections.abc import Collection, Mapping
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import Column, Table, repeated, store

TABLES: dict[str, Table] = {
    "patients": contracts.patients({}),
    "recordings": contracts.recordings({}),
    "excluded": contracts.EXCLUDED,
    "quality": contracts.QUALITY,
    "masked": contracts.MASKED,
    "lags": contracts.LAGS,
    "suspects": contracts.SUSPECTS,
    "monitors": contracts.MONITORS,
    "events": contracts.EVENTS,
    "optima": contracts.OPTIMA,
    "burden": contracts.BURDEN,
    "burden_by_state": contracts.BURDEN_BY_STATE,
    "intensity": contracts.INTENSITY,
    "intensity_map": contracts.INTENSITY_MAP,
    "transition": contracts.TRANSITION,
    "summary": contracts.summary({}),
    "outcomes": contracts.outcomes({}),
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
    "analysis": contracts.analysis({}),
    "curves": contracts.CURVES,
}
# Those that have, beside their columns in TABLES, columns that a study declares.
DECLARED = {
    "patients": contracts.patients,
    "recordings": contracts.recordings,
    "summary": contracts.summary,
    "outcomes": contracts.outcomes,
    "analysis": contracts.analysis,
}
OF_MODELS: dict[str, Table] = {
    "estimates": contracts.ESTIMATES,
    "diagnostics": contracts.DIAGNOSTICS,
    "flow": contracts.MODEL_FLOW,
    "alternatives": contracts.ALTERNATIVES,
    "risks": contracts.RISKS,
    "curve": contracts.EXPOSURE_CURVE,
    "performance": contracts.PERFORMANCE,
    "incidence": contracts.CUMULATIVE_INCIDENCE,
    "dropped": contracts.MODEL_DROPPED,
}


class Selection(NamedTuple):
    """What one page or folder reads: names of `TABLES`, and of `OF_MODELS`."""

    tables: tuple[str, ...]
    of_models: tuple[str, ...]


REPORT = Selection(tuple(TABLES), tuple(name for name in OF_MODELS if name != "dropped"))
FIGURES = Selection(
    (
        *("analysis", "flow", "quality", "masked", "monitors", "burden", "burden_by_state"),
        *("intensity", "intensity_map", "transition", "summary", "curves", "optima"),
        *("specifications", "specification_options", "specification_choices"),
        "specification_summary",
    ),
    ("estimates", "diagnostics", "curve"),
)
PATIENT_PAGE = Selection(
    (
        *("patients", "recordings", "excluded", "quality", "masked", "suspects"),
        *("monitors", "events", "lags"),
        *("burden", "summary", "optima", "outcomes", "analysis", "dropped"),
    ),
    ("dropped",),
)
SHARE = Selection(
    (
        *("patients", "recordings", "quality", "monitors", "analysis", "burden", "summary"),
        *("flow", "dropped"),
    ),
    ("estimates", "dropped"),
)


class Read(NamedTuple):
    """The tables that were read, by name; those of models by name and model.

    `columns` are those of the analysis table, by which covariates and outcomes have words, and
    one of each repeated variable.
    """

    tables: dict[str, pl.DataFrame]
    of_models: dict[str, dict[str, pl.DataFrame]]
    columns: dict[str, Column]


def files(
    selection: Selection, *, folder: str, patients: Collection[str], models: Collection[str]
) -> dict[str, str | list[str]]:
    """Return the files of a selection by the names of a rule's inputs.

    Parameters
    ----------
    folder : str
        Where the results lie.
    patients, models : collections of str
        A table of one file per patient or model has a list of them. An input of models is
        called `model_` and the table's name.
    """
    places = {name: f"{folder}/{TABLES[name].path}" for name in selection.tables}
    named: dict[str, str | list[str]] = {
        name: [place.replace("<patient>", patient) for patient in patients]
        if "<patient>" in place
        else place
        for name, place in places.items()
    }
    for name in selection.of_models:
        place = f"{folder}/{OF_MODELS[name].path}"
        named[f"model_{name}"] = [place.replace("<model>", model) for model in models]
    return named


def each(named: str | list[str]) -> list[str]:
    """Return the files of one input."""
    return [named] if isinstance(named, str) else named


def contract_of(name: str, declared: Mapping[str, Any]) -> Table:
    """Return the contract of a table of `TABLES`, with what a study declares."""
    return DECLARED[name](declared) if name in DECLARED else TABLES[name]


def read(
    named: Mapping[str, Any], selection: Selection, *, declared: Mapping[str, Any]
) -> Read:
    """Read the tables of a selection and hold them to their contracts.

    Parameters
    ----------
    named : mapping of input name to file, or list of files
        As `files` returns it; the inputs of a rule that were named with it.
    declared : mapping
        Sections of the settings that declare columns; see `contracts.analysis`.

    Returns
    -------
    Read
        A table of one file per patient has a column `patient_id` too.

    Raises
    ------
    store.ContractError
        If a table does not keep its contract.
    """
    tables = {}
    for name in selection.tables:
        contract = contract_of(name, declared)
        reader = store.read_patients if "<patient>" in contract.path else store.read
        tables[name] = reader(named[name], contract)
    of_models = {
        name: store.read_named(named[f"model_{name}"], OF_MODELS[name])
        for name in selection.of_models
    }
    columns = contracts.analysis(declared).columns
    return Read(tables, of_models, columns | repeated.columns_of_values(declared))
