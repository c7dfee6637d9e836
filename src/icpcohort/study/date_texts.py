"""Date texts: which cell of a study table is a date, and what time of which day it is."""

import re
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Literal, NamedTuple

from icpcohort.study.table_problems import Fault

Order = Literal["day_first", "month_first"]
WRITE = "write for example 2024-03-01 10:00"
_DATE = re.compile(
    r"(?:(?P<year>[0-9]{4})(?P<a>[-./])(?P<month>[0-9]{1,2})(?P=a)(?P<day>[0-9]{1,2})"
    r"|(?P<one>[0-9]{1,2})(?P<b>[-./])(?P<two>[0-9]{1,2})(?P=b)(?P<last>[0-9]{4}|[0-9]{2}))"
    r"(?![0-9])"
)
_TIME = re.compile(
    r"(?P<h>[0-9]{1,2}):(?P<min>[0-9]{2})(?::(?P<s>[0-9]{2})(?:[.,](?P<part>[0-9]{1,9}))?)?"
    r"(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?"
    r"(?:\s*(?P<offset>Z|[+-][0-9]{2}:?(?:[0-9]{2})?))?"
)
_OFFSET = re.compile(r"([+-])([0-9]{2}):?([0-9]{2})?")
_MOST_OFFSET = timedelta(hours=14)  # the most that any clock on Earth is ahead
_YEARS = (1900, 2100)
_MONTHS, _NOON = 12, 12


class Moment(NamedTuple):
    """A day and a time of day as a clock showed them."""

    local: datetime  # without a zone
    offset: timedelta | None  # of that clock from UTC, where the text has it


def is_date(text: str) -> bool:
    """Return whether a text begins with a date: whatever follows, it is no number."""
    return _DATE.match(text) is not None


def orders(texts: Iterable[tuple[int, str]]) -> dict[str, int]:
    """Return which orders of day and month the dates of a column show, each with its first row.

    Empty where every date fits both orders. Dates with the year first, and those with points,
    where the day comes first, do not tell.

    Parameters
    ----------
    texts : rows and their texts
    """
    shown: dict[str, int] = {}
    for row, text in texts:
        match = _DATE.match(text)
        if match and is_open(text):
            if int(match["one"]) > _MONTHS:
                shown.setdefault("day_first", row)
            if int(match["two"]) > _MONTHS:
                shown.setdefault("month_first", row)
    return shown


def is_open(text: str) -> bool:
    """Return whether the order of day and month of a date is not known from its form."""
    match = _DATE.match(text)
    return bool(match and match["one"] and match["b"] != ".")


def offset_of(text: str) -> timedelta | None:
    """Return the offset that a text such as +01:00 or Z is; None for any other."""
    if text == "Z":
        return timedelta(0)
    match = _OFFSET.fullmatch(text)
    if match is None:
        return None
    minutes = int(match[3] or 0)
    size = timedelta(hours=int(match[2]), minutes=minutes)
    if size > _MOST_OFFSET or minutes >= 60:
        return None
    return -size if match[1] == "-" else size


def read(text: str, *, order: Order | None) -> Moment | Fault:
    """Return what a date with a time of day means, or why it is none; no words show it.

    Parameters
    ----------
    text : str
        Year first; or year last, with points, slashes or hyphens. Then a time with or without
        seconds, by 24 hours or with AM and PM, and an offset from UTC where there is one.
    order : {"day_first", "month_first"} or None
        Of dates with slashes or hyphens whose year is last; None where there are none.

    Source: ISO 8601 for dates with the year first; common practice for the others.
    """
    date = _DATE.match(text)
    if date is None:
        return Fault(f"not a date and a time of day; {WRITE}", "not a date")
    if date["last"] and len(date["last"]) == 2:
        return Fault("a year of two digits; write all four", "a short year")
    rest = text[date.end() :].strip()
    rest = rest[1:] if rest[:1] == "T" else rest
    if not rest:
        return Fault(f"a day without a time of day; {WRITE}", "no time of day")
    time = _TIME.fullmatch(rest)
    if time is None:
        return Fault(f"the time of day cannot be read; {WRITE}", "not a time")
    offset = offset_of(time["offset"]) if time["offset"] else None
    local = _local(date, time, order=order)
    if local is None or (time["offset"] and offset is None):
        return Fault("no clock shows this day and time; correct it", "no such time")
    return Moment(local, offset)


def _local(date: re.Match[str], time: re.Match[str], *, order: Order | None) -> datetime | None:
    if date["year"]:
        year, month, day = (int(date[name]) for name in ("year", "month", "day"))
    else:
        year, day, month = (int(date[name]) for name in ("last", "one", "two"))
        if order == "month_first" and date["b"] != ".":
            day, month = month, day
    hour = int(time["h"])
    if time["half"]:
        if not 1 <= hour <= _NOON:
            return None
        hour = hour % _NOON + (_NOON if time["half"] in "Pp" else 0)
    part = int((time["part"] or "0").ljust(6, "0")[:6])
    if not _YEARS[0] <= year <= _YEARS[1]:
        return None
    try:
        return datetime(year, month, day, hour, int(time["min"]), int(time["s"] or 0), part)
    except ValueError:
        return None
