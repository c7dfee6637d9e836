"""Time columns: which column of a CSV or Parquet file has the times of its rows."""

import difflib
import re
from collections.abc import Sequence
from typing import Literal, NamedTuple

from icpcohort.recordings.chunks import RecordingError
from icpcohort.recordings.names import fits, folded, split_bracket

JOINED = " + "  # between a column of dates and one of times of day
SECONDS_IN = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), 1.0),
    **dict.fromkeys(("ms", "msec", "milliseconds"), 0.001),
    **dict.fromkeys(("min", "mins", "minutes"), 60.0),
    **dict.fromkeys(("h", "hours"), 3600.0),
}
_LAYOUT = re.compile(r"[dmyhstfj.:,/ -]+", re.IGNORECASE)  # such as dd.mm.yyyy hh:mm:ss

DayOrder = Literal["day_first", "month_first"]


class Timing(NamedTuple):
    """What the study says of the times in CSV and Parquet.

    Attributes
    ----------
    columns : names of the column of the times; the first that a file has counts
    column : this file's own, in place of them
    clock_zone : zone of local clock times; see `clock_zones`
    day_order : which number is the day in dates like 1/3/2024 that do not show it
    """

    columns: Sequence[str]
    column: str | None = None
    clock_zone: str | None = None
    day_order: DayOrder | None = None

    @property
    def entries(self) -> Sequence[str]:
        """The names to look for, in their order."""
        return self.columns if self.column is None else [self.column]


class TimeColumn(NamedTuple):
    """The column of the times, or those of date and time of day; the unit of numbers in it."""

    names: tuple[str, ...]
    unit: str | None

    def __str__(self) -> str:
        return JOINED.join(self.names)


def seconds_in(unit: str) -> float | None:
    """Return how many seconds a unit of time has, or None of what is none."""
    return SECONDS_IN.get(unit.casefold())


def has_one(names: Sequence[str], timing: Timing) -> bool:
    """Tell whether these cells of a heading hold a column of times."""
    return any(all(_called(part, names) for part in _parts(e)) for e in timing.entries)


def find(names: Sequence[str], timing: Timing, *, where: str) -> TimeColumn:
    """Return the column of the times among the names of a file's columns.

    Names compare like those of channels, and without a unit or a layout in brackets; a name
    written exactly so comes before one that only compares so. An entry of two names joined by
    " + " is a column of dates and one of times of day.

    Raises
    ------
    RecordingError
        `bad_times` without one; `ambiguous_times` where two columns fit the entry.
    """
    for entry in timing.entries:
        found = [_called(part, names) for part in _parts(entry)]
        if not all(found):
            continue
        for columns in found:
            if len(columns) > 1:
                raise _ambiguous(entry, columns, names, timing, where=where)
        units = [_split(columns[0])[1] for columns in found]
        return TimeColumn(
            tuple(columns[0] for columns in found), units[0] if len(units) == 1 else None
        )
    raise _absent(0, names, timing, where=where)


def _parts(entry: str) -> list[str]:
    return [part.strip() for part in entry.split(JOINED)]


def _split(name: str) -> tuple[str, str | None]:
    return split_bracket(
        name, is_unit=lambda text: seconds_in(text) is not None or bool(_LAYOUT.fullmatch(text))
    )


def _called(part: str, names: Sequence[str]) -> list[str]:
    exact = [name for name in names if name.strip() == part]
    return exact or [n for n in names if fits(part, n) or fits(part, _split(n)[0])]


def _ambiguous(
    entry: str, columns: Sequence[str], names: Sequence[str], timing: Timing, *, where: str
) -> RecordingError:
    if len(set(columns)) < len(columns):
        return _absent(len(columns), names, timing, where=where)
    shown = ", ".join(repr(name[:40]) for name in columns)
    return RecordingError(
        "ambiguous_times",
        f"{where}: {shown} all fit the column of times {entry!r}; write {columns[0].strip()} "
        "(or another of them) in column time_column of recordings.csv",
    )


def _absent(n: int, names: Sequence[str], timing: Timing, *, where: str) -> RecordingError:
    entries = timing.entries
    asked = ", ".join(map(repr, entries[:-1])) + " or " * (len(entries) > 1)
    shown = ", ".join(repr(name[:40]) for name in names[:20])
    if timing.column is None:
        cure = "name the one column with the times in recordings.time_columns of the settings"
    else:
        near = difflib.get_close_matches(folded(timing.column), [folded(x) for x in names], n=1)
        meant = next((x for x in names if folded(x) in near), None)
        hint = f"did you mean {meant!r}? " if meant is not None else ""
        cure = f"{hint}name the one with the times in column time_column of recordings.csv"
    return RecordingError(
        "bad_times", f"{where}: {n or 'no'} column {asked}{entries[-1]!r} among {shown}; {cure}"
    )
