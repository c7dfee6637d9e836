"""Readings: what the monitor of a patient exported once a minute, with artefacts and gaps."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from icpcohort.simulate.artefacts import Artefact
from icpcohort.simulate.bedside import Bedside
from icpcohort.simulate.physiology import Floats, drain_weight
from icpcohort.simulate.sah.minutes import MINUTE_S, Tracks

_NAMES = {"icp": "ICP", "map": "MAP", "pbto2": "PbtO2", "etco2": "EtCO2"}
_NOISE_MMHG = {"icp": 0.1, "map": 0.3, "pbto2": 0.1, "etco2": 0.1}
_MMHG_PER_KPA = 7.500617  # NIST SP 811 App. B; written out, so that a slip elsewhere shows
_DRAIN_LEVEL_MMHG = 12.0
_MARGIN_MIN = 3  # between two artefacts of a signal
ALL = "all"  # in a gap no signal has a row


@dataclass(frozen=True)
class Kind:
    """How often a kind happens, how long it lasts, and the levels that it reads."""

    signal: str
    name: str
    per_h: float
    min_min: int
    max_min: int
    levels_mmhg: tuple[float, ...]  # none: the cell is empty, or in a gap the row is not there


KINDS = (
    Kind(ALL, "gap", 0.012, 15, 90, ()),
    Kind("icp", "disconnection", 0.03, 5, 15, (-30.0, 130.0)),
    Kind("icp", "missing", 0.03, 5, 20, ()),
    Kind("map", "zeroing", 0.05, 2, 5, (1.0,)),
    Kind("map", "flush", 0.05, 1, 1, (260.0,)),
    Kind("map", "missing", 0.03, 5, 20, ()),
    Kind("pbto2", "disconnection", 0.02, 10, 40, (0.0,)),
    Kind("pbto2", "missing", 0.03, 5, 30, ()),
    Kind("etco2", "disconnection", 0.08, 3, 15, (0.0,)),
)


@dataclass(frozen=True)
class Layout:
    """What an export holds beside ICP, MAP and PbtO2."""

    has_etco2: bool
    etco2_unit: str  # mmHg or kPa


def draw_artefacts(rng: np.random.Generator, *, n_minutes: int) -> list[Artefact]:
    """Draw the artefacts of one recording, whole minutes, in s since its start.

    None touches another of the same signal, or a gap; one that would is left out.
    """
    drawn: list[Artefact] = []
    for kind in KINDS:
        for _ in range(rng.poisson(kind.per_h * n_minutes / 60)):
            length = int(rng.integers(kind.min_min, kind.max_min + 1))
            begin = int(rng.integers(1, max(2, n_minutes - length)))
            one = Artefact(
                kind.signal, kind.name, begin * MINUTE_S, (begin + length) * MINUTE_S
            )
            if one.end_s < n_minutes * MINUTE_S and not any(
                _are_close(one, other) for other in drawn
            ):
                drawn.append(one)
    return sorted(drawn, key=lambda one: (one.start_s, one.signal))


def _are_close(one: Artefact, other: Artefact) -> bool:
    margin_s = _MARGIN_MIN * MINUTE_S
    apart = one.start_s >= other.end_s + margin_s or other.start_s >= one.end_s + margin_s
    return not apart and (one.signal == other.signal or ALL in (one.signal, other.signal))


def table(
    rng: np.random.Generator,
    tracks: Tracks,
    artefacts: list[Artefact],
    bedside: Bedside,
    *,
    start_s: float,
    layout: Layout,
) -> pl.DataFrame:
    """Return the rows of the export: `time_s`, and one column per signal with its unit.

    Sensor drift and the open drain are in ICP, noise is in all. Missing is null.
    """
    n = tracks.icp.size
    clean = {"icp": _icp_reading(tracks.icp, bedside, start_s=start_s), "map": tracks.map}
    clean |= {"pbto2": tracks.pbto2, "etco2": tracks.etco2}
    columns = [pl.Series("time_s", np.arange(n) * int(MINUTE_S))]
    for signal, values in clean.items():
        read = values + _NOISE_MMHG[signal] * rng.standard_normal(n)
        for artefact in (one for one in artefacts if one.signal == signal):
            span = _minutes_of(artefact)
            read[span] = _distorted(rng, artefact, n=span.stop - span.start)
        if signal != "etco2" or layout.has_etco2:
            columns.append(_column(signal, read, layout.etco2_unit))
    there = np.ones(n, dtype=np.bool_)
    for artefact in (one for one in artefacts if one.signal == ALL):
        there[_minutes_of(artefact)] = False
    return pl.DataFrame(columns).filter(pl.Series(there))


def _minutes_of(artefact: Artefact) -> slice:
    return slice(round(artefact.start_s / MINUTE_S), round(artefact.end_s / MINUTE_S))


def _distorted(rng: np.random.Generator, artefact: Artefact, *, n: int) -> Floats:
    kind = next(k for k in KINDS if (k.signal, k.name) == (artefact.signal, artefact.kind))
    if not kind.levels_mmhg:
        return np.full(n, np.nan)
    return np.full(n, float(rng.choice(kind.levels_mmhg)))


def _column(signal: str, values_mmhg: Floats, etco2_unit: str) -> pl.Series:
    unit, values, decimals = "mmHg", values_mmhg, 1
    if signal == "etco2" and etco2_unit == "kPa":
        unit, values, decimals = "kPa", values_mmhg / _MMHG_PER_KPA, 2
    rounded = np.round(values, decimals) + 0.0
    return pl.Series(f"{_NAMES[signal]} [{unit}]", rounded).fill_nan(None)


def _icp_reading(icp_mmhg: Floats, bedside: Bedside, *, start_s: float) -> Floats:
    """ICP as its sensor reads it: with drift, and near the drain's level while that is open."""
    n, minute_s = icp_mmhg.size, round(MINUTE_S)
    weight = drain_weight(start_s=start_s, n_s=n * minute_s, drains_s=bedside.drains_s)
    drained = weight.reshape(n, minute_s).mean(axis=1)
    t_s = start_s + MINUTE_S * np.arange(n)
    drift_mmhg = np.zeros(n)
    for monitor in bedside.monitors:
        since = t_s >= monitor.insertion_s
        days = (t_s[since] - monitor.insertion_s) / 86400
        drift_mmhg[since] = monitor.drift_mmhg_per_day * days
    return np.asarray((1 - drained) * icp_mmhg + drained * _DRAIN_LEVEL_MMHG + drift_mmhg)
