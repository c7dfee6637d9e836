"""Units: what a file may be written in, and how a reading becomes one in the declared unit."""

import difflib
import unicodedata
from typing import NamedTuple

PA_PER_MMHG = 133.322387415  # conventional: 13 595.1 kg/m3 x 9.80665 m/s2 x 1 mm
PA_PER_CMH2O = 98.0665  # conventional: 1000 kg/m3 x 9.80665 m/s2 x 1 cm

# By kind: how a file may write a unit, its size in a unit common to its kind, and its zero.
_KINDS: dict[str, dict[str, tuple[float, float]]] = {
    "pressure": {
        "mmHg": (PA_PER_MMHG, 0.0),
        "mm[Hg]": (PA_PER_MMHG, 0.0),
        "kPa": (1000.0, 0.0),
        "cmH2O": (PA_PER_CMH2O, 0.0),
        "cm[H2O]": (PA_PER_CMH2O, 0.0),
        "Pa": (1.0, 0.0),
    },
    "temperature": {
        "degC": (1.0, 273.15),
        "Cel": (1.0, 273.15),
        "\u00b0C": (1.0, 273.15),
        "degF": (5 / 9, 273.15 - 160 / 9),
        "[degF]": (5 / 9, 273.15 - 160 / 9),
        "\u00b0F": (5 / 9, 273.15 - 160 / 9),
        "K": (1.0, 0.0),
    },
    "share": {"%": (0.01, 0.0), "fraction": (1.0, 0.0), "1": (1.0, 0.0)},
    "rate": {
        "/min": (1 / 60, 0.0),
        "1/min": (1 / 60, 0.0),
        "bpm": (1 / 60, 0.0),
        "/s": (1.0, 0.0),
        "1/s": (1.0, 0.0),
        "Hz": (1.0, 0.0),
    },
    "velocity": {"cm/s": (0.01, 0.0), "m/s": (1.0, 0.0), "mm/s": (0.001, 0.0)},
    "flow": {"L/min": (1.0, 0.0), "mL/min": (0.001, 0.0), "mL/s": (0.06, 0.0)},
    "blood flow in tissue": {
        "mL/100g/min": (1.0, 0.0),
        "mL/(100.g.min)": (1.0, 0.0),
        "mL/g/min": (100.0, 0.0),
    },
}


class UnknownUnit(ValueError):  # noqa: N818 (named as the fault is called in the tables)
    """A unit that the project does not know, or not for this signal."""


class Conversion(NamedTuple):
    """A reading in the declared unit is the one in the file times `factor`, plus `offset`."""

    factor: float
    offset: float


def _folded(unit: str) -> str:
    return "".join(unicodedata.normalize("NFKC", unit).split()).casefold()


def is_known(unit: str) -> bool:
    """Tell whether a text, not a mere number, is a unit of any kind."""
    folded = _folded(unit)
    return folded != "1" and folded in _ALL_FOLDED


_ALL_FOLDED = {_folded(name) for units in _KINDS.values() for name in units}


def names_like(unit: str) -> tuple[str, ...]:
    """Return the units, as people write them, of the kind that `unit` is of."""
    units = next((units for units in _KINDS.values() if unit in units), {})
    return tuple(name for name in units if "[" not in name)


def conversion(unit: str, *, to: str) -> Conversion:
    """Return how a reading in `unit` becomes one in the unit `to`.

    Parameters
    ----------
    unit : str
        As a file writes it; case, spaces and the height of a digit do not count.
    to : str
        A declared unit, one of `contracts.declared_signals.UNITS`.

    Raises
    ------
    UnknownUnit
        Naming the nearest unit and all that are known for what `to` measures.

    Source: UCUM for the codes; conventional millimetre of mercury 133.322 387 415 Pa and
    conventional centimetre of water 98.0665 Pa (NIST SP 811 rounds the former to 133.3224,
    UCUM to 133.322: 3 parts in a million); zero of the Celsius scale 273.15 K, and
    K = (degF + 459.67) / 1.8 (NIST SP 811, appendix B).
    """
    kind, units = next((kind, units) for kind, units in _KINDS.items() if to in units)
    by_folded = {_folded(name): name for name in units}
    name = by_folded.get(_folded(unit))
    if name is None:
        near = difflib.get_close_matches(_folded(unit), list(by_folded), n=1)
        hint = f"did you mean {by_folded[near[0]]!r}? " if near else ""
        raise UnknownUnit(
            f"{unit!r} is not a known unit of {kind}; {hint}write one of {', '.join(units)}"
        )
    (size, zero), (size_to, zero_to) = units[name], units[to]
    return Conversion(size / size_to, (zero - zero_to) / size_to)
