"""Surrogates: the CPPopt that chance alone gives, from series whose coupling is broken."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.contracts import declared_indices, declared_signals
from icpcohort.contracts.setting import Setting
from icpcohort.indices import index_settings, reactivity
from icpcohort.indices.cpp_curve import Sums, accept, arms_z
from icpcohort.indices.cppopt import bin_minutes, for_minutes, running_sums
from icpcohort.indices.curve_settings import Rules

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]
LEAST_ROLLED = 180  # minutes: with fewer there are hardly two different rolls


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What chance alone would give."""

    surrogate: Annotated[
        Literal["phase", "shift"],
        Setting(
            "How surrogates decouple the two series of an index: phases of the first one's "
            "spectrum drawn anew, or a circular shift",
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


class Follows(NamedTuple):
    """A series beside the decoupled one: `rest`, plus or minus it where it is a difference."""

    rest: Reals
    sign: int  # 1 or -1; 0 where the decoupled series is no part of it

    def after(self, first: Reals) -> Reals:
        """Return the series when the decoupled one is `first`."""
        return self.rest + self.sign * first if self.sign else self.rest


class Coupled(NamedTuple):
    """Means of one recording on a grid of whole minutes; NaN where they give no index.

    Surrogates decouple the first series of the index from the second, and from all else.
    """

    first: Reals
    second: Follows
    cpp_mmhg: Follows
    closed: Flags  # minutes without the index
    n_in_minute: int


class Roll(NamedTuple):
    """A series moved in a circle by so many minutes, and whether it then runs backward."""

    minutes: int
    backward: bool

    def of(self, values: Reals) -> Reals:
        """Return the moved series."""
        moved = np.roll(values, self.minutes)
        return moved[::-1] if self.backward else moved


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


def coupled(
    trends: pl.DataFrame,
    *,
    events: Sequence[Mapping[str, Any]],
    minute_min_valid_fraction: float,
    block_s: float,
    rules: index_settings.Rules,
    declared: Mapping[str, Any],
) -> Coupled:
    """Return the means that an index and CPP are made of; see `reactivity.to_minutes`."""
    blocks = reactivity.blocks_of(trends, block_s=block_s, declared=declared)
    of_index, all_signals = rules, declared_indices.series(declared)

    def means(name: str) -> Reals:
        (values,) = reactivity.correlated(
            blocks,
            [all_signals[name].column],
            rules=of_index,
            minute_min_valid_fraction=minute_min_valid_fraction,
        )
        return values

    first, second = rules.of
    return Coupled(
        means(first),
        _follows(second, first, means=means, declared=declared),
        _follows("cpp", first, means=means, declared=declared),
        reactivity.touched(blocks.minute_ends_s(), events=events, kinds=rules.not_during),
        round(index_settings.MINUTE_S / rules.block_s),
    )


def _follows(
    name: str,
    first: str,
    *,
    means: Callable[[str], Reals],
    declared: Mapping[str, Any],
) -> Follows:
    """Return how a series follows the decoupled one."""
    if name == first:
        return Follows(np.zeros_like(means(name)), 1)
    difference = declared_signals.derived(declared).get(name, {})
    if difference.get("subtrahend") == first:
        return Follows(means(difference["minuend"]), -1)
    if difference.get("minuend") == first:
        return Follows(-means(difference["subtrahend"]), 1)
    return Follows(means(name), 0)


def to_minutes(
    pair: Coupled,
    first: Reals,
    *,
    minute_min_valid_fraction: float,
    rules: index_settings.Rules,
) -> pl.DataFrame:
    """Return cpp_mmhg and the index of each minute with another first series in its place."""
    index = reactivity.by_minute(first, pair.second.after(first), rules=rules)
    cpp_mmhg = reactivity.means_of(
        pair.cpp_mmhg.after(first),
        n=pair.n_in_minute,
        min_valid_fraction=minute_min_valid_fraction,
    )
    return pl.DataFrame(
        {"cpp_mmhg": cpp_mmhg, rules.name: np.where(pair.closed, np.nan, index)}
    ).fill_nan(None)


def chance(
    pair: Coupled,
    recorded: pl.DataFrame,
    *,
    minute_min_valid_fraction: float,
    rules: Rules,
    settings: Settings,
    generator: np.random.Generator,
) -> Chance:
    """Return what the same analysis finds in surrogates, whose two series are decoupled.

    Parameters
    ----------
    pair : Coupled
    recorded : DataFrame
        The recording's own minutes; cpp_mmhg and the index of the rules.
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
            pair,
            decouple(pair.first, method=settings.surrogate, generator=generator),
            minute_min_valid_fraction=minute_min_valid_fraction,
            rules=rules.index,
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
            yields.append(yield_percent(minutes, pair.closed))
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


def rolled(
    recorded: pl.DataFrame,
    *,
    closed: Flags,
    rules: Rules,
    settings: Settings,
    generator: np.random.Generator,
) -> Chance:
    """Return what the same analysis finds when the index has nothing to do with CPP.

    An index that wanders by itself gives a U now and then, and `chance` does not know of its
    wandering. Here the minutes' index stays as it is, and moves in a circle along CPP; every
    second time it then runs backward. Moved forward alone, the recording itself is the only
    one without a seam in the middle, and a random walk passes for a U too often.

    Parameters
    ----------
    recorded : DataFrame
        The recording's own minutes; cpp_mmhg and the index of the rules.
    closed : (n_minutes,) bool
        Minutes without the index.
    rules, settings
        As for `chance`; `n_surrogates` is the number of rolls.

    Returns
    -------
    Chance
        As of `chance`, of rolls in place of surrogates, but for `p`: the share of the rolls,
        the recording among them, whose flatter arm rises as steeply or more, each from its own
        lowest point. It is 1 where the recording's curve has no two arms.

    Source: a circular shift keeps the serial dependence of both series: common practice, no
    source; by any number of minutes, so that the recording is one of all its rolls; half of
    them backward: own choice; both arms must rise:
    Lind 2010.
    """
    binned = bin_minutes(recorded, rules=rules)
    rows = np.flatnonzero(binned.inside)
    if not settings.n_surrogates or rows.size < LEAST_ROLLED:
        return Chance(np.nan, np.nan, np.nan, np.nan)
    rolls = _draw_rolls(rows.size, n=settings.n_surrogates, generator=generator)
    values = binned.value[rows]
    every = [Roll(0, False), *rolls]
    sums = _binned_again(values, binned.bin[rows], every, rules=rules)
    curves = accept(
        sums, min_minutes=rules.min_minutes(), min_arm_z=rules.min_arm_z, rules=rules
    )
    lowest_mmhg = curves.parabola.lowest_mmhg()
    arms = np.minimum(*arms_z(sums, lowest_mmhg=lowest_mmhg, rules=rules))  # NaN without two
    has_two = (curves.parabola.quadratic > 0) & np.isfinite(arms)
    arms = np.where(has_two, arms, -np.inf)
    optima_mmhg = curves.cppopt_mmhg[1:]
    some = optima_mmhg[np.isfinite(optima_mmhg)]
    yields = [
        yield_percent(for_minutes(_moved(recorded, roll, rules), rules=rules), closed)
        for roll in rolls[: settings.n_yield_surrogates]
    ]
    return Chance(
        float((arms >= arms[0]).mean())
        if np.isfinite(curves.parabola.quadratic[0])
        else np.nan,
        100 * some.size / len(rolls),
        float(some.std(ddof=1)) if some.size > 1 else np.nan,
        float(np.mean(yields)) if yields else np.nan,
    )


def _draw_rolls(n_minutes: int, *, n: int, generator: np.random.Generator) -> list[Roll]:
    """Return rolls by any number of minutes, every second one backward in time."""
    minutes = generator.integers(1, n_minutes, size=n)
    return [Roll(int(by), bool(turn % 2)) for turn, by in enumerate(minutes)]


def _binned_again(
    values: Reals, bins: NDArray[np.int64], rolls: Sequence[Roll], *, rules: Rules
) -> Sums:
    """Return the sums of each bin, (n_rolls, n_bins), with values moved in a circle."""
    n_bins = rules.centres_mmhg().size
    sums = np.empty((3, len(rolls), n_bins))
    for row, roll in enumerate(rolls):
        moved = roll.of(values)
        for power in range(3):
            sums[power, row] = np.bincount(bins, weights=moved**power, minlength=n_bins)
    return Sums(*sums)


def _moved(recorded: pl.DataFrame, roll: Roll, rules: Rules) -> pl.DataFrame:
    """Return the minutes with the index of those that also have CPP moved in a circle."""
    index = recorded[rules.index.name].fill_null(np.nan).to_numpy().copy()
    both = np.isfinite(index) & recorded["cpp_mmhg"].is_not_null().to_numpy()
    index[both] = roll.of(index[both])
    return recorded.select("cpp_mmhg", pl.Series(rules.index.name, index).fill_nan(None))


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


def methods_sentence(settings: Settings, *, decoupled: tuple[str, str]) -> str:
    """Return the report's sentences for `chance`; `decoupled` are labels of the two series."""
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
        f" surrogates of each recording, whose {decoupled[0]} keeps its spectrum but not its"
        f" coupling to {decoupled[1]} ({how}). The p that there is no U is the larger of"
        " two, one for each arm of the curve: the share of the surrogates, the recording among"
        " them, whose bins rise away from its CPPopt as steeply or more (Davison 1997; Lind"
        f" 2010){yields}. As often, the minutes' index was moved in a circle along CPP by any"
        " number of them, every second time backward, which keeps how both wander: the p by"
        " rolling says the same of an index that has no relation to CPP."
    )
