"""Cohort: the study folder of a simulated registry, with the truth beside it."""

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import NamedTuple

import numpy as np
import polars as pl

from icpcohort.contracts import (
    COUNT,
    EVENTS,
    LEVEL,
    MONITORS,
    REAL,
    TIMES,
    recording_list,
    store,
)
from icpcohort.simulate import bedside, covariates, plan
from icpcohort.simulate.patient import Result, Task, simulate_patient
from icpcohort.simulate.physiology import draw_physiology

_EARLY_DEATH_SHARE = 7 / 120
_LOST_SHARE = 0.06
_EARLY_LEAVER_SHARE = 0.035
_NO_OPTIMUM_SHARE = 0.25
_PLATEAU_SHARE = 0.20
_REPLACED_SHARE = 0.04
_PATIENTS_PER_CRANIECTOMY = 60
_MIN_WAVEFORM_H = 0.5
NUMERIC_TIERS = (plan.MIXED, *plan.INTERVAL_S)


def write_cohort(
    folder: Path,
    *,
    n_patients: int,
    n_waveforms: int,
    waveform_h: tuple[float, float],
    numeric_h: tuple[float, float],
    numeric_tier: str = plan.MIXED,
    seed: int,
    n_processes: int,
    progress: Callable[[str], None],
) -> None:
    """Write a simulated study folder: four tables, the recordings, and the truth.

    Parameters
    ----------
    folder : Path
        Made when absent; files of the same names are overwritten, others are left alone.
    n_patients, n_waveforms : int
        How many patients, and how many of them have waveforms (five layouts in turn).
    waveform_h, numeric_h : (float, float), h
        Shortest and longest recording.
    numeric_tier : str
        `mixed`, or the one tier of all numbers: `seconds`, `ten_seconds`, `minutes`.
    seed : int
        Same arguments, same bytes, whatever `n_processes` is.
    n_processes : int
        Patients are simulated in as many processes.
    progress : callable
        Gets a short line now and then.

    Raises
    ------
    ValueError
        Naming every argument that is out of range.
    """
    _refuse_arguments(
        n_patients, n_waveforms, waveform_h, numeric_h, numeric_tier, seed, n_processes
    )
    folder = Path(folder)
    for part in (folder, folder / "recordings", folder / "truth"):
        part.mkdir(parents=True, exist_ok=True)
    study = draw_study(
        n_patients=n_patients,
        n_waveforms=n_waveforms,
        waveform_h=waveform_h,
        numeric_h=numeric_h,
        numeric_tier=numeric_tier,
        seed=seed,
        folder=folder / "recordings",
    )
    n_recordings = sum(len(task.recordings) for task in study.tasks)
    progress(f"{n_patients} patients, {n_recordings} recordings")
    results = _simulate_all(study.tasks, n_processes=n_processes, progress=progress)
    _write_recording_list(folder, study.tasks)
    _write_bedside(folder, study.tasks, results)
    _write_truth(folder, study.tasks, results)
    _write_patients(folder, study, results, seed=seed)
    progress(f"written to {folder}")


class Study(NamedTuple):
    """All that is drawn before any signal exists; the three have the patients in one order."""

    covariates: pl.DataFrame
    early_death_h: pl.Series
    tasks: list[Task]


def draw_study(
    *,
    n_patients: int,
    n_waveforms: int,
    waveform_h: tuple[float, float],
    numeric_h: tuple[float, float],
    numeric_tier: str = plan.MIXED,
    seed: int,
    folder: Path,
) -> Study:
    """Draw covariates, early deaths, recordings and what happens to each patient.

    Arguments as in `write_cohort`; `folder` is where the recordings are to be written.
    """
    complete = covariates.draw_covariates(n_patients=n_patients, seed=seed)
    n_deaths = round(_EARLY_DEATH_SHARE * n_patients)
    death_h = covariates.draw_early_deaths(complete, n_deaths=n_deaths, seed=seed)
    planned = plan.draw_recordings(
        complete["patient_id"].to_list(),
        n_waveforms=n_waveforms,
        waveform_h=waveform_h,
        numeric_h=numeric_h,
        numeric_tier=numeric_tier,
        seed=seed,
    )
    recordings = {
        patient_id: plan.cut_at_death(planned[patient_id], death_h=hour)
        for patient_id, hour in zip(complete["patient_id"], death_h, strict=True)
    }
    return Study(complete, death_h, _draw_tasks(complete, recordings, seed=seed, folder=folder))


def _refuse_arguments(
    n_patients: int,
    n_waveforms: int,
    waveform_h: tuple[float, float],
    numeric_h: tuple[float, float],
    numeric_tier: str,
    seed: int,
    n_processes: int,
) -> None:
    checks = {
        f"n_patients: {n_patients}; give 1 or more": n_patients >= 1,
        f"n_waveforms: {n_waveforms}; give 0 to n_patients": 0 <= n_waveforms <= n_patients,
        f"waveform_h: {waveform_h}; give shortest and longest, at least {_MIN_WAVEFORM_H} h": (
            _MIN_WAVEFORM_H <= waveform_h[0] <= waveform_h[1]
        ),
        f"numeric_h: {numeric_h}; give shortest and longest, at least 1 h": (
            1 <= numeric_h[0] <= numeric_h[1]
        ),
        f"numeric_tier: {numeric_tier}; give one of {', '.join(NUMERIC_TIERS)}": (
            numeric_tier in NUMERIC_TIERS
        ),
        f"seed: {seed}; give 0 or more": seed >= 0,
        f"n_processes: {n_processes}; give 1 or more": n_processes >= 1,
    }
    problems = [text for text, fine in checks.items() if not fine]
    if problems:
        lines = "\n".join(f"  {line}" for line in problems)
        raise ValueError(f"write_cohort: {len(problems)} problem(s)\n{lines}")


def _draw_tasks(
    complete: pl.DataFrame,
    recordings: dict[str, list[plan.Recording]],
    *,
    seed: int,
    folder: Path,
) -> list[Task]:
    """Draw what happens to each patient; the signals themselves come later."""
    rng = np.random.default_rng([seed, 11])
    n = complete.height
    n_craniectomies = max(1, n // _PATIENTS_PER_CRANIECTOMY)
    operated = set(rng.permutation(n)[:n_craniectomies].tolist())
    replaced = set(rng.permutation(n)[: round(_REPLACED_SHARE * n)].tolist())
    without_optimum = set(rng.permutation(n)[: round(_NO_OPTIMUM_SHARE * n)].tolist())
    with_plateaus = set(rng.permutation(n)[: round(_PLATEAU_SHARE * n)].tolist())
    tasks = []
    for number, row in enumerate(complete.iter_rows(named=True)):
        of_patient = recordings[row["patient_id"]]
        rng = np.random.default_rng([seed, 12, number])
        start_s, end_s = (
            of_patient[0].start_s,
            of_patient[-1].start_s + of_patient[-1].duration_s,
        )
        notes = bedside.draw_bedside(
            rng,
            patient_id=row["patient_id"],
            start_s=start_s,
            end_s=end_s,
            craniectomy=number in operated,
            replaced=number in replaced,
        )
        physiology = draw_physiology(
            rng,
            start_s=start_s,
            end_s=end_s,
            n_unreactive_pupils=2 - row["pupils_reactive"],
            has_optimum=number not in without_optimum,
            has_plateaus=number in with_plateaus,
            craniectomy_s=notes.craniectomy_s,
        )
        tasks.append(
            Task(row["patient_id"], number, seed, tuple(of_patient), physiology, notes, folder)
        )
    return tasks


def _simulate_all(
    tasks: list[Task], *, n_processes: int, progress: Callable[[str], None]
) -> list[Result]:
    """Return the results in the order of the tasks; long ones are begun first."""
    begun = sorted(tasks, key=lambda task: (-_samples(task), task.patient_id))
    results: dict[str, Result] = {}
    every = max(1, len(tasks) // 8)
    for i, (task, result) in enumerate(
        zip(begun, _map(begun, n_processes=n_processes), strict=True), start=1
    ):
        results[task.patient_id] = result
        if i % every == 0:
            progress(f"{i} of {len(tasks)} patients simulated")
    return [results[task.patient_id] for task in tasks]


def _samples(task: Task) -> float:
    return sum(
        recording.duration_s * (10 + recording.fs_hz + recording.abp_fs_hz)
        for recording in task.recordings
    )


def _map(tasks: list[Task], *, n_processes: int) -> Iterator[Result]:
    if n_processes == 1:
        yield from map(simulate_patient, tasks)
        return
    # a forked child may hang on a lock that polars' threads held in the parent
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(n_processes, mp_context=context) as pool:
        yield from pool.map(simulate_patient, tasks)


def _write_recording_list(folder: Path, tasks: list[Task]) -> None:
    rows = [
        {
            "recording_id": one.recording_id,
            "patient_id": one.patient_id,
            "path": f"recordings/{one.file_name}",
            "format": one.format,
            "start_s": one.start_s,
            "icp_channel": one.icp_name if one.names_in_list else None,
            "abp_channel": one.abp_name if one.names_in_list else None,
            "icp_unit": None if one.unit_in_file else one.icp_unit,
            "abp_unit": None if one.unit_in_file else one.abp_unit,
        }
        for task in tasks
        for one in task.recordings
    ]
    contract = recording_list({})
    schema = {name: column.dtype for name, column in contract.columns.items()}
    table = pl.DataFrame(rows, schema=schema).sort("recording_id")
    store.check(table, contract, "recordings.csv")
    table.write_csv(folder / "recordings.csv")


def _write_bedside(folder: Path, tasks: list[Task], results: Sequence[Result]) -> None:
    monitors = bedside.monitor_table(
        [monitor.row for task in tasks for monitor in task.bedside.monitors]
    )
    events = bedside.event_table(
        [row for task in tasks for row in task.bedside.event_rows(task.patient_id)]
        + [row for result in results for row in result.events]
    )
    store.check(monitors, MONITORS, "monitors.csv")
    store.check(events, EVENTS, "events.csv")
    monitors.write_csv(folder / "monitors.csv")
    events.write_csv(folder / "events.csv")


def _write_truth(folder: Path, tasks: list[Task], results: Sequence[Result]) -> None:
    artefacts = pl.DataFrame(
        [row for result in results for row in result.artefacts],
        schema={
            "recording_id": pl.String(),
            "signal": pl.String(),
            "kind": pl.String(),
            "start_s": pl.Float64(),
            "end_s": pl.Float64(),
        },
    )
    artefacts.sort("recording_id", "signal", "start_s").write_csv(
        folder / "truth" / "artefacts.csv"
    )
    rows = [
        {
            "recording_id": one.recording_id,
            "flaw": one.flaw,
            "tier": one.tier,
            "layout": one.layout,
            "start_s": one.start_s,
            "duration_s": one.duration_s,
        }
        for task in tasks
        for one in task.recordings
    ]
    schema = {"recording_id": pl.String(), "flaw": pl.String(), "tier": pl.String()}
    table = pl.DataFrame(rows, schema_overrides=schema).sort("recording_id")
    table.write_csv(folder / "truth" / "recordings.csv")
    model = covariates.OutcomeModel()
    model.as_table().write_csv(folder / "truth" / "outcome_model.csv")


def _write_patients(
    folder: Path, study: Study, results: Sequence[Result], *, seed: int
) -> None:
    """Draw the outcomes from covariates and true dose; write patients.csv and its truth."""
    truth = pl.DataFrame([result.truth for result in results], infer_schema_length=None)
    known = study.covariates.join(truth, on="patient_id", how="left", validate="1:1")
    drawn = covariates.draw_outcomes(known, coefficients=covariates.OutcomeModel(), seed=seed)
    last = [task.recordings[-1] for task in study.tasks]
    ends_h = [(one.start_s + one.duration_s) / 3600 for one in last]
    ends = outcome_times(
        drawn, early_death_h=study.early_death_h, monitored_to_h=ends_h, seed=seed
    )
    early = study.early_death_h.is_not_null()
    known = known.with_columns(
        pl.when(early).then(pl.lit(1)).otherwise(drawn).alias("gose_true"), early_death=early
    )
    known.write_csv(folder / "truth" / "patients.csv")
    patients = covariates.remove_values(study.covariates, seed=seed).hstack(ends)
    patients = patients.with_columns(**bedside.LEVEL_OF_ABP)
    columns = [*covariates.TYPES, *END_TYPES, *LEVEL]
    patients.select(columns).write_csv(folder / "patients.csv")


END_TYPES: dict[str, pl.DataType] = {"gose_6m": COUNT, **dict.fromkeys(TIMES, REAL)}


def outcome_times(
    gose: pl.Series, *, early_death_h: pl.Series, monitored_to_h: list[float], seed: int
) -> pl.DataFrame:
    """Return `gose_6m`, the times of death and discharge, and when last known alive.

    The score is taken 170 to 230 days after time zero in those who live and are not lost; who
    is lost was last known alive at discharge. Early deaths have GOSE 1 whatever was drawn;
    other deaths come after 80 h. A few leave the unit before 72 h, chosen without regard to
    the outcome; some are lost to follow-up.
    """
    n = gose.len()
    rng = np.random.default_rng([seed, 13])
    later_h = 80 + rng.exponential(160, n)
    stay_h = rng.exponential(60, n)
    scored_h = np.random.default_rng([seed, 14]).uniform(170 * 24, 230 * 24, n)
    at_risk = [i for i in range(n) if early_death_h[i] is None and monitored_to_h[i] < 68]
    leavers = set(rng.permutation(at_risk)[: round(_EARLY_LEAVER_SHARE * n)].tolist())
    alive = [i for i in range(n) if early_death_h[i] is None]
    lost = set(rng.permutation(alive)[: round(_LOST_SHARE * n)].tolist())
    rows = []
    for i in range(n):
        end_h, died_h, left_h = monitored_to_h[i], early_death_h[i], None
        if died_h is None and gose[i] == 1:
            died_h = max(later_h[i], end_h + 2)
        if i in leavers:
            left_h = end_h + 0.5 + rng.random() * (70 - end_h)
        elif died_h is None or i in lost:
            left_h = max(end_h, 74.0) + 2 + stay_h[i]
        rows.append(
            {
                "gose_6m": None
                if i in lost
                else 1
                if early_death_h[i] is not None
                else gose[i],
                "death_h": None if died_h is None or i in lost else round(died_h, 1),
                "left_unit_h": None if left_h is None else round(left_h, 1),
                "last_known_h": None
                if died_h is not None or i in lost
                else round(float(scored_h[i]), 1),
            }
        )
    return pl.DataFrame(rows, schema=END_TYPES)
