"""Cross checks: what contradicts itself between the study's tables and its recordings.

A contradiction is surely wrong. A suspicion has an innocent explanation too, so it is a note.
"""

import hashlib
import math
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from icpcohort import recordings
from icpcohort.recordings import Annotation, Description
from icpcohort.study.tables import Row, Rows

FIRST_BYTES = 1_000_000
ROUGHLY_S = 3_600.0  # times of death and of monitors are often noted to the hour; no source
OVERLAP_S = 1.0  # a start is often rounded to the second; no source
MAX_SPANS = 3  # of a patient's recordings in one line

Span = tuple[float, float]
BEFORE_ALL = ("injury", "onset")  # times zero before which nothing was monitored


class Opened(NamedTuple):
    """A row of recordings.csv, what the header of its file says, and what is marked in it."""

    row: Row
    about: Description
    annotations: Sequence[Annotation] = ()

    @property
    def start_s(self) -> float:
        """Start since time zero; only where the row says it."""
        return float(self.row.values["start_s"])

    @property
    def end_s(self) -> float:
        """End since time zero; only where the row says its start."""
        return self.start_s + self.about.duration_s


def named(row: Row) -> str:
    """Return where a row is, and what it is about: `recordings.csv row 3 (R2 of P1)`."""
    whose = [row.values.get(n) for n in ("recording_id", "monitor_id", "event", "patient_id")]
    names = " of ".join(text for text in whose if text)
    return f"{row.where} ({names})" if names else row.where


# --- surely wrong --------------------------------------------------------------------------


def contradictions(
    tables: Mapping[str, Rows], *, places: recordings.Places, time_zero: str | None
) -> list[str]:
    """List recordings outside their patient's life, and files that are there twice.

    Parameters
    ----------
    tables : as `study.read_rows` gives them; faulty cells are passed over
    time_zero : the setting; None where it is not known
        Nothing can be recorded before what it is monitored for. Admission and the
        start of monitoring can come later than the first reading: see `suspicions`.
    """
    rows = tables["recordings"].rows if "recordings" in tables else []
    problems = []
    if time_zero in BEFORE_ALL:
        problems += [
            f"{named(row)}, start_s: {row.values['start_s']:g} is before the {time_zero}, from "
            "which all times count; correct it, or study.time_zero in config.yaml"
            for row in _before_zero(rows)
        ]
    died = _by_patient(tables["patients"].rows, "death_h") if "patients" in tables else {}
    for row in rows:
        for patient in died.get(row.values.get("patient_id"), []):
            start_s, death_h = row.values.get("start_s"), patient.values["death_h"]
            if start_s is not None and start_s > 3600 * death_h:
                problems.append(
                    f"{named(row)}, start_s: {start_s:g} ({start_s / 3600:.1f} h) is after the "
                    f"death at {death_h:g} h ({patient.where}); correct one of them"
                )
    return problems + list(_copies(rows, places=places))


def _before_zero(rows: Sequence[Row]) -> list[Row]:
    return [row for row in rows if (row.values.get("start_s") or 0) < 0]


def _by_patient(rows: Sequence[Row], *filled: str) -> dict[str | None, list[Row]]:
    """Return the rows whose patient and whose other named cells are known, by patient."""
    of_patient: dict[str | None, list[Row]] = defaultdict(list)
    for row in rows:
        if all(row.values.get(name) is not None for name in ("patient_id", *filled)):
            of_patient[row.values["patient_id"]].append(row)
    return of_patient


def _copies(rows: Sequence[Row], *, places: recordings.Places) -> Iterator[str]:
    """Yield a line for each recording whose samples are, byte by byte, another recording's.

    Of a WFDB record the signal files count, since its header bears its name. Only files of
    the same sizes are opened, first at their beginning, and whole where that is the same.
    """
    groups: dict[Any, list[tuple[Row, list[Path]]]] = defaultdict(list)
    for row in rows:
        path, format = row.values.get("path"), row.values.get("format")
        if path and format:
            files = recordings.files_of(places.path_of(path), format=format, within=places)
            files = [file for file in files if file.suffix != ".hea"]
            sizes = tuple(sorted(file.stat().st_size for file in files))
            if sum(sizes):
                groups[sizes].append((row, files))
    for compare in (_beginnings, recordings.fingerprint):
        closer = defaultdict(list)
        for key, members in groups.items():
            if len({_places(files) for _, files in members}) > 1:
                for row, files in members:
                    closer[key, compare(files)].append((row, files))
        groups = closer
    for (first, files), *others in groups.values():
        for row, copy in others:
            if _places(copy) != _places(files):
                yield (
                    f"{named(row)}, path: '{row.values['path']}' has the same samples, byte by "
                    f"byte, as {named(first)}; put the right file there, or remove the row"
                )


def _places(files: Sequence[Path]) -> tuple[Path, ...]:
    return tuple(path.resolve() for path in files)


def _beginnings(files: Sequence[Path]) -> str:
    digest = hashlib.sha256()
    for path in files:
        with path.open("rb") as file:
            digest.update(file.read(FIRST_BYTES))
    return digest.hexdigest()


# --- suspicious ----------------------------------------------------------------------------


def suspicions(
    tables: Mapping[str, Rows], opened: Sequence[Opened], *, time_zero: str | None
) -> list[list[str]]:
    """List, by kind, what may be intended but should be looked at.

    Parameters
    ----------
    tables : as `study.read_rows` gives them; faulty cells are passed over
    opened : every recording whose header could be read
        A monitor or an event outside all recordings is named only of patients of whom every
        listed recording is here.
    time_zero : the setting; None where it is not known
    """
    rows = defaultdict(list, {name: table.rows for name, table in tables.items()})
    n_listed = Counter(row.values.get("patient_id") for row in rows["recordings"])
    known = _by_patient(rows["patients"])
    of_patient = {p: all_of for p, all_of in placed(opened).items() if p in known}
    whole = {p: all_of for p, all_of in of_patient.items() if len(all_of) == n_listed[p]}
    early = [] if time_zero in (*BEFORE_ALL, None) else _before_zero(rows["recordings"])
    return [
        [
            f"{named(row)}, start_s: {row.values['start_s']:g} is before time zero "
            f"({time_zero}); correct it, or leave it so"
            for row in early
        ],
        [
            f"{named(one.row)}: overlaps with {named(other.row)} for {shared_s / 3600:.1f} h; "
            "the finer one is used there, so leave it so if both are meant"
            for one, other, shared_s in overlaps(of_patient)
            if one.about.signals.keys() & other.about.signals.keys()
        ],
        list(_of_other_tiers(of_patient)),
        list(_after_death(of_patient, _by_patient(rows["patients"], "death_h"))),
        list(_after_the_unit(of_patient, _by_patient(rows["patients"], "left_unit_h"))),
        list(_without_monitor(of_patient, _by_patient(rows["monitors"]))),
        list(_outside(whole, _by_patient(rows["monitors"]), "insertion_h", "removal_h")),
        list(_outside(whole, _by_patient(rows["events"], "start_s"), "start_s", "end_s")),
        list(_without_recording(rows["patients"], n_listed)),
    ]


def placed(opened: Sequence[Opened]) -> dict[str | None, list[Opened]]:
    """Return the recordings whose patient and start are known, by patient."""
    of_patient: dict[str | None, list[Opened]] = defaultdict(list)
    for one in opened:
        if None not in (one.row.values.get("patient_id"), one.row.values.get("start_s")):
            of_patient[one.row.values["patient_id"]].append(one)
    return of_patient


def overlaps(
    of_patient: Mapping[str | None, Sequence[Opened]],
) -> list[tuple[Opened, Opened, float]]:
    """Return the pairs of one patient's recordings that overlap, and by how many seconds.

    A row that another one repeats makes no pair: it is named as a fault of the table.
    """
    pairs = []
    for all_of in of_patient.values():
        by_start = sorted(all_of, key=lambda one: one.start_s)
        for i, one in enumerate(by_start, start=1):
            for other in by_start[i:]:
                if other.start_s >= one.end_s:
                    break
                shared_s = min(one.end_s, other.end_s) - other.start_s
                repeated = _read_of(one) == _read_of(other)
                if shared_s > OVERLAP_S and not repeated:
                    pairs.append((one, other, shared_s))
    return pairs


def _read_of(one: Opened) -> set[tuple[str, str]]:
    """Return the channels that are read of a recording, each with its file."""
    return {(one.row.values["path"], s.channel) for s in one.about.signals.values()}


def _of_other_tiers(of_patient: Mapping[str | None, Sequence[Opened]]) -> Iterator[str]:
    for patient_id, all_of in of_patient.items():
        rows: dict[str, list[int]] = defaultdict(list)
        for one in all_of:
            rows[one.about.tier].append(one.row.number)
        if len(rows) > 1:
            each = ", ".join(f"{len(n)} {tier} from row {n[0]} on" for tier, n in rows.items())
            yield (
                f"{all_of[0].row.file}: the recordings of {patient_id} are of different tiers "
                f"({each}); look at the exports, or leave it so if both are meant"
            )


def _after_death(
    of_patient: Mapping[str | None, Sequence[Opened]], died: Mapping[str | None, list[Row]]
) -> Iterator[str]:
    for patient_id, all_of in of_patient.items():
        for patient in died.get(patient_id, []):
            death_s = 3600 * patient.values["death_h"]
            for one in all_of:
                if one.start_s <= death_s < one.end_s - ROUGHLY_S:
                    yield (
                        f"{named(one.row)}: goes on for {(one.end_s - death_s) / 3600:.1f} h "
                        f"after the death at {patient.values['death_h']:g} h "
                        f"({patient.where}); correct start_s or death_h, or leave it so"
                    )


def _after_the_unit(
    of_patient: Mapping[str | None, Sequence[Opened]], left: Mapping[str | None, list[Row]]
) -> Iterator[str]:
    """Yield a line for each recording that begins when the patient had left the unit."""
    for patient_id, all_of in of_patient.items():
        for patient in left.get(patient_id, []):
            left_s = 3600 * patient.values["left_unit_h"]
            for one in all_of:
                if one.start_s > left_s + ROUGHLY_S:
                    yield (
                        f"{named(one.row)}: begins {(one.start_s - left_s) / 3600:.1f} h after "
                        f"the patient left the unit at {patient.values['left_unit_h']:g} h "
                        f"({patient.where}); correct start_s or left_unit_h, or leave it so"
                    )


def _without_monitor(
    of_patient: Mapping[str | None, Sequence[Opened]],
    monitors: Mapping[str | None, list[Row]],
) -> Iterator[str]:
    """Yield a line for each recording that no monitor explains; nothing if none is logged."""
    for patient_id, all_of in of_patient.items() if monitors else ():
        in_place = [
            _span_s(row, "insertion_h", "removal_h") for row in monitors.get(patient_id, [])
        ]
        for one in all_of:
            if not in_place:
                yield (
                    f"{named(one.row)}: monitors.csv has no monitor of this patient; add it, "
                    "or leave it so"
                )
                continue
            bare = _uncovered((one.start_s, one.end_s), in_place)
            if sum(end - start for start, end in bare) > ROUGHLY_S:
                yield (
                    f"{named(one.row)}: no monitor is in place from {_hours(bare)} by "
                    "monitors.csv; correct insertion_h, removal_h or start_s, or leave it so"
                )


def _span_s(row: Row, start: str, end: str) -> Span:
    """Return when a monitor or an event begins and ends; an unknown end is infinite."""
    unit_s = 3600.0 if start.endswith("_h") else 1.0
    begin, finish = row.values.get(start), row.values.get(end)
    return (
        -math.inf if begin is None else unit_s * begin,
        math.inf if finish is None else unit_s * finish,
    )


def _uncovered(span: Span, by: Sequence[Span]) -> list[Span]:
    """Return the parts of a span that lie in none of the others."""
    parts, reached = [], span[0]
    for start, end in sorted(by):
        if reached < min(start, span[1]):
            parts.append((reached, min(start, span[1])))
        reached = max(reached, end)
    return parts + ([(reached, span[1])] if reached < span[1] else [])


def _hull(spans: Sequence[Span]) -> Span:
    return min(start for start, _ in spans), max(end for _, end in spans)


def _hours(spans: Sequence[Span]) -> str:
    """Return spans in words; a span without one of its bounds has only the other."""
    span_words = []
    for start, end in spans:
        if math.isinf(start):
            span_words.append(f"until {end / 3600:.1f} h")
        elif math.isinf(end):
            span_words.append(f"{start / 3600:.1f} h on")
        else:
            span_words.append(f"{start / 3600:.1f} to {end / 3600:.1f} h")
    return ", ".join(span_words)


def _outside(
    of_patient: Mapping[str | None, Sequence[Opened]],
    rows: Mapping[str | None, list[Row]],
    start: str,
    end: str,
) -> Iterator[str]:
    """Yield a line for each monitor or event that meets none of its patient's recordings."""
    for patient_id, all_of in of_patient.items():
        recorded = sorted((one.start_s, one.end_s) for one in all_of)
        around = recorded if len(recorded) <= MAX_SPANS else [_hull(recorded)]
        for row in rows.get(patient_id, []):
            span = _span_s(row, start, end)
            if not any(span[0] <= last and span[1] >= first for first, last in recorded):
                unit = "hours" if start.endswith("_h") else "seconds"
                yield (
                    f"{named(row)}: {_hours([span])} since time zero is outside every "
                    f"recording of this patient ({_hours(around)}); look at {start} and "
                    f"{end} (in {unit}), or leave it so"
                )


def _without_recording(patients: Sequence[Row], n_listed: Mapping[Any, int]) -> Iterator[str]:
    """Yield a line for each patient without a row; nothing if any row's patient is unknown."""
    if n_listed and None not in n_listed:
        for row in patients:
            if (patient_id := row.values.get("patient_id")) and patient_id not in n_listed:
                yield (
                    f"{named(row)}: recordings.csv has no row of this patient; add one, or "
                    "leave it so: the patient leaves the study with this reason"
                )
