"""Ingest: all recordings of one patient to trends, with an account of what was not used."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts, overlaps, recordings, store, trends


class Ingested(NamedTuple):
    """One patient's tables, each under the contract of its name."""

    recordings: pl.DataFrame
    excluded: pl.DataFrame
    trends: pl.DataFrame
    artefacts: pl.DataFrame
    quality: pl.DataFrame


def ingest_patient(
    patient_id: str,
    *,
    folder: Path,
    rows: Sequence[Mapping[str, Any]],
    events: Sequence[Mapping[str, Any]],
    icp_channels: Sequence[str],
    abp_channels: Sequence[str],
    time_column: str,
    chunk_samples: int,
    summarise: Mapping[str, Any],
) -> Ingested:
    """Read every recording of one patient once.

    A recording that cannot be used is a row of `excluded` with its reason; the others are
    not affected. Where recordings overlap, `overlaps.combine` says which is used.

    Parameters
    ----------
    rows : rows of contracts.RECORDING_LIST of this patient
    events : rows of contracts.EVENTS of this patient
    chunk_samples : int
        How many samples of ICP are in memory at once; changes no result.
    summarise : settings of `trends.summarise`
    """
    described, excluded, used = [], [], []
    for row in rows:
        try:
            path = folder / row["path"]
            with recordings.unchanged(path, format=row["format"], folder=folder) as files:
                about, summary = _ingest_recording(
                    path,
                    files=files,
                    row=row,
                    events=events,
                    icp_channels=icp_channels,
                    abp_channels=abp_channels,
                    time_column=time_column,
                    chunk_samples=chunk_samples,
                    summarise=summarise,
                )
        except recordings.RecordingError as error:
            described.append(_unusable(row, folder=folder, reason=error.reason))
            excluded.append(_exclusion(row, "recordings", error.reason, error.detail))
        else:
            described.append(about)
            used.append((row, overlaps.Part(summary, about["start_s"], about["end_s"])))
    joined = overlaps.combine([part for _, part in used])
    excluded += [
        _exclusion(used[i][0], "trends", f"overlap_{signal}", _overlap_words(n_blocks, signal))
        for i, signal, n_blocks in joined.unused.iter_rows()
    ]
    if not used:
        excluded.append(_patient_without_data(patient_id, n_listed=len(rows)))
    return Ingested(
        _table(described, contracts.RECORDINGS),
        _table(excluded, contracts.EXCLUDED),
        joined.trends,
        trends.merge_spans(
            pl.concat(
                [
                    store.empty(contracts.ARTEFACTS),
                    *(part.summary.artefacts for _, part in used),
                ]
            )
        ),
        joined.seconds.select(pl.lit(patient_id).alias("patient_id"), pl.all()),
    )


def _ingest_recording(
    path: Path,
    *,
    files: Sequence[Path],
    row: Mapping[str, Any],
    events: Sequence[Mapping[str, Any]],
    icp_channels: Sequence[str],
    abp_channels: Sequence[str],
    time_column: str,
    chunk_samples: int,
    summarise: Mapping[str, Any],
) -> tuple[dict[str, Any], trends.Summary]:
    about = recordings.describe(
        path,
        format=row["format"],
        icp_channel=row["icp_channel"],
        abp_channel=row["abp_channel"],
        icp_unit=row["icp_unit"],
        abp_unit=row["abp_unit"],
        icp_aliases=icp_channels,
        abp_aliases=abp_channels,
        time_column=time_column,
        clock_zone=row.get("clock_zone"),
    )
    summary = trends.summarise(
        recordings.read_chunks(
            path,
            about,
            time_column=time_column,
            chunk_s=chunk_samples / about.fs_icp_hz,
            clock_zone=row.get("clock_zone"),
        ),
        start_s=row["start_s"],
        duration_s=about.duration_s,
        tier=about.tier,
        events=events,
        **summarise,
    )
    return (
        {
            "recording_id": row["recording_id"],
            "patient_id": row["patient_id"],
            "path": row["path"],
            "format": about.format,
            "tier": about.tier,
            "fs_icp_hz": about.fs_icp_hz,
            "fs_abp_hz": about.fs_abp_hz,
            "start_s": row["start_s"],
            "end_s": row["start_s"] + about.duration_s,
            "icp_channel": about.icp_channel,
            "abp_channel": about.abp_channel,
            "icp_unit": about.icp_unit,
            "abp_unit": about.abp_unit,
            "sha256": recordings.fingerprint(files),
            "status": "used",
            "reason": None,
        },
        summary,
    )


def _unusable(row: Mapping[str, Any], *, folder: Path, reason: str) -> dict[str, Any]:
    files = recordings.files_of(folder / row["path"], format=row["format"], within=folder)
    known = {name: row[name] for name in ("recording_id", "patient_id", "path", "format")}
    return known | {
        "start_s": row["start_s"],
        "sha256": recordings.fingerprint(files) if files else None,
        "status": "excluded",
        "reason": reason,
    }


def _exclusion(row: Mapping[str, Any], stage: str, reason: str, detail: str) -> dict[str, Any]:
    return {
        "stage": stage,
        "patient_id": row["patient_id"],
        "recording_id": row["recording_id"],
        "reason": reason,
        "detail": detail,
    }


def _overlap_words(n_blocks: int, signal: str) -> str:
    return f"{n_blocks} blocks of 10 s of {signal.upper()} are taken from another recording"


def _patient_without_data(patient_id: str, *, n_listed: int) -> dict[str, Any]:
    listed = {
        "reason": "no_usable_recording",
        "detail": f"none of {n_listed} listed can be used: see their own rows",
    }
    unlisted = {
        "reason": "no_recording_listed",
        "detail": "recordings.csv has no row of this patient; add one, or leave it so",
    }
    where = {"stage": "patient", "patient_id": patient_id, "recording_id": ""}
    return where | (listed if n_listed else unlisted)


def _table(rows: list[dict[str, Any]], table: contracts.Table) -> pl.DataFrame:
    schema = {name: column.dtype for name, column in table.columns.items()}
    return pl.DataFrame(
        [{name: row.get(name) for name in schema} for row in rows], schema=schema
    )
