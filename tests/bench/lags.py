"""Lags: what of a lag between two clocks is found, by truth and tier. Prints a table.

`python tests/bench/lags.py 12` takes 12 patients of each truth, an hour each; with the
mechanistic model, where it is there, some minutes. Waveforms are at 50 Hz (the simulated cohort
at its own rates), numbers are means of a second; `smoothed` ones are as a monitor shows them,
means of the last 8 s, rounded to 1 mmHg of ABP and 0.1 of ICP.
"""

import importlib
import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from icpcohort.signals import device_lag, lag_of_numbers, patient_lags
from icpcohort.signals.cells import Stretch
from icpcohort.simulate import cohort, patient, physiology

LAGS_S = (0.0, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 60.0)
HOUR_S = 3600
MARGIN_S = 100
MODEL = "icpcohort.simulate.mechanistic_recordings"
HAS_MODEL = importlib.util.find_spec(MODEL) is not None


def own_waveforms(n):
    """Yield ICP, ABP and rate of the simulated cohort's waveforms, as recorded."""
    study = cohort.draw_study(
        n_patients=max(12, n),
        n_waveforms=max(12, n),
        waveform_h=(12, 24),
        numeric_h=(12, 24),
        seed=11,
        folder=Path("unused"),
    )
    for task in study.tasks[:n]:
        recording = replace(
            task.recordings[0],
            duration_s=float(HOUR_S + 2 * MARGIN_S),
            gap_s=None,
            fs_hz=50.0,
            abp_fs_hz=50.0,
            flaw=None,
        )
        one = replace(task, recordings=(recording,))
        signals = patient.simulate_signals(
            one, recording, patient.patient_tracks(one), number=0
        )
        samples = signals.samples_mmhg
        yield *(np.asarray(samples[name], float) for name in ("icp", "abp")), 50.0


def mechanistic_waveforms(n):
    """Yield the same of patients of the mechanistic model, from passive to well regulated."""
    model = importlib.import_module(MODEL)
    rng = np.random.default_rng(12)
    for _ in range(n):
        person = model.Haemodynamics(
            gain_ml_per_mmhg=rng.uniform(0, 2.5),
            tau_s=rng.uniform(5, 25),
            elastance_per_ml=rng.uniform(0.08, 0.25),
            outflow_resistance_mmhg_s_per_ml=rng.uniform(500, 2000),
        )
        beat = model.Beat(
            heart_rate_per_min=rng.uniform(55, 110), resp_rate_per_min=rng.uniform(10, 20)
        )
        samples = model.waveforms(
            rng,
            person,
            duration_s=HOUR_S + 2 * MARGIN_S,
            fs_hz=50.0,
            drive=model.Drive(),
            beat=beat,
        )
        noise = rng.normal(size=(2, samples["icp"].size))
        yield samples["icp"] + 0.2 * noise[0], samples["abp"] + noise[1], 50.0


def shifted(icp, abp, fs_hz, lag_s, drift=0.0):
    """Return an hour of both, ICP later by a lag that grows by `drift` seconds per second."""
    t_s = np.arange(icp.size) / fs_hz
    at_s = MARGIN_S + np.arange(HOUR_S * int(fs_hz)) / fs_hz
    later_s = lag_s + drift * (at_s - MARGIN_S)
    return np.interp(at_s - later_s, t_s, icp), np.interp(at_s, t_s, abp)


def by_pulse(icp, abp, fs_hz):
    keepers = {name: device_lag.Keeper(name) for name in ("icp", "abp")}
    samples = {"icp": icp, "abp": abp}
    stretch = Stretch({"icp": 0.0, "abp": 0.0}, samples, {"icp": fs_hz, "abp": fs_hz})
    for keeper in keepers.values():
        keeper.push(stretch)
    return list(device_lag.between(keepers["icp"].finish(), keepers["abp"].finish()))


def by_numbers(icp, abp, fs_hz, *, smoothed):
    keepers = {name: lag_of_numbers.Keeper(name) for name in ("icp", "abp")}
    seconds = [x.reshape(-1, int(fs_hz)).mean(axis=1) for x in (icp, abp)]
    if smoothed:
        kernel = np.ones(8) / 8
        seconds = [np.convolve(np.pad(x, (7, 0), "edge"), kernel, "valid") for x in seconds]
        seconds = [np.round(seconds[0], 1), np.round(seconds[1])]
    samples = dict(zip(("icp", "abp"), seconds, strict=True))
    stretch = Stretch({"icp": 0.0, "abp": 0.0}, samples, {"icp": 1.0, "abp": 1.0})
    for keeper in keepers.values():
        keeper.push(stretch)
    return list(lag_of_numbers.between(keepers["icp"].finish(), keepers["abp"].finish()))


def row(name, lag_s, lags, within_s, floor_s):
    """Print the share of clear parts, how many of them are right, and the largest error."""
    clear_s = np.array([lag.lag_s for lag in lags if lag.is_clear])
    error_s = np.abs(clear_s - lag_s)
    right = f"{(error_s <= within_s).sum()}" if clear_s.size else "-"
    worst = f"{error_s.max():.2f}" if clear_s.size else "-"
    false = int((np.abs(clear_s) > floor_s).sum()) if lag_s == 0 else "-"
    print(
        f"| {name} | {lag_s:g} | {len(lags)} | {clear_s.size} | {right} | {worst} | {false} |"
    )


def table(truths):
    print("| truth, tier | lag, s | parts | clear | right | largest error, s | false alarms |")
    print("|---|---|---|---|---|---|---|")
    for truth, pairs in truths.items():
        of_tier = {
            "waveform": (by_pulse, {}, 0.3, 2.0),
            "numbers": (by_numbers, {"smoothed": False}, 1.0, 5.0),
            "smoothed numbers": (by_numbers, {"smoothed": True}, 1.0, 5.0),
        }
        for tier, (measure, options, within_s, floor_s) in of_tier.items():
            for lag_s in LAGS_S:
                if tier != "waveform" and 0 < lag_s < 5:
                    continue
                lags = []
                for icp, abp, fs_hz in pairs:
                    moved = shifted(icp, abp, fs_hz, lag_s)
                    lags += measure(*moved, fs_hz, **options)
                row(f"{truth}, {tier}", lag_s, lags, within_s, floor_s)


def slow_waves_alone(n):
    """Print false alarms of the simulated cohort's 1-s numbers, which have slow waves alone."""
    rng, lags = np.random.default_rng(13), {0.0: [], 20.0: []}
    for _ in range(n):
        rho = rng.uniform(-0.6, 0.9)
        shared, other = (
            physiology.band_noise(
                rng, n=HOUR_S + 200, fs_hz=1.0, band_hz=physiology.SLOW_BAND_HZ
            )
            for _ in range(2)
        )
        noise = rng.normal(size=(2, HOUR_S + 200))
        icp = 12 + 2 * (rho * shared + np.sqrt(1 - rho**2) * other) + 0.2 * noise[0]
        for lag_s, of_lag in lags.items():
            pair = shifted(icp, 90 + 4 * shared + 0.5 * noise[1], 1.0, lag_s)
            of_lag += by_numbers(*pair, 1.0, smoothed=False)
    for lag_s, of_lag in lags.items():
        row("slow waves alone, numbers", lag_s, of_lag, 1.0, 5.0)


def drift(n):
    """Print how a clock that drifts by 2 s an hour is followed, and in whom it is corrected."""
    pairs = list(own_waveforms(n))
    errors_s, n_parts, corrected = [], 0, 0
    for icp, abp, fs_hz in pairs:
        lags = []
        for hour in range(24):  # the same hour again, its lag further on
            moved = shifted(icp, abp, fs_hz, 2.0 * hour, drift=2 / HOUR_S)
            of_hour = by_pulse(*moved, fs_hz)
            n_parts += len(of_hour)
            lags += of_hour
            errors_s += [
                lag.lag_s - 2.0 * hour - 2 * lag.t_s / HOUR_S for lag in of_hour if lag.is_clear
            ]
        corrected += patient_lags.constant_lag_s(lags, max_lag_s=2.0) is not None
    errors_s = np.abs(errors_s)
    print(
        f"drift of 2 s an hour, 24 h: {errors_s.size} of {n_parts} parts clear, error median "
        f"{np.median(errors_s):.2f} s, largest {errors_s.max():.2f} s; taken for constant in "
        f"{corrected} of {n}"
    )


if __name__ == "__main__":
    n_patients = int(sys.argv[1]) if len(sys.argv) > 1 else 12
    truths = {"simulated cohort": list(own_waveforms(n_patients))}
    if HAS_MODEL:
        truths["mechanistic model"] = list(mechanistic_waveforms(n_patients))
    table(truths)
    slow_waves_alone(10 * n_patients)
    drift(min(3, n_patients))
