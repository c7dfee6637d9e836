"""Surrogates: the CPPopt that chance alone gives, from pressures whose coupling is broken."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.contracts.setting import Setting
from icpcohort.indices import reactivity
from icpcohort.indices.cpp_curve import Sums, accept, arms_z
from icpcohort.indices.cppopt import for_minutes, running_sums
from icpcohort.indices.curve_settings import Rules
from icpcohort.signals.trends import ROUNDING

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What chance alone would give."""

    surrogate: Annotated[
        Literal["phase", "shift"],
        Setting(
            "How surrogates decouple ICP from ABP: phases of its spectrum drawn anew, or a "
            "circular shift",
            "phase randomisation: Theiler 1992 (from memory); circular shift: common practice, "
            "no source",
            "phase",
        ),
    ]
    n_surrogates: Annotated[
        int,
        Setting(
            "Surrogates behind the p of chance, which is at least 1 / (n + 1); 0 computes none",
            "99 for a test at 5 or 1 %: Davison 1997 (from memory)",
            99,
            at_least=0,
            at_most=9999,
        ),
    ]
    n_yield_surrogates: Annotated[
        int,
        Setting(
            "Surrogates in which CPPopt is sought for every minute; at most n_surrogates count",
            "our own choice",
            5,
            at_least=0,
            at_most=9999,
        ),
    ]


class Pressures(NamedTuple):
    """Blocks of one recording on a grid of whole minutes; NaN where they give no PRx."""

    icp_mmhg: Reals
    abp_mmhg: Reals
    closed: Flags  # minutes without indices
    n_in_minute: int


class Chance(NamedTuple):
    """What surrogates give: NaN where it cannot be computed."""

    p: float
    percent: float
    cppopt_sd_mmhg: float
    yield_percent: float


def decouple(values: Reals, *, method: str, generator: np.random.Generator) -> Reals:
    """Return a series with the spectrum of `values` and no relation to any other series.

    Parameters
    ----------
    values : (n,)
        NaN where missing; the missing places stay, the valid readings between are taken as
        one series.
    method : {"phase", "shift"}
        "phase": the phases of its Fourier transform are drawn anew. "shift": the readings
        move along themselves in a circle, by any number of places.

    Source: phase randomisation: Theiler 1992; circular shift: common practice, no source.
    """
    valid = np.isfinite(values)
    series, changed = values[valid], values.copy()
    if series.size < 4:
        return changed
    if method == "shift":
        changed[valid] = np.roll(series, generator.integers(1, series.size))
        return changed
    spectrum = np.fft.rfft(series)
    turn = np.exp(2j * np.pi * generator.random(spectrum.size))
    turn[0] = 1.0  # the mean
    if series.size % 2 == 0:
        turn[-1] = 1.0  # the highest frequency has no phase
    changed[valid] = np.fft.irfft(spectrum * turn, series.size)
    return changed


def pressures(
    trends: pl.DataFrame,
    *,
    events: Sequence[Mapping[str, Any]],
    rules: reactivity.Rules,
) -> Pressures:
    """Return the blocks that PRx is made of; see `reactivity.to_minutes`."""
    grid = reactivity.on_grid(trends, block_s=rules.block_s)
    interval_s = grid.select(
        pl.max_horizontal(
            pl.col(f"{signal}_interval_s").fill_null(float("inf")) for signal in ("icp", "abp")
        )
    ).to_series()
    fine = (interval_s <= rules.block_s + ROUNDING).to_numpy()
    icp, abp = (
        np.where(fine, grid[name].fill_null(np.nan).to_numpy(), np.nan)
        for name in ("icp_mmhg", "abp_mmhg")
    )
    n_in_minute = round(reactivity.MINUTE_S / rules.block_s)
    t_end_s = grid["t_s"].to_numpy()[n_in_minute - 1 :: n_in_minute] + rules.block_s
    return Pressures(
        icp,
        abp,
        reactivity.touched(t_end_s, events=events, kinds=rules.not_during),
        n_in_minute,
    )


def to_minutes(
    pressures: Pressures,
    icp_mmhg: Reals,
    *,
    minute_min_valid_fraction: float,
    rules: reactivity.Rules,
) -> pl.DataFrame:
    """Return cpp_mmhg and prx of each minute with another ICP in place of the recorded one."""
    prx = reactivity.by_minute(icp_mmhg, pressures.abp_mmhg, rules=rules)
    cpp_mmhg = reactivity.means_of(
        pressures.abp_mmhg - icp_mmhg,
        n=pressures.n_in_minute,
        min_valid_fraction=minute_min_valid_fraction,
    )
    return pl.DataFrame(
        {"cpp_mmhg": cpp_mmhg, "prx": np.where(pressures.closed, np.nan, prx)}
    ).fill_nan(None)


def chance(
    pressures: Pressures,
    recorded: pl.DataFrame,
    *,
    minute_min_valid_fraction: float,
    rules: Rules,
    settings: Settings,
    generator: np.random.Generator,
) -> Chance:
    """Return what the same analysis finds in surrogates, in which ICP is decoupled from ABP.

    Parameters
    ----------
    pressures : Pressures
    recorded : DataFrame
        The recording's own minutes; cpp_mmhg and prx.
    minute_min_valid_fraction, rules
        As for the recording.
    settings : Settings

    Returns
    -------
    Chance
        `p`, that there is no U: the larger of two, one for each arm of the recording's curve:
        (1 + surrogates that rise as steeply or more on that side) / (1 + surrogates). It is 1
        where the curve does not open upward or has one arm, and NaN without a curve.
        `percent`: surrogates whose whole recording has a CPPopt, and `cppopt_sd_mmhg` its
        spread. `yield_percent`: of minutes with CPP, those with a CPPopt.

    Source: p of a Monte Carlo test: Davison 1997; both arms must rise, so the larger p counts:
    Lind 2010; for CPPopt: our own.
    """
    arms, optima_mmhg, yields = [], [], []
    recorded_sums = Sums(*(running[-1] for running in running_sums(recorded, rules=rules)))
    parabola = accept(recorded_sums, min_minutes=0, min_arm_z=0.0, rules=rules).parabola
    lowest_mmhg = parabola.lowest_mmhg()
    for i in range(settings.n_surrogates):
        minutes = to_minutes(
            pressures,
            decouple(pressures.icp_mmhg, method=settings.surrogate, generator=generator),
            minute_min_valid_fraction=minute_min_valid_fraction,
            rules=rules.prx,
        )
        sums = Sums(*(running[-1] for running in running_sums(minutes, rules=rules)))
        whole = accept(
            sums,
            min_minutes=rules.min_minutes(),
            min_arm_z=rules.min_arm_z,
            rules=rules,
        )
        arms.append(_arms(sums, lowest_mmhg, rules))
        optima_mmhg.append(float(whole.cppopt_mmhg))
        if i < settings.n_yield_surrogates:
            minutes = for_minutes(minutes, rules=rules)
            yields.append(yield_percent(minutes, pressures.closed))
    if not settings.n_surrogates:
        return Chance(np.nan, np.nan, np.nan, np.nan)
    some = np.array(optima_mmhg)[np.isfinite(optima_mmhg)]
    return Chance(
        p_of_arms(_arms(recorded_sums, lowest_mmhg, rules), arms)
        if np.isfinite(parabola.quadratic)
        else np.nan,
        100 * some.size / settings.n_surrogates,
        float(some.std(ddof=1)) if some.size > 1 else np.nan,
        float(np.mean(yields)) if yields else np.nan,
    )


def _arms(sums: Sums, lowest_mmhg: Reals, rules: Rules) -> tuple[float, float]:
    below, above = arms_z(sums, lowest_mmhg=lowest_mmhg, rules=rules)
    return float(below), float(above)


def p_of_arms(recorded: tuple[float, float], arms: Sequence[tuple[float, float]]) -> float:
    """Return the larger share of `arms`, `recorded` among them, that rise as steeply or more.

    One where an arm of the recording is missing (NaN); a surrogate's missing arm does not rise.
    """
    if not np.isfinite(recorded).all():
        return 1.0
    others = np.nan_to_num(np.array(arms), nan=-np.inf)
    return float(((1 + (others >= np.array(recorded)).sum(axis=0)) / (1 + len(arms))).max())


def yield_percent(minutes: pl.DataFrame, closed: Flags) -> float:
    """Return the share of minutes with CPP that have a CPPopt and are not closed; or NaN."""
    n = minutes["cpp_mmhg"].count()
    some = minutes["cppopt_mmhg"].is_not_null() & minutes["cpp_mmhg"].is_not_null()
    return 100 * int((some & ~pl.Series(closed)).sum()) / n if n else np.nan


def methods_sentence(settings: Settings) -> str:
    """Return the report's sentences for `chance`."""
    n_surrogates = settings.n_surrogates
    if n_surrogates == 0:
        return "What chance alone would give was not computed."
    how = {
        "phase": "the phases of its spectrum drawn anew; Theiler 1992",
        "shift": "its readings shifted in a circle",
    }[settings.surrogate]
    n_yield = min(n_surrogates, settings.n_yield_surrogates)
    yields = f"; the yield of minutes comes from {n_yield} of them" if n_yield else ""
    return (
        f"What chance alone gives under the same rules was computed from {n_surrogates}"
        f" surrogates of each recording, whose ICP keeps its spectrum but not its coupling to"
        f" ABP ({how}). The p that there is no U is the larger of two, one for each arm of the"
        " curve: the share of the surrogates, the recording among them, whose bins rise away"
        f" from its CPPopt as steeply or more (Davison 1997; Lind 2010){yields}."
    )
