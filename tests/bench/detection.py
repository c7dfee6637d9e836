"""Detection: what the cleaning rules of the published settings find, and what they take.

Each kind of artefact has a recording of its own, whose intervals are known to the second; each
kind of clean patient another. Signals are made here from single beats, so that rhythm can be
irregular; the shapes of a beat are those of the simulated cohort. All values are invented.
"""

from pathlib import Path

import disturbances
import numpy as np
import yaml

from icpcohort.recordings import Chunk
from icpcohort.signals import rules, trend_settings, trends
from icpcohort.simulate import artefacts, mechanistic_recordings, pulses
from icpcohort.simulate.cerebral_haemodynamics import Haemodynamics

CONFIG = yaml.safe_load((Path(__file__).parents[2] / "config/config.yaml").read_text())
FS_HZ = {"waveform": 100.0, "seconds": 1.0, "ten_seconds": 0.1, "minutes": 1 / 60}
LIMITS_MMHG = {"icp": (-50.0, 150.0), "abp": (-50.0, 350.0)}
ABP, N_PHASES = pulses._ABP, pulses._N_PHASES
ICP = pulses._P1 + 0.9 * pulses._P2 + pulses._P3
ICP = ICP / np.ptp(ICP)

# tier, signal, kind, shortest and longest duration [s]
KINDS = (
    ("waveform", "icp", "disconnection", 40, 240),
    ("waveform", "icp", "drift_off", 60, 120),
    ("waveform", "icp", "flat", 120, 360),
    ("waveform", "icp", "pulse_loss", 60, 300),
    ("waveform", "icp", "saturation", 10, 60),
    ("waveform", "icp", "spike", 1, 3),
    ("waveform", "icp", "zeroing", 20, 60),
    ("waveform", "abp", "damping", 240, 600),
    ("waveform", "abp", "flush", 5, 10),
    ("waveform", "abp", "movement", 10, 60),
    ("waveform", "abp", "ramp", 30, 100),
    ("waveform", "abp", "sampling", 40, 100),
    ("waveform", "abp", "saturation", 10, 60),
    ("waveform", "abp", "zeroing", 20, 60),
    ("seconds", "icp", "disconnection", 60, 300),
    ("seconds", "icp", "flat", 780, 1500),
    ("seconds", "icp", "spike", 1, 3),
    ("seconds", "icp", "zeroing", 20, 60),
    ("seconds", "abp", "flush", 4, 8),
    ("seconds", "abp", "ramp", 40, 100),
    ("seconds", "abp", "sampling", 40, 100),
    ("seconds", "abp", "zeroing", 20, 60),
    ("ten_seconds", "icp", "disconnection", 120, 480),
    ("ten_seconds", "icp", "flat", 780, 1500),
    ("ten_seconds", "abp", "sampling", 60, 120),
    ("ten_seconds", "abp", "zeroing", 30, 60),
)

# the same of `disturbances`, which begin at any time
KINDS_OF_LIFE = (
    ("waveform", "icp", "loose_cable", 10, 60),
    ("waveform", "icp", "short_hold", 1.2, 3),
    ("waveform", "icp", "hold", 5, 20),
    ("waveform", "abp", "hold", 5, 20),
    ("waveform", "icp", "repeat", 2, 10),
    ("waveform", "abp", "repeat", 2, 10),
    ("waveform", "icp", "short_spike", 0.2, 1),
    ("waveform", "icp", "long_spike", 5, 20),
    ("waveform", "icp", "cough", 3, 12),
    ("waveform", "icp", "movement", 10, 60),
    ("waveform", "icp", "noise", 60, 300),
    ("waveform", "icp", "noisy_zeroing", 20, 60),
    ("waveform", "icp", "height", 600, 1200),
    ("waveform", "icp", "other_unit", 600, 1200),
    ("waveform", "icp", "drain", 600, 1200),
    ("waveform", "icp", "drift", 600, 1200),
    ("seconds", "icp", "hold", 30, 300),
    ("seconds", "abp", "hold", 30, 300),
    ("seconds", "icp", "zero_line", 60, 300),
    ("seconds", "icp", "long_spike", 5, 20),
    ("seconds", "icp", "height", 600, 1200),
    ("seconds", "icp", "other_unit", 600, 1200),
    ("ten_seconds", "icp", "hold", 300, 1500),
    ("ten_seconds", "icp", "zero_line", 300, 1500),
    ("ten_seconds", "icp", "height", 600, 1200),
    ("minutes", "icp", "zero_line", 600, 6000),
    ("minutes", "icp", "hold", 3600, 7200),
    ("minutes", "abp", "hold", 3600, 7200),
    ("minutes", "icp", "height", 3600, 7200),
)

USUAL = {"rate": 78.0, "icp": 14.0, "abp": 92.0, "pulse": 50.0, "icp_pulse": 4.0}
# a clean patient's differences from the usual
CLEAN = {
    "usual": {},
    "plateau waves to 60 mmHg": {"plateau": 46.0, "icp_pulse": 8.0},
    "ICP near 0": {"icp": 0.5, "icp_pulse": 1.2},
    "ICP below 0": {"icp": -4.0, "icp_pulse": 0.9},
    "after craniectomy": {"icp": 6.0, "icp_pulse": 0.7},
    "low pulse pressure (25)": {"pulse": 25.0, "abp": 62.0},
    "high pulse pressure (110)": {"pulse": 110.0, "abp": 105.0},
    "tachycardia (180)": {"rate": 180.0, "pulse": 35.0},
    "bradycardia (45)": {"rate": 45.0, "pulse": 70.0},
    "atrial fibrillation": {"rate": 110.0, "irregular": 0.25},
    "bigeminy": {"rate": 60.0, "pulse": 60.0, "bigeminy": True},
    "child": {"rate": 140.0, "abp": 55.0, "pulse": 30.0, "icp": 4.0, "icp_pulse": 1.2},
    "hypotension (MAP 45)": {"abp": 45.0, "pulse": 28.0, "rate": 120.0},
    "suction, coughs": {"coughs": True},
}
# patients of the mechanistic model, whose ICP answers to ABP by itself
MECHANISTIC = {
    "mechanistic: intact": {},
    "mechanistic: impaired": {"gain_ml_per_mmhg": 0.2},
    "mechanistic: stiff": {"elastance_per_ml": 0.2, "outflow_resistance_mmhg_s_per_ml": 1000.0},
    "mechanistic: compliant": {"elastance_per_ml": 0.06},
}

# tier and step of its numbers [mmHg] in which clean patients are recorded
TIERS = (
    ("waveform", None),
    ("waveform", 1.0),
    ("seconds", 0.1),
    ("seconds", 1.0),
    ("ten_seconds", 1.0),
    ("minutes", 1.0),
)


def patient(draw, *, hours, fs_hz, **changes):
    """Return clean ICP and ABP [mmHg] at a waveform's rate, or as means of 1 / fs_hz."""
    is_wave = fs_hz > 1
    about = USUAL | changes
    rate_hz = fs_hz if is_wave else 1.0
    t_s = np.arange(round(hours * 3600 * rate_hz)) / rate_hz
    slow = _slow(draw, hours)
    knots = np.arange(slow.shape[1])
    icp = about["icp"] + np.interp(t_s, knots, slow[0])
    abp = about["abp"] + np.interp(t_s, knots, slow[1])
    if "plateau" in about:
        icp += about["plateau"] * np.clip(3 * np.sin(2 * np.pi * t_s / 3600) - 1.5, 0, 1)
    if "coughs" in about:
        icp += 14 * np.clip(np.sin(2 * np.pi * t_s / 900), 0.9, 1) * 10 - 126
    if is_wave:
        phase, strength = _beats(draw, hours, about, t_s)
        breath = np.sin(2 * np.pi * 0.25 * t_s)
        icp += (
            about["icp_pulse"] * strength * ICP[phase] + min(0.8, about["icp_pulse"]) * breath
        )
        abp += about["pulse"] * strength * ABP[phase] + 2.5 * breath
    icp += 0.15 * draw.normal(size=t_s.size)
    abp += 0.40 * draw.normal(size=t_s.size)
    return {"icp": icp, "abp": abp}


def mechanistic(draw, *, hours, fs_hz, **changes):
    """Return what `patient` does, of the mechanistic model with the noise of the others."""
    rate_hz = fs_hz if fs_hz > 1 else 100.0
    samples = mechanistic_recordings.waveforms(
        draw,
        Haemodynamics(**changes),
        duration_s=hours * 3600,
        fs_hz=rate_hz,
        drive=mechanistic_recordings.Drive(),
        beat=mechanistic_recordings.Beat(),
    )
    n = round(rate_hz / fs_hz)
    means = {
        name: v[: v.size // n * n].reshape(-1, n).mean(axis=1) for name, v in samples.items()
    }
    noise = {"icp": 0.15, "abp": 0.40}
    return {n: v.astype(float) + noise[n] * draw.normal(size=v.size) for n, v in means.items()}


def _slow(draw, hours):
    """Slow waves once a second: SD 1.0 mmHg in ICP and 3 in ABP, 20 s and slower."""
    n = round(hours * 3600) + 2
    raw = draw.normal(size=(2, n + 200))
    kernel = np.hanning(41)
    waves = np.array([np.convolve(row, kernel, "same")[100 : 100 + n] for row in raw])
    return waves / waves.std(axis=1, keepdims=True) * np.array([[1.0], [3.0]])


def _beats(draw, hours, about, t_s):
    """Return the index of each sample in its beat's shape, and the beat's strength."""
    n = round(hours * 60 * about["rate"] * 1.2) + 100
    period_s = np.full(n, 60 / about["rate"]) * (1 + 0.02 * draw.normal(size=n))
    strength = np.ones(n)
    if "irregular" in about:
        period_s *= np.clip(1 + about["irregular"] * draw.normal(size=n), 0.55, 2.2)
        strength[1:] = np.clip(period_s[:-1] / np.median(period_s), 0.55, 1.25)
    if "bigeminy" in about:
        period_s[::2], period_s[1::2] = 0.65 * period_s[::2], 1.35 * period_s[1::2]
        strength[::2] = 0.5
    starts = np.concatenate([[0.0], np.cumsum(period_s)])
    beat = np.searchsorted(starts, t_s, side="right") - 1
    phase = (t_s - starts[beat]) / period_s[beat]
    return (phase * N_PHASES).astype(int).clip(0, N_PHASES - 1), strength[beat]


def masked_seconds(samples_mmhg, *, tier):
    """Return, by signal, the reason that masks each second (None: none), by the settings."""
    return seconds_and_findings(samples_mmhg, tier=tier)[0]


def seconds_and_findings(samples_mmhg, *, tier):
    """Return the reasons of `masked_seconds`, and signal, start, end, reason of findings."""
    fs_hz = FS_HZ[tier]
    n_chunk = round(300 * max(fs_hz, 1.0))
    n = samples_mmhg["icp"].size
    chunks = (
        Chunk(
            start / fs_hz,
            {name: values[start : start + n_chunk] for name, values in samples_mmhg.items()},
            dict.fromkeys(samples_mmhg, fs_hz),
        )
        for start in range(0, n, n_chunk)
    )
    duration_s = n / fs_hz
    summary = trends.summarise(
        chunks,
        start_s=0.0,
        duration_s=duration_s,
        rules=rules.from_blocks(CONFIG["cleaning"]["rules"]),
        events=[],
        settings=trend_settings.Settings(**CONFIG["trends"]),
        declared={},
    )
    reasons = {name: np.full(round(duration_s), None, object) for name in samples_mmhg}
    for signal, start_s, end_s, reason in summary.artefacts.select(
        "signal", "start_s", "end_s", "reason"
    ).iter_rows():
        reasons[signal][round(start_s) : round(end_s)] = reason
    return reasons, summary.findings.rows()


def with_artefacts(tier, signal, kind, min_s, max_s, *, seed):
    """Return a recording with one kind of artefact, and which seconds it covers."""
    draw = np.random.default_rng([seed, KINDS.index((tier, signal, kind, min_s, max_s))])
    rate_hz = 100.0 if tier == "waveform" else 1.0
    spans, t_s = [], 2400.0 if kind == "damping" else 300.0
    for _ in range(6 if max_s > 500 else 12):
        length_s = int(draw.integers(min_s, max_s + 1))
        spans.append(artefacts.Artefact(signal, kind, t_s, t_s + length_s))
        t_s += length_s + int(draw.integers(200, 400)) + 2400 * (kind == "damping")
    hours = np.ceil(t_s / 60) / 60
    samples = patient(draw, hours=hours, fs_hz=rate_hz)
    artefacts.apply_artefacts(draw, samples, spans, fs_hz=dict.fromkeys(samples, rate_hz))
    truth = np.zeros(round(hours * 3600), bool)
    for span in spans:
        truth[int(span.start_s) : int(span.end_s)] = True
    return {name: _recorded(v, name, tier) for name, v in samples.items()}, truth


def of_life(case, *, seed, patient_of=None):
    """Return a recording with one of `KINDS_OF_LIFE`, its seconds, and where each lies."""
    tier, signal, kind, min_s, max_s = case
    draw = np.random.default_rng([seed, 1, KINDS_OF_LIFE.index(case)])
    rate_hz = 100.0 if tier == "waveform" else 1.0
    between_s = 1800.0 if kind == "drain" else 300.0 if max_s < 2000 else 3600.0
    spans, t_s = [], between_s
    for _ in range(6 if max_s > 500 else 12):
        length_s = draw.uniform(min_s, max_s)
        spans.append((t_s, t_s + length_s))
        t_s += length_s + draw.uniform(0.7, 1.3) * between_s
    hours = np.ceil(t_s / 60) / 60
    samples = (patient_of or patient)(draw, hours=hours, fs_hz=rate_hz)
    truth = np.zeros(round(hours * 3600), bool)
    for start_s, end_s in spans:
        rows = slice(round(start_s * rate_hz), round(end_s * rate_hz))
        disturbances.disturb(draw, samples, signal, kind, rows, fs_hz=rate_hz)
        truth[int(start_s) : int(np.ceil(end_s))] = True
    return {name: _recorded(v, name, tier) for name, v in samples.items()}, truth, spans


def _recorded(samples_mmhg, signal, tier):
    """Clip to what the file can express; numbers are means in steps of 0.1 mmHg."""
    clipped = np.clip(samples_mmhg, *LIMITS_MMHG[signal])
    if tier == "waveform":
        return clipped
    n = round(1 / FS_HZ[tier])
    return np.round(clipped[: clipped.size // n * n].reshape(-1, n).mean(axis=1), 1)


def detect(case, *, seed=5):
    """Return sensitivity, positive predictive value, a false share, and the main reason.

    All by seconds. The predictive value is of all that was masked in the recording, margins
    included; the false share is of clean seconds more than 15 s from an artefact.
    """
    samples, truth = with_artefacts(*case, seed=seed)
    return _compared(masked_seconds(samples, tier=case[0])[case[1]], truth)


def detect_of_life(case, *, seed=5, patient_of=None):
    """Return what `detect` does, and of the artefacts the share at which a finding lies."""
    tier, signal = case[:2]
    samples, truth, spans = of_life(case, seed=seed, patient_of=patient_of)
    reasons, findings = seconds_and_findings(samples, tier=tier)
    near_s = max(10.0, 2 / FS_HZ[tier])
    found = [
        any(
            of == signal and start_s < span[1] + near_s and end_s > span[0] - near_s
            for of, start_s, end_s, _ in findings
        )
        for span in spans
    ]
    return *_compared(reasons[signal], truth), np.mean(found)


def _compared(reason, truth):
    """Return what `detect` does, of the reason of each second."""
    masked = reason != None  # noqa: E711
    size = min(masked.size, truth.size)
    masked, truth, reason = masked[:size], truth[:size], reason[:size]
    names, counts = np.unique(reason[masked & truth].astype(str), return_counts=True)
    main = str(names[counts.argmax()]) if names.size else "-"
    hits = (masked & truth).sum()
    far = np.convolve(truth, np.ones(31), "same") == 0
    return (
        hits / truth.sum(),
        hits / max(1, masked.sum()),
        masked[far].sum() / far.sum(),
        main,
    )


def lost(name, **how):
    """Return the share of seconds masked in a clean patient, by signal, and the reasons."""
    return _shares(clean(name, **how)[0])


def clean(name, *, tier="waveform", hours=2.0, seed=7, step_mmhg=None):
    """Return what `seconds_and_findings` does, of a clean patient."""
    about = CLEAN | MECHANISTIC
    draw = np.random.default_rng([seed, list(about).index(name)])
    rate_hz = 100.0 if tier == "waveform" else 1.0
    make = mechanistic if name in MECHANISTIC else patient
    samples = make(draw, hours=hours, fs_hz=rate_hz, **about[name])
    samples = {n: _recorded(v, n, tier) for n, v in samples.items()}
    if step_mmhg:
        samples = {n: np.round(v / step_mmhg) * step_mmhg for n, v in samples.items()}
    return seconds_and_findings(samples, tier=tier)


def _shares(reasons):
    return {
        signal: (
            (reason != None).mean(),  # noqa: E711
            sorted({r for r in reason if r is not None}),
        )
        for signal, reason in reasons.items()
    }


def main():
    """Print a row for each kind of artefact and each kind of clean patient."""
    print("tier         signal  kind            found %  right %  far away %  mostly named")
    for case in KINDS:
        detected, right, far_away, name = detect(case)
        print(
            f"{case[0]:12s} {case[1]:7s} {case[2]:15s} {100 * detected:7.1f} {100 * right:8.1f}"
            f" {100 * far_away:11.2f}  {name}"
        )
    print("\nof life: the same, and the share at which a finding lies")
    for case in KINDS_OF_LIFE:
        detected, right, far_away, name, found = detect_of_life(case)
        print(
            f"{case[0]:12s} {case[1]:7s} {case[2]:15s} {100 * detected:7.1f} {100 * right:8.1f}"
            f" {100 * far_away:11.2f}  {name:14s} {100 * found:5.0f}"
        )
    print("\nclean patients             tier         ICP lost %  ABP lost %  found  by")
    for name in CLEAN | MECHANISTIC:
        for tier, step_mmhg in TIERS:
            seconds, findings = clean(name, tier=tier, step_mmhg=step_mmhg)
            shares = _shares(seconds)
            reasons = sorted({*shares["icp"][1], *shares["abp"][1]})
            kind = tier if step_mmhg is None else f"{tier} {step_mmhg:g}"
            print(
                f"{name:26s} {kind:12s} {100 * shares['icp'][0]:10.2f}"
                f" {100 * shares['abp'][0]:11.2f} {len(findings):4d}  {', '.join(reasons)}"
            )


if __name__ == "__main__":
    main()
