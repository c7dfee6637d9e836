"""Examine: what the file of one row of recordings.csv is, under the study's settings."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, NamedTuple, TypedDict

from icpcohort import recordings
from icpcohort.contracts import EVENT_KINDS
from icpcohort.contracts.setting import COMMON_PRACTICE, OF_THE_STUDY, Setting
from icpcohort.recordings.time_columns import DayOrder

OF_TIMES = ("time_column", "clock_zone")


def columns(signals: Iterable[str]) -> list[str]:
    """Return the columns of a row that `examine` reads, for signals of these names."""
    of_signals = [f"{name}_{what}" for name in signals for what in ("channel", "unit")]
    return ["path", "format", *of_signals, *OF_TIMES]


@dataclass(frozen=True, kw_only=True)
class Opening:
    """What is asked of a recording before any sample is read."""

    time_columns: Annotated[
        Sequence[str],
        Setting(
            "Names of the column of CSV and Parquet recordings with the times: seconds since "
            "the recording's start, elapsed time or clock times. The first that a file has "
            "counts; case, accents and the amount of white space do not",
            OF_THE_STUDY,
            ["t_s"],
            each="A column's name, or those of the date and of the time of day with ' + ' "
            "between them",
            least_items=1,
        ),
    ]
    patient_column: Annotated[
        str,
        Setting(
            "Column of CSV and Parquet recordings with the patient's identifier, where a file "
            "has rows of several: a recording is then its patient's rows, and the file may "
            "be listed for each of them. Left out: a file is of one patient",
            OF_THE_STUDY,
            "patient_id",
        ),
    ] = ""
    clock_zone: Annotated[
        str | None,
        Setting(
            "Zone of local clock times in CSV and Parquet, where column clock_zone of the list "
            "of recordings is empty: an IANA name, an offset from UTC, or none, where only "
            "differences count. Left out: every such recording states its own",
            OF_THE_STUDY,
            "Europe/Vienna",
        ),
    ] = None
    day_order: Annotated[
        DayOrder | None,
        Setting(
            "What comes first in dates with slashes or dashes that end in the year, where no "
            "row of a file shows it by a number above 12. Left out: such a file is refused",
            OF_THE_STUDY,
            "day_first",
        ),
    ] = None
    annotation_extensions: Annotated[
        Sequence[str],
        Setting(
            "Extensions of annotation files beside WFDB records; EDF+ and BDF+ carry their own",
            "wfdb annot(5), names of annotators: choice of the study",
            ["noted"],
            each="An extension, without its point",
            pattern="^[A-Za-z0-9_]{1,20}$",
        ),
    ]


class Meaning(TypedDict):
    """One text and the event that it means."""

    text: Annotated[
        str,
        Setting(
            "The annotation's whole text; case and the amount of white space do not count",
            OF_THE_STUDY,
            "drain open",
        ),
    ]
    event: Annotated[
        str,
        Setting(
            "Kind of event, as in events.csv", OF_THE_STUDY, "drain_open", one_of=EVENT_KINDS
        ),
    ]


@dataclass(frozen=True, kw_only=True)
class Settings(Opening):
    """How recordings are read."""

    annotation_meanings: Annotated[
        Sequence[Meaning],
        Setting(
            "What annotations within recordings mean; an annotation whose text is not listed "
            "here is ignored",
            OF_THE_STUDY,
            [{"text": "drain open", "event": "drain_open"}],
        ),
    ]
    chunk_samples: Annotated[
        int,
        Setting(
            "How many samples of a signal are in memory at once; changes no result",
            COMMON_PRACTICE,
            60000,
            at_least=100,
            at_most=10000000,
        ),
    ]
    roots: Annotated[
        Mapping[str, str] | None,
        Setting(
            "Folder of recordings outside the study folder, by name: absolute on this machine, "
            "or relative to the folder that holds config/. A path of the table of recordings "
            "that begins with the name lies there; moving the folder reruns nothing. Left out: "
            "all recordings lie in the study folder",
            OF_THE_STUDY,
            {"archive": "/data/monitor_archive"},
        ),
    ] = None
    patterns: Annotated[
        Sequence[str],
        Setting(
            "Paths of recordings that `icpcohort list` writes into their table: {patient} is a "
            "patient of the study, any other name in braces a text without a slash. Read by "
            "that command alone. Left out: the table is written by hand",
            OF_THE_STUDY,
            ["archive/{patient}/{date}.csv"],
            each="A path from the study folder, or from a root",
            pattern=r"^(?![/~]|[A-Za-z]:)(?!(.*/)?\.\.(/|$))[^\\{}]*(\{[a-z_]+\}[^\\{}]*)*$",
            pattern_in_words="a path without .. and not absolute, with names in braces",
        ),
    ] = ()


def whose(row: Mapping[str, Any], opening: Opening) -> recordings.Whose | None:
    """Return whose rows of a file are the recording, where a file may be of several."""
    if not opening.patient_column:
        return None
    return recordings.Whose(opening.patient_column, row.get("patient_id") or "")


class Listed(NamedTuple):
    """A recording that can be read, and the state of its files when they were examined."""

    about: recordings.Description
    annotations: list[recordings.Annotation]
    before: dict[Path, recordings.State]


def timing(row: Mapping[str, Any], opening: Opening) -> recordings.Timing:
    """Return what a row of contracts.recording_list and the settings say of the times."""
    return recordings.Timing(
        opening.time_columns,
        row["time_column"],
        row["clock_zone"] or opening.clock_zone,
        opening.day_order,
    )


def examine(
    row: Mapping[str, Any],
    *,
    places: recordings.Places,
    signals: Mapping[str, Mapping[str, Any]],
    opening: Opening,
) -> Listed:
    """Describe a listed recording and read its annotations; the check and the run both do.

    Parameters
    ----------
    row : row of contracts.recording_list
        Read are `columns`, and `patient_id` where a file may be of several patients.
    places : Places
        From which paths count, and which no file may leave.
    signals : the section `signals`, of which `unit`, `names` and `if_several` are read
    opening : Opening

    Raises
    ------
    RecordingError
        As `recordings.guard`, `unchanged`, `describe` and `read_annotations`.
    """
    path, format = places.path_of(row["path"]), row["format"]
    before = recordings.guard(
        path, format=format, within=places, wfdb_extensions=opening.annotation_extensions
    )
    with recordings.unchanged(before):
        about = recordings.describe(
            path,
            format=format,
            wanted=[
                recordings.Wanted(
                    name,
                    row[f"{name}_channel"],
                    row[f"{name}_unit"],
                    aliases=signal["names"],
                    to_unit=signal["unit"],
                    takes_first=signal.get("if_several") == "first_named",
                )
                for name, signal in signals.items()
            ],
            timing=timing(row, opening),
            whose=whose(row, opening),
        )
        notes = recordings.read_annotations(
            path, format=format, wfdb_extensions=opening.annotation_extensions
        )
    return Listed(about, notes, before)
