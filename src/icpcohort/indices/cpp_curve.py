"""Curves: an index binned by CPP, the parabola through the bins, which curves are accepted."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from icpcohort.indices import parabola as parabolas
from icpcohort.indices.curve_settings import Rules
from icpcohort.indices.index_settings import MINUTE_S
from icpcohort.signals import nan_divide
from icpcohort.signals.trends import ROUNDING

Reals = NDArray[np.float64]


class Sums(NamedTuple):
    """For each bin of a curve: its minutes, the sum of their index, and the sum of its square.

    Each (..., n_bins); the index on the scale on which it is averaged.
    """

    counts: Reals
    values: Reals
    squares: Reals


class Curves(NamedTuple):
    """Many curves: CPPopt, limits of reactivity, and the fit behind them.

    `llr_mmhg` and `ulr_mmhg` are the parabola's, the other two the bins' own.
    """

    cppopt_mmhg: Reals
    llr_mmhg: Reals
    ulr_mmhg: Reals
    llr_bins_mmhg: Reals
    ulr_bins_mmhg: Reals
    parabola: parabolas.Parabola
    curvature_z: Reals
    one_sided: NDArray[np.bool_]
    weight: Reals  # where curves are combined
    reason: NDArray[np.str_]  # empty where there is a CPPopt


LIMITS = ("llr_mmhg", "ulr_mmhg", "llr_bins_mmhg", "ulr_bins_mmhg")


def accept(sums: Sums, *, min_minutes: float | Reals, min_arm_z: float, rules: Rules) -> Curves:
    """Fit the curves of a binned index and keep those whose shape the rules accept.

    Parameters
    ----------
    sums : Sums
    min_minutes : float, or (...,)
        Least number of minutes behind a curve.
    min_arm_z : float
        Least slope of each arm by `arms_z`; 0 asks for none. A curvature may come from one
        steep arm. Above 0 it refuses one-sided curves, which have no second one.
    rules : Rules

    Returns
    -------
    Curves
        CPPopt where the parabola opens upward and is lowest between the centres of the
        first and last bin that count, or at one of them by `rules.one_sided`: no
        extrapolation.

    Source: Fisher z against a U shape out of noise, shape rule: Aries 2012a (details from
    memory); count weights and the least spans: common practice, no source; an incomplete curve
    with less weight: Liu 2017 (from memory; how much less is our own choice); the tests of
    curvature and arms: our own choice; PRx limit 0.30 for LLR and ULR: Donnelly 2017 (value
    from memory).
    """
    centres = rules.centres_mmhg()
    used = bins_that_count(sums.counts, min_bin_fraction=rules.min_bin_fraction)
    values = nan_divide.divide(sums.values, sums.counts, where=used)
    parabola = fit_bins(sums, centres_mmhg=centres, used=used, rules=rules)
    noise = spread_of_values(sums, rules=rules) * parabola.quadratic_se
    curvature_z = nan_divide.divide(parabola.quadratic, noise, where=noise > 0)
    first = np.where(used, centres, np.inf).min(axis=-1)
    last = np.where(used, centres, -np.inf).max(axis=-1)
    lowest = parabola.lowest_mmhg()
    outside = ~((lowest >= first) & (lowest <= last))
    reason = _reasons(
        sums, used, values, parabola, curvature_z, outside, min_minutes=min_minutes, rules=rules
    )
    if min_arm_z:
        below, above = arms_z(sums, lowest_mmhg=lowest, rules=rules)
        one_arm = (reason == "") & ~(np.minimum(below, above) >= min_arm_z)
        reason = np.where(one_arm, "one_arm_within_chance", reason)
    ok = reason == ""
    cppopt = np.where(ok, np.fmax(np.fmin(lowest, last), first), np.nan)
    half_bin = rules.bin_width_mmhg / 2
    llr, ulr = parabola.crossings_mmhg(rules.limit())
    inside = (ok & (llr >= first - half_bin), ok & (ulr <= last + half_bin))
    weight = np.nan_to_num(parabola.r_squared) if rules.window_weighting != "equal" else 1.0
    return Curves(
        cppopt,
        np.where(inside[0], llr, np.nan),
        np.where(inside[1], ulr, np.nan),
        crossing_of_bins(centres, values, cppopt, level=rules.limit(), side=-1),
        crossing_of_bins(centres, values, cppopt, level=rules.limit(), side=1),
        parabola,
        curvature_z,
        ok & outside,
        np.where(ok, weight * np.where(outside, rules.edge_weight, 1.0), 0.0),
        reason,
    )


def fit_bins(
    sums: Sums, *, centres_mmhg: Reals, used: NDArray[np.bool_], rules: Rules
) -> parabolas.Parabola:
    """Fit the parabolas of a binned index by `rules.weighting`."""
    values = nan_divide.divide(sums.values, sums.counts, where=used)
    variances = nan_divide.divide(np.ones_like(values), sums.counts, where=used)
    weights = _weights(sums, used=used, rules=rules)
    return parabolas.fit(centres_mmhg, values, weights, variances=variances)


def bins_that_count(counts: Reals, *, min_bin_fraction: float | Reals) -> NDArray[np.bool_]:
    """Return which bins have at least `min_bin_fraction` of the minutes of their curve."""
    least = min_bin_fraction * counts.sum(axis=-1, keepdims=True) - ROUNDING
    return np.asarray((counts > 0) & (counts >= least))


def _reasons(
    sums: Sums,
    used: NDArray[np.bool_],
    values: Reals,
    parabola: parabolas.Parabola,
    curvature_z: Reals,
    outside: NDArray[np.bool_],
    *,
    min_minutes: float | Reals,
    rules: Rules,
) -> NDArray[np.str_]:
    """Return the first rule that each curve breaks; empty where it breaks none."""
    n_used = used.sum(axis=-1)
    place = np.arange(used.shape[-1])
    first, last = np.where(used, place, place.size).min(-1), np.where(used, place, -1).max(-1)
    span_mmhg = (last - first + 1) * rules.bin_width_mmhg
    index = np.tanh(values) if rules.index.averaging == "fisher" else values
    highest = np.where(used, index, -np.inf).max(axis=-1)
    span_index = highest - np.where(used, index, np.inf).min(axis=-1)
    broken = {
        "too_few_minutes": sums.counts.sum(axis=-1) < min_minutes - ROUNDING,
        "too_few_bins": n_used < max(rules.min_bins, 3),
        "span_of_cpp_too_small": span_mmhg < rules.min_span_mmhg - ROUNDING,
        "span_of_index_too_small": span_index < rules.min_span_index,
        "not_u_shaped": ~(parabola.quadratic > 0),
        "within_chance": ~(curvature_z >= rules.min_curvature_z),
        "poor_fit": ~(parabola.r_squared >= rules.min_r_squared),
        "lowest_point_outside": outside & (rules.one_sided == "reject"),
    }
    return np.select(list(broken.values()), list(broken), "")


def _weights(sums: Sums, *, used: NDArray[np.bool_], rules: Rules) -> Reals:
    """Return the weight of each bin; zero where it does not count."""
    if rules.weighting == "count":
        return np.where(used, sums.counts, 0.0)
    if rules.weighting == "none":
        return np.where(used, 1.0, 0.0)
    within = _squares_within(sums)
    pooled = nan_divide.divide(within.sum(-1), _freedom(sums), where=_freedom(sums) > 0)
    own_variance = nan_divide.divide(within, sums.counts - 1, where=sums.counts > 1)
    variance = np.where(own_variance > ROUNDING, own_variance, pooled[..., None])
    variance = np.where(variance > ROUNDING, variance, 1 / (rules.index.n_values - 3))
    return nan_divide.divide(np.where(used, sums.counts, 0.0), variance, where=variance > 0)


def _squares_within(sums: Sums) -> Reals:
    """Return each bin's sum of squares about its own mean."""
    of_means = nan_divide.divide(sums.values**2, sums.counts, where=sums.counts > 0)
    return np.asarray((sums.squares - np.nan_to_num(of_means)).clip(0))


def _freedom(sums: Sums) -> Reals:
    return np.asarray(sums.counts.sum(axis=-1) - (sums.counts > 0).sum(axis=-1))


def spread_of_values(sums: Sums, *, rules: Rules) -> Reals:
    """Return the standard deviation of a minute's value about its bin's mean, for each curve.

    Returns
    -------
    (...,)
        The larger of what the minutes show (pooled within bins) and what the sampling of a
        correlation of `n_values` independent values alone gives: of z 1 / sqrt(n - 3), of r
        1 / sqrt(n - 1). Windows overlap, so neighbouring minutes share data. The value is
        therefore multiplied by the root of the minutes in a window; minutes may then be counted
        as if they were independent.

    Source: variance of z: Fisher 1921; the allowance for overlap: our own.
    """
    freedom = _freedom(sums)
    variance = nan_divide.divide(_squares_within(sums).sum(axis=-1), freedom, where=freedom > 0)
    least = 1 / (rules.index.n_values - (3 if rules.index.averaging == "fisher" else 1))
    minutes_per_window = max(1.0, rules.index.n_values * rules.index.block_s / MINUTE_S)
    return np.asarray(np.sqrt(minutes_per_window * np.fmax(variance, least)))


def arms_z(sums: Sums, *, lowest_mmhg: Reals, rules: Rules) -> tuple[Reals, Reals]:
    """Return how steeply the bins rise on each side of the lowest point of their curve.

    Parameters
    ----------
    sums : Sums, each (..., n_bins)
    lowest_mmhg : (...,) mmHg

    Returns
    -------
    tuple of (...,)
        Slope of a line weighted by minutes through the bins of that side, the nearest one
        included, in its standard errors by `spread_of_values`; positive when the index rises
        away from the lowest point. NaN with fewer than two bins.

    Source: a U needs two arms, and a parabola cannot tell a U from one steep arm: Lind 2010;
    two lines: Simonsohn 2018.
    """
    centres = rules.centres_mmhg()
    used = bins_that_count(sums.counts, min_bin_fraction=rules.min_bin_fraction)
    spread = spread_of_values(sums, rules=rules)
    away_mmhg = centres - np.asarray(lowest_mmhg)[..., None]
    below, above = (
        _slope_z(sums, centres, used & (side * away_mmhg >= -rules.bin_width_mmhg / 2))
        for side in (-1, 1)
    )
    return -below / spread, above / spread


def _slope_z(sums: Sums, centres_mmhg: Reals, arm: NDArray[np.bool_]) -> Reals:
    """Return the slope of a line through the bins of each arm, times the root of its squares.

    In its standard error, of values of a standard deviation of one; NaN with fewer than two.
    """
    n = np.where(arm, sums.counts, 0.0)
    enough = arm.sum(axis=-1) >= 2
    centre = nan_divide.divide((n * centres_mmhg).sum(axis=-1), n.sum(axis=-1), where=enough)
    off = np.where(arm, centres_mmhg - centre[..., None], 0.0)
    along = (off * np.where(arm, sums.values, 0.0)).sum(axis=-1)
    return nan_divide.divide(along, np.sqrt((n * off**2).sum(axis=-1)), where=enough)


def crossing_of_bins(
    centres_mmhg: Reals, values: Reals, cppopt_mmhg: Reals, *, level: float, side: int
) -> Reals:
    """Return where the bins themselves first rise to `level` on one side of CPPopt.

    Parameters
    ----------
    centres_mmhg : (n_bins,) mmHg
    values : (..., n_bins)
        NaN where a bin does not count; it is passed over.
    cppopt_mmhg : (...,) mmHg
    side : {-1, 1}
        Below or above.

    Returns
    -------
    (...,)
        On the straight line between the two bins; NaN when the bin nearest to CPPopt is not
        below the level, or no bin beyond it rises to the level.

    Source: our own choice, beside the parabola, which makes both limits equally far: the
    relation is steeper below than above (Bogli 2025).
    """
    used = np.isfinite(values)
    gap = np.where(used, np.abs(centres_mmhg - cppopt_mmhg[..., None]), np.inf)
    nearest = gap.argmin(axis=-1)
    crossing_mmhg = np.full(cppopt_mmhg.shape, np.nan)
    last_x, last_y = crossing_mmhg.copy(), crossing_mmhg.copy()
    low = level - ROUNDING
    reactive = np.take_along_axis(values, nearest[..., None], axis=-1)[..., 0] < low
    reactive &= np.isfinite(cppopt_mmhg)
    for place in range(centres_mmhg.size)[::side]:
        here = used[..., place] & (side * (place - nearest) >= 0)
        x, y = centres_mmhg[place], values[..., place]
        rises = here & np.isnan(crossing_mmhg) & (last_y < low) & (y >= low)
        if rises.any():
            share = (level - last_y[rises]) / (y[rises] - last_y[rises])
            crossing_mmhg[rises] = last_x[rises] + share * (x - last_x[rises])
        np.copyto(last_x, x, where=here)
        np.copyto(last_y, y, where=here)
    return np.where(reactive, crossing_mmhg, np.nan)
