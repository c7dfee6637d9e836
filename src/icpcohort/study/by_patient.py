"""By patient: what a study takes from a signal of one patient, such as CPP by age."""

from collections.abc import Mapping
from typing import Any

from icpcohort.contracts import declared_signals
from icpcohort.study.tables import Study


def subtracted(
    study: Study, settings: Mapping[str, Any], patient_id: str
) -> dict[str, float | None]:
    """Return what is taken from the signals of one patient, in the unit of each.

    Parameters
    ----------
    study : Study
    settings : mapping
        The section `derived_signals`, of which those with `of_patient` are read.
    patient_id : str
        Of the table of patients.

    Returns
    -------
    dict
        By the name of the derived signal; None where the patient's number is missing or lies
        below the first step, which leaves the signal null.
    """
    signals = declared_signals.of_patients(settings)
    if not signals:
        return {}
    names = [signal["of_patient"] for signal in signals.values()]
    (row,) = study.patients.filter(patient_id=patient_id).select(names).to_dicts()
    return {
        name: at_step(row[signal["of_patient"]], signal.get("steps", ()))
        for name, signal in signals.items()
    }


def at_step(value: float | None, steps: Any) -> float | None:
    """Return what the last step that begins at or below a value subtracts.

    Parameters
    ----------
    value : float or None
    steps : sequence of mapping
        `from_value`, rising, and `subtract`; without any the value itself is returned.
    """
    if value is None or not steps:
        return value
    reached = [step["subtract"] for step in steps if step["from_value"] <= value]
    return reached[-1] if reached else None
