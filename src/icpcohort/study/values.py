"""Values: what one cell of a study table may hold, and what its text means."""

import math
import re
from collections.abc import Mapping
from pathlib import PurePosixPath, PureWindowsPath
from typing import Any

from icpcohort.contracts import COUNT, EVENT_KINDS, FLAG, MONITOR_TYPES, REAL, TEXT, Column
from icpcohort.recordings.places import Places
from icpcohort.study.schema import suggestion

CHOICES = {
    "format": ("wfdb", "edf", "bdf", "csv", "parquet"),
    "icp_unit": ("mmHg", "kPa", "cmH2O", "Pa"),
    "abp_unit": ("mmHg", "kPa", "cmH2O", "Pa"),
    "kind": MONITOR_TYPES,
    "fixation": ("bolt", "tunnelled"),
    "side": ("left", "right"),
    "abp_level": ("tragus", "heart"),
    "event": EVENT_KINDS,
}
# Plausibility, no source: narrow enough that calendar times in s are refused.
LIMITS: dict[str, tuple[float, float]] = {
    "from_h": (-8_760, 100_000),
    "to_h": (-8_760, 100_000),
    "death_h": (0, 100_000),
    "left_unit_h": (0, 100_000),
    "last_known_h": (0, 100_000),
    "depth_mm": (0, 150),
    "insertion_h": (-8_760, 100_000),
    "removal_h": (-8_760, 100_000),
    "calibrated_h": (-8_760, 100_000),
    "malfunction_h": (-8_760, 100_000),
    "bed_angle_deg": (-90, 90),
    "heart_to_tragus_cm": (0, 100),
    "zero_reference_mmhg": (-100, 100),
    "drift_at_removal_mmhg": (-100, 100),
    "start_s": (-31_536_000, 31_536_000),
    "end_s": (-31_536_000, 31_536_000),
}
IDENTIFIERS = ("patient_id", "recording_id", "monitor_id")
_FLAGS = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_COMMA_NUMBER = re.compile(r"([+-]?[0-9]+),([0-9]+)")
OF_IDENTIFIERS = "A-Za-z0-9_-"  # characters, as a pattern writes them
_IDENTIFIER = re.compile(rf"[{OF_IDENTIFIERS}]{{1,64}}")
_NOT_A_VALUE = ("na", "n/a", "nan", "null", "none", "inf", "+inf", "-inf", "infinity", ".", "-")


def understood(
    text: str, *, name: str, column: Column, choices: Mapping[str, tuple[str, ...]]
) -> tuple[Any, str | None]:
    """Return the value of a cell, and None or the words that say why it has none.

    Parameters
    ----------
    text : str
        The cell without blanks around it; empty is missing and gives None.
    name : str
        Our name of the column; its limits are those above.
    column : Column
        Its type is the type of the value; a declared one has its levels and limits itself.
    choices : mapping
        What a cell may say, by the name of its column: `CHOICES` and units of the signals.
    """
    if text == "":
        return None, None
    if text.lower() in _NOT_A_VALUE and text not in (column.levels or ()):
        return None, f"'{text}' is not a value; leave the cell empty for missing"
    if name in IDENTIFIERS:
        return text, _identifier_problem(text)
    allowed = choices.get(name) or column.levels
    if allowed and column.dtype == TEXT:
        return _choice(text, allowed)
    if column.dtype == FLAG:
        value = _FLAGS.get(text.lower())
        return value, None if value is not None else f"'{text}' is not true or false; write one"
    if column.dtype in (REAL, COUNT):
        return _number(text, name=name, column=column)
    return text, None


def _identifier_problem(text: str) -> str | None:
    if _IDENTIFIER.fullmatch(text):
        return None
    return (
        f"'{text[:80]}' cannot be the name of a file; write 1 to 64 letters (a-z, A-Z), "
        "digits, - and _"
    )


def _choice(text: str, choices: tuple[str, ...]) -> tuple[str | None, str | None]:
    whole = re.sub(r"\.0+$", "", text)  # 5.0: a whole number beside empty cells, as exported
    if whole in choices:
        return whole, None
    near = suggestion(text, choices)
    hint = f"; {near}" if near.startswith("did") else ""
    return None, f"'{text}' is not one of {', '.join(choices)}{hint}"


def _number(text: str, *, name: str, column: Column) -> tuple[float | None, str | None]:
    kind = "a whole number" if column.dtype == COUNT else "a number"
    if comma := _COMMA_NUMBER.fullmatch(text):
        point = f"{comma[1]}.{comma[2]}"
        either = f" or {comma[1]}{comma[2]}, whichever is meant" if len(comma[2]) == 3 else ""
        return None, f"'{text}' has a comma; write {point}{either}"
    if not _NUMBER.fullmatch(text):
        start = _NUMBER.match(text)
        cure = f"write {start[0]}" if start else "write one, or leave the cell empty"
        return None, f"'{text}' is not {kind}; {cure}"
    value = float(text)
    low, high = LIMITS.get(name, _limits_of(column))
    if not (math.isfinite(value) and low <= value <= high):
        return None, f"{text} is out of range; write a value {_range_words(low, high, column)}"
    if column.dtype == COUNT:
        if not value.is_integer():
            return None, f"{text} is not a whole number; write one"
        return _level(int(value), column)
    return value, None


def _range_words(low: float, high: float, column: Column) -> str:
    if math.isinf(high):
        return f"from {low:.10g} {column.plain_unit()}".rstrip() + " on"
    upper = f"{high:.10g} {column.plain_unit()}".rstrip()
    return f"up to {upper}" if math.isinf(low) else f"from {low:.10g} to {upper}"


def _limits_of(column: Column) -> tuple[float, float]:
    low = -math.inf if column.low is None else column.low
    return low, math.inf if column.high is None else column.high


def _level(value: int, column: Column) -> tuple[int | None, str | None]:
    """Return a whole number, or why it is none of the column's levels."""
    if not column.levels or str(value) in column.levels:
        return value, None
    return None, f"{value} is not one of {', '.join(column.levels)}"


def path_problem(text: str, *, places: Places) -> str | None:
    """Return why a recording's path cannot be used, or None; the file need not exist."""
    if not text.isprintable():
        return f"{text!r} holds characters that cannot be seen; write the path again"
    if "\\" in text:
        return f"'{text}' is written with \\; write /"
    if PurePosixPath(text).is_absolute() or PureWindowsPath(text).drive:
        return f"'{text}' is an absolute path; write it relative to the study folder"
    if ".." in PurePosixPath(text).parts:
        return f"'{text}' leaves the study folder; put the file in it and write its path"
    try:
        path = places.path_of(text)
        path.resolve()
    except (OSError, RuntimeError):  # a link that leads back to itself, a name too long
        return f"'{text}' leads nowhere; write the path of a file"
    if not places.hold(path):
        return f"'{text}' is a link out of the study folder; put the file itself in the folder"
    return None
