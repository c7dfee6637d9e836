"""What the pipeline says of patients whose ICP comes from a model that knows no index.

ICP is the answer of the model of cerebral haemodynamics (Ursino 1997) to a drawn ABP. The same
patients and the same ABP are taken with every gain of autoregulation, so a difference between
gains is the gain's. Run it alone: `python tests/bench/mechanistic.py 24 12` (hours; patients).
"""

import sys
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import polars as pl
import uncertainty

from icpcohort.indices import index_settings, reactivity
from icpcohort.recordings import Chunk
from icpcohort.signals import differences, rules, trend_settings, trends
from icpcohort.simulate import cerebral_haemodynamics as haemodynamics
from icpcohort.simulate import mechanistic_recordings as recordings
from icpcohort.simulate.cerebral_haemodynamics import Haemodynamics

SETTINGS = uncertainty.SETTINGS
DECLARED = {name: SETTINGS[name] for name in ("signals", "derived_signals", "indices")}
GAINS = (0.0, 0.1, 0.3, 0.6, 1.0, 1.5, 3.0)
# amplitudes of ABP's slow wander [mmHg]: CPP of a day spans about 30 mmHg, or 60
WANDERS = {"usual": (6.0, 6.0, 4.0), "wide": (12.0, 12.0, 8.0)}
N_SURROGATES = 19
FS_HZ = 100.0


class Judged(NamedTuple):
    """What the pipeline says of one patient; NaN where it says nothing."""

    prx: float
    accepted: bool
    by_chance: float  # p
    cppopt_mmhg: float
    llr_mmhg: float
    ulr_mmhg: float


def draw_patients(draw: np.random.Generator, n: int) -> Haemodynamics:
    """Draw `n` patients; their gain is set later."""
    return Haemodynamics(
        tau_s=draw.uniform(10, 30, n),
        elastance_per_ml=draw.uniform(0.08, 0.18, n),
        outflow_resistance_mmhg_s_per_ml=draw.uniform(500, 1800, n),
        centre_cpp_mmhg=draw.uniform(65, 90, n),
    )


def repeated(patients: Haemodynamics, gains: tuple[float, ...]) -> Haemodynamics:
    """Return the patients once with each gain, gain after gain."""
    n = np.size(patients.tau_s)
    return replace(
        patients,
        gain_ml_per_mmhg=np.repeat(gains, n),
        **{
            name: np.tile(getattr(patients, name), len(gains))
            for name in (
                "tau_s",
                "elastance_per_ml",
                "outflow_resistance_mmhg_s_per_ml",
                "centre_cpp_mmhg",
            )
        },
    )


def pressures(
    patients: Haemodynamics, *, gains: tuple[float, ...], hours: float, wander: str, seed: int
) -> dict[str, np.ndarray]:
    """Return 10-s means of ICP and ABP, gain after gain; the drive of a patient is the same."""
    draw, n = np.random.default_rng([seed, 1]), np.size(patients.tau_s)
    settled = haemodynamics.settle(patients, np.array(patients.centre_cpp_mmhg)[:, None] + 12)
    level = patients.centre_cpp_mmhg + settled.icp_mmhg[:, 0] + draw.uniform(-6, 6, n)
    driven = recordings.draw_driven(
        draw,
        n_patients=n,
        duration_s=hours * 3600,
        drive=recordings.Drive(abp_level_mmhg=level, abp_wander_mmhg=WANDERS[wander]),
    )
    driven = recordings.Driven(*(np.tile(track, (len(gains), 1)) for track in driven))
    slow = recordings.answer(repeated(patients, gains), driven)
    means = recordings.means(slow, interval_s=10.0)
    noise = {"icp": 0.05, "abp": 0.13}  # of a sensor, averaged over 10 s
    return {
        signal: values + noise[signal] * draw.normal(size=values.shape)
        for signal, values in means.items()
    }


def judge(icp_mmhg: np.ndarray, abp_mmhg: np.ndarray, *, seed: int) -> Judged:
    """Return what the pipeline says of a recording of 10-s means."""
    pair, minutes = uncertainty.to_minutes(icp_mmhg, abp_mmhg)
    optimum = uncertainty.cppopt.for_recording(minutes, rules=uncertainty.CURVE).optimum
    chance = uncertainty.surrogates.chance(
        pair,
        minutes,
        settings=uncertainty.surrogates_only(N_SURROGATES),
        generator=np.random.default_rng([seed, 2]),
        **uncertainty.CHANCE,
    )
    prx = uncertainty.correlation.to_scale(
        minutes["prx"].fill_null(np.nan).to_numpy(), uncertainty.CURVE.index
    )
    stated = [optimum[name] for name in ("cppopt_mmhg", "llr_mmhg", "ulr_mmhg")]
    return Judged(
        float(np.tanh(np.nanmean(prx))),
        optimum["reason"] is None,
        chance.p,
        *(np.nan if value is None else value for value in stated),
    )


def indices_of_waveforms(
    patient: Haemodynamics, *, hours: float, seed: int
) -> dict[str, float]:
    """Return means of a recording with pulse, by the published cleaning, trends and indices."""
    samples = recordings.waveforms(
        np.random.default_rng([seed, 3]),
        patient,
        duration_s=hours * 3600,
        fs_hz=FS_HZ,
        drive=recordings.Drive(
            abp_level_mmhg=float(patient.centre_cpp_mmhg) + 12, abp_wander_mmhg=(0, 0, 0)
        ),
        beat=recordings.Beat(),
    )
    n = round(300 * FS_HZ)
    chunks = (
        Chunk(
            first / FS_HZ,
            {name: values[first : first + n] for name, values in samples.items()},
            dict.fromkeys(samples, FS_HZ),
        )
        for first in range(0, samples["icp"].size, n)
    )
    summary = trends.summarise(
        chunks,
        start_s=0.0,
        duration_s=hours * 3600,
        rules=rules.from_blocks(SETTINGS["cleaning"]["rules"]),
        events=[],
        settings=trend_settings.Settings(**SETTINGS["trends"]),
        declared=DECLARED,
    )
    minutes = reactivity.to_minutes(
        differences.add(summary.trends, declared=DECLARED),
        events=[],
        minute_min_valid_fraction=SETTINGS["minutes"]["min_valid_fraction"],
        block_s=SETTINGS["trends"]["block_s"],
        indices=index_settings.rules_of(SETTINGS),
        declared=DECLARED,
    )
    names = ("icp_mmhg", "amp_mmhg", "prx", "rap")
    row = minutes.select(pl.col(*names).mean()).row(0, named=True)
    return row | {"masked_s": summary.masked["masked_s"].sum()}


def print_by_gain(wander: str, *, hours: float, n: int) -> None:
    """Print a row for each gain: PRx, CPPopt and limits beside the model's own."""
    patients = draw_patients(np.random.default_rng(7), n)
    means = pressures(patients, gains=GAINS, hours=hours, wander=wander, seed=7)
    truth = recordings.true_autoregulation(repeated(patients, GAINS))
    print(f"\n{hours:g} h, {n} patients with each gain, {wander} range of CPP")
    print("differences from the model's own: median (lowest..highest), mmHg")
    print(
        "| gain | mean PRx (range) | accepted % | p <= 0.05 % | CPPopt - middle"
        " | - midpoint of limits | LLR % | LLR - limit | ULR % | ULR - limit |"
    )
    for place, gain in enumerate(GAINS):
        rows = slice(place * n, (place + 1) * n)
        judged = [
            judge(icp, abp, seed=k)
            for k, (icp, abp) in enumerate(zip(means["icp"][rows], means["abp"][rows]))
        ]
        prx, accepted, p, cppopt, llr, ulr = np.array(judged, dtype=float).T
        lower, middle, upper = (values[rows] for values in truth)
        cells = (
            f"{gain:.1f}",
            f"{prx.mean():+.2f} ({prx.min():+.2f}..{prx.max():+.2f})",
            f"{100 * accepted.mean():.0f}",
            f"{100 * (p <= 0.05).mean():.0f}",
            _median(cppopt - middle),
            _median(cppopt - (lower + upper) / 2),
            f"{100 * np.isfinite(llr).mean():.0f}",
            _median(llr - lower),
            f"{100 * np.isfinite(ulr).mean():.0f}",
            _median(ulr - upper),
        )
        print(f"| {' | '.join(cells)} |", flush=True)


def _median(values: np.ndarray) -> str:
    known = values[np.isfinite(values)]
    if not known.size:
        return ""
    return f"{np.median(known):+.1f} ({known.min():+.0f}..{known.max():+.0f})"


def print_pulse(*, hours: float) -> None:
    """Print AMP and RAP of recordings with pulse, by outflow resistance, which sets ICP."""
    print(f"\n{hours:g} h at {FS_HZ:g} Hz: what makes ICP higher, and what follows")
    print("gain  R_o   ICP   AMP   AMP/ICP  RAP    PRx   masked s")
    for gain in (0.0, 0.6, 1.5):
        for outflow in (500.0, 1200.0, 2000.0, 3000.0):
            patient = Haemodynamics(
                gain_ml_per_mmhg=gain,
                outflow_resistance_mmhg_s_per_ml=outflow,
                centre_cpp_mmhg=80.0,
            )
            row = indices_of_waveforms(patient, hours=hours, seed=round(outflow))
            print(
                f"{gain:4.1f} {outflow:5.0f} {row['icp_mmhg']:5.1f} {row['amp_mmhg']:5.2f}"
                f" {row['amp_mmhg'] / row['icp_mmhg']:8.3f} {row['rap']:+6.2f}"
                f" {row['prx']:+6.2f} {row['masked_s']:8.0f}",
                flush=True,
            )


if __name__ == "__main__":
    for name in WANDERS:
        print_by_gain(name, hours=float(sys.argv[1]), n=int(sys.argv[2]))
    print_pulse(hours=min(3.0, float(sys.argv[1])))
