"""Declared signals: what a study records, in which unit, and the column of each."""

from collections.abc import Mapping
from typing import Any, NamedTuple

from icpcohort.contracts.columns import REAL, Column


class Unit(NamedTuple):
    """A unit in which a study may keep a signal."""

    ucum: str
    suffix: str  # of the columns


# As the settings write a unit. Codes: UCUM.
UNITS = {
    "mmHg": Unit("mm[Hg]", "mmhg"),
    "kPa": Unit("kPa", "kpa"),
    "%": Unit("%", "percent"),
    "/min": Unit("/min", "per_min"),
    "degC": Unit("Cel", "celsius"),
    "cm/s": Unit("cm/s", "cm_s"),
    "mL/100g/min": Unit("mL/(100.g.min)", "ml_100g_min"),
    "L/min": Unit("L/min", "l_min"),
    "1": Unit("1", "ratio"),
}
# Signals whose pulse is measured, and which modules about the pulse and the arterial line name.
ICP, ABP = "icp", "abp"
CPP = "cpp_mmhg"  # the column against which CPPopt and its limits are sought

_PRESSURES: Mapping[str, Mapping[str, Any]] = {
    "icp": {"label": "ICP", "about": "Intracranial pressure", "unit": "mmHg"},
    "abp": {"label": "ABP", "about": "Arterial blood pressure", "unit": "mmHg"},
}
_DIFFERENCES: Mapping[str, Mapping[str, Any]] = {
    "cpp": {
        "label": "CPP",
        "about": "Cerebral perfusion pressure",
        "minuend": "abp",
        "subtrahend": "icp",
    },
}


class Series(NamedTuple):
    """One signal, recorded or derived: its column in trends and minutes."""

    column: str
    about: Column

    def suffix(self, signal: str) -> str:
        """Return the end of the column's name, which is that of the unit."""
        return self.column.removeprefix(f"{signal}_")


def series(declared: Mapping[str, Any]) -> dict[str, Series]:
    """Return the column of each declared signal by the signal's name, recorded ones first.

    Parameters
    ----------
    declared : mapping
        Sections of the settings by their names: `signals`, each with `label`, `about` and
        `unit` (of `UNITS`), and `derived_signals`, each with `label`, `about`, `minuend` and
        `subtrahend`, which are names of signals of one unit; in place of the latter those of
        the minutes alone have `of_patient`, a column of the table of patients.

    Returns
    -------
    dict
        The column `icp_mmhg` for a signal `icp` in mmHg; its label, unit and meaning.
    """
    of_each = of_blocks(declared)
    for name, signal in of_patients(declared).items():
        about = of_each[signal["minuend"]]
        of_each[name] = _series(name, signal, about.about.unit, about.suffix(signal["minuend"]))
    return of_each


def of_blocks(declared: Mapping[str, Any]) -> dict[str, Series]:
    """Return the column of each signal that the trends have; see `series`."""
    signals, of_each = recorded(declared), {}
    for name, signal in signals.items():
        of_each[name] = _series(name, signal, *UNITS[signal["unit"]])
    for name, signal in derived(declared).items():
        of_each[name] = _series(name, signal, *UNITS[signals[signal["minuend"]]["unit"]])
    return of_each


def columns(declared: Mapping[str, Any]) -> list[str]:
    """Return the columns of all declared signals."""
    return [one.column for one in series(declared).values()]


def recorded(declared: Mapping[str, Any]) -> Mapping[str, Mapping[str, Any]]:
    """Return the section `signals`; every recording must have a channel of one at least."""
    signals: Mapping[str, Mapping[str, Any]] = declared.get("signals", _PRESSURES)
    return signals


def derived(declared: Mapping[str, Any]) -> Mapping[str, Mapping[str, Any]]:
    """Return those of the section `derived_signals` that are a signal less another."""
    return {
        name: one
        for name, one in declared.get("derived_signals", _DIFFERENCES).items()
        if not one.get("of_patient")
    }


def of_patients(declared: Mapping[str, Any]) -> Mapping[str, Mapping[str, Any]]:
    """Return those of the section `derived_signals` that are less a value of the patient."""
    return {
        name: one
        for name, one in declared.get("derived_signals", {}).items()
        if one.get("of_patient")
    }


def made_of(name: str, declared: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the recorded signals that a signal is made of; itself if it is recorded."""
    if name in (less := of_patients(declared)):
        return made_of(less[name]["minuend"], declared)
    difference = derived(declared).get(name)
    return (difference["subtrahend"], difference["minuend"]) if difference else (name,)


def labels(declared: Mapping[str, Any]) -> dict[str, str]:
    """Return the label of each recorded signal."""
    return {name: signal["label"] for name, signal in recorded(declared).items()}


def without_labels(declared: Mapping[str, Any]) -> dict[str, dict[str, dict[str, Any]]]:
    """Return the two sections without labels, which no table of one patient depends on.

    A rule that hands these is not run again when only a label changes; a column without one
    is called what it means.
    """
    return {
        section: {
            name: {key: value for key, value in signal.items() if key != "label"}
            for name, signal in declared[section].items()
        }
        for section in ("signals", "derived_signals")
    }


def as_measured(declared: Mapping[str, Any]) -> dict[str, dict[str, dict[str, Any]]]:
    """Return what `without_labels` does of the signals that the trends have."""
    sections = without_labels(declared)
    of_trends = derived(sections)
    differences = sections["derived_signals"]
    kept = {name: one for name, one in differences.items() if name in of_trends}
    return sections | {"derived_signals": kept}


def _series(name: str, signal: Mapping[str, Any], ucum: str, suffix: str) -> Series:
    return Series(
        f"{name}_{suffix}", Column(REAL, ucum, signal["about"], signal.get("label", ""))
    )
