"""Cohort: the tables, recordings and truth of the second simulated study."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import polars as pl

from icpcohort.contracts import EVENTS, MONITORS, store
from icpcohort.simulate import bedside
from icpcohort.simulate.artefacts import Artefact
from icpcohort.simulate.sah import minutes, readings
from icpcohort.simulate.sah.course import (
    Coefficients,
    Course,
    draw_course,
    lose_to_follow_up,
)
from icpcohort.simulate.sah.covariates import draw_covariates, remove_values

FLAWS = {3: "missing_file", 8: "empty_file"}  # by the number of the patient, from 0
_START_MIN = (4 * 60, 20 * 60)  # the recording begins 4 to 20 h after admission
_LONG_H, _SHORT_H, _SHORT_SHARE = (40.0, 118.0), (3.0, 11.0), 0.1
_LAST_MIN_BEFORE_END = 30  # nothing is recorded in the last minutes of a stay
_WITHOUT_ETCO2_SHARE = 0.25
_KPA_EVERY, _KPA_FROM = 7, 5  # patients 5, 12, 19, ... have it in kPa
_HEADS = ("icp_level_mmhg", "cppopt_mmhg", "rho_min", "k_per_mmhg2")


class Clinical(NamedTuple):
    """All of the cohort that needs no signal: covariates with the true dose, and the course."""

    covariates: pl.DataFrame
    course: Course


@dataclass(frozen=True)
class Recorded:
    """One recording: its rows, and the truth behind them. Times since time zero."""

    patient_id: str
    start_s: float
    flaw: str | None
    brain: minutes.Brain
    tracks: minutes.Tracks
    artefacts: list[Artefact]  # since the recording's start
    bedside: bedside.Bedside
    rows: pl.DataFrame

    @property
    def recording_id(self) -> str:
        """Identifier in the list of recordings."""
        return f"{self.patient_id}_r1"


def draw_clinical(*, n_patients: int, seed: int) -> Clinical:
    """Draw the clinical part of a cohort of any size; no signal is simulated."""
    covariates = draw_covariates(n_patients=n_patients, seed=seed)
    return Clinical(covariates, draw_course(covariates, coefficients=Coefficients(), seed=seed))


def write_cohort(
    folder: Path, *, n_patients: int, seed: int, progress: Callable[[str], None]
) -> None:
    """Write the study's tables, one CSV per patient, and the truth.

    Parameters
    ----------
    folder : Path
        Made when absent; files of the same names are overwritten, others are left alone.
    n_patients : int
        1 or more.
    seed : int
        Same arguments, same bytes.
    progress : callable
        Gets a short line now and then.
    """
    if n_patients < 1 or seed < 0:
        raise ValueError(
            f"write_cohort: n_patients {n_patients}, seed {seed}; give 1 or more, 0 or more"
        )
    for part in (folder, folder / "recordings", folder / "truth"):
        part.mkdir(parents=True, exist_ok=True)
    progress(f"{n_patients} patients, {n_patients} recordings")
    clinical = draw_clinical(n_patients=n_patients, seed=seed)
    recorded = [simulate_recording(clinical, number, seed=seed) for number in range(n_patients)]
    for one in recorded:
        if one.flaw != "missing_file":
            rows = one.rows.head(0) if one.flaw == "empty_file" else one.rows
            rows.write_csv(folder / "recordings" / f"{one.recording_id}.csv")
    _write_tables(folder, clinical, recorded, seed=seed)
    _write_truth(folder / "truth", clinical, recorded)
    progress(f"written to {folder}")


def simulate_recording(clinical: Clinical, number: int, *, seed: int) -> Recorded:
    """Simulate the recording of the patient of that number, from 0."""
    rng = np.random.default_rng([seed, 120, number])
    patient_id = clinical.covariates["patient_id"][number]
    start_min = int(rng.integers(*_START_MIN))
    is_short = rng.random() < _SHORT_SHARE
    planned_min = int(60 * rng.uniform(*(_SHORT_H if is_short else _LONG_H)))
    left_min = int(60 * clinical.course.outcomes["end_h"][number]) - start_min
    n_minutes = min(planned_min, left_min - _LAST_MIN_BEFORE_END)
    start_s = 60.0 * start_min
    notes = bedside.draw_bedside(
        rng,
        patient_id=patient_id,
        start_s=start_s,
        end_s=start_s + 60.0 * n_minutes,
        craniectomy=False,
        replaced=False,
    )
    brain = minutes.draw_brain(rng)
    tracks = minutes.simulate_tracks(
        rng,
        brain,
        start_s=start_s,
        n_minutes=n_minutes,
        dose_mmhg=clinical.covariates["dose_per_h_true_mmhg"][number],
    )
    artefacts = readings.draw_artefacts(rng, n_minutes=n_minutes)
    layout = readings.Layout(
        has_etco2=rng.random() >= _WITHOUT_ETCO2_SHARE,
        etco2_unit="kPa" if number % _KPA_EVERY == _KPA_FROM else "mmHg",
    )
    rows = readings.table(rng, tracks, artefacts, notes, start_s=start_s, layout=layout)
    return Recorded(
        patient_id, start_s, FLAWS.get(number), brain, tracks, artefacts, notes, rows
    )


def _write_tables(
    folder: Path, clinical: Clinical, recorded: list[Recorded], *, seed: int
) -> None:
    ends = lose_to_follow_up(clinical.course.outcomes, seed=seed).drop("end_h")
    patients = remove_values(clinical.covariates, seed=seed)
    patients = patients.join(ends, on="patient_id", how="left", validate="1:1")
    patients.write_csv(folder / "patients.csv")
    clinical.course.daily.write_csv(folder / "repeated.csv")
    listed = [
        {
            "recording_id": one.recording_id,
            "patient_id": one.patient_id,
            "path": f"recordings/{one.recording_id}.csv",
            "format": "csv",
            "start_s": one.start_s,
        }
        for one in recorded
    ]
    pl.DataFrame(listed).write_csv(folder / "recordings.csv")
    monitors = bedside.monitor_table([m.row for one in recorded for m in one.bedside.monitors])
    events = bedside.event_table(
        [row for one in recorded for row in one.bedside.event_rows(one.patient_id)]
    )
    store.check(monitors, MONITORS, "monitors.csv")
    store.check(events, EVENTS, "events.csv")
    monitors.write_csv(folder / "monitors.csv")
    events.write_csv(folder / "events.csv")


def _write_truth(folder: Path, clinical: Clinical, recorded: list[Recorded]) -> None:
    """Write what tests compare results with; no rule of a study reads it."""
    rows = [
        {
            "patient_id": one.patient_id,
            **{name: getattr(one.brain, name) for name in _HEADS},
            "icp_mean_true_mmhg": float(one.tracks.icp.mean()),
            "lprx_true": float(one.tracks.rho.mean()),
            "orx_true": float(one.tracks.o2_coupling.mean()),
            "recorded_h": one.tracks.icp.size / 60,
        }
        for one in recorded
    ]
    outcomes = clinical.course.outcomes.rename({"mrs_3m": "mrs_3m_true"})
    outcomes = outcomes.rename({"mrs_12m": "mrs_12m_true", "death_h": "death_h_true"})
    whole = clinical.covariates.join(outcomes, on="patient_id", how="left", validate="1:1")
    whole = whole.join(pl.DataFrame(rows), on="patient_id", how="left", validate="1:1")
    whole.write_csv(folder / "patients.csv")
    spans = [
        (one.recording_id, a.signal, a.kind, one.start_s + a.start_s, one.start_s + a.end_s)
        for one in recorded
        for a in one.artefacts
    ]
    columns = ["recording_id", "signal", "kind", "start_s", "end_s"]
    pl.DataFrame(spans, schema=columns, orient="row").write_csv(folder / "artefacts.csv")
    flaws = [(one.recording_id, one.flaw) for one in recorded]
    schema = {"recording_id": pl.String(), "flaw": pl.String()}
    pl.DataFrame(flaws, schema=schema, orient="row").write_csv(folder / "recordings.csv")
    Coefficients().as_table().write_csv(folder / "coefficients.csv")
