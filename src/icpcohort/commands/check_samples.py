"""Check samples: what the first minutes of each recording say against it as a whole."""

import contextlib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields
from itertools import takewhile
from typing import Any

import polars as pl

from icpcohort import recordings
from icpcohort.commands.check_tables import Opened, named, placed
from icpcohort.recordings import examine
from icpcohort.signals import plausibility, plausibility_settings, raw_minutes
from icpcohort.study import settings
from icpcohort.study.schema import at
from icpcohort.study.tables import Row, Rows

SAMPLE_S = 600.0  # of each recording, from its beginning
MIN_NUMBERS = 60  # of slower numbers so many
_NEEDED = ("signals", "derived_signals", "recordings")
OPTIONAL = settings.PLAUSIBILITY
_OF_MONITORS = ("monitor_id", "insertion_h", "removal_h", "drift_at_removal_mmhg")
_OF_EVENTS = ("event", "start_s", "end_s")


def suspicions(
    tables: Mapping[str, Rows],
    opened: Sequence[Opened],
    files: settings.Files,
    *,
    where: recordings.Places,
) -> list[list[str]]:
    """Return a line for each suspicion that a sample of the recordings shows, by its kind.

    The run judges all of each recording; here its first minutes stand for the whole, and steps
    between recordings are not seen.

    Parameters
    ----------
    tables : as `study.read_rows` gives them; faulty cells are passed over
    opened : every recording whose header could be read
    files : what stands in the settings; nothing is read where what is needed is not right
    where : Places
        From which the paths of recordings count.
    """
    stated = {name: at(files.settings, name) or {} for name in (*_NEEDED, OPTIONAL)}
    wrong = [name for name in stated if stated[name] and not settings.is_sound(files, name)]
    if not opened or wrong:
        return []
    limits = plausibility_settings.Settings(**stated[OPTIONAL])
    of_tables = {
        name: _by_patient(tables[name].rows if name in tables else (), columns)
        for name, columns in (("monitors", _OF_MONITORS), ("events", _OF_EVENTS))
    }
    lines: dict[str, list[str]] = defaultdict(list)
    for patient_id, all_of in placed(opened).items():
        raw = [
            _sample(one, stated, where=where).with_columns(
                recording_id=pl.lit(_name(one), dtype=pl.String)
            )
            for one in all_of
            if one.about.duration_s >= 3600 * limits.min_h
        ]
        judged = plausibility.judge(
            str(patient_id),
            pl.concat([pl.DataFrame(schema=plausibility.RAW), *raw]),
            trends=None,
            block_s=0.0,
            events=of_tables["events"].get(patient_id, []),
            monitors=of_tables["monitors"].get(patient_id, []),
            settings=limits,
            declared=stated,
        )
        for kind, line in _in_words(judged, all_of, str(patient_id)):
            lines[kind].append(line)
    return list(lines.values())


def _name(one: Opened) -> str:
    """Return the recording's identifier, or its row where that is not right."""
    return one.row.values.get("recording_id") or one.row.where


def _by_patient(
    rows: Iterable[Row], columns: Sequence[str]
) -> dict[str | None, list[dict[str, Any]]]:
    of_patient: dict[str | None, list[dict[str, Any]]] = defaultdict(list)
    for row in rows:
        cells = {name: row.values.get(name) for name in columns}
        if "start_s" not in cells or cells["start_s"] is not None:
            of_patient[row.values.get("patient_id")].append(cells)
    return of_patient


def _sample(
    one: Opened, stated: Mapping[str, Any], *, where: recordings.Places
) -> pl.DataFrame:
    """Return the minutes of a sample, placed and weighted as if they were the whole."""
    row, about = one.row.values, one.about
    known = {field.name for field in fields(examine.Opening)}
    opening = examine.Opening(
        **{name: v for name, v in stated["recordings"].items() if name in known}
    )
    slowest_hz = min(source.fs_hz for source in about.signals.values())
    sample_s = max(SAMPLE_S, MIN_NUMBERS / slowest_hz)
    chunks = recordings.read_chunks(
        where.path_of(row["path"]),
        about,
        timing=examine.timing(row, opening),
        whose=examine.whose(row, opening),
        chunk_s=sample_s / 10,
    )
    raw = pl.DataFrame(schema=raw_minutes.SCHEMA)
    # what cannot be read further on is named by the run, which leaves it out
    with contextlib.suppress(recordings.RecordingError):
        first = takewhile(lambda chunk: chunk.start_s < sample_s, chunks)
        raw = raw_minutes.of_chunks(first, start_s=one.start_s)
    read_s = min(sample_s, about.duration_s)
    stretched = about.duration_s / read_s
    return raw.with_columns(
        t_s=one.start_s + (pl.col("t_s") - one.start_s) * stretched,
        width_s=pl.col("width_s") * stretched,
    )


def _in_words(
    judged: pl.DataFrame, all_of: Sequence[Opened], patient_id: str
) -> Iterator[tuple[str, str]]:
    row_of = {_name(one): named(one.row) for one in all_of}
    for row in judged.iter_rows(named=True):
        place = row_of.get(row["recording_id"], patient_id)
        yield row["kind"], f"{place}: {row['seen']}; look at {row['look_at']}"
