"""Plausible patients: which whole recordings are named as suspect, and which are not.

Planted patients have one thing in their recordings that cannot be right, plausible ones have
nothing but illness. Signals are those of `detection.py`, which are made of the simulated
cohort's beats. All values are invented.
"""

import importlib.util
import time
from collections import Counter
from pathlib import Path
from typing import NamedTuple

import numpy as np
import polars as pl
import yaml

from icpcohort.recordings import Chunk
from icpcohort.signals import (
    differences,
    overlaps,
    plausibility,
    plausibility_settings,
    rules,
    trend_settings,
    trends,
)

SPEC = importlib.util.spec_from_file_location(
    "detection", Path(__file__).with_name("detection.py")
)
detection = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(detection)

CONFIG = yaml.safe_load((Path(__file__).parents[2] / "config/config.yaml").read_text())
DECLARED = {name: CONFIG[name] for name in ("signals", "derived_signals")}
SETTINGS = plausibility_settings.Settings(**CONFIG["plausibility"])
FS_HZ = {"100 Hz": 100.0, "1 Hz": 1.0, "1/min": 1 / 60}
STEP_MMHG = {"100 Hz": 0.05, "1 Hz": 0.1, "1/min": 0.1}
KPA, CMH2O = 7.500617, 0.7355592  # mmHg in one; NIST SP 811
HOURS = 2.0


class Patient(NamedTuple):
    """Recordings one after the other, each of the signals by name, and what was noted."""

    parts: list
    fs_hz: float
    monitors: tuple = ()
    events: tuple = ()
    gap_s: float = 600.0


def waves(draw, tier, *, hours=HOURS, **changes):
    """Return ICP and ABP of a patient at the rate of a tier, with a course over hours."""
    rate_hz = max(1.0, FS_HZ[tier])
    samples = detection.patient(draw, hours=hours, fs_hz=rate_hz, **changes)
    t_s = np.arange(samples["icp"].size) / rate_hz
    moves = changes.get("moves", 1.5)
    for name, size in (("icp", moves), ("abp", 5.0)):
        for period_h in (0.6, 2.7):
            phase = 2 * np.pi * draw.random()
            samples[name] = samples[name] + size * np.sin(
                2 * np.pi * t_s / 3600 / period_h + phase
            )
    return samples


def stored(samples, tier):
    """Return the samples of a file: means of the interval, in its steps."""
    n = round(1 / FS_HZ[tier]) if FS_HZ[tier] < 1 else 1
    step = STEP_MMHG[tier]
    return {
        name: np.round(v[: v.size // n * n].reshape(-1, n).mean(axis=1) / step) * step
        for name, v in samples.items()
    }


def named(patient, *, chunk_s=600.0, sample_s=None):
    """Return contracts.SUSPECTS of a patient, as ingest has it, or by a sample as check has."""
    summaries, raw, start_s = [], [], 0.0
    for number, samples in enumerate(patient.parts):
        duration_s = next(iter(samples.values())).size / patient.fs_hz
        summary = trends.summarise(
            _chunks(samples, patient.fs_hz, chunk_s),
            start_s=start_s,
            duration_s=duration_s,
            rules=rules.from_blocks(CONFIG["cleaning"]["rules"]),
            events=list(patient.events),
            settings=trend_settings.Settings(**CONFIG["trends"]),
            declared=DECLARED,
        )
        summaries.append(overlaps.Part(summary, start_s, start_s + duration_s))
        raw.append(summary.raw.with_columns(recording_id=pl.lit(f"R{number}")))
        start_s += duration_s + patient.gap_s
    joined = overlaps.combine(summaries, block_s=10.0, declared=DECLARED)
    with_level = joined.trends.with_columns(
        abp_level_used=pl.lit("unknown"), abp_shift_mmhg=pl.lit(0.0)
    )
    return plausibility.judge(
        "P1",
        pl.concat(raw),
        trends=differences.add(with_level, declared=DECLARED),
        block_s=10.0,
        events=patient.events,
        monitors=patient.monitors,
        settings=SETTINGS,
        declared=DECLARED,
    )


def _chunks(samples, fs_hz, chunk_s):
    n_chunk = max(1, round(chunk_s * fs_hz))
    n = next(iter(samples.values())).size
    for start in range(0, n, n_chunk):
        part = {name: v[start : start + n_chunk] for name, v in samples.items()}
        yield Chunk(start / fs_hz, part, dict.fromkeys(samples, fs_hz))


# --- planted: each returns the parts, and what was noted -------------------------------------


def _one(change, **about):
    def make(draw, tier):
        samples = stored(waves(draw, tier, **about), tier)
        return Patient([change(samples, draw)], FS_HZ[tier])

    return make


def _scaled(**factors):
    return lambda samples, _: {n: v * factors.get(n, 1.0) for n, v in samples.items()}


def _exchange(samples, _):
    return {"icp": samples["abp"], "abp": samples["icp"]}


def _copied(samples, _):
    return {"icp": samples["icp"], "abp": samples["icp"].copy()}


def _flat(samples, _):
    return samples | {"icp": np.full(samples["icp"].size, 12.0)}


def _damped(samples, _):
    kernel = np.full(400, 1 / 400)
    return samples | {"icp": np.convolve(samples["icp"], kernel, "same")}


def _held(samples, _):
    n = 6000
    whole = samples["icp"][: samples["icp"].size // n * n].reshape(-1, n).mean(axis=1)
    held = np.repeat(np.round(whole), n)
    return {"icp": held, "abp": samples["abp"][: held.size]}


def _venous(samples, _):
    return samples | {"abp": (samples["abp"] - 92) * 0.08 + 9.0}


def _shifted(by):
    return lambda samples, _: samples | {"icp": samples["icp"] + by}


def _two(change, **about):
    def make(draw, tier):
        samples = stored(waves(draw, tier, hours=2 * HOURS, **about), tier)
        n = samples["icp"].size // 2
        first = {name: v[:n] for name, v in samples.items()}
        second = {name: v[n:] for name, v in samples.items()}
        return Patient([first, change(second, draw)], FS_HZ[tier])

    return make


def _drifted(draw, tier):
    patient = _one(lambda samples, _: samples)(draw, tier)
    monitor = {
        "monitor_id": "M1",
        "insertion_h": 0.0,
        "removal_h": HOURS,
        "drift_at_removal_mmhg": 14.0,
    }
    return patient._replace(monitors=(monitor,))


def _amplitude(draw, tier):
    """ICP creeps up by 20 mmHg as its pulse dies away."""
    small = stored(waves(draw, tier, hours=4.0, icp=8.0, icp_pulse=1.0, moves=0.5), tier)
    large = stored(waves(draw, tier, hours=4.0, icp=8.0, icp_pulse=8.0, moves=0.5), tier)
    share = np.linspace(0, 1, small["icp"].size)
    pulse = large["icp"] * (1 - share) + small["icp"] * share
    return Patient([{"icp": pulse + 20 * share, "abp": small["abp"]}], FS_HZ[tier])


WAVES, NUMBERS = ("100 Hz",), ("1 Hz", "1/min")
EVERY = (*WAVES, *NUMBERS)
# name, how it is made, tiers, and the kinds that name it rightly
PLANTED = (
    ("both in kPa", _one(_scaled(icp=1 / KPA, abp=1 / KPA)), EVERY, {"unit"}),
    ("ICP in kPa", _one(_scaled(icp=1 / KPA), icp=16.0), EVERY, {"unit"}),
    ("ABP in kPa", _one(_scaled(abp=1 / KPA)), WAVES, {"unit"}),
    ("mmHg called kPa", _one(_scaled(icp=KPA, abp=KPA)), WAVES, {"unit"}),
    ("ICP tenfold", _one(_scaled(icp=10.0)), EVERY, {"unit"}),
    ("ABP a tenth", _one(_scaled(abp=0.1)), NUMBERS, {"unit"}),
    ("exchanged", _one(_exchange), EVERY, {"exchanged"}),
    ("same channel twice", _one(_copied), EVERY, {"same_numbers"}),
    ("venous for arterial", _one(_venous), WAVES, {"not_arterial", "unit"}),
    ("ICP constant", _one(_flat), NUMBERS, {"constant"}),
    ("ICP damped", _one(_damped), WAVES, {"no_pulse"}),
    ("a number held at 100 Hz", _one(_held), WAVES, {"no_pulse"}),
    (
        "large pulse, low mean",
        _one(_shifted(0.0), icp=6.0, icp_pulse=28.0),
        WAVES,
        {"large_pulse"},
    ),
    ("amplitude falls", _amplitude, WAVES, {"amplitude_falls"}),
    ("ICP of -12", _one(_shifted(-26.0)), EVERY, {"icp_level"}),
    ("ICP of 150", _one(_shifted(136.0)), WAVES, {"icp_level", "unit"}),
    ("step of ICP at a file", _two(_shifted(25.0)), EVERY, {"level_step"}),
    ("second file in cmH2O", _two(_scaled(icp=1 / CMH2O, abp=1 / CMH2O)), WAVES, {"unit"}),
    ("drift of 14 at removal", _drifted, ("1 Hz",), {"drift"}),
    ("CPP below 0", _one(_shifted(42.0), abp=50.0, pulse=25.0), ("1 Hz",), {"negative_cpp"}),
)
PLAUSIBLE = (
    ("usual", {}),
    ("child", {"rate": 140.0, "abp": 55.0, "pulse": 30.0, "icp": 4.0, "icp_pulse": 1.2}),
    ("infant", {"rate": 170.0, "abp": 46.0, "pulse": 24.0, "icp": 5.0, "icp_pulse": 1.0}),
    ("plateau waves to 60", {"plateau": 46.0, "icp_pulse": 8.0}),
    ("ICP of 45", {"icp": 45.0, "icp_pulse": 14.0, "abp": 105.0}),
    ("craniectomy, ICP of 3, low pulse", {"icp": 3.0, "icp_pulse": 0.7}),
    ("ICP near 0", {"icp": 0.5, "icp_pulse": 1.2}),
    ("ICP of -3", {"icp": -3.0, "icp_pulse": 0.9}),
    ("hypotension (MAP 45)", {"abp": 45.0, "pulse": 28.0, "rate": 120.0}),
    ("hypertension (MAP 145)", {"abp": 145.0, "pulse": 95.0}),
    ("large pulse pressure", {"abp": 105.0, "pulse": 110.0, "icp_pulse": 7.0}),
    ("atrial fibrillation", {"rate": 110.0, "irregular": 0.25}),
    ("low ICP pulse at 14", {"icp_pulse": 1.0}),
)


def planted(*, seed=11):
    """Yield name, tier, whether it was named at all, rightly, and the kinds."""
    for number, (name, make, tiers, right) in enumerate(PLANTED):
        for tier in tiers:
            draw = np.random.default_rng([seed, number, len(tier)])
            kinds = set(named(make(draw, tier))["kind"])
            yield name, tier, bool(kinds), bool(kinds & right), kinds


def plausible_patient(name, tier, *, seed):
    """Return a patient that is ill and recorded rightly: one file, or two."""
    number = [one for one, _ in PLAUSIBLE].index(name)
    draw = np.random.default_rng([seed, number, len(tier)])
    samples = stored(waves(draw, tier, **dict(PLAUSIBLE)[name]), tier)
    n = samples["icp"].size // 2
    parts = [{k: v[:n] for k, v in samples.items()}, {k: v[n:] for k, v in samples.items()}]
    return Patient(parts if seed % 2 else [samples], FS_HZ[tier])


def plausible(*, n_each):
    """Yield name, tier and the suspicions of patients that are recorded rightly."""
    for name, _ in PLAUSIBLE:
        for tier in EVERY:
            for seed in range(n_each):
                yield name, tier, named(plausible_patient(name, tier, seed=seed))


def mechanistic(*, n=40, seed=5):
    """Yield tier, slip and suspicions of patients of the model of cerebral haemodynamics."""
    from icpcohort.simulate import mechanistic_recordings as made
    from icpcohort.simulate.cerebral_haemodynamics import Haemodynamics

    draw = np.random.default_rng(seed)
    patients = Haemodynamics(
        gain_ml_per_mmhg=draw.uniform(0, 2, n),
        outflow_resistance_mmhg_s_per_ml=draw.uniform(400, 3500, n),
        elastance_per_ml=draw.uniform(0.07, 0.2, n),
    )
    drive = made.Drive(abp_level_mmhg=draw.uniform(70, 125, n))
    slow = made.slow_pressures(
        draw, patients, n_patients=n, duration_s=3600 * HOURS, drive=drive
    )
    slips = {
        "none": lambda samples, _: samples,
        "ICP in kPa": _scaled(icp=1 / KPA),
        "both in kPa": _scaled(icp=1 / KPA, abp=1 / KPA),
        "ICP tenfold": _scaled(icp=10.0),
        "exchanged": _exchange,
    }
    for tier in NUMBERS:
        means = made.means(slow, interval_s=1 / FS_HZ[tier])
        for row in range(n):
            samples = {name: np.round(values[row], 1) for name, values in means.items()}
            for slip, change in slips.items():
                yield tier, slip, named(Patient([change(samples, draw)], FS_HZ[tier]))


def main():
    """Print every planted patient, and how many plausible ones are named."""
    start = time.process_time()
    rows = list(planted())
    for name, tier, is_named, is_right, kinds in rows:
        words = "right" if is_right else "other" if is_named else "MISSED"
        print(f"{name:28s} {tier:7s} {words:7s} {', '.join(sorted(kinds))}")
    print(f"named {sum(r[2] for r in rows)}, rightly {sum(r[3] for r in rows)} of {len(rows)}")
    n, wrong = 0, []
    for name, tier, found in plausible(n_each=6):
        n += 1
        wrong += [(name, tier, *row) for row in found.select("kind", "seen").iter_rows()]
    print(f"plausible: {n} patients, suspicions {len(wrong)}")
    for line in wrong:
        print("  ", *line)
    if importlib.util.find_spec("icpcohort.simulate.mechanistic_recordings"):
        counts = Counter()
        for tier, slip, found in mechanistic():
            counts[tier, slip] += found.height > 0
        for (tier, slip), n_named in counts.items():
            print(f"mechanistic, {tier}, {slip}: {n_named} of 40 named")
    print(f"{time.process_time() - start:.0f} s of processor")


if __name__ == "__main__":
    main()
