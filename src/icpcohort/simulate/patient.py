"""Patient: the signals, files and truth of one simulated patient."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from icpcohort.simulate import artefacts, physiology, pulses, writers
from icpcohort.simulate.bedside import Bedside, rezero_row
from icpcohort.simulate.physiology import Floats, Physiology, Tracks
from icpcohort.simulate.plan import INTERVAL_S, Recording

_SENSOR_NOISE_MMHG = {"icp": 0.15, "abp": 0.40}
_DRAIN_LEVEL_MMHG = 12.0
_DRAIN_SLOW_FRACTION = 0.2
_BLOCK_S = 3600
# written out here, so that a slip in the project's own factors would show
_MMHG_PER_UNIT = {"mmHg": 1.0, "kPa": 7.500617, "cmH2O": 0.7355592}  # NIST SP 811 App. B
_THRESHOLD_MMHG = 20.0
_HORIZON_S = 72 * 3600.0


@dataclass(frozen=True)
class Task:
    """All that a process needs to simulate one patient."""

    patient_id: str
    number: int
    seed: int
    recordings: tuple[Recording, ...]
    physiology: Physiology
    bedside: Bedside
    folder: Path


@dataclass(frozen=True)
class Result:
    """What one patient adds to the truth files and to events.csv."""

    truth: dict[str, object]
    artefacts: list[dict[str, object]]
    events: list[dict[str, object]]


@dataclass(frozen=True)
class Signals:
    """The samples of one recording in mmHg as the monitor gave them, NaN where missing."""

    samples_mmhg: dict[str, artefacts.Samples]
    fs_hz: dict[str, float]
    others: dict[str, artefacts.Samples]
    artefacts: list[artefacts.Artefact]


def simulate_patient(task: Task) -> Result:
    """Write the recordings of one patient and return the truth behind them."""
    tracks = patient_tracks(task)
    spans: list[dict[str, object]] = []
    events: list[dict[str, object]] = []
    for number, recording in enumerate(task.recordings):
        signals = simulate_signals(task, recording, tracks, number=number)
        write_recording(task.folder / recording.file_name, recording, signals)
        for artefact in signals.artefacts:
            begin_s, end_s = (recording.start_s + t for t in (artefact.start_s, artefact.end_s))
            spans.append(
                {
                    "recording_id": recording.recording_id,
                    "signal": artefact.signal,
                    "kind": artefact.kind,
                    "start_s": begin_s,
                    "end_s": end_s,
                }
            )
            if artefact.kind == "zeroing":
                events.append(rezero_row(task.patient_id, start_s=begin_s, end_s=end_s))
    return Result(patient_truth(task, tracks), spans, events)


def patient_tracks(task: Task) -> Tracks:
    """Return the clean pressures from the first recording's start to the last one's end."""
    start_s, last = task.recordings[0].start_s, task.recordings[-1]
    return physiology.simulate_tracks(
        np.random.default_rng([task.seed, 20, task.number]),
        task.physiology,
        start_s=start_s,
        n_s=round(last.start_s + last.duration_s - start_s),
    )


def patient_truth(task: Task, tracks: Tracks) -> dict[str, object]:
    """Return the row of truth/patients.csv, of the clean pressures over the recorded time."""
    recorded = np.zeros(tracks.icp_mmhg.size, dtype=bool)
    for recording in task.recordings:
        recorded[tracks.part(start_s=recording.start_s, duration_s=recording.duration_s)] = True
        if recording.gap_s is not None:
            low_s, high_s = recording.gap_s
            gap = tracks.part(start_s=recording.start_s + low_s, duration_s=high_s - low_s)
            recorded[gap] = False
    waveform = task.recordings[0].tier == "waveform"
    amplitude_mmhg = pulses.pulse_amplitude_mmhg(tracks.icp_mmhg[recorded])
    return {
        "patient_id": task.patient_id,
        "has_optimum": task.physiology.cppopt_mmhg is not None,
        "cppopt_true_mmhg": task.physiology.cppopt_mmhg,
        "rho_min": task.physiology.rho_min,
        "k_per_mmhg2": task.physiology.k_per_mmhg2,
        "recorded_h": float(recorded.sum() / 3600),
        "icp_mean_true_mmhg": float(tracks.icp_mmhg[recorded].mean()),
        "amp_mean_true_mmhg": float(amplitude_mmhg.mean()) if waveform else None,
        "p2_p1_ratio_true": _mean_p2_p1(tracks.icp_mmhg[recorded]) if waveform else None,
        "dose_per_h_true_mmhg": _dose_mmhg(tracks, recorded),
        "prx_true": float(tracks.rho[recorded].mean()),
    }


def _mean_p2_p1(icp_mmhg: Floats) -> float:
    """Mean ratio of the true heights, looked up on a fine grid of ratios."""
    grid = np.linspace(0.5, 1.7, 241)
    p1, p2, _ = pulses.peak_heights(grid)
    return float(np.interp(pulses.bump_ratio(icp_mmhg), grid, p2 / p1).mean())


def _dose_mmhg(tracks: Tracks, recorded: NDArray[np.bool_]) -> float:
    """Mean excess over 20 mmHg of the minute means recorded in the first 72 h."""
    n_minutes = min(recorded.size, max(0, int(_HORIZON_S - tracks.start_s))) // 60
    whole = recorded[: 60 * n_minutes].reshape(-1, 60).all(axis=1)
    minutes_mmhg = tracks.icp_mmhg[: 60 * n_minutes].reshape(-1, 60).mean(axis=1)[whole]
    return float(np.clip(minutes_mmhg - _THRESHOLD_MMHG, 0, None).mean())


def simulate_signals(
    task: Task, recording: Recording, tracks: Tracks, *, number: int
) -> Signals:
    """Return what the monitor showed: sensor error, open drain, pulse, artefacts, averages."""
    rng = np.random.default_rng([task.seed, 30, task.number, number])
    icp_mmhg, drained = _icp_reading(task, tracks)
    part = tracks.part(start_s=recording.start_s, duration_s=recording.duration_s)
    spans = artefacts.draw_artefacts(
        rng,
        tier=recording.tier,
        duration_s=recording.duration_s,
        avoid_s=() if recording.gap_s is None else (recording.gap_s,),
    )
    if recording.flaw == "no_signal":
        spans = []
    if recording.tier == "waveform":
        return _waveforms(rng, task, recording, tracks, icp_mmhg, drained, part, spans)
    return _numerics(rng, recording, icp_mmhg[part], tracks.abp_mmhg[part], spans)


def _icp_reading(task: Task, tracks: Tracks) -> tuple[Floats, Floats]:
    """ICP as its sensor reads it, once a second, and how far it reads the open drain."""
    n_s = tracks.icp_mmhg.size
    drained = physiology.drain_weight(
        start_s=tracks.start_s, n_s=n_s, drains_s=task.bedside.drains_s
    )
    t_s = tracks.start_s + np.arange(n_s)
    drift_mmhg = np.zeros(n_s)
    for monitor in task.bedside.monitors:
        since = t_s >= monitor.insertion_s
        days = (t_s[since] - monitor.insertion_s) / 86400
        drift_mmhg[since] = monitor.drift_mmhg_per_day * days
    level_mmhg = task.physiology.icp_level_mmhg
    at_drain_mmhg = _DRAIN_LEVEL_MMHG + _DRAIN_SLOW_FRACTION * (tracks.icp_mmhg - level_mmhg)
    reading_mmhg = (1 - drained) * tracks.icp_mmhg + drained * at_drain_mmhg
    return reading_mmhg + drift_mmhg, drained


def _waveforms(
    rng: np.random.Generator,
    task: Task,
    recording: Recording,
    tracks: Tracks,
    icp_mmhg: Floats,
    drained: Floats,
    part: slice,
    spans: list[artefacts.Artefact],
) -> Signals:
    beats = pulses.simulate_beats(
        np.random.default_rng([task.seed, 40, task.number]), task.physiology, tracks
    )
    fs_hz = {"icp": recording.fs_hz, "abp": recording.abp_fs_hz}
    samples: dict[str, list[artefacts.Samples]] = {"icp": [], "abp": []}
    for start in range(part.start, part.stop, _BLOCK_S):
        block = slice(start, min(start + _BLOCK_S, part.stop))
        icp = pulses.icp_waveform(
            icp_mmhg, beats, drained=drained, part=block, fs_hz=fs_hz["icp"]
        )
        abp = pulses.abp_waveform(tracks.abp_mmhg, beats, part=block, fs_hz=fs_hz["abp"])
        for signal, clean in {"icp": icp, "abp": abp}.items():
            noise = rng.standard_normal(clean.size, dtype=np.float32)
            samples[signal].append(clean + np.float32(_SENSOR_NOISE_MMHG[signal]) * noise)
    whole = {signal: np.concatenate(blocks) for signal, blocks in samples.items()}
    artefacts.apply_artefacts(rng, whole, spans, fs_hz=fs_hz)
    others: dict[str, artefacts.Samples] = {}
    if recording.extra == "ecg":
        others["ecg"] = pulses.ecg_waveform(beats, part=part, fs_hz=recording.fs_hz)
    if recording.extra == "temperature":
        others["temperature"] = _temperature(rng, round(recording.duration_s))
    return Signals(whole, fs_hz, others, _with_gap(spans, recording))


def _with_gap(
    spans: list[artefacts.Artefact], recording: Recording
) -> list[artefacts.Artefact]:
    if recording.gap_s is None:
        return spans
    gaps = [artefacts.Artefact(signal, "gap", *recording.gap_s) for signal in ("icp", "abp")]
    return spans + gaps


def _numerics(
    rng: np.random.Generator,
    recording: Recording,
    icp_mmhg: Floats,
    abp_mmhg: Floats,
    spans: list[artefacts.Artefact],
) -> Signals:
    """Average the readings of each second over the tier's interval; half must be there."""
    seconds: dict[str, artefacts.Samples] = {}
    for signal, clean in {"icp": icp_mmhg, "abp": abp_mmhg}.items():
        seconds[signal] = clean + _SENSOR_NOISE_MMHG[signal] * rng.standard_normal(clean.size)
    artefacts.apply_artefacts(rng, seconds, spans, fs_hz={"icp": 1.0, "abp": 1.0})
    interval_s = INTERVAL_S[recording.tier]
    samples: dict[str, artefacts.Samples] = {
        signal: average(values, n=round(interval_s)) for signal, values in seconds.items()
    }
    others: dict[str, artefacts.Samples] = {}
    if recording.extra == "temperature":
        others["temperature"] = _temperature(rng, samples["icp"].size)
    return Signals(samples, {"icp": recording.fs_hz, "abp": recording.fs_hz}, others, spans)


def average(values: artefacts.Samples, *, n: int) -> Floats:
    """Return the mean of each `n` values that are there; NaN when fewer than half are."""
    if n == 1:
        return np.asarray(values, dtype=np.float64)
    blocks = values.reshape(-1, n)
    present = ~np.isnan(blocks)
    n_present = present.sum(axis=1)
    total = np.where(present, blocks, 0.0).sum(axis=1)
    return np.asarray(np.where(2 * n_present >= n, total / np.maximum(n_present, 1), np.nan))


def _temperature(rng: np.random.Generator, n: int) -> Floats:
    """A slow temperature [degC]: an extra channel to be passed over."""
    return 37.2 + 0.6 * np.sin(2 * np.pi * (np.arange(n) / max(n, 1) + rng.random()))


def write_recording(path: Path, recording: Recording, signals: Signals) -> None:
    """Write one recording in its layout; a missing file is not written at all."""
    if recording.flaw == "missing_file":
        return
    channels = file_channels(recording, signals)
    record_s = 4.0 if recording.tier == "waveform" else 60.0
    interval_s = 1 / recording.fs_hz
    gap_s = recording.gap_s
    if recording.layout in ("wfdb_16", "wfdb_212"):
        writers.write_wfdb(path, channels, fmt=recording.layout.removeprefix("wfdb_"))
    elif recording.layout == "wfdb_segments" and gap_s is not None:
        writers.write_wfdb_segments(path, channels, fmt="16", gap_s=gap_s)
    elif recording.layout == "edf_d" and gap_s is not None:
        writers.write_edf_with_gap(path, channels, record_s=record_s, gap_s=gap_s)
    elif recording.layout == "edf_c":
        writers.write_edf(path, channels, record_s=record_s)
    elif recording.layout == "csv":
        writers.write_csv(path, channels, interval_s=interval_s)
    elif recording.layout == "parquet":
        writers.write_parquet(path, channels, interval_s=interval_s)
    else:
        raise ValueError(f"{recording.recording_id}: no writer for {recording.layout!r}")
    if recording.flaw == "truncated":
        data = path.with_suffix(".dat")
        data.write_bytes(data.read_bytes()[: data.stat().st_size * 3 // 5])


def file_channels(recording: Recording, signals: Signals) -> list[writers.Channel]:
    """Return the channels of the file in its units, pressures first."""
    channels = []
    names = {"icp": recording.icp_name, "abp": recording.abp_name}
    signal_units = {"icp": recording.icp_unit, "abp": recording.abp_unit}
    steps = {"icp": recording.icp_step, "abp": recording.abp_step}
    lowest_mmhg = {"icp": -50.0, "abp": -20.0}
    for signal in () if recording.flaw == "no_signal" else ("icp", "abp"):
        factor = _MMHG_PER_UNIT[signal_units[signal]]
        channels.append(
            writers.Channel(
                names[signal],
                signal_units[signal] if recording.unit_in_file else None,
                signals.samples_mmhg[signal] / factor,
                signals.fs_hz[signal],
                steps[signal],
                lowest_mmhg[signal] / factor,
            )
        )
    extra_fs_hz = 1.0 if recording.tier == "waveform" else recording.fs_hz
    for name, samples in signals.others.items():
        if name == "ecg":
            channels.append(
                writers.Channel("ECG II", "mV", samples, recording.fs_hz, 0.005, -5.0)
            )
        else:
            channels.append(writers.Channel("Temp", "degC", samples, extra_fs_hz, 0.1, 0.0))
    return channels
