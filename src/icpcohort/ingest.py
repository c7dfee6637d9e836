"""Ingest: all recordings of one patient to trends, with an account of what was not used."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts, recordings, store, trends


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
    chunk_s: float,
    summarise: Mapping[str, Any],
) -> Ingested:
    """Read every recording of one patient once.

    A recording that cannot be used is a row of `excluded` with its reason; the others are
    not affected. Where recordings overlap, `trends.combine` says which is used.

    Parameters
    ----------
    rows : rows of contracts.RECORDING_LIST of this patient
    events : rows of contracts.EVENTS of this patient
    summarise : settings of `trends.summarise`
    """
    described, excluded, used = [], [], []
    for row in rows:
        try:
            about, summary = _ingest_recording(
                folder / row["path"],
                row=row,
                events=events,
                icp_channels=icp_channels,
                abp_channels=abp_channels,
                time_column=time_column,
                chunk_s=chunk_s,
                summarise=summarise,
            )
        except recordings.RecordingError as error:
            described.append(_unusable(row, folder=folder, reason=error.reason))
            excluded.append(_exclusion(row, "recordings", error.reason, error.detail))
        else:
            described.append(about)
            used.append((row, summary))
    joined, n_unused = trends.combine([summary.trends for _, summary in used])
    excluded += [
        _exclusion(
            row, "trends", "overlap", f"{n} blocks of 10 s are taken from another recording"
        )
        for (row, _), n in zip(used, n_unused, strict=True)
        if n
    ]
    if not used:
        excluded.append(
            {
                "stage": "patient",
                "patient_id": patient_id,
                "recording_id": "",
                "reason": "no_usable_recording",
                "detail": f"{len(rows)} recordings are listed and none can be used",
            }
        )
    return Ingested(
        _table(described, contracts.RECORDINGS),
        _table(excluded, contracts.EXCLUDED),
        joined,
        trends.merge_spans(
            pl.concat([store.empty(contracts.ARTEFACTS), *(s.artefacts for _, s in used)])
        ),
        _quality(patient_id, [summary.seconds for _, summary in used]),
    )


def _ingest_recording(
    path: Path,
    *,
    row: Mapping[str, Any],
    events: Sequence[Mapping[str, Any]],
    icp_channels: Sequence[str],
    abp_channels: Sequence[str],
    time_column: str,
    chunk_s: float,
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
    )
    summary = trends.summarise(
        recordings.read_chunks(path, about, time_column=time_column, chunk_s=chunk_s),
        start_s=row["start_s"],
        duration_s=about.duration_s,
        tier=about.tier,
        events=events,
        **summarise,
    )
    files = recordings.files_of(path, format=row["format"])
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
    files = recordings.files_of(folder / row["path"], format=row["format"])
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
        "detail": f"{row['path']}: {detail}",
    }


def _table(rows: list[dict[str, Any]], table: contracts.Table) -> pl.DataFrame:
    schema = {name: column.dtype for name, column in table.columns.items()}
    return pl.DataFrame(
        [{name: row.get(name) for name in schema} for row in rows], schema=schema
    )


def _quality(patient_id: str, seconds: list[pl.DataFrame]) -> pl.DataFrame:
    if not seconds:
        return store.empty(contracts.QUALITY)
    return (
        pl.concat(seconds)
        .group_by("signal")
        .agg(pl.all().sum())
        .select(pl.lit(patient_id).alias("patient_id"), pl.all())
        .sort("signal")
    )
