"""Values: what one cell of a study table may hold, and what its text means."""

import math
import re
from collections.abc import Mapping
from pathlib import PurePosixPath, PureWindowsPath
from typing import Any

from icpcohort.contracts import COUNT, EVENT_KINDS, FLAG, MONITOR_TYPES, REAL, TEXT, Column
from icpcohort.recordings.clock_zones import NONE
from icpcohort.recordings.places import Places
from icpcohort.study import date_texts
from icpcohort.study.schema import suggestion
from icpcohort.study.table_problems import Fault

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
NO_LEVEL, NO_NUMBER = "not a level", "not a number"  # causes that a coding may cure
IDENTIFIERS = ("patient_id", "recording_id", "monitor_id")
_FLAGS = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_COMMA_NUMBER = re.compile(r"([+-]?[0-9]+),([0-9]+)")
OF_IDENTIFIERS = "A-Za-z0-9_-"  # characters, as a pattern writes them
_IDENTIFIER = re.compile(rf"[{OF_IDENTIFIERS}]{{1,64}}")
_FORMULA_ERRORS = (
    *("#REF!", "#VALUE!", "#DIV/0!", "#NAME?", "#N/A", "#NUM!", "#NULL!", "#SPILL!", "#CALC!"),
    "#GETTING_DATA",
)
_NOT_A_VALUE = ("na", "n/a", "nan", "null", "none", "inf", "+inf", "-inf", "infinity", ".", "-")


def understood(
    text: str, *, name: str, column: Column, choices: Mapping[str, tuple[str, ...]]
) -> tuple[Any, Fault | None]:
    """Return the value of a cell, and None or why it has none.

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
    is_word = text in (column.levels or ()) or (name, text) == ("clock_zone", NONE)
    if (fault := no_value(text)) and not is_word:
        return None, fault
    if name in IDENTIFIERS:
        return text, _identifier_fault(text)
    allowed = choices.get(name) or column.levels
    is_free = column.dtype == TEXT and (not allowed or text in allowed)
    if date_texts.is_date(text) and not is_free:
        words = "a date, which cannot be here; correct it, or leave the cell empty"
        return None, Fault(words, "a date")  # words that do not show it
    if allowed and column.dtype == TEXT:
        return _choice(text, allowed)
    if column.dtype == FLAG:
        value = _FLAGS.get(text.lower())
        words = f"'{text}' is not true or false; write one"
        return value, None if value is not None else Fault(words, NO_LEVEL)
    if column.dtype in (REAL, COUNT):
        return _number(text, name=name, column=column)
    return text, None


def no_value(text: str) -> Fault | None:
    """Return why a text is no value in any column: a word for missing, a failing formula."""
    if text in _FORMULA_ERRORS:
        words = f"a formula that fails ({text}); correct it, or leave the cell empty"
        return Fault(words, "a failing formula")
    if text.lower() in _NOT_A_VALUE:
        words = f"'{text}' is not a value; leave the cell empty for missing"
        return Fault(words, "a word for missing")
    return None


def _identifier_fault(text: str) -> Fault | None:
    if _IDENTIFIER.fullmatch(text):
        return None
    words = (
        f"'{text[:80]}' cannot be the name of a file; write 1 to 64 letters (a-z, A-Z), "
        "digits, - and _"
    )
    return Fault(words, "no identifier")


def _choice(text: str, choices: tuple[str, ...]) -> tuple[str | None, Fault | None]:
    whole = re.sub(r"\.0+$", "", text)  # 5.0: a whole number beside empty cells, as exported
    if whole in choices:
        return whole, None
    near = suggestion(text, choices)
    hint = f"; {near}" if near.startswith("did") else ""
    return None, Fault(f"'{text}' is not one of {', '.join(choices)}{hint}", NO_LEVEL)


def _number(text: str, *, name: str, column: Column) -> tuple[float | None, Fault | None]:
    kind = "a whole number" if column.dtype == COUNT else "a number"
    if comma := _COMMA_NUMBER.fullmatch(text):
        point = f"{comma[1]}.{comma[2]}"
        either = f" or {comma[1]}{comma[2]}, whichever is meant" if len(comma[2]) == 3 else ""
        return None, Fault(f"'{text}' has a comma; write {point}{either}", "a comma")
    if not _NUMBER.fullmatch(text):
        alone = _without_unit(text, column)
        cure = f"write {alone}" if alone else "write one, or leave the cell empty"
        return None, Fault(f"'{text}' is not {kind}; {cure}", NO_NUMBER)
    value = float(text)
    low, high = limits(name, column)
    if not (math.isfinite(value) and low <= value <= high):
        words = f"{text} is out of range; write a value {_range_words(low, high, column)}"
        return None, Fault(words, "out of range")
    if column.dtype == COUNT:
        if not value.is_integer():
            return None, Fault(f"{text} is not a whole number; write one", NO_NUMBER)
        return _level(int(value), column)
    return value, None


def _without_unit(text: str, column: Column) -> str | None:
    """Return the number before the unit of its column; None for any other text.

    Digits cut from a longer text would be another value.
    """
    start = _NUMBER.match(text)
    units = {unit.lower() for unit in (column.unit, column.plain_unit()) if unit}
    return start[0] if start and text[start.end() :].strip().lower() in units else None


def _range_words(low: float, high: float, column: Column) -> str:
    if math.isinf(high):
        return f"from {low:.10g} {column.plain_unit()}".rstrip() + " on"
    upper = f"{high:.10g} {column.plain_unit()}".rstrip()
    return f"up to {upper}" if math.isinf(low) else f"from {low:.10g} to {upper}"


def is_number(text: str) -> bool:
    """Return whether a text is a number, with a decimal point or a comma."""
    return bool(_NUMBER.fullmatch(text) or _COMMA_NUMBER.fullmatch(text))


def limits(name: str, column: Column) -> tuple[float, float]:
    """Return the lowest and the highest value that a column can have."""
    low = -math.inf if column.low is None else column.low
    return LIMITS.get(name, (low, math.inf if column.high is None else column.high))


def unit_of_time(name: str) -> str:
    """Return the unit of a column of times: s by its name, else h."""
    return "s" if name.endswith("_s") else "h"


def _level(value: int, column: Column) -> tuple[int | None, Fault | None]:
    """Return a whole number, or why it is none of the column's levels."""
    if not column.levels or str(value) in column.levels:
        return value, None
    return None, Fault(f"{value} is not one of {', '.join(column.levels)}", NO_LEVEL)


def path_fault(text: str, *, places: Places) -> Fault | None:
    """Return why a recording's path cannot be used, or None; the file need not exist."""
    if not text.isprintable():
        words = f"{text!r} holds characters that cannot be seen; write the path again"
        return Fault(words, "cannot be seen")
    if "\\" in text:
        return Fault(f"'{text}' is written with \\; write /", "backslash")
    if PurePosixPath(text).is_absolute() or PureWindowsPath(text).drive:
        words = f"'{text}' is an absolute path; write it relative to the study folder"
        return Fault(words, "absolute")
    outside = "leads outside"
    if ".." in PurePosixPath(text).parts:
        words = f"'{text}' leaves the study folder; put the file in it and write its path"
        return Fault(words, outside)
    try:
        path = places.path_of(text)
        path.resolve()
    except (OSError, RuntimeError):  # a link that leads back to itself, a name too long
        return Fault(f"'{text}' leads nowhere; write the path of a file", "nowhere")
    if not places.hold(path):
        words = f"'{text}' is a link out of the study folder; put the file itself in the folder"
        return Fault(words, outside)
    return None
