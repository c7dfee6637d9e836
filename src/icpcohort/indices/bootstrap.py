"""Bootstrap: how far a recording's CPPopt moves when its minutes are drawn again in blocks."""

import dataclasses
from dataclasses import dataclass
from typing import Annotated, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.contracts.setting import Setting
from icpcohort.indices.asymmetric import POWERS, lowest_points
from icpcohort.indices.cpp_curve import Sums
from icpcohort.indices.cppopt import running_sums
from icpcohort.indices.curve_settings import Rules

Reals = NDArray[np.float64]
CI_PERCENT = (2.5, 97.5)
N_FINE = 5  # narrow bins in one of the rules
REACHES_MMHG = (10.0, 14.0, 20.0)


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Interval of a recording's CPPopt."""

    n_resamples: Annotated[
        int,
        Setting(
            "Bootstrap resamples behind the 95 % interval of CPPopt",
            "1000 or more for percentile limits: Efron 1993 (from memory)",
            1000,
            at_least=100,
            at_most=100000,
        ),
    ]
    block_min: Annotated[
        int,
        Setting(
            "Length of the blocks of minutes that are drawn, in minutes",
            "blocks keep serial dependence: Kunsch 1989 (from memory); 60 min is ten times "
            "what one PRx and its CPP share; of 15 to 240 min the parabola's covered truths "
            "best (measured)",
            60,
            at_least=5,
            at_most=1440,
        ),
    ]
    min_upward_fraction: Annotated[
        float,
        Setting(
            "An interval is given if at least this share of the resamples has a curve that "
            "opens upward",
            "our own choice",
            0.9,
            at_least=0,
            at_most=1,
        ),
    ]


class Interval(NamedTuple):
    """A 95 % interval over the resamples whose curve opens upward, and their share of all.

    `lowest_mmhg` is the lowest point of the recording itself.
    """

    lowest_mmhg: float
    low: float
    high: float
    upward_fraction: float


NO_INTERVAL = Interval(np.nan, np.nan, np.nan, np.nan)


def interval(
    minutes: pl.DataFrame,
    *,
    settings: Settings,
    generator: np.random.Generator,
    rules: Rules,
) -> Interval:
    """Return the lowest point of a recording's asymmetric curve, and its 95 % interval.

    Parameters
    ----------
    minutes : DataFrame
        One row per minute without gaps in `t_s`; cpp_mmhg and the index of the rules.
    settings : Settings
        Blocks are longer than the minutes that one PRx and its CPP share, so that what hangs
        together stays together, and short against the recording. With a smaller share of
        resamples that open upward than `min_upward_fraction` there is no interval (NaN): the
        recording does not tell where its lowest point is.
    generator : numpy Generator
    rules : Rules

    Returns
    -------
    Interval
        Quantiles of the lowest points by `asymmetric.lowest_points`. A parabola presumes that
        both arms are as steep, and its lowest point errs where they are not; so this interval
        is not the parabola's. What no datum decides is drawn too: how far the fit reaches, by
        turns one of `REACHES_MMHG`. The lowest point is the mean over them.

    Source: moving-block bootstrap: Kunsch 1989; percentile interval: Efron 1979; for CPPopt:
    our own choice.
    """
    fine = dataclasses.replace(rules, bin_width_mmhg=rules.bin_width_mmhg / N_FINE)
    running, centres_mmhg = running_sums(minutes, rules=fine), fine.centres_mmhg()
    if not running.counts[-1].any():
        return NO_INTERVAL
    drawn = resample(
        running,
        block_min=settings.block_min,
        n_resamples=settings.n_resamples,
        generator=generator,
    )
    recorded = Sums(*(part[-1:] for part in running))
    points, whole = [], []
    for turn, reach_mmhg in enumerate(REACHES_MMHG):
        turns = Sums(*(part[turn :: len(REACHES_MMHG)] for part in drawn))
        whole.append(lowest_points(recorded, centres_mmhg=centres_mmhg, reach_mmhg=reach_mmhg))
        points.append(lowest_points(turns, centres_mmhg=centres_mmhg, reach_mmhg=reach_mmhg))
    lowest_mmhg, each = float(np.mean(whole)), np.concatenate(points)
    known = each[np.isfinite(each)]
    share = known.size / settings.n_resamples
    if not known.size or share < settings.min_upward_fraction:
        return Interval(lowest_mmhg, np.nan, np.nan, share)
    low, high = np.percentile(known, CI_PERCENT)
    return Interval(lowest_mmhg, float(low), float(high), share)


def resample(
    running: Sums, *, block_min: int, n_resamples: int, generator: np.random.Generator
) -> Sums:
    """Return the bins of `n_resamples` recordings made of blocks of one, (n_resamples, n_bins).

    As many blocks as the recording holds are drawn with replacement, each beginning at any
    minute; a recording shorter than one block is that block.
    """
    n = running.counts.shape[0] - 1
    length = min(block_min, n)
    starts = generator.integers(0, n - length + 1, size=(-(-n // length), n_resamples))
    drawn = []
    for sums in running:
        blocks = sums[length:] - sums[: n + 1 - length]
        total = np.zeros((n_resamples, sums.shape[1]))
        for first in starts:
            total += blocks[first]
        drawn.append(total)
    return Sums(*drawn)


def methods_sentence(settings: Settings) -> str:
    """Return the report's sentences for `interval`."""
    powers = ", ".join(f"{power:g}" for power in POWERS)
    reaches = ", ".join(f"{reach:g}" for reach in REACHES_MMHG)
    return (
        "A parabola presumes that both arms are as steep; where PRx is steeper below (Bogli"
        " 2025), its lowest point lies too high. Beside CPPopt therefore stands the lowest"
        " point of an asymmetric curve: two arms, each with a slope of its own, that share"
        f" their lowest point and rise with a power of the distance to it ({powers}; the"
        " best-fitting counts), fitted by least squares near the lowest point of a smoothed"
        f" curve (the mean over reaches of {reaches} mmHg). The 95 % interval of CPPopt is that"
        f" curve's, not the parabola's: of {settings.n_resamples} moving-block bootstrap"
        f" resamples (Kunsch 1989; blocks of {settings.block_min} min, so that minutes that"
        " hang together stay together), which take the reaches by turns. It is given when"
        f" {100 * settings.min_upward_fraction:g} % of them open upward. Of a flat floor it"
        " tells only that it meets the floor; of a shallow or very unequal curve it is rather"
        " too wide (docs/validation.md). It tells sampling error alone: a sensor that has"
        " drifted moves CPP and CPPopt by its drift, interval and all."
    )
