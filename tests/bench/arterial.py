"""Arterial: what the cleaning rules find in real arterial pressure, and what they take of it.

    python tests/bench/arterial.py FOLDER RECORD:FROM_S:TO_S ...

FOLDER holds WFDB records; each further argument names one, and the seconds of it that a person
found clean. These are repeated to an hour, since damping is judged by half an hour before it.
Artefacts of each kind are then put in, and the same beats are sampled at several rates.
"""

import sys
from functools import partial
from pathlib import Path

import numpy as np
import wfdb
import yaml
from scipy import ndimage, signal

from icpcohort.recordings import Chunk
from icpcohort.signals import beats, rules, trend_settings, trends

CONFIG = yaml.safe_load((Path(__file__).parents[2] / "config/config.yaml").read_text())
LIMITS_MMHG = (-50.0, 350.0)  # of a file that is wide enough for all but a clipping sensor
STEP_MMHG = 0.05
RATES_HZ = (50, 100, 125, 128, 200, 249, 250, 256, 360, 500)
HOUR_S = 3600
FIRST_S = 1500  # of the first artefact: half an hour before it would have half an hour of beats
CHANNELS = ("ABP", "ART", "ARTERIAL BLOOD PRESSURE")


def clean_part(folder, record, from_s, to_s):
    """Return clean samples [mmHg] from the foot of a beat to that of another, and the rate."""
    read = wfdb.rdrecord(str(Path(folder) / record), smooth_frames=False)
    at = next(i for i, name in enumerate(read.sig_name) if name.upper() in CHANNELS)
    fs_hz = read.fs * read.samps_per_frame[at]
    part = read.e_p_signal[at][int(from_s * fs_hz) : int(to_s * fs_hz)]
    known = np.flatnonzero(np.isfinite(part))
    part = np.interp(np.arange(known[0], known[-1] + 1), known, part[known])
    n = round(1.2 * fs_hz)
    return part[part[:n].argmin() : part.size - n + part[-n:].argmin()], float(fs_hz)


def hour_of(part, fs_hz):
    """Return an hour of samples, the part again and again."""
    n = round(HOUR_S * fs_hz)
    return np.tile(part, -(-n // part.size))[:n]


def resampled(part, fs_hz, to_hz):
    """Return the same waveform at another rate, without what that rate cannot hold."""
    line = np.linspace(part[0], part[-1], part.size)
    odd = np.concatenate([part - line, (line - part)[::-1]])
    n = round(part.size * to_hz / fs_hz)
    return signal.resample(odd, 2 * n)[:n] + np.linspace(part[0], part[-1], n)


def through_line(part, fs_hz, *, natural_hz, damping):
    """Return what a catheter and its tube, a system of second order, make of a pressure."""
    fine = resampled(part, fs_hz, 1000.0)
    w = 2 * np.pi * natural_hz
    (b,), a, _ = signal.cont2discrete(
        ([w * w], [1, 2 * damping * w, w * w]), 1 / 1000, method="bilinear"
    )
    out, _ = signal.lfilter(b, a, fine, zi=signal.lfilter_zi(b, a) * fine[0])
    return resampled(out, 1000.0, fs_hz)[: part.size]


def _eased(n, n_in, n_out):
    """Return weights that rise from 0 to 1 over the first samples and fall over the last."""
    at = np.arange(n)
    return np.minimum(np.minimum(at / max(1, n_in), (n - 1 - at) / max(1, n_out)), 1.0)


def _mean(clean, fs_hz):
    return ndimage.uniform_filter1d(clean, round(3 * fs_hz))


def flush(draw, clean, fs_hz):
    """The bag's pressure, then a ringing return."""
    out = 300 + 0.3 * draw.normal(size=clean.size)
    n = round(min(1.0, clean.size / fs_hz / 2) * fs_hz)
    t_s = np.arange(n) / fs_hz
    out[-n:] = clean[-n:] + 60 * np.exp(-t_s / 0.25) * np.cos(2 * np.pi * 9 * t_s)
    return out


def sampling(draw, clean, fs_hz):
    """The line is closed: the last mean stands, or a low one."""
    level = clean[: round(fs_hz)].mean() if draw.random() < 0.5 else 10.0
    return level + 0.1 * draw.normal(size=clean.size)


def zeroing(draw, clean, fs_hz):
    """Open to air."""
    return 0.05 * draw.normal(size=clean.size)


def electrocautery(draw, clean, fs_hz):
    """Broad noise of 30 to 60 mmHg in the band of the recording."""
    return clean + draw.uniform(30, 60) * draw.normal(size=clean.size)


def movement(draw, clean, fs_hz):
    """Slow noise of 20 to 35 mmHg."""
    noise = ndimage.uniform_filter1d(draw.normal(size=clean.size), round(0.15 * fs_hz))
    return clean + draw.uniform(20, 35) * noise / noise.std()


def swapped(draw, clean, fs_hz):
    """An intracranial pressure in place of the arterial one."""
    return (
        12
        + 4 * (clean - _mean(clean, fs_hz)) / np.ptp(clean)
        + 0.1 * draw.normal(size=clean.size)
    )


def other_unit(draw, clean, fs_hz):
    """In kPa."""
    return clean / 7.50062


def kink(draw, clean, fs_hz):
    """The pulse goes to a tenth within 10 s, the mean to two thirds; both come back in 3 s."""
    weight = _eased(clean.size, 10 * fs_hz, 3 * fs_hz)
    mean = _mean(clean, fs_hz)
    return mean * (1 - weight / 3) + (clean - mean) * (1 - 0.9 * weight)


def cuff(draw, clean, fs_hz):
    """A cuff on the same arm: no pulse within 4 s, a fall to 30 mmHg, a return in 8 s."""
    weight = _eased(clean.size, 4 * fs_hz, 8 * fs_hz)
    mean = _mean(clean, fs_hz)
    low = 30 + (mean - 30) * np.exp(-np.arange(clean.size) / fs_hz / 8)
    return (1 - weight) * clean + weight * low


def damping(draw, clean, fs_hz):
    """The pulse goes to a quarter within 30 s and comes back within 10 s; the mean stays."""
    weight = _eased(clean.size, 30 * fs_hz, 10 * fs_hz)
    mean = _mean(clean, fs_hz)
    return mean + (clean - mean) * (1 - 0.75 * weight)


def hold(draw, clean, fs_hz):
    """The last value again and again."""
    return np.full(clean.size, clean[0])


def clipping(draw, clean, fs_hz):
    """A sensor that goes no further than a round value under the usual systole."""
    low, high = np.percentile(clean, [1, 99])
    return np.minimum(clean, np.floor((high - 0.2 * (high - low)) / 5) * 5)


def underdamped(draw, clean, fs_hz):
    """A line that rings: no artefact of the mean."""
    return through_line(
        clean, fs_hz, natural_hz=draw.uniform(8, 14), damping=draw.uniform(0.1, 0.2)
    )


# shortest and longest duration [s], and how often
KINDS = {
    flush: (2, 8, 12),
    sampling: (30, 90, 10),
    zeroing: (15, 60, 10),
    electrocautery: (5, 30, 12),
    movement: (10, 60, 12),
    swapped: (60, 180, 6),
    other_unit: (60, 180, 6),
    kink: (40, 120, 8),
    cuff: (30, 60, 10),
    damping: (240, 360, 2),
    hold: (5, 20, 12),
    clipping: (60, 180, 6),
    underdamped: (120, 240, 5),
}


def masked_seconds(samples_mmhg, fs_hz, settings):
    """Return the reason that masks each second (None: none)."""
    n = round(300 * fs_hz)
    chunks = (
        Chunk(
            start / fs_hz,
            {"abp": samples_mmhg[start : start + n]},
            {"abp": fs_hz},
        )
        for start in range(0, samples_mmhg.size, n)
    )
    duration_s = samples_mmhg.size / fs_hz
    summary = trends.summarise(
        chunks,
        start_s=0.0,
        duration_s=duration_s,
        rules=rules.from_blocks(settings),
        events=[],
        settings=trend_settings.Settings(**CONFIG["trends"]),
        declared={},
    )
    reasons = np.full(int(duration_s), None, object)
    for start_s, end_s, reason in summary.artefacts.select(
        "start_s", "end_s", "reason"
    ).iter_rows():
        reasons[round(start_s) : round(end_s)] = reason
    return reasons


def with_artefacts(clean, fs_hz, kind, *, seed):
    """Return the hour with artefacts of one kind, and which seconds they cover."""
    shortest, longest, n = KINDS[kind]
    draw = np.random.default_rng([seed, list(KINDS).index(kind)])
    samples, truth = clean.copy(), np.zeros(HOUR_S, bool)
    spaces = np.linspace(FIRST_S, HOUR_S - longest - 20, n)
    for space_s in spaces:
        start_s, long_s = int(space_s), int(draw.integers(shortest, longest + 1))
        span = slice(round(start_s * fs_hz), round((start_s + long_s) * fs_hz))
        samples[span] = kind(draw, clean[span], fs_hz)
        truth[start_s : start_s + long_s] = True
    samples = np.clip(np.round(samples / STEP_MMHG) * STEP_MMHG, *LIMITS_MMHG)
    return samples, truth


def found(clean, fs_hz, kind, *, seed=1):
    """Return the share of artefact seconds masked, of seconds far from one, and the reasons."""
    samples, truth = with_artefacts(clean, fs_hz, kind, seed=seed)
    reasons = masked_seconds(samples, fs_hz, CONFIG["cleaning"]["rules"])
    masked = reasons != None  # noqa: E711
    far = np.convolve(truth, np.ones(31), "same") == 0
    names, counts = np.unique(reasons[masked & truth].astype(str), return_counts=True)
    main = ", ".join(names[np.argsort(-counts)][:2])
    return masked[truth].mean(), masked[far].mean(), masked[~truth & ~far].sum(), main


def at_rate(part, fs_hz, to_hz, *, noise_mmhg):
    """Return the share of beats that are abnormal, and of seconds that are masked."""
    samples = part if to_hz == fs_hz else resampled(part, fs_hz, to_hz)
    samples = samples + noise_mmhg * np.random.default_rng(2).normal(size=samples.size)
    blocks = CONFIG["cleaning"]["rules"]
    rule = rules.from_blocks([b for b in blocks if b["rule"] == "beats"])[0]
    each = beats.find(samples, t_s=0.0, fs_hz=float(to_hz))
    masked = masked_seconds(samples, float(to_hz), blocks) != None  # noqa: E711
    return beats.abnormal(each, rule).mean(), masked.mean()


def main(folder, *named):
    """Print what is lost of each clean part, what is found of each kind, and each rate."""
    parts = {}
    for name in named:
        record, from_s, to_s = name.split(":")
        parts[name] = clean_part(folder, record, float(from_s), float(to_s))
    print("clean part                lost %  by")
    hours = {}
    for name, (part, fs_hz) in parts.items():
        hours[name] = hour_of(part, fs_hz)
        reasons = masked_seconds(hours[name], fs_hz, CONFIG["cleaning"]["rules"])
        lost = reasons != None  # noqa: E711
        print(f"{name:24s} {100 * lost.mean():7.2f}  {sorted(set(reasons[lost]))}")
    print("\nkind             found %  far away %  beside s  mostly named")
    for kind in KINDS:
        all_of = [found(hours[name], fs_hz, kind) for name, (_, fs_hz) in parts.items()]
        share, far, beside = np.mean([row[:3] for row in all_of], axis=0)
        each = " ".join(f"{100 * row[0]:5.1f}" for row in all_of)
        print(
            f"{kind.__name__:15s} {100 * share:8.1f} {100 * far:11.2f} {beside:9.1f}"
            f"  {each}  {' | '.join(row[3] for row in all_of)}"
        )
    print("\nabnormal beats %, masked seconds % at " + ", ".join(map(str, RATES_HZ)) + " Hz")
    for name, (part, fs_hz) in parts.items():
        for noise_mmhg in (0.0, 1.0):
            rates = map(partial(at_rate, part, fs_hz, noise_mmhg=noise_mmhg), RATES_HZ)
            odd, lost = 100 * np.array(list(rates)).T
            print(f"{name} + {noise_mmhg:g} mmHg", np.round(odd, 1), np.round(lost, 1))


if __name__ == "__main__":
    main(*sys.argv[1:])
