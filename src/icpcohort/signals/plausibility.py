"""Plausibility: whether each recording of a patient can be right as a whole.

A clinician trusts a monitor when its waveform and its level agree with each other. Nothing is
masked, corrected or left out here: a suspicion says what was seen and what to look at.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import declared_signals
from icpcohort.signals import implausible_courses, implausible_signals, raw_minutes
from icpcohort.signals.plausibility_settings import Settings
from icpcohort.signals.suspicion import Course, Suspicion, courses

Row = Mapping[str, Any]
RAW = raw_minutes.SCHEMA | {"recording_id": pl.String()}


def judge(
    patient_id: str,
    raw: pl.DataFrame,
    *,
    trends: pl.DataFrame | None,
    block_s: float,
    events: Sequence[Row],
    monitors: Sequence[Row],
    settings: Settings,
    declared: Mapping[str, Any],
) -> pl.DataFrame:
    """Return every suspicion about the recordings of one patient.

    Parameters
    ----------
    raw : DataFrame
        The columns of `RAW`: level and pulse of each minute as read, of
        whole recordings or of a sample whose `width_s` stands for the whole.
    trends : contracts.trends, or None
        None where only a sample was read: amplitude, CPP and steps are not judged.
    block_s : float, s
        Length of a block of the trends.
    events, monitors : rows of contracts.EVENTS and contracts.MONITORS of the patient
    settings : Settings
    declared : mapping
        Sections of the settings that declare signals; only pressures in mmHg are judged.

    Returns
    -------
    DataFrame, contracts.SUSPECTS

    Source: common practice, no source; the limits stand in `plausibility_settings`.
    """
    recorded = declared_signals.recorded(declared)
    pressures = frozenset(
        name for name in ("icp", "abp") if recorded.get(name, {}).get("unit") == "mmHg"
    )
    every = courses(raw)
    long = [one for one in every if one.hours >= settings.min_h]
    rows: list[Suspicion] = []
    for recording_id in dict.fromkeys(one.recording_id for one in long):
        signals = _at_the_time(recording_id, long)
        of_one = implausible_signals.of_recording(signals, settings, pressures=pressures)
        rows += [row for row in of_one if row.recording_id == recording_id]
    doubted = {(row.recording_id, row.signal) for row in rows}
    clear = [one for one in long if (one.recording_id, one.signal) not in doubted]
    for name in sorted(pressures if trends is not None else ()):
        same = [one for one in clear if one.signal == name]
        rows += implausible_courses.steps(same, events, settings)
    icp = [one for one in clear if one.signal == "icp" and "icp" in pressures]
    rows += implausible_courses.drifts(icp, monitors, settings)
    if trends is not None and icp:
        for one in icp:
            rows += implausible_courses.of_amplitude(one, trends, settings)
    if trends is not None and not doubted:
        rows += implausible_courses.negative_cpp(trends, settings, block_s=block_s)
    return _table(patient_id, rows)


def _at_the_time(recording_id: str, every: Sequence[Course]) -> dict[str, Course]:
    """Return a recording's signals, and those of another one of its time that it has not."""
    signals = {one.signal: one for one in every if one.recording_id == recording_id}
    begin, end = (
        min(one.from_s for one in signals.values()),
        max(one.to_s for one in signals.values()),
    )
    for one in every:
        if one.signal not in signals and begin < one.to_s and one.from_s < end:
            signals[one.signal] = one
    return signals


def _table(patient_id: str, rows: Sequence[Suspicion]) -> pl.DataFrame:
    schema = {name: column.dtype for name, column in contracts.SUSPECTS.columns.items()}
    return (
        pl.DataFrame(
            [row._asdict() | {"patient_id": patient_id} for row in rows], schema=schema
        )
        .unique(list(contracts.SUSPECTS.key), keep="first", maintain_order=True)
        .sort("from_s", "recording_id", "kind", "signal")
    )


def methods_sentence(settings: Settings) -> str:
    """Return the report's sentence for `judge`, from the same settings."""
    return (
        "Each recording was judged as a whole by its level and its pulse as they stand in the"
        f" file: a median ICP outside {settings.icp_low_mmhg:g} to {settings.icp_high_mmhg:g}"
        f" mmHg or a median ABP outside {settings.abp_low_mmhg:g} to"
        f" {settings.abp_high_mmhg:g} mmHg for {settings.min_h:g} h or more, a unit or scale"
        " that would explain both, exchanged or doubled channels, a waveform without a pulse,"
        " steps where one recording follows another, and drift noted at removal were named, and"
        " nothing was changed by it."
    )
