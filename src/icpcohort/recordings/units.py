"""Units of pressure: what a file may be written in, and its factor to mmHg."""

import difflib

PA_PER_MMHG = 133.322387415  # conventional: 13 595.1 kg/m3 x 9.80665 m/s2 x 1 mm
PA_PER_CMH2O = 98.0665  # conventional: 1000 kg/m3 x 9.80665 m/s2 x 1 cm

_PA_PER_UNIT = {
    "mmHg": PA_PER_MMHG,
    "mm[Hg]": PA_PER_MMHG,
    "kPa": 1000.0,
    "cmH2O": PA_PER_CMH2O,
    "cm[H2O]": PA_PER_CMH2O,
    "Pa": 1.0,
}


class UnknownUnit(ValueError):  # noqa: N818 (named as the fault is called in the tables)
    """A unit of pressure that the project does not know."""


def _folded(unit: str) -> str:
    return "".join(unit.split()).casefold()


_PA_PER_FOLDED_UNIT = {_folded(unit): pa for unit, pa in _PA_PER_UNIT.items()}


def to_mmhg_factor(unit: str) -> float:
    """Return the number of mmHg in one `unit`.

    Parameters
    ----------
    unit : str
        mmHg, kPa, cmH2O or Pa, or the codes mm[Hg] and cm[H2O]; case and spaces do not count.

    Raises
    ------
    UnknownUnit
        Naming the nearest unit and all that are known.

    Source: UCUM for the codes; conventional millimetre of mercury 133.322 387 415 Pa and
    conventional centimetre of water 98.0665 Pa (NIST SP 811 rounds the former to 133.3224,
    UCUM to 133.322: 3 parts in a million).
    """
    pa = _PA_PER_FOLDED_UNIT.get(_folded(unit))
    if pa is None:
        near = difflib.get_close_matches(_folded(unit), list(_PA_PER_FOLDED_UNIT), n=1)
        known = {_folded(name): name for name in _PA_PER_UNIT}
        hint = f"did you mean {known[near[0]]!r}? " if near else ""
        raise UnknownUnit(
            f"{unit!r} is not a known unit of pressure; {hint}"
            f"write one of {', '.join(_PA_PER_UNIT)}"
        )
    return pa / PA_PER_MMHG
