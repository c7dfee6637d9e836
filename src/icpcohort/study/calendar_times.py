"""Calendar times: dates and times of day in the study's tables, as time since time zero."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timezone, tzinfo
from typing import Annotated, Any, Literal, NamedTuple
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from icpcohort.contracts import Column
from icpcohort.contracts.setting import OF_THE_STUDY, Setting
from icpcohort.study import date_texts, folded_names
from icpcohort.study import values as entries
from icpcohort.study.date_texts import Moment, Order
from icpcohort.study.read_table import Export
from icpcohort.study.table_columns import Asked
from icpcohort.study.table_problems import Fault, Problem

# Beside the columns of kind time: those of the fixed tables, by their names.
_FROM_TIME_ZERO = (
    *("from_h", "to_h", "insertion_h", "removal_h", "calibrated_h", "malfunction_h"),
    *("start_s", "end_s"),
)
NO_ZERO = "no time zero"  # cause of a time whose patient has none; merged to one problem
UNKNOWN = "not known"  # cause of a time of which another problem says why; not shown
_S_IN = {"h": 3600.0, "s": 1.0}
_ZONE = re.compile(r"none|[A-Za-z][A-Za-z0-9_+-]*(/[A-Za-z0-9_+-]+)*|[+-][0-9]{2}:[0-9]{2}")
_EXAMPLES = 3


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Where the study's tables have dates and times of day."""

    time_zero: Annotated[
        str,
        Setting(
            "Column of your table of patients with each patient's time zero, a date and a time "
            "of day. It stays out of all results",
            OF_THE_STUDY,
            "INJURY_TIME",
        ),
    ]
    zone: Annotated[
        str,
        Setting(
            "Zone of the clocks: an IANA name, an offset such as +01:00, or none, where only "
            "differences count and no clock was put forward or back in between",
            OF_THE_STUDY,
            "Europe/Vienna",
        ),
    ]
    day_order: Annotated[
        Literal["day_first", "month_first"] | None,
        Setting(
            "Which comes first in a column in which every date fits both orders. Left out: "
            "such a column is refused",
            OF_THE_STUDY,
            "day_first",
        ),
    ] = None


class Zeros(NamedTuple):
    """Each patient's time zero, and what is needed to count from it."""

    zone: tzinfo | None  # None: clocks without a zone
    order: Order | None
    of_patients: Mapping[str, datetime | None]  # None: the cell is empty


class Dates(NamedTuple):
    """The columns of one table that hold dates."""

    orders: Mapping[str, Order | None]  # of our columns whose dates are read
    unread: frozenset[str]  # our columns whose dates are not, for a reason with a problem


def counts_from_time_zero(name: str, column: Column) -> bool:
    """Return whether a column holds times since time zero."""
    return column.kind == "time" or name in _FROM_TIME_ZERO


def zone_problem(zone: object) -> str | None:
    """Return what is wrong with a zone of the settings, or None."""
    if not isinstance(zone, str):
        return None  # the schema says so
    try:
        _zone(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return (
            f"'{zone}' is no time zone; write an IANA name such as Europe/Vienna, an offset "
            "such as +01:00, or none"
        )
    return None


def _zone(text: str) -> tzinfo | None:
    if not _ZONE.fullmatch(text):
        raise ValueError(text)
    if text == "none":
        return None
    offset = date_texts.offset_of(text)
    return ZoneInfo(text) if offset is None else timezone(offset)


# --- time zero -----------------------------------------------------------------------------


def zeros(
    export: Export, asked: Asked, calendar: Mapping[str, Any], *, file: str
) -> tuple[Zeros, list[Problem]]:
    """Return each patient's time zero, and what is wrong with them.

    Parameters
    ----------
    export : Export
        The table of patients; one that also has another table repeats its patients.
    calendar : mapping
        As `Settings`, without what is not stated.
    """
    zone, stated = _zone(calendar["zone"]), calendar.get("day_order")
    column = folded_names.same(calendar["time_zero"], export.header)
    patient = asked.theirs("patient_id")
    if column not in export.header or patient not in export.header:
        words = "missing; it is study.calendar.time_zero in config.yaml, correct it there"
        problem = Problem(file, words, column=f"column {column}")
        return Zeros(zone, stated, {}), [problem] if column not in export.header else []
    at, at_id = export.header.index(column), export.header.index(patient)
    order, unclear = _order([(n, cells[at]) for n, cells in export.rows], stated)
    if unclear:
        return Zeros(zone, stated, {}), [Problem(file, unclear, column=column)]
    known: dict[str, datetime | None] = {}
    problems: list[Problem] = []
    wrong: set[str] = set()
    for row, cells in export.rows:
        instant = _instant(cells[at], zone, order) if cells[at] else None
        earlier = known.get(cells[at_id])
        if instant is not None and earlier not in (None, instant):
            instant = Fault("another time zero than an earlier row has; keep one", "two zeros")
        if isinstance(instant, Fault):
            problems.append(Problem(file, instant.words, row, column, instant.cause))
            wrong.add(cells[at_id])
        else:
            known[cells[at_id]] = instant or earlier
    return Zeros(zone, stated, {p: z for p, z in known.items() if p not in wrong}), problems


def _instant(text: str, zone: tzinfo | None, order: Order | None) -> datetime | Fault:
    moment = date_texts.read(text, order=order)
    return moment if isinstance(moment, Fault) else instant_of(moment, zone)


def instant_of(moment: Moment, zone: tzinfo | None) -> datetime | Fault:
    """Return when a clock in a zone showed a moment: in UTC; as it is where there is no zone.

    A time that the clocks show twice when they go back, or skip when they go forward, is
    refused: without its offset nobody knows which instant it was.

    Source: IANA time zone database, as Python's zoneinfo has it.
    """
    if moment.offset is not None:
        return (moment.local - moment.offset).replace(tzinfo=UTC)
    if zone is None:
        return moment.local
    first, second = (
        moment.local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)
    )
    if first == second:
        return first
    how = "show this time twice" if first < second else "skip this time"
    return Fault(
        f"clocks in {zone} {how}; write it with its offset from UTC, such as +01:00 after it",
        "no single instant",
    )


# --- the columns of a table ----------------------------------------------------------------


def dates_in(export: Export, asked: Asked) -> dict[str, list[tuple[int, str]]]:
    """Return the filled cells of each column of times in which some cell is a date.

    By our name, each cell with its row; values that the settings translate are left out.
    """
    found = {}
    for ours, column in asked.contract.columns.items():
        theirs = asked.theirs(ours)
        if theirs in export.header and counts_from_time_zero(ours, column):
            place, coding = export.header.index(theirs), asked.coding.get(ours, {})
            cells = [(n, row[place]) for n, row in export.rows if row[place]]
            cells = [(n, text) for n, text in cells if text not in coding]
            if any(date_texts.is_date(text) for _, text in cells):
                found[ours] = cells
    return found


class Calendar:
    """What the dates of a study count from; known once its table of patients is read."""

    def __init__(self, stated: Mapping[str, Any] | None) -> None:
        """Take `study.calendar`: None if it is not stated, empty if it is not right."""
        self.stated = stated
        self.counted: Zeros | None = None
        self.block = _block_to_write("")
        self._file = ""

    def count_from(self, export: Export, asked: Asked, *, file: str) -> list[Problem]:
        """Take each patient's time zero from the table of patients; return what is wrong."""
        self._file = file
        if self.stated is None:
            self.block = _block_to_write(_likely_time_zero(export, asked))
        if not self.stated:
            return []
        self.counted, problems = zeros(export, asked, self.stated, file=file)
        return problems

    def dates_of(
        self, export: Export, asked: Asked, *, file: str
    ) -> tuple[Dates, list[Problem]]:
        """Return the columns of a table that hold dates, and why some cannot be read.

        Without `study.calendar` all columns of the table with dates are one problem.
        """
        found = dates_in(export, asked)
        if self.counted is None:
            words = (
                f"dates in {', '.join(asked.theirs(ours) for ours in found)}, and times count "
                f"from time zero; write in config.yaml under study the line `{self.block}`"
            )
            is_new = found and self.stated is None
            return Dates({}, frozenset(found)), [Problem(file, words)] if is_new else []
        orders: dict[str, Order | None] = {}
        problems = []
        for ours, cells in found.items():
            order, words_of_order = _order(cells, self.counted.order)
            words_or_none = _mixed(cells) or words_of_order
            if words_or_none:
                problems.append(Problem(file, words_or_none, column=ours))
            else:
                orders[ours] = order
        return Dates(orders, frozenset(found.keys() - orders.keys())), problems

    def merged(self, problems: list[Problem]) -> list[Problem]:
        """Return the problems, with one for all patients without a time zero."""
        without = list(dict.fromkeys(p.value for p in problems if p.cause == NO_ZERO))
        others = [p for p in problems if p.cause not in (NO_ZERO, UNKNOWN)]
        if not without or not self.stated:
            return others
        more = " and others" if len(without) > _EXAMPLES else ""
        words = (
            f"missing for {len(without)} patients with dates, {', '.join(without[:_EXAMPLES])}"
            f"{more}; fill it in, or empty their cells with dates"
        )
        return [*others, Problem(self._file, words, column=self.stated["time_zero"])]


def _mixed(cells: list[tuple[int, str]]) -> str | None:
    numbers = [row for row, text in cells if entries.is_number(text)]
    if not numbers:
        return None
    first = next(row for row, text in cells if date_texts.is_date(text))
    return (
        f"numbers (row {numbers[0]}; {len(numbers)} of {len(cells)}) and dates (row {first}) "
        "in one column; write one of them throughout"
    )


def _order(
    cells: list[tuple[int, str]], stated: Order | None
) -> tuple[Order | None, str | None]:
    """Return the order of day and month in a column, and why it is not known.

    A column in which some date fits one order alone has that order; only of another is the
    order taken that the settings state.
    """
    shown = date_texts.orders(cells)
    if len(shown) == 2:
        return None, (
            f"row {shown['day_first']} can only have the day first, row {shown['month_first']} "
            "only the month; write one order throughout, or the year first"
        )
    if shown:
        return ("day_first" if "day_first" in shown else "month_first"), None
    open_rows = [row for row, text in cells if date_texts.is_open(text)]
    if not open_rows or stated:
        return stated, None
    return None, (
        f"every date fits with the day first and with the month first (row {open_rows[0]}, for "
        "one); write in config.yaml under study.calendar the line `day_order: day_first` or "
        "`day_order: month_first`, whichever is right"
    )


# --- one cell ------------------------------------------------------------------------------


def since_time_zero(
    text: str,
    counted: Zeros,
    *,
    patient_id: str,
    name: str,
    column: Column,
    order: Order | None,
) -> tuple[float | None, Fault | None]:
    """Return the time from a patient's time zero to a date, in the unit of its column.

    Or why there is none, in words that show no date.
    """
    instant = entries.no_value(text) or _instant(text, counted.zone, order)
    if isinstance(instant, Fault):
        return None, instant
    if patient_id not in counted.of_patients:
        return None, Fault("", UNKNOWN)
    zero = counted.of_patients[patient_id]
    if zero is None:
        return None, Fault("", NO_ZERO)
    if (zero.tzinfo is None) != (instant.tzinfo is None):
        words = (
            "of this time and the patient's time zero only one has an offset from UTC; write "
            "study.calendar.zone in config.yaml"
        )
        return None, Fault(words, "one offset")
    value = (instant - zero).total_seconds() / _S_IN[entries.unit_of_time(name)]
    low, high = entries.limits(name, column)
    if low <= value <= high:
        return value, None
    unit = entries.unit_of_time(name)
    words = (
        f"{value:.10g} {unit} from time zero, and {low:.10g} to {high:.10g} {unit} can be; "
        "correct this time or the patient's time zero"
    )
    return None, Fault(words, "out of range")


def _likely_time_zero(export: Export, asked: Asked) -> str:
    """Return the one column of dates in the table of patients that is nothing else, or none."""
    known = {*asked.others, *map(asked.theirs, asked.contract.columns)}
    candidates = [name for name in columns_of_dates(export) if name not in known]
    return candidates[0] if len(candidates) == 1 else ""


def columns_of_dates(export: Export) -> list[str]:
    """Return the columns of a file in which every filled cell is a date."""
    return [
        name
        for place, name in enumerate(export.header)
        if (cells := [row[place] for _, row in export.rows if row[place]])
        and all(map(date_texts.is_date, cells))
    ]


def _block_to_write(column: str) -> str:
    is_plain = re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", column)
    shown = column if is_plain else f'"{column}"' if column else "YOUR_COLUMN_OF_TIME_ZERO"
    return f"calendar: {{time_zero: {shown}, zone: YOUR_TIME_ZONE}}"
