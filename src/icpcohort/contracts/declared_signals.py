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


def series(declared: Mapping[str, Any]) -> dict[str, Series]:
    """Return the column of each declared signal by the signal's name, recorded ones first.

    Parameters
    ----------
    declared : mapping
        Sections of the settings by their names: `signals`, each with `label`, `about` and
        `unit` (of `UNITS`), and `derived_signals`, each with `label`, `about`, `minuend` and
        `subtrahend`, which are names of signals of one unit.

    Returns
    -------
    dict
        The column `icp_mmhg` for a signal `icp` in mmHg; its label, unit and meaning.
    """
    signals = recorded(declared)
    of_each = {
        name: _series(name, signal, unit=signal["unit"]) for name, signal in signals.items()
    }
    for name, signal in derived(declared).items():
        of_each[name] = _series(name, signal, unit=signals[signal["minuend"]]["unit"])
    return of_each


def columns(declared: Mapping[str, Any]) -> list[str]:
    """Return the columns of all declared signals."""
    return [one.column for one in series(declared).values()]


def recorded(declared: Mapping[str, Any]) -> Mapping[str, Mapping[str, Any]]:
    """Return the section `signals`; of the first, every recording must have a channel."""
    signals: Mapping[str, Mapping[str, Any]] = declared.get("signals", _PRESSURES)
    return signals


def derived(declared: Mapping[str, Any]) -> Mapping[str, Mapping[str, Any]]:
    """Return the section `derived_signals`."""
    differences: Mapping[str, Mapping[str, Any]] = declared.get("derived_signals", _DIFFERENCES)
    return differences


def made_of(name: str, declared: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the recorded signals that a signal is made of; itself if it is recorded."""
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


def _series(name: str, signal: Mapping[str, Any], *, unit: str) -> Series:
    ucum, suffix = UNITS[unit]
    return Series(
        f"{name}_{suffix}", Column(REAL, ucum, signal["about"], signal.get("label", ""))
    )
