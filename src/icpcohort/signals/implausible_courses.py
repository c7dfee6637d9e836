"""Implausible courses: what the recordings of one patient say of each other, and over time."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.contracts import declared_signals
from icpcohort.signals.implausible_signals import without_pulse
from icpcohort.signals.plausibility_settings import Settings
from icpcohort.signals.suspicion import LEAVE_OUT, S_PER_H, Course, Reals, Suspicion

Indices = NDArray[np.int64]
_MAX_GAP_H = 2.0  # between two recordings, for a step to be one of the file
_MIN_IN_HOUR = 10  # minutes, or half of the numbers where they are slower
_BEFORE_STEP = ("craniectomy", "level_change", "drain_open", "rezero")
_FACTORS = {7.5: "kPa against mmHg", 1.36: "cmH2O against mmHg", 10.0: "a factor of ten"}
_TOLERANCE = {"level": 0.10, "pulse": 0.05}  # a level moves from hour to hour as well
_PART_S = 600.0
_MIN_PARTS = 12
_MIN_RANGE_MMHG = 8.0
_MAX_ICP_MMHG = 50.0  # above, the amplitude may fall in a patient too (Czosnyka 1996)
_MAX_R = -0.7
_WAVEFORM_S = 0.04  # longest sampling interval of a waveform
_WHOLE = 0.999


def steps(
    courses: Sequence[Course], events: Sequence[Mapping[str, Any]], settings: Settings
) -> Iterator[Suspicion]:
    """Yield each step of one signal's level where one recording ends and the next begins.

    Parameters
    ----------
    courses : of one signal of one patient
    events : rows of contracts.EVENTS of the patient
        A craniectomy, a new level, a new zero or an open drain explain a step.
    """
    by_start = sorted(courses, key=lambda one: one.from_s)
    limit = {"icp": settings.icp_step_mmhg, "abp": settings.abp_step_mmhg}
    varies = [abs(step) for one in by_start for step in np.diff(_hourly(one))]
    most = 3 * float(np.percentile(varies, 90)) if varies else 0.0
    for one, other in pairwise(by_start):
        gap_h = (other.from_s - one.to_s) / S_PER_H
        before, after = _edge(one, last=True), _edge(other, last=False)
        if not -0.1 <= gap_h <= _MAX_GAP_H or min(before.size, after.size) < 1:
            continue
        step = float(np.median(other.level[after]) - np.median(one.level[before]))
        factor = _factor(one, other, before, after)
        # a change of unit changes level and pulse alike, which no patient's step does
        enough = limit[one.signal] / (2 if factor else 1)
        if abs(step) > max(enough, most) and not _explained(events, one.to_s, other.from_s):
            alike = f"; level and pulse change alike ({factor})" if factor else ""
            yield Suspicion(
                other.recording_id,
                "unit" if factor else "level_step",
                one.signal,
                one.to_s,
                other.from_s,
                f"{one.label} steps by {step:+.1f} mmHg from the last hour of"
                f" {one.recording_id} to the first of {other.recording_id}{alike}",
                f"unit, zero and sensor of the two recordings, {LEAVE_OUT}",
            )


def _hourly(one: Course) -> Reals:
    """Return the median of each hour with enough minutes."""
    hour = np.floor(one.t_s / S_PER_H)
    parts = np.split(one.level, np.flatnonzero(np.diff(hour)) + 1)
    least = max(1, _MIN_IN_HOUR * 60 / max(60.0, float(np.median(one.width_s))))
    return np.array([np.median(part) for part in parts if part.size >= least])


def _edge(one: Course, *, last: bool) -> Indices:
    """Return the minutes of the last hour, or of the first."""
    near = one.t_s >= one.to_s - S_PER_H if last else one.t_s < one.from_s + S_PER_H
    at = np.flatnonzero(near)
    least = max(1, _MIN_IN_HOUR * 60 / max(60.0, float(np.median(one.width_s))))
    return at if at.size >= least else at[:0]


def _factor(one: Course, other: Course, before: Indices, after: Indices) -> str | None:
    """Return the slip by which both level and pulse change; None where none does."""
    if not (one.has_pulse and other.has_pulse):
        return None
    ratios = {
        name: float(np.nanmedian(getattr(other, name)[after]))
        / (float(np.nanmedian(getattr(one, name)[before])) or np.nan)
        for name in _TOLERANCE
    }
    for factor, slip in _FACTORS.items():
        for size in (factor, 1 / factor):
            if all(abs(r / size - 1) <= _TOLERANCE[name] for name, r in ratios.items()):
                return slip
    return None


def _explained(events: Sequence[Mapping[str, Any]], end_s: float, start_s: float) -> bool:
    return any(
        event["event"] in _BEFORE_STEP
        and event["start_s"] <= start_s + S_PER_H
        and (event["end_s"] is None or event["end_s"] >= end_s - S_PER_H)
        for event in events
    )


def drifts(
    icp: Sequence[Course], monitors: Sequence[Mapping[str, Any]], settings: Settings
) -> Iterator[Suspicion]:
    """Yield each monitor whose drift at removal moves the mean ICP by more than the limit.

    The drift is taken to have grown evenly from insertion to removal (common practice, no
    source); where one of these times was not noted, from the first reading or to the last.
    """
    if not icp:
        return
    t_s = np.concatenate([one.t_s for one in icp])
    width_s = np.concatenate([one.width_s for one in icp])
    for monitor in monitors:
        drift = monitor["drift_at_removal_mmhg"]
        if drift is None:
            continue
        begin, end = (
            float(edge) if hours is None else S_PER_H * hours
            for hours, edge in (
                (monitor["insertion_h"], t_s.min()),
                (monitor["removal_h"], t_s.max()),
            )
        )
        there = (t_s >= begin) & (t_s <= end)
        if end <= begin or width_s[there].sum() < S_PER_H * settings.min_h:
            continue
        share = np.average((t_s[there] - begin) / (end - begin), weights=width_s[there])
        moved = float(drift * share)
        if abs(moved) > settings.drift_mmhg:
            yield Suspicion(
                "",
                "drift",
                "icp",
                float(t_s[there].min()),
                float(t_s[there].max()),
                f"monitor {monitor['monitor_id']} read {drift:+.1f} mmHg at removal; taken off"
                f" as growing evenly, the mean ICP moves by {-moved:+.1f} mmHg",
                "the reading at removal, and whether this patient's ICP can be used, or leave"
                " the patient out in left_out.csv with a reason",
            )


def negative_cpp(
    trends: pl.DataFrame, settings: Settings, *, block_s: float
) -> list[Suspicion]:
    """Return that CPP in the results is below 0 for long."""
    if declared_signals.CPP not in trends.columns:
        return []
    below = trends.filter(pl.col(declared_signals.CPP) < 0)
    hours = below.height * block_s / S_PER_H
    if hours < settings.min_h:
        return []
    columns = below.select(declared_signals.CPP, "t_s").to_numpy()
    return [
        Suspicion(
            "",
            "negative_cpp",
            "cpp",
            float(columns[0, 1]),
            float(columns[-1, 1]) + block_s,
            f"CPP is below 0 in {hours:.1f} h ({np.median(columns[:, 0]):.1f} mmHg in median)",
            "zero, unit and channel of both pressures in this time, or leave the recording out"
            " in left_out.csv with a reason",
        )
    ]


def of_amplitude(icp: Course, trends: pl.DataFrame, settings: Settings) -> list[Suspicion]:
    """Return what the amplitude of ICP shows: none at all, or one that falls as ICP rises.

    Parameters
    ----------
    icp : Course
        Of a recording that nothing else explains.
    trends : contracts.trends of the patient
    """
    whole = (
        pl.col("t_s").is_between(icp.from_s, icp.to_s)
        & (pl.col("icp_interval_s") <= _WAVEFORM_S)
        & (pl.col("icp_valid_fraction") >= _WHOLE)
    )
    blocks = trends.filter(whole)
    if "amp_mmhg" not in trends.columns or blocks.is_empty():
        return []
    block_s = float(np.min(np.diff(trends["t_s"].to_numpy()))) if trends.height > 1 else 0.0
    heights = 2 * blocks["amp_mmhg"].fill_null(0.0).to_numpy()
    if (
        blocks.height * block_s >= S_PER_H * settings.min_h
        and np.median(heights) < settings.icp_min_pulse_mmhg
    ):
        return [without_pulse(icp, f"{np.median(heights):.2f} mmHg at the rate of the heart")]
    return _falling(icp, blocks)


def _falling(icp: Course, blocks: pl.DataFrame) -> list[Suspicion]:
    parts = (
        blocks.drop_nulls(["icp_mmhg", "amp_mmhg"])
        .group_by((pl.col("t_s") / _PART_S).floor())
        .agg(pl.col("icp_mmhg").mean(), pl.col("amp_mmhg").mean(), n=pl.len())
        .filter(pl.col("icp_mmhg") < _MAX_ICP_MMHG)
        .filter(pl.col("n") >= pl.col("n").max() / 2)
    )
    level, amp = parts["icp_mmhg"].to_numpy(), parts["amp_mmhg"].to_numpy()
    if level.size < _MIN_PARTS or np.ptp(amp) == 0:
        return []
    spread = float(np.subtract(*np.percentile(level, [95, 5])))
    r = float(np.corrcoef(level, amp)[0, 1])
    if spread < _MIN_RANGE_MMHG or r > _MAX_R:
        return []
    slope = float(np.polyfit(level, amp, 1)[0])
    return [
        icp.suspect(
            "amplitude_falls",
            f"the amplitude of the pulse falls by {-slope:.2f} mmHg for each mmHg by which ICP"
            f" rises (r {r:.2f}, {level.size} parts of 10 min, ICP over {spread:.0f} mmHg)",
            "whether the sensor drifted, lay against tissue or had a clot: its level and its"
            f" waveform disagree, {LEAVE_OUT}",
        )
    ]
