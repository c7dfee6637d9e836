"""Patient lags: of all recordings of a patient, the lag of ICP behind ABP and its correction.

Where one file has both signals it is their lag; where two devices wrote a file each, that of
one file behind the other.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import polars as pl

from icpcohort.contracts import declared_signals
from icpcohort.contracts.declared_signals import ABP, ICP
from icpcohort.signals import compared_files, device_lag
from icpcohort.signals.compared_files import Measured
from icpcohort.signals.device_lag import Lag
from icpcohort.signals.overlaps import Combined, Part

MIN_CLEAR = 3
_MIDDLE = (0.05, 0.95)


def measured(parts: Sequence[Part]) -> list[Measured]:
    """Return the lags within each recording, and those between each two that overlap."""
    inside = [Measured(i, i, lag) for i, part in enumerate(parts) for lag in part.summary.lags]
    return [*inside, *compared_files.between([part.summary.kept for part in parts])]


def corrections(
    lags: Sequence[Measured], parts: Sequence[Part], *, max_lag_s: float
) -> dict[int, dict[str, float]]:
    """Return by how much to move signals of each recording that one constant lag puts right.

    ICP is moved against ABP of its own file. A recording with ICP and without a waveform of
    ABP is moved as a whole, against ABP of the others. The lag is the median of the clear
    parts.

    Parameters
    ----------
    max_lag_s : float, s
        Where the middle nine tenths of the clear parts differ by more, the lag is not one.

    Returns
    -------
    mapping
        Of the numbers of recordings: what is added to the times of each signal [s]. One that
        is in step within 1 s, has fewer than three clear parts or no constant lag is not there.
    """
    moved = {}
    for i, part in enumerate(parts):
        inside = [one.lag for one in lags if one.icp == one.abp == i]
        of_pairs = [one.lag for one in lags if one.icp == i]
        chosen = inside or of_pairs
        lag_s = constant_lag_s(chosen, max_lag_s=max_lag_s)
        if lag_s is not None and abs(lag_s) > device_lag.IN_STEP_S:
            signals = [ICP] if inside else list(part.summary.accounts)
            moved[i] = dict.fromkeys(signals, -lag_s)
    return moved


def constant_lag_s(lags: Sequence[Lag], *, max_lag_s: float) -> float | None:
    """Return the median of the clear lags; None of too few, or if they differ by too much."""
    clear_s = np.array([lag.lag_s for lag in lags if lag.is_clear])
    if clear_s.size < MIN_CLEAR or np.ptp(np.quantile(clear_s, _MIDDLE)) > max_lag_s:
        return None
    return float(np.median(clear_s))


def left(lags: Sequence[Measured], parts: Sequence[Part], joined: Combined) -> Iterator[Lag]:
    """Yield each clear lag as correction leaves it, where ICP and ABP are of those files."""
    for icp, abp, lag in lags:
        if lag.is_clear and (icp == abp or _used_together(icp, abp, lag, joined)):
            yield lag._replace(lag_s=lag.lag_s - corrected_s(icp, abp, parts), least_s=0.0)


def _used_together(icp: int, abp: int, lag: Lag, joined: Combined) -> bool:
    inside = pl.col("t_s").is_between(lag.from_s, 2 * lag.t_s - lag.from_s, closed="left")
    sources = [
        joined.sources[signal].filter(inside, pl.col("part") == part)
        for signal, part in ((ICP, icp), (ABP, abp))
    ]
    return sources[0].join(sources[1], on="t_s", how="inner", validate="1:1").height > 0


def corrected_s(icp: int, abp: int, parts: Sequence[Part]) -> float:
    """Return what was taken from the times of ICP, less what was from those of ABP."""
    moved_s = (
        parts[number].summary.shifts_s.get(signal, 0.0)
        for number, signal in ((abp, ABP), (icp, ICP))
    )
    of_abp_s, of_icp_s = moved_s
    return of_abp_s - of_icp_s


def rows(
    lags: Sequence[Measured], parts: Sequence[Part], used: Sequence[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """Return the rows of contracts.LAGS; `used` are the rows of the recordings."""
    return [
        {
            "patient_id": used[icp]["patient_id"],
            "recording_id": used[icp]["recording_id"],
            "abp_recording_id": used[abp]["recording_id"],
            "t_s": lag.t_s,
            "lag_s": lag.lag_s,
            "correlation": lag.correlation,
            "correlation_elsewhere": lag.elsewhere,
            "is_clear": lag.is_clear,
            "corrected_s": corrected_s(icp, abp, parts) or None,
        }
        for icp, abp, lag in lags
    ]


def never_together(parts: Sequence[Part], *, declared: Mapping[str, Any]) -> list[str]:
    """Return the differences whose two signals were recorded, but never at one time."""
    names = []
    for name, of in declared_signals.derived(declared).items():
        having = [
            [part.span(of[which]) for part in parts if of[which] in part.summary.accounts]
            for which in ("minuend", "subtrahend")
        ]
        met = any(min(a[1], b[1]) > max(a[0], b[0]) for a in having[0] for b in having[1])
        if all(having) and not met:
            names.append(name)
    return names
