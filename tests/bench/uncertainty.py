"""How often intervals of CPPopt and mean PRx contain the truth, and chance passes for a U.

Patients are drawn by the project's simulated physiology as in the demo cohort (plateau waves in
a fifth), with sensor noise and gaps, and averaged over 10 s directly. Run it alone:
`python tests/bench/uncertainty.py 300 24 72` (patients of each kind; hours of each recording).
"""

import sys
import zlib
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import polars as pl
import yaml

from icpcohort.exposures import autocorrelated_mean
from icpcohort.indices import (
    bootstrap,
    correlation,
    cppopt,
    curve_settings,
    surrogates,
    whole_recording,
)
from icpcohort.simulate import physiology

SETTINGS = yaml.safe_load((Path(__file__).parents[2] / "config/config.yaml").read_text("utf-8"))
CURVE = curve_settings.rules_of(SETTINGS)["prx"]
UNCERTAINTY = whole_recording.Settings(**SETTINGS["uncertainty"])
CHANCE = {
    "minute_min_valid_fraction": SETTINGS["minutes"]["min_valid_fraction"],
    "rules": CURVE,
}
GAPS_PER_H = 1 / 6
WANDERS = ("autoregressive", "random walk", "steps of 3 h")
RELATED = ("one arm", "two U")


class Patient(NamedTuple):
    """10-s means as recorded, and the truth."""

    icp_mmhg: np.ndarray
    abp_mmhg: np.ndarray
    cppopt_mmhg: float | None
    seed: int


class Judged(NamedTuple):
    """What the project says of one patient."""

    accepted: bool
    error_mmhg: float
    covered: bool
    width_mmhg: float
    p: float
    chance_percent: float


def simulate(seed: int, *, hours: int, has_optimum: bool) -> Patient:
    """Draw one patient."""
    draw = np.random.default_rng([zlib.crc32(b"uncertainty"), seed, hours, int(has_optimum)])
    drawn = physiology.draw_physiology(
        draw,
        start_s=0.0,
        end_s=hours * 3600.0,
        n_unreactive_pupils=int(draw.integers(0, 3)),
        has_optimum=has_optimum,
        has_plateaus=bool(draw.random() < 0.2),
        craniectomy_s=None,
    )
    return Patient(*record(draw, drawn, hours=hours), drawn.cppopt_mmhg, seed)


def record(draw, drawn: physiology.Physiology, *, hours: int) -> list[np.ndarray]:
    """Return 10-s means of ICP and ABP of one course, noise and gaps drawn anew."""
    tracks = physiology.simulate_tracks(draw, drawn, start_s=0.0, n_s=hours * 3600)
    series = []
    for clean, noise_mmhg in ((tracks.icp_mmhg, 0.15), (tracks.abp_mmhg, 0.40)):
        noisy = clean + noise_mmhg * draw.normal(size=clean.size)
        blocks = noisy.reshape(-1, 10).mean(axis=1)
        for _ in range(draw.poisson(hours * GAPS_PER_H)):
            first = draw.integers(0, blocks.size)
            blocks[first : first + draw.integers(1, 120)] = np.nan
        series.append(blocks)
    return series


def to_minutes(icp_mmhg: np.ndarray, abp_mmhg: np.ndarray):
    """Return ICP and ABP as surrogates take them, and the minutes' CPP and PRx."""
    pair = surrogates.Coupled(
        icp_mmhg,
        surrogates.Follows(abp_mmhg, 0),
        surrogates.Follows(abp_mmhg, -1),
        np.zeros(icp_mmhg.size // 6, bool),
        6,
    )
    minutes = surrogates.to_minutes(
        pair,
        icp_mmhg,
        minute_min_valid_fraction=CHANCE["minute_min_valid_fraction"],
        rules=CURVE.index,
    )
    return pair, minutes


def mean_prx(seed: int, *, hours: int, n_repeats: int) -> tuple[float, float]:
    """Return how often intervals hold the mean PRx that one course gives on average.

    The course (levels, CPPopt, reactivity) is drawn once, its waves, noise and gaps
    `n_repeats` times. Second: intervals that count minutes as if they were independent.
    """
    draw = np.random.default_rng([zlib.crc32(b"mean prx"), seed, hours])
    drawn = physiology.draw_physiology(
        draw,
        start_s=0.0,
        end_s=hours * 3600.0,
        n_unreactive_pupils=1,
        has_optimum=bool(seed % 4),
        has_plateaus=seed % 5 == 0,
        craniectomy_s=None,
    )
    intervals = []
    for _ in range(n_repeats):
        prx = to_minutes(*record(draw, drawn, hours=hours))[1]["prx"].fill_null(np.nan)
        z = correlation.to_scale(prx.to_numpy(), CURVE.index)
        known = z[np.isfinite(z)]
        half = 1.96 * known.std() / np.sqrt(known.size)
        n_cosines = SETTINGS["summary"]["n_cosines"]
        intervals.append(
            (known.mean(), *autocorrelated_mean.interval_of_mean(z, n_cosines=n_cosines), half)
        )
    mean, low, high, half = np.array(intervals).T
    truth = mean.mean()
    ours = (low <= truth) & (truth <= high)
    return float(ours.mean()), float((abs(mean - truth) <= half).mean())


def surrogates_only(n_surrogates: int) -> whole_recording.Settings:
    """Return the settings of chance without a yield of minutes."""
    return replace(UNCERTAINTY, n_surrogates=n_surrogates, n_yield_surrogates=0)


def judge(patient: Patient, *, n_surrogates: int) -> Judged:
    """Find CPPopt, its interval and its p of chance."""
    pair, minutes = to_minutes(patient.icp_mmhg, patient.abp_mmhg)
    optimum = cppopt.for_recording(minutes, rules=CURVE).optimum
    interval = bootstrap.interval(
        minutes,
        settings=UNCERTAINTY,
        generator=np.random.default_rng([patient.seed, 1]),
        rules=CURVE,
    )
    chance = surrogates.chance(
        pair,
        minutes,
        settings=surrogates_only(n_surrogates),
        generator=np.random.default_rng([patient.seed, 2]),
        **CHANCE,
    )
    truth = np.nan if patient.cppopt_mmhg is None else patient.cppopt_mmhg
    accepted = optimum["reason"] is None
    return Judged(
        accepted,
        (optimum["cppopt_mmhg"] - truth) if accepted else np.nan,
        bool(interval.low <= truth <= interval.high),
        interval.high - interval.low,
        chance.p,
        chance.percent,
    )


def wandering(kind: str, n_minutes: int, draw: np.random.Generator) -> np.ndarray:
    """Return a PRx that wanders by itself: of a series, a random walk, or steps of 3 h."""
    noise = draw.normal(size=n_minutes)
    if kind == "autoregressive":
        stay = np.exp(-1 / 100.0)  # 1/e after 100 min
        z = np.zeros(n_minutes)
        for i in range(1, n_minutes):
            z[i] = stay * z[i - 1] + 0.3 * np.sqrt(1 - stay**2) * noise[i]
    elif kind == "random walk":
        z = np.cumsum(noise)
        z = 0.3 * (z - z.mean()) / z.std()
    else:
        z = np.repeat(draw.normal(0, 0.4, n_minutes // 180 + 1), 180)[:n_minutes]
    return np.tanh(z + draw.normal(0, 0.15, n_minutes))


def follows(kind: str, cpp_mmhg: np.ndarray, draw: np.random.Generator) -> np.ndarray:
    """Return a PRx that follows CPP with one arm (below its median), or with two U.

    The two U have their lowest points at the quartiles.
    """
    first, middle, last = np.nanquantile(cpp_mmhg, (0.25, 0.5, 0.75))
    if kind == "one arm":
        z = 0.05 * (middle - cpp_mmhg).clip(0)
    else:
        z = 0.008 * np.minimum(abs(cpp_mmhg - first), abs(cpp_mmhg - last)) ** 2
    return np.tanh(z - 0.2 + draw.normal(0, 0.3, cpp_mmhg.size))


def p_rolled(patient: Patient, *, kind: str | None) -> float:
    """Return the p by rolling of a patient, with a PRx of another kind in place of his own."""
    draw = np.random.default_rng([patient.seed, 3])
    pair, minutes = to_minutes(patient.icp_mmhg, patient.abp_mmhg)
    if kind is not None:
        cpp_mmhg = minutes["cpp_mmhg"].fill_null(np.nan).to_numpy()
        prx = (
            follows(kind, cpp_mmhg, draw)
            if kind in RELATED
            else wandering(kind, minutes.height, draw)
        )
        prx[minutes["prx"].is_null().to_numpy()] = np.nan
        minutes = minutes.with_columns(pl.Series("prx", prx).fill_nan(None))
    settings = surrogates_only(99)
    return surrogates.rolled(
        minutes, closed=pair.closed, rules=CURVE, settings=settings, generator=draw
    ).p


def main(n: int, lengths_h: list[int]) -> None:
    """Print a line for each length and kind."""
    for hours in lengths_h:
        for has_optimum in (True, False):
            judged = [
                judge(simulate(seed, hours=hours, has_optimum=has_optimum), n_surrogates=19)
                for seed in range(n)
            ]
            some = [f for f in judged if f.accepted]
            kind = "with" if has_optimum else "without"
            rejected = np.mean([f.p <= 0.05 for f in judged])
            line = (
                f"{hours} h, {n} patients {kind} a U:"
                f" CPPopt accepted in {100 * len(some) / n:.1f} %, p <= 0.05 in"
                f" {100 * rejected:.1f} %"
                f" (+-{196 * np.sqrt(rejected * (1 - rejected) / n):.1f}),"
                f" surrogates accepted {np.mean([f.chance_percent for f in judged]):.1f} %"
            )
            if has_optimum:
                error = np.array([f.error_mmhg for f in some])
                line += (
                    f"; error median {np.median(abs(error)):.2f}, worst {abs(error).max():.2f}"
                    f" mmHg; interval covers {100 * np.mean([f.covered for f in some]):.1f} %,"
                    f" median width {np.median([f.width_mmhg for f in some]):.2f} mmHg"
                )
            print(line, flush=True)
        for kind in (*WANDERS, *RELATED, None):
            p = [
                p_rolled(simulate(seed, hours=hours, has_optimum=kind is None), kind=kind)
                for seed in range(n)
            ]
            print(
                f"{hours} h, {n} patients, PRx {kind or 'with a U'}: p by rolling <= 0.05 in"
                f" {100 * np.mean(np.array(p) <= 0.05):.1f} %",
                flush=True,
            )
        shares = np.mean([mean_prx(seed, hours=hours, n_repeats=60) for seed in range(12)], 0)
        print(
            f"{hours} h, 12 courses: the interval of mean PRx covers {100 * shares[0]:.1f} %,"
            f" one of independent minutes {100 * shares[1]:.1f} %",
            flush=True,
        )


if __name__ == "__main__":
    main(int(sys.argv[1]), [int(hours) for hours in sys.argv[2:]])
