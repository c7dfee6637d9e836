"""Bootstrap: how far a recording's CPPopt moves when its minutes are drawn again in blocks."""

import dataclasses
from dataclasses import dataclass
from typing import Annotated, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.contracts.setting import Setting
from icpcohort.indices.cpp_curve import Sums, bins_that_count, fit_bins
from icpcohort.indices.cppopt import running_sums
from icpcohort.indices.curve_settings import Rules

Reals = NDArray[np.float64]
CI_PERCENT = (2.5, 97.5)
N_POSITIONS = 5
SHARES = (1.0, 3.0)


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
            "what one PRx and its CPP share, and of 15 to 240 min covered simulated truths "
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
    """A 95 % interval over the resamples whose curve opens upward, and their share of all."""

    low: float
    high: float
    upward_fraction: float


def interval(
    minutes: pl.DataFrame,
    *,
    settings: Settings,
    generator: np.random.Generator,
    rules: Rules,
) -> Interval:
    """Return the 95 % interval of the lowest point of a recording's curve.

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
        The quantiles of the lowest points; one beyond the bins of its resample is taken at
        the last of them, so that no draw is lost for being uncertain. What no datum decides is
        drawn too: where the bins begin, in fifths of their width, and the share of the minutes
        that a bin needs to count, from `rules.min_bin_fraction` to three times it. A parabola
        is only an approximation, and its lowest point moves with both; without them the
        interval is too short (docs/validation.md).

    Source: moving-block bootstrap: Kunsch 1989; percentile interval: Efron 1979; for CPPopt:
    our own choice.
    """
    fine = dataclasses.replace(rules, bin_width_mmhg=rules.bin_width_mmhg / N_POSITIONS)
    drawn = resample(
        running_sums(minutes, rules=fine),
        block_min=settings.block_min,
        n_resamples=settings.n_resamples,
        generator=generator,
    )
    shares = rules.min_bin_fraction * generator.uniform(*SHARES, size=(settings.n_resamples, 1))
    lowest_mmhg = np.concatenate(
        [
            _lowest_points(
                Sums(*(part[place::N_POSITIONS] for part in drawn)),
                place=place,
                shares=shares[place::N_POSITIONS],
                rules=rules,
            )
            for place in range(N_POSITIONS)
        ]
    )
    lowest = lowest_mmhg[np.isfinite(lowest_mmhg)]
    share = lowest.size / settings.n_resamples
    if lowest.size == 0 or share < settings.min_upward_fraction:
        return Interval(np.nan, np.nan, share)
    low, high = np.percentile(lowest, CI_PERCENT)
    return Interval(float(low), float(high), share)


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


def _lowest_points(fine: Sums, *, place: int, shares: Reals, rules: Rules) -> Reals:
    """Return the lowest points when the bins begin `place` fine bins lower; NaN where none."""
    n_fine = fine.counts.shape[-1]
    after = -(n_fine + place) % N_POSITIONS
    sums = Sums(
        *(
            np.pad(part, ((0, 0), (place, after)))
            .reshape(part.shape[0], -1, N_POSITIONS)
            .sum(axis=-1)
            for part in fine
        )
    )
    width = rules.bin_width_mmhg
    first_mmhg = rules.bin_min_mmhg - place * width / N_POSITIONS + width / 2
    centres = np.asarray(first_mmhg + width * np.arange(sums.counts.shape[-1]), np.float64)
    used = bins_that_count(sums.counts, min_bin_fraction=shares)
    lowest = fit_bins(sums, centres_mmhg=centres, used=used, rules=rules).lowest_mmhg()
    first = np.where(used, centres, np.inf).min(axis=-1)
    last = np.where(used, centres, -np.inf).max(axis=-1)
    held = np.fmax(np.fmin(lowest, last), first)
    return np.where(np.isfinite(lowest), held, np.nan)


def methods_sentence(settings: Settings) -> str:
    """Return the report's sentences for `interval`."""
    return (
        f"Its 95 % interval is that of {settings.n_resamples} moving-block bootstrap resamples"
        f" (Kunsch 1989; blocks of {settings.block_min} min, so that minutes that hang together"
        " stay together), which also draw where the bins begin and how many minutes a bin"
        f" needs; it is given when {100 * settings.min_upward_fraction:g} % of them open"
        " upward. It tells sampling error alone: a sensor that has drifted moves CPP and CPPopt"
        " by its drift, interval and all."
    )
