"""Answers: what was asked about, found by its name, or the names that are near it."""

from collections.abc import Iterator

from icpcohort import contracts
from icpcohort.commands.why import model, number, patient
from icpcohort.commands.why.results import Results, Unknown
from icpcohort.study.schema import suggestion


def lines(
    name: str, results: Results, *, column: str | None, window: str | None
) -> Iterator[str]:
    """Yield the answer about a patient, one of its numbers, or a model.

    Parameters
    ----------
    name : str
        Of a patient or of a model.
    column : str, or None
        A column of the analysis table, of a patient.
    window : str, or None
        Of the column; the main window if None.

    Raises
    ------
    Unknown
        If a name is none of the study's.
    """
    patients = results.tables["patients"]["patient_id"].to_list()
    if name in results.models and column is not None:
        raise Unknown(f"'{name}' is a model; columns are asked of a patient")
    if name in results.models:
        yield from model.lines(name, results)
        return
    if name not in patients:
        near = suggestion(name, [*patients, *results.models])
        raise Unknown(f"'{name}' is neither a patient nor a model of the study; {near}")
    if column is None:
        yield from patient.lines(name, results)
        return
    columns = results.tables["analysis"].columns
    if column not in columns:
        if now := contracts.analysis(results.settings).renamed().get(column):
            raise Unknown(f"'{column}' is now '{now}'; ask for that")
        near = suggestion(column, columns)
        raise Unknown(f"'{column}' is no column of the analysis table; {near}")
    windows = results.settings["windows"]
    window = window or results.settings["cohort"]["main_window"]
    if window not in windows:
        raise Unknown(f"'{window}' is no window of config.yaml; {suggestion(window, windows)}")
    yield from number.lines(number.Asked(name, column, window), results)
