"""Ingest: all recordings of one patient to trends, with an account of what was not used."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts, recordings
from icpcohort.contracts import declared_signals, store
from icpcohort.recordings import examine
from icpcohort.signals import (
    cells,
    compared_files,
    differences,
    intervals,
    masking,
    overlaps,
    patient_lags,
    plausibility,
    plausibility_settings,
    pulse_blocks,
    quality,
    rules,
    transducer_level,
    trend_settings,
    trends,
)
from icpcohort.signals.rules import Rule

Row = Mapping[str, Any]
LEFT_OUT = "left_out"  # by the group; the detail has its words


class Sections(NamedTuple):
    """The sections of the settings by which recordings are read, masked and averaged."""

    recordings: examine.Settings
    rules: Sequence[Rule]
    trends: trend_settings.Settings
    levels: transducer_level.Settings
    plausibility: plausibility_settings.Settings
    declared: Mapping[str, Any]  # `signals` and `derived_signals`


def sections_of(settings: Mapping[str, Any]) -> Sections:
    """Return the sections from the settings, by their names, with the declared signals."""
    return Sections(
        examine.Settings(**settings["recordings"]),
        rules.from_blocks(settings["cleaning"]["rules"]),
        trend_settings.Settings(**settings["trends"]),
        transducer_level.Settings(**settings["levels"]),
        plausibility_settings.Settings(**settings["plausibility"]),
        {name: settings[name] for name in ("signals", "derived_signals")},
    )


class Ingested(NamedTuple):
    """One patient's tables, each under the contract of its name."""

    recordings: pl.DataFrame
    excluded: pl.DataFrame
    intervals: pl.DataFrame
    trends: pl.DataFrame
    artefacts: pl.DataFrame
    pulse_findings: pl.DataFrame
    lags: pl.DataFrame
    suspects: pl.DataFrame
    accounts: quality.Quality


class _Opened(NamedTuple):
    """A recording that can be read."""

    row: Row
    listed: examine.Listed

    @property
    def about(self) -> recordings.Description:
        return self.listed.about

    @property
    def end_s(self) -> float:
        return float(self.row["start_s"]) + self.about.duration_s

    @property
    def span(self) -> compared_files.Span:
        return compared_files.Span(self.about, self.row["start_s"], self.end_s)


class _Refused(NamedTuple):
    row: Row
    error: recordings.RecordingError


def ingest_patient(
    patient_id: str,
    *,
    places: recordings.Places,
    rows: Sequence[Row],
    events: Sequence[Row],
    monitors: Sequence[Row],
    level: Row,
    left_out: Mapping[str, str],
    sections: Sections,
) -> Ingested:
    """Read every recording of one patient once.

    A recording that cannot be used is a row of `excluded` with its reason; the others are
    not affected. Where recordings overlap, `overlaps.combine` says which is used.

    Parameters
    ----------
    places : Places
        From which the paths of recordings count.
    rows : rows of contracts.recording_list of this patient
    events, monitors : rows of contracts.EVENTS and contracts.MONITORS of this patient
    level : abp_level, bed_angle_deg, heart_to_tragus_cm of this patient
    left_out : the group's reasons, as `study.left_out.of_patient` returns them
        Such a recording is not read; it is excluded with this reason.
    sections : Sections
    """
    trend, declared = sections.trends, sections.declared
    signals = declared_signals.recorded(declared)
    to_read, set_aside = _parted(rows, left_out)
    opened, refused = _open(
        to_read, places=places, signals=signals, opening=sections.recordings
    )
    noted = intervals.collect(
        events=events,
        monitors=monitors,
        recorded=[
            intervals.Recorded(one.row["start_s"], one.end_s, one.listed.annotations)
            for one in opened
        ],
        annotation_meanings=sections.recordings.annotation_meanings,
    )
    reader = _Reader(places, noted.to_dicts(), sections)
    used: list[tuple[_Opened, overlaps.Part]] = []
    described = []
    compared = compared_files.compared([one.span for one in opened])
    for one, with_others in zip(opened, compared, strict=True):
        try:
            part, about = reader.read(one, compared=with_others)
        except recordings.RecordingError as error:
            refused.append(_Refused(one.row, error))
        else:
            used.append((one, part))
            described.append(about)
    lags = patient_lags.measured([part for _, part in used])
    used = reader.read_again(used, lags)
    parts = [part for _, part in used]
    unusable = [_unusable(no.row, places=places, reason=no.error.reason) for no in refused]
    unusable += [_not_used(row, reason=LEFT_OUT) for row, _ in set_aside]
    joined = overlaps.combine(parts, block_s=trend.block_s, declared=declared)
    excluded = [
        *(_exclusion(row, "recordings", LEFT_OUT, why) for row, why in set_aside),
        *(_exclusion(no.row, "recordings", no.error.reason, no.error.detail) for no in refused),
        *(
            _exclusion(
                used[i][0].row,
                "trends",
                f"overlap_{signal}",
                _overlap_words(n, signal, block_s=trend.block_s),
            )
            for i, signal, n in joined.unused.iter_rows()
        ),
        *(
            _apart(patient_id, name, declared=declared)
            for name in patient_lags.never_together(parts, declared=declared)
        ),
    ]
    if not used:
        excluded.append(
            _patient_without_data(patient_id, n_listed=len(rows), why=left_out.get(""))
        )
    spans = [store.empty(contracts.ARTEFACTS), *(part.summary.artefacts for _, part in used)]
    levelled = _levelled(joined.trends, level=level, events=events, sections=sections)
    findings = [part.summary.findings for _, part in used]
    return Ingested(
        _table([*described, *unusable], contracts.recordings(declared)),
        _table(excluded, contracts.EXCLUDED),
        intervals.with_out_of_step(
            intervals.with_findings(noted, pl.concat([spans[0], *findings])),
            patient_lags.left(lags, parts, joined),
            max_lag_s=trend.max_lag_s,
        ),
        levelled,
        masking.merge_spans(pl.concat(spans)),
        _pulse_findings(joined.trends, patient_id, sections=sections),
        _table(patient_lags.rows(lags, parts, described), contracts.LAGS),
        plausibility.judge(
            patient_id,
            _raw([(one.row, part.summary) for one, part in used]),
            trends=levelled,
            block_s=trend.block_s,
            events=events,
            monitors=monitors,
            settings=sections.plausibility,
            declared=declared,
        ),
        quality.account(
            patient_id,
            joined,
            [(row, part.summary) for row, part in zip(described, parts, strict=True)],
        ),
    )


class _Reader(NamedTuple):
    """Reads recordings of one patient, and those again whose clock is put right."""

    places: recordings.Places
    events: Sequence[Row]
    sections: Sections

    def read(
        self,
        one: _Opened,
        *,
        compared: compared_files.Compared = trends.NOT_COMPARED,
        shifts_s: Mapping[str, float] = cells.IN_STEP,
    ) -> tuple[overlaps.Part, dict[str, Any]]:
        """Return a recording in blocks, and its row of contracts.recordings."""
        reading = self.sections.recordings
        start_s, duration_s = one.row["start_s"], one.about.duration_s
        with recordings.unchanged(one.listed.before):
            summary = trends.summarise(
                recordings.read_chunks(
                    self.places.path_of(one.row["path"]),
                    one.about,
                    timing=examine.timing(one.row, reading),
                    whose=examine.whose(one.row, reading),
                    chunk_s=reading.chunk_samples / one.about.fastest_hz,
                ),
                start_s=start_s,
                duration_s=duration_s,
                rules=self.sections.rules,
                events=self.events,
                settings=self.sections.trends,
                declared=self.sections.declared,
                compared=compared,
                shifts_s=shifts_s,
            )
            about = _usable(one, places=self.places, meanings=reading.annotation_meanings)
        return overlaps.Part(summary, start_s, one.end_s), about

    def read_again(
        self,
        used: Sequence[tuple[_Opened, overlaps.Part]],
        lags: Sequence[compared_files.Measured],
    ) -> list[tuple[_Opened, overlaps.Part]]:
        """Return the recordings, those with a constant lag as its correction gives them."""
        trend, again = self.sections.trends, list(used)
        if trend.correct_lag == "measured" and trend.max_lag_s is not None:
            parts = [part for _, part in used]
            moved = patient_lags.corrections(lags, parts, max_lag_s=trend.max_lag_s)
            for number, shifts_s in moved.items():
                one = used[number][0]
                again[number] = (one, self.read(one, shifts_s=shifts_s)[0])
        return again


def _levelled(
    recorded: pl.DataFrame, *, level: Row, events: Sequence[Row], sections: Sections
) -> pl.DataFrame:
    """Return contracts.trends: ABP brought to its level, where declared, and differences."""
    declared, levelled = sections.declared, recorded
    if declared_signals.ABP in declared_signals.recorded(declared):
        levelled = transducer_level.apply(
            recorded, patient=level, events=events, settings=sections.levels
        )
    return differences.add(levelled, declared=declared)


def _pulse_findings(
    recorded: pl.DataFrame, patient_id: str, *, sections: Sections
) -> pl.DataFrame:
    if declared_signals.ICP not in declared_signals.recorded(sections.declared):
        return store.empty(contracts.PULSE_FINDINGS)
    return pulse_blocks.findings(
        recorded,
        patient_id=patient_id,
        block_s=sections.trends.block_s,
        tolerance_hz=sections.trends.pulse_tolerance_hz,
    )


def _raw(recorded: Sequence[tuple[Row, trends.Summary]]) -> pl.DataFrame:
    """Return the minutes before masking of every recording used."""
    parts = [
        summary.raw.with_columns(recording_id=pl.lit(row["recording_id"]))
        for row, summary in recorded
    ]
    return pl.concat(parts) if parts else pl.DataFrame(schema=plausibility.RAW)


def _parted(
    rows: Sequence[Row], left_out: Mapping[str, str]
) -> tuple[list[Row], list[tuple[Row, str]]]:
    """Return the recordings to read, and those that the group leaves out with its reason."""
    to_read, set_aside = [], []
    for row in rows:
        why = left_out.get(row["recording_id"], left_out.get(""))
        if why is None:
            to_read.append(row)
        else:
            set_aside.append((row, why))
    return to_read, set_aside


def _open(
    rows: Sequence[Row],
    *,
    places: recordings.Places,
    signals: Mapping[str, Mapping[str, Any]],
    opening: examine.Opening,
) -> tuple[list[_Opened], list[_Refused]]:
    """Examine each listed recording, its annotations included, before any sample is read.

    An annotation may stand later in its file than the samples that it speaks of.
    """
    opened, refused = [], []
    for row in rows:
        try:
            listed = examine.examine(row, places=places, signals=signals, opening=opening)
            opened.append(_Opened(row, listed))
        except recordings.RecordingError as error:
            refused.append(_Refused(row, error))
    return opened, refused


def _usable(
    one: _Opened, *, places: recordings.Places, meanings: Sequence[examine.Meaning]
) -> dict[str, Any]:
    row, about = one.row, one.about
    files = recordings.files_of(
        places.path_of(row["path"]), format=row["format"], within=places
    )
    has_times = about.format in ("csv", "parquet")
    return {
        "recording_id": row["recording_id"],
        "patient_id": row["patient_id"],
        "path": row["path"],
        "format": about.format,
        "tier": about.tier,
        "start_s": row["start_s"],
        "end_s": one.end_s,
        **_of_signals(about),
        "n_annotations": len(one.listed.annotations),
        "n_annotations_used": intervals.count_meant(
            one.listed.annotations, annotation_meanings=meanings
        ),
        "n_duplicate_times": about.n_duplicate_times if has_times else None,
        "n_unordered_times": about.n_unordered_times if has_times else None,
        "sha256": recordings.fingerprint(files),
        "status": "used",
        "reason": None,
    }


def _of_signals(about: recordings.Description) -> dict[str, Any]:
    """Return rate, channel and unit of each signal that a recording has."""
    return {
        name: value
        for signal, source in about.signals.items()
        for name, value in (
            (f"fs_{signal}_hz", source.fs_hz),
            (f"{signal}_channel", source.channel),
            (f"{signal}_unit", source.unit),
        )
    }


def _unusable(row: Row, *, places: recordings.Places, reason: str) -> dict[str, Any]:
    files = recordings.files_of(
        places.path_of(row["path"]), format=row["format"], within=places
    )
    sha256 = recordings.fingerprint(files) if files else None
    return _not_used(row, reason=reason) | {"sha256": sha256}


def _not_used(row: Row, *, reason: str) -> dict[str, Any]:
    known = {name: row[name] for name in ("recording_id", "patient_id", "path", "format")}
    return known | {"start_s": row["start_s"], "status": "excluded", "reason": reason}


def _exclusion(row: Row, stage: str, reason: str, detail: str) -> dict[str, Any]:
    return {
        "stage": stage,
        "patient_id": row["patient_id"],
        "recording_id": row["recording_id"],
        "reason": reason,
        "detail": detail,
    }


def _overlap_words(n_blocks: int, signal: str, *, block_s: float) -> str:
    what = f"{n_blocks} blocks of {block_s:g} s of {signal.upper()}"
    return f"{what} are taken from another recording"


def _apart(patient_id: str, name: str, *, declared: Mapping[str, Any]) -> dict[str, Any]:
    """Return the row of a difference whose two signals were never recorded at one time."""
    of = declared_signals.derived(declared)[name]
    signals = f"{of['subtrahend'].upper()} and {of['minuend'].upper()}"
    return {
        "stage": "trends",
        "patient_id": patient_id,
        "recording_id": "",
        "reason": f"no_time_with_{name}",
        "detail": f"{signals} were recorded, but never at one time, so there is no "
        f"{name.upper()}; compare start_s, clock_zone and the dates of their files",
    }


def _patient_without_data(patient_id: str, *, n_listed: int, why: str | None) -> dict[str, Any]:
    listed_rows = {
        "reason": "no_usable_recording",
        "detail": f"none of {n_listed} listed can be used: see their own rows",
    }
    unlisted = {
        "reason": "no_recording_listed",
        "detail": "recordings.csv has no row of this patient; add one, or leave it so",
    }
    where = {"stage": "patient", "patient_id": patient_id, "recording_id": ""}
    if why is not None:
        return where | {"reason": LEFT_OUT, "detail": why}
    return where | (listed_rows if n_listed else unlisted)


def _table(rows: list[dict[str, Any]], table: contracts.Table) -> pl.DataFrame:
    schema = {name: column.dtype for name, column in table.columns.items()}
    return pl.DataFrame(
        [{name: row.get(name) for name in schema} for row in rows], schema=schema
    )
