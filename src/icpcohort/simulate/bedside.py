"""Bedside notes: monitors, drains, craniectomies, transports and other events."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from icpcohort.contracts import EVENTS, MONITORS

_KINDS = ("strain_gauge", "fibre_optic", "pneumatic", "ventricular_drain")
_KIND_SHARES = (0.44, 0.32, 0.08, 0.16)
_DRIFT_MMHG_PER_DAY = {  # mean and SD; of the order of Zacchetti 2015, kept small
    "strain_gauge": (0.2, 0.25),
    "fibre_optic": (-0.3, 0.35),
    "pneumatic": (0.0, 0.15),
    "ventricular_drain": (0.0, 0.10),
}
_HAEMORRHAGE = {"ventricular_drain": 0.06}
_INFECTION = {"ventricular_drain": 0.07}
_HAEMORRHAGE_OTHERS, _INFECTION_OTHERS = 0.03, 0.015
_MIN_REPLACED_H = 24.0
LEVEL_OF_ABP = {  # one unit does not note where its transducers are
    "abp_level": pl.when(pl.col("centre") != "unit C").then(pl.lit("tragus")),
    "bed_angle_deg": pl.lit(None, pl.Float64()),
    "heart_to_tragus_cm": pl.lit(None, pl.Float64()),
}


@dataclass(frozen=True)
class Monitor:
    """One monitor; `drift_mmhg_per_day` is the truth behind `drift_at_removal_mmhg`."""

    row: dict[str, object]
    insertion_s: float
    drift_mmhg_per_day: float


@dataclass(frozen=True)
class Bedside:
    """What happened to one patient besides the recordings. Times since time zero."""

    monitors: tuple[Monitor, ...]
    drains_s: tuple[tuple[float, float], ...]
    craniectomy_s: float | None
    transports_s: tuple[tuple[float, float], ...]

    def event_rows(self, patient_id: str) -> list[dict[str, object]]:
        """Return the rows of `contracts.EVENTS` that were planned."""
        rows = [_event(patient_id, "drain_open", *interval) for interval in self.drains_s]
        rows += [_event(patient_id, "transport", *interval) for interval in self.transports_s]
        if self.craniectomy_s is not None:
            rows.append(_event(patient_id, "craniectomy", self.craniectomy_s, None))
        return rows


def _event(
    patient_id: str, event: str, start_s: float, end_s: float | None
) -> dict[str, object]:
    return {"patient_id": patient_id, "event": event, "start_s": start_s, "end_s": end_s}


def rezero_row(patient_id: str, *, start_s: float, end_s: float) -> dict[str, object]:
    """Return the event that goes with a zeroing artefact."""
    return _event(patient_id, "rezero", start_s, end_s)


def draw_bedside(
    rng: np.random.Generator,
    *,
    patient_id: str,
    start_s: float,
    end_s: float,
    craniectomy: bool,
    replaced: bool,
) -> Bedside:
    """Draw monitors and events of one patient monitored from `start_s` to `end_s`.

    `replaced`: the monitor fails halfway, if it is in for a day or more.
    """
    kind = str(rng.choice(_KINDS, p=_KIND_SHARES))
    hours = (end_s - start_s) / 3600
    replaced = replaced and hours >= _MIN_REPLACED_H
    change_s = start_s + round(rng.uniform(0.3, 0.7) * (end_s - start_s), -1)
    spans = [(start_s, change_s), (change_s, end_s)] if replaced else [(start_s, end_s)]
    monitors = tuple(
        _draw_monitor(rng, patient_id, i, kind=kind, span_s=span, n_monitors=len(spans))
        for i, span in enumerate(spans, start=1)
    )
    craniectomy_s = None
    if craniectomy:
        craniectomy_s = float(start_s + 60 * round(rng.uniform(0.4, 0.6) * hours * 60))
    transports: tuple[tuple[float, float], ...] = ()
    if hours > 6 and rng.random() < 0.3:
        begin_s = float(start_s + 60 * round(rng.uniform(1, hours - 3) * 60))
        transports = ((begin_s, begin_s + 60.0 * int(rng.integers(30, 75))),)
    drains = _draw_drains(rng, start_s, end_s) if kind == "ventricular_drain" else ()
    return Bedside(monitors, drains, craniectomy_s, transports)


def _draw_drains(
    rng: np.random.Generator, start_s: float, end_s: float
) -> tuple[tuple[float, float], ...]:
    drains = []
    t_s = start_s + rng.uniform(1, 4) * 3600
    while t_s < end_s - 3600:
        length_s = 60.0 * int(rng.integers(10, 41))
        open_s = float(round(t_s))
        drains.append((open_s, open_s + length_s))
        t_s += length_s + rng.uniform(4, 9) * 3600
    return tuple(drains)


def _draw_monitor(
    rng: np.random.Generator,
    patient_id: str,
    number: int,
    *,
    kind: str,
    span_s: tuple[float, float],
    n_monitors: int,
) -> Monitor:
    ventricular = kind == "ventricular_drain"
    insertion_h = span_s[0] / 3600 - (rng.uniform(0.2, 1.0) if number == 1 else 0.0)
    removal_h = span_s[1] / 3600 + (rng.uniform(0.1, 2.0) if number == n_monitors else 0.0)
    drift = float(np.clip(rng.normal(*_DRIFT_MMHG_PER_DAY[kind]), -1, 1))
    at_removal = drift * (removal_h - insertion_h) / 24 + rng.normal(0, 0.2)
    measured, replaced = rng.random() < 0.75, number < n_monitors
    row: dict[str, object] = {
        "monitor_id": f"{patient_id}_m{number}",
        "patient_id": patient_id,
        "kind": kind,
        "fixation": "tunnelled" if ventricular or rng.random() < 0.2 else "bolt",
        "side": str(rng.choice(("left", "right"), p=(0.3, 0.7))),
        "depth_mm": float(round(rng.uniform(52, 66) if ventricular else rng.uniform(15, 30))),
        "insertion_h": round(insertion_h, 2),
        "removal_h": round(removal_h, 2),
        "zero_reference_mmhg": float(np.round(rng.normal(0, 0.7))),
        "drift_at_removal_mmhg": round(float(at_removal), 1) + 0.0 if measured else None,
        "waveform_seen": bool(rng.random() < 0.97),
        "jugular_response": bool(rng.random() < 0.93) if rng.random() < 0.6 else None,
        "haemorrhage": bool(rng.random() < _HAEMORRHAGE.get(kind, _HAEMORRHAGE_OTHERS)),
        "infection": bool(rng.random() < _INFECTION.get(kind, _INFECTION_OTHERS)),
        "malfunction": bool(replaced or rng.random() < 0.02),
        "replaced": replaced,
    }
    return Monitor(row, insertion_h * 3600, drift)


def monitor_table(rows: list[dict[str, object]]) -> pl.DataFrame:
    """Return rows as a table of `contracts.MONITORS`, sorted."""
    schema = {name: column.dtype for name, column in MONITORS.columns.items()}
    return pl.DataFrame(rows, schema=schema).sort(MONITORS.key)


def event_table(rows: list[dict[str, object]]) -> pl.DataFrame:
    """Return rows as a table of `contracts.EVENTS`, sorted."""
    schema = {name: column.dtype for name, column in EVENTS.columns.items()}
    return pl.DataFrame(rows, schema=schema).sort(EVENTS.key)
