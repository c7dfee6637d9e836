"""Variables: what a study declares of its patients, entry by entry, and the column of each.

An entry stands in `config/variables.yaml` or in a dictionary that ships with the project. A
covariate is what was known of a patient. An outcome is what became of the patient: recorded in
the study's table, or derived by a stated rule. A repeated variable has several values of a
patient, each from one hour to another.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal

import polars as pl

from icpcohort.contracts.columns import COUNT, FLAG, REAL, TEXT, Column, Kind, Known
from icpcohort.contracts.setting import COMMON_PRACTICE, OF_THE_STUDY, Setting

_TYPES: dict[str, pl.DataType] = {
    "number": REAL,
    "count": COUNT,
    "flag": FLAG,
    "category": TEXT,
    "time": REAL,
}
_KNOWN: dict[str, Known] = {
    "at_admission": "at admission",
    "at_h": "at an hour",
    "in_window": "in the window",
    "afterwards": "afterwards",
}
MOST = 1e9  # a bound that says no more than: a number


def _text(about: str, example: str) -> Setting:
    return Setting(about, OF_THE_STUDY, example)


def _number(about: str, example: float) -> Setting:
    return Setting(about, OF_THE_STUDY, example, at_least=-MOST, at_most=MOST)


_CODINGS = Setting(
    'Values in your table, each with ours; "" for missing. Each is counted. May be the text of '
    "a data dictionary, `1, Male | 2, Female`, whose labels are our levels",
    OF_THE_STUDY,
    {"I": "1"},
)


@dataclass(frozen=True, kw_only=True)
class Described:
    """What every variable has: what it is called, and what its values can be."""

    label: Annotated[str, _text("What tables and axes call it", "WFNS grade")]
    about: Annotated[
        str, _text("What it means. Left out: the label", "Grade of the haemorrhage, 1 to 5")
    ] = ""
    in_full: Annotated[
        str,
        _text("What a sentence calls it where nothing around explains it", "the WFNS grade"),
    ] = ""
    source: Annotated[
        str,
        _text(
            "Where it is published: a key of docs/bibliography.md, or a citation", "Wilson 2021"
        ),
    ] = ""
    unit: Annotated[str, _text("Its unit. Left out: a bare number or a text", "mmol/L")] = ""
    min: Annotated[float | None, _number("Lowest value that can be", 0.0)] = None
    max: Annotated[float | None, _number("Highest value that can be", 50.0)] = None
    levels: Annotated[
        tuple[str, ...],
        Setting(
            "Levels of a category or an ordered scale, in their order",
            OF_THE_STUDY,
            ["1", "2", "3", "4", "5"],
            each="A level",
        ),
    ] = ()
    decimals: Annotated[
        int | None,
        Setting(
            "Decimals of its median. Left out: 1; a scale or a count is shown level by level",
            COMMON_PRACTICE,
            1,
            at_least=0,
            at_most=6,
        ),
    ] = None


@dataclass(frozen=True, kw_only=True)
class Entry(Described):
    """What a covariate and an outcome have in common."""

    column: Annotated[
        str,
        _text("Column of your table of patients. Left out: the entry's own name", "WFNS"),
    ] = ""
    codings: Annotated[Mapping[str, str] | None, _CODINGS] = None


@dataclass(frozen=True, kw_only=True)
class Covariate(Entry):
    """A variable that was known of a patient, and when."""

    kind: Annotated[
        Literal["number", "count", "flag", "category", "ordered", "time"],
        Setting(
            "What its values are; a time is in hours since time zero", OF_THE_STUDY, "ordered"
        ),
    ]
    known: Annotated[
        Literal["at_admission", "at_h", "in_window", "afterwards"],
        Setting(
            "When its value is known; models may use only what was known before their landmark",
            "immortal time: Anderson 1983",
            "at_admission",
        ),
    ]
    known_h: Annotated[
        float | None,
        Setting(
            "The hour since time zero at which it is known, with at_h",
            OF_THE_STUDY,
            24.0,
            at_least=0,
            at_most=100000,
        ),
    ] = None
    known_window: Annotated[
        str,
        _text("The window over which it is measured, with in_window", "first_72_h"),
    ] = ""
    role: Annotated[
        Literal["covariate", "neither"],
        Setting("Whether a model may use it. Left out: covariate", OF_THE_STUDY, "covariate"),
    ] = "covariate"
    score: Annotated[
        str,
        _text(
            "The published score that it is; computed where all its parts are there",
            "rotterdam",
        ),
    ] = ""


@dataclass(frozen=True, kw_only=True)
class Outcome(Entry):
    """What became of a patient: recorded, or derived by `of`, `death_by_h` or `events`."""

    kind: Annotated[
        Literal["flag", "ordered", "count", "number", "event"],
        Setting("What its values are", OF_THE_STUDY, "ordered"),
    ]
    better: Annotated[
        Literal["higher", "lower"] | None,
        Setting("Which way is better; an ordered scale must say so", OF_THE_STUDY, "lower"),
    ] = None
    dead: Annotated[str, _text("The level of a scale that means dead", "6")] = ""
    at_h: Annotated[
        float | None,
        Setting(
            "Hours since time zero at which it is due; nothing measured later explains it",
            OF_THE_STUDY,
            4380.0,
            at_least=0,
            at_most=1000000,
        ),
    ] = None
    deaths_before_h: Annotated[
        float | None,
        Setting(
            "Who died before this hour must have the level that means dead, and who has "
            "another was alive at it",
            OF_THE_STUDY,
            3600.0,
            at_least=0,
            at_most=1000000,
        ),
    ] = None
    scales: Annotated[
        Mapping[str, Mapping[str, str]] | None,
        Setting(
            "Ways in which tables code the scale, by name: their value, and ours",
            OF_THE_STUDY,
            {"reversed": {"0": "6", "6": "0"}},
        ),
    ] = None
    coding: Annotated[
        str, _text("How your table codes the scale: a name of scales", "reversed")
    ] = ""
    of: Annotated[
        str,
        _text("The outcome that it is derived from, by one of the next settings", "mrs_3m"),
    ] = ""
    favourable_from: Annotated[
        str,
        _text("Worst level that is favourable; the flag is true for all that are worse", "2"),
    ] = ""
    merge: Annotated[
        Mapping[str, str] | None,
        Setting("Levels that become another level", OF_THE_STUDY, {"2": "3"}),
    ] = None
    equals: Annotated[str, _text("The level for which the flag is true", "6")] = ""
    sliding_by: Annotated[
        str,
        _text(
            "Covariate that sorts patients into bands of prognosis, a higher value being "
            "worse; the flag is true below the cut of the band",
            "impact_core_unfavourable",
        ),
    ] = ""
    n_bands: Annotated[
        int | None,
        Setting(
            "Bands of equal size, with sliding_by",
            "usually 3: Murray 2005 (from memory, high)",
            3,
            at_least=2,
            at_most=10,
        ),
    ] = None
    is_death: Annotated[
        bool,
        Setting(
            "Whether the flag means death, which has a time. Left out: false",
            OF_THE_STUDY,
            True,
        ),
    ] = False
    death_by_h: Annotated[
        float | None,
        Setting(
            "The flag is death at or before this hour since time zero",
            "30 days: common practice, no source",
            720.0,
            above=0,
            at_most=1000000,
        ),
    ] = None
    events: Annotated[
        Mapping[str, str] | None,
        Setting(
            "Events of which the first counts, each with the time at which it happened; the "
            "others compete with it",
            OF_THE_STUDY,
            {"death": "death_h", "discharge": "left_unit_h"},
        ),
    ] = None


@dataclass(frozen=True, kw_only=True)
class Repeated(Described):
    """A variable with several values of a patient, such as the intensity of a therapy."""

    kind: Annotated[
        Literal["number", "count", "ordered", "flag"],
        Setting(
            "What its values are; levels of an ordered scale are whole numbers",
            OF_THE_STUDY,
            "count",
        ),
    ]
    codings: Annotated[Mapping[str, str] | None, _CODINGS] = None
    summaries: Annotated[
        tuple[Literal["mean", "max", "last", "share"], ...],
        Setting(
            "What the analysis table has of it in each window: its mean over time, its "
            "highest value, its last one, the share of time from share_from on",
            OF_THE_STUDY,
            ["mean", "share"],
            each="A summary; its column is <name>_<summary>",
        ),
    ] = ()
    share_from: Annotated[
        float | None,
        _number("The value from which on time counts for the summary share", 11.0),
    ] = None


def is_recorded(entry: Mapping[str, Any]) -> bool:
    """Return whether a variable stands in the study's table; else it is derived."""
    return not any(entry.get(name) for name in ("score", "of", "death_by_h", "events"))


def column_of(entry: Mapping[str, Any], *, role: Literal["covariate", "outcome"]) -> Column:
    """Return the column of an entry.

    Parameters
    ----------
    entry : mapping
        As checked: what `Covariate` or `Outcome` has, without what is not stated.
    role : str
        Which of the two it is.

    Returns
    -------
    Column
        An ordered scale of whole numbers is a whole number, any other a text.
    """
    kind, levels = entry["kind"], tuple(str(level) for level in entry.get("levels", ()))
    is_scored = kind == "ordered" and all(map(_is_whole, levels))
    kinds: dict[str, Kind] = {"ordered": "score" if is_scored else "category"}
    numbers = [int(level) for level in levels] if is_scored else []
    unit = entry.get("unit", "{score}" if is_scored and role == "outcome" else "")
    return Column(
        COUNT if is_scored else _TYPES.get(kind, TEXT),
        unit,
        entry.get("about") or entry["label"],
        entry["label"],
        decimals=entry.get("decimals"),
        role=entry.get("role", role),
        known="afterwards" if role == "outcome" else _KNOWN[entry["known"]],
        in_full=entry.get("in_full", ""),
        kind=kinds.get(kind, kind),
        levels=() if kind == "flag" else levels,
        low=entry.get("min", min(numbers, default=None)),
        high=entry.get("max", max(numbers, default=None)),
        better=entry.get("better") or "",
        is_death=bool(entry.get("is_death")),
        known_h=entry.get("known_h"),
        known_window=entry.get("known_window", ""),
    )


def recorded(entries: Mapping[str, Mapping[str, Any]], *, role: Any) -> dict[str, Column]:
    """Return the columns of the entries that stand in the study's table, by name."""
    return {
        name: column_of(entry, role=role)
        for name, entry in entries.items()
        if is_recorded(entry)
    }


def derived(entries: Mapping[str, Mapping[str, Any]], *, role: Any) -> dict[str, Column]:
    """Return the columns of the entries that are derived, by name; an event has none here."""
    return {
        name: column_of(entry, role=role)
        for name, entry in entries.items()
        if not is_recorded(entry) and entry["kind"] != "event"
    }


def events(entries: Mapping[str, Mapping[str, Any]]) -> dict[str, Column]:
    """Return the two columns of each outcome that is the first of several events."""
    columns = {}
    for name, entry in entries.items():
        if entry["kind"] == "event":
            about = entry.get("about") or entry["label"]
            columns[f"{name}_h"] = Column(
                REAL,
                "h",
                f"{about}: from the landmark to the first event, or to the last moment known",
                role="outcome",
                kind="time",
            )
            columns[f"{name}_event"] = Column(
                TEXT,
                "",
                f"{about}: which event was first; null where none was known",
                entry["label"],
                role="outcome",
                in_full=entry.get("in_full", ""),
                kind="event",
                levels=tuple(entry["events"]),
            )
    return columns


def _is_whole(level: str) -> bool:
    return level.lstrip("-").isdigit()
