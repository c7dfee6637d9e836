"""Ingest: all recordings of one patient to trends, with an account of what was not used."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts, recordings
from icpcohort.contracts import declared_signals, store
from icpcohort.recordings import examine
from icpcohort.signals import (
    differences,
    intervals,
    masking,
    overlaps,
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
    declared: Mapping[str, Any]  # `signals` and `derived_signals`


def sections_of(settings: Mapping[str, Any]) -> Sections:
    """Return the sections from the settings, by their names, with the declared signals."""
    return Sections(
        examine.Settings(**settings["recordings"]),
        rules.from_blocks(settings["cleaning"]["rules"]),
        trend_settings.Settings(**settings["trends"]),
        transducer_level.Settings(**settings["levels"]),
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
    reading, trend, declared = sections.recordings, sections.trends, sections.declared
    signals = declared_signals.recorded(declared)
    to_read, set_aside = _parted(rows, left_out)
    opened, refused = _open(to_read, places=places, signals=signals, opening=reading)
    noted = intervals.collect(
        events=events,
        monitors=monitors,
        recorded=[
            intervals.Recorded(one.row["start_s"], one.end_s, one.listed.annotations)
            for one in opened
        ],
        annotation_meanings=reading.annotation_meanings,
    )
    used: list[tuple[_Opened, overlaps.Part]] = []
    described = []
    for one in opened:
        try:
            with recordings.unchanged(one.listed.before):
                summary = trends.summarise(
                    recordings.read_chunks(
                        places.path_of(one.row["path"]),
                        one.about,
                        timing=examine.timing(one.row, reading),
                        whose=examine.whose(one.row, reading),
                        chunk_s=reading.chunk_samples / one.about.first.fs_hz,
                    ),
                    start_s=one.row["start_s"],
                    duration_s=one.about.duration_s,
                    rules=sections.rules,
                    events=noted.to_dicts(),
                    settings=trend,
                    declared=declared,
                )
                about = _usable(one, places=places, meanings=reading.annotation_meanings)
        except recordings.RecordingError as error:
            refused.append(_Refused(one.row, error))
        else:
            used.append((one, overlaps.Part(summary, one.row["start_s"], one.end_s)))
            described.append(about | {"own_scale": ", ".join(summary.own_scale) or None})
    unusable = [_unusable(no.row, places=places, reason=no.error.reason) for no in refused]
    unusable += [_not_used(row, reason=LEFT_OUT) for row, _ in set_aside]
    joined = overlaps.combine(
        [part for _, part in used], block_s=trend.block_s, declared=declared
    )
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
    ]
    if not used:
        excluded.append(
            _patient_without_data(patient_id, n_listed=len(rows), why=left_out.get(""))
        )
    spans = [store.empty(contracts.ARTEFACTS), *(part.summary.artefacts for _, part in used)]
    findings = [part.summary.findings for _, part in used]
    return Ingested(
        _table([*described, *unusable], contracts.recordings(declared)),
        _table(excluded, contracts.EXCLUDED),
        intervals.with_out_of_step(
            intervals.with_findings(noted, pl.concat([spans[0], *findings])),
            [lag for _, part in used for lag in part.summary.lags],
            max_lag_s=trend.max_lag_s,
        ),
        _levelled(joined.trends, level=level, events=events, sections=sections),
        masking.merge_spans(pl.concat(spans)),
        _pulse_findings(joined.trends, patient_id, sections=sections),
        _table(
            [row for one, part in used for row in _lags(one.row, part.summary)], contracts.LAGS
        ),
        quality.account(
            patient_id,
            joined,
            [(row, part.summary) for row, (_, part) in zip(described, used, strict=True)],
        ),
    )


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


def _lags(row: Row, summary: trends.Summary) -> list[dict[str, Any]]:
    """Return the rows of contracts.LAGS of one recording."""
    return [
        {
            "patient_id": row["patient_id"],
            "recording_id": row["recording_id"],
            "t_s": lag.t_s,
            "lag_s": lag.lag_s,
            "correlation": lag.correlation,
            "correlation_elsewhere": lag.elsewhere,
            "is_clear": lag.is_clear,
        }
        for lag in summary.lags
    ]


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
