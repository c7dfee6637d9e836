"""Optimal CPP: the lowest point of PRx against CPP, minute by minute and for a recording."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort import missing, parabolas
from icpcohort.reactivity import MINUTE_S
from icpcohort.trends import BLOCK_S, ROUNDING

Reals = NDArray[np.float64]
MINUTES_PER_H = 60


@dataclass(frozen=True)
class CurveRules:
    """How minutes become a curve of PRx on CPP, and which curves are accepted.

    Attributes
    ----------
    n_blocks, fisher_clip
        Values behind one PRx; |r| is clipped here before Fisher z.
    cpp_average_min : int, min
        CPP is averaged over as many minutes, looking back.
    bin_width_mmhg, bin_min_mmhg, bin_max_mmhg : mmHg
    min_bin_fraction, min_bins
        Bins with a smaller share of the minutes do not count; least number that do.
    min_curvature_z : float
        Least curvature, in its standard errors by `spread_of_z`: at 1.645 about 5 % of
        curves of pure noise pass, 0 asks only that the parabola opens upward.
    reactivity_limit_prx : float
        LLR and ULR are where the curve crosses it, inside the bins that count.
    """

    n_blocks: int
    fisher_clip: float
    cpp_average_min: int
    bin_width_mmhg: float
    bin_min_mmhg: float
    bin_max_mmhg: float
    min_bin_fraction: float
    min_bins: int
    min_curvature_z: float
    reactivity_limit_prx: float

    def edges_mmhg(self) -> Reals:
        """Return the edges of the CPP bins."""
        n_bins = round((self.bin_max_mmhg - self.bin_min_mmhg) / self.bin_width_mmhg)
        return np.asarray(self.bin_min_mmhg + self.bin_width_mmhg * np.arange(n_bins + 1))

    def centres_mmhg(self) -> Reals:
        """Return the centres of the CPP bins."""
        edges_mmhg = self.edges_mmhg()
        return np.asarray((edges_mmhg[:-1] + edges_mmhg[1:]) / 2)


def combine_windows(values_mmhg: Reals, weights: Reals) -> Reals:
    """Average the values of several window lengths; NaN where no window gives one.

    Parameters
    ----------
    values_mmhg, weights : (n_windows, ...)
        A NaN value does not count.

    Source: weighted average of many window lengths: Liu 2017, J Neurotrauma 34:3081-3088.
    The weights there fall with the error of the fit, by a formula that could not be
    confirmed; `for_minutes` takes the weighted R2, our own choice.
    """
    given = np.isfinite(values_mmhg) & (weights > 0)
    total = np.where(given, weights, 0.0).sum(axis=0)
    mass = np.where(given, weights * np.nan_to_num(values_mmhg), 0.0).sum(axis=0)
    return missing.divide(mass, total, where=total > 0)


class Curves(NamedTuple):
    """Curves of one window length: CPPopt, limits of reactivity, and the fit behind them."""

    cppopt_mmhg: Reals
    llr_mmhg: Reals
    ulr_mmhg: Reals
    parabola: parabolas.Parabola
    reason: NDArray[np.str_]  # empty where there is a CPPopt


def accept(
    counts: Reals,
    z_sums: Reals,
    z_squares: Reals,
    *,
    min_minutes: float,
    rules: CurveRules,
) -> Curves:
    """Fit the curves of binned Fisher-z PRx and keep those whose shape is a U.

    Parameters
    ----------
    counts, z_sums, z_squares : (..., n_bins)
        Minutes in each bin, the sum of their z and of its square.
    min_minutes : float
        Least number of minutes behind a curve.
    rules : CurveRules

    Returns
    -------
    Curves
        CPPopt where the parabola opens upward and is lowest between the centres of the
        first and last bin that count: no extrapolation. One-sided curves are rejected.

    Source: Fisher z against a U shape out of noise, count weights, shape rule:
    Aries 2012 (details from memory); the test of the curvature: our own choice, by weighted
    least squares; PRx limit 0.30 for LLR and ULR: Donnelly 2017, Crit Care Med 45:1464-1471
    (value from memory).
    """
    centres = rules.centres_mmhg()
    total = counts.sum(axis=-1)
    used = (counts > 0) & (counts >= rules.min_bin_fraction * total[..., None] - ROUNDING)
    z = np.divide(z_sums, counts, out=np.zeros_like(z_sums), where=used)
    parabola = parabolas.fit(centres, z, np.where(used, counts, 0.0))
    spread = spread_of_z(counts, z_sums, z_squares, n_blocks=rules.n_blocks)
    lowest = parabola.lowest_mmhg()
    first = np.where(used, centres, np.inf).min(axis=-1)
    last = np.where(used, centres, -np.inf).max(axis=-1)
    half_bin = rules.bin_width_mmhg / 2
    reason = np.select(
        [
            total < min_minutes - ROUNDING,
            used.sum(axis=-1) < max(rules.min_bins, 3),
            ~(parabola.quadratic > 0),
            ~(parabola.quadratic >= rules.min_curvature_z * spread * parabola.quadratic_se),
            ~((lowest >= first) & (lowest <= last)),
        ],
        [
            "too_few_minutes",
            "too_few_bins",
            "not_u_shaped",
            "within_chance",
            "lowest_point_outside",
        ],
        "",
    )
    ok = reason == ""
    llr, ulr = parabola.crossings_mmhg(np.arctanh(rules.reactivity_limit_prx))
    return Curves(
        np.where(ok, lowest, np.nan),
        np.where(ok & (llr >= first - half_bin), llr, np.nan),
        np.where(ok & (ulr <= last + half_bin), ulr, np.nan),
        parabola,
        reason,
    )


def spread_of_z(counts: Reals, z_sums: Reals, z_squares: Reals, *, n_blocks: int) -> Reals:
    """Return the standard deviation of a minute's z about its bin's mean, for each curve.

    Parameters
    ----------
    counts, z_sums, z_squares : (..., n_bins)
        See `accept`.
    n_blocks : int
        Values behind one PRx.

    Returns
    -------
    (...,)
        The larger of what the minutes show (pooled within bins) and what the sampling of a
        correlation of `n_blocks` independent values alone gives, 1 / sqrt(n - 3). Windows
        overlap, only every so-many-th minute is new, and it is larger by the root of as
        many: minutes may then be counted as if they were independent.

    Source: variance of z: Fisher 1921 (from memory); the allowance for overlap: our own.
    """
    mean_squares = missing.divide(z_sums**2, counts, where=counts > 0)
    within = (z_squares - np.nan_to_num(mean_squares)).sum(axis=-1).clip(0)
    freedom = counts.sum(axis=-1) - (counts > 0).sum(axis=-1)
    variance = missing.divide(within, freedom, where=freedom > 0)
    minutes_per_window = max(1.0, n_blocks * BLOCK_S / MINUTE_S)
    larger = np.fmax(variance, 1 / (n_blocks - 3))
    return np.asarray(np.sqrt(minutes_per_window * larger))


class Binned(NamedTuple):
    """Which bin each minute falls in, and its z; `inside` is false where it counts nowhere."""

    inside: NDArray[np.bool_]
    bin: NDArray[np.int64]
    z: Reals


def bin_minutes(minutes: pl.DataFrame, *, rules: CurveRules) -> Binned:
    """Put each minute's PRx in the bin of the mean CPP of the minutes that PRx looks back on.

    Bins are half-open. A minute without PRx, or whose CPP lies outside the bins, or with
    fewer than half of `cpp_average_min` minutes of CPP, counts nowhere.
    """
    n, edges_mmhg, clip = rules.cpp_average_min, rules.edges_mmhg(), rules.fisher_clip
    cpp = (
        minutes["cpp_mmhg"]
        .rolling_mean(n, min_samples=max(1, (n + 1) // 2))
        .fill_null(np.nan)
        .to_numpy()
    )
    prx = minutes["prx"].fill_null(np.nan).to_numpy()
    place = np.searchsorted(edges_mmhg, cpp, side="right") - 1
    inside = np.isfinite(prx) & np.isfinite(cpp) & (place >= 0) & (place < edges_mmhg.size - 1)
    z = np.arctanh(np.clip(np.where(inside, prx, 0.0), -clip, clip))
    return Binned(inside, np.where(inside, place, 0), z)


def for_minutes(
    minutes: pl.DataFrame,
    *,
    windows_h: Sequence[float],
    min_valid_fraction: float,
    rules: CurveRules,
) -> pl.DataFrame:
    """Add cppopt_mmhg, llr_mmhg and ulr_mmhg to the minutes of one patient.

    Parameters
    ----------
    minutes : DataFrame
        One row a minute without gaps in `t_s`; cpp_mmhg and prx.
    windows_h : float, h
        How far the curves look back; several are combined by `combine_windows`.
    min_valid_fraction : float
        Least share of a window's minutes with CPP and PRx.
    rules : CurveRules

    Returns
    -------
    DataFrame
        `minutes` with three more columns; a minute uses itself and the past only.

    Source: 4-h window renewed every minute: Aries 2012, Crit Care Med 40:2456-2463; several
    windows from 2 to 8 h: Liu 2017, J Neurotrauma 34:3081-3088.
    """
    sums = _running_sums(minutes, rules=rules)
    found = []
    for window_h in windows_h:
        n = round(window_h * MINUTES_PER_H)
        found.append(
            accept(
                *(_over_last(running, n) for running in sums),
                min_minutes=min_valid_fraction * n,
                rules=rules,
            )
        )
    weights = np.stack([np.nan_to_num(curves.parabola.r_squared) for curves in found])
    return minutes.with_columns(
        pl.Series(
            name,
            combine_windows(np.stack([getattr(curves, name) for curves in found]), weights),
        ).fill_nan(None)
        for name in ("cppopt_mmhg", "llr_mmhg", "ulr_mmhg")
    )


def _running_sums(minutes: pl.DataFrame, *, rules: CurveRules) -> tuple[Reals, Reals, Reals]:
    """Return counts, sums of z and of its square from the first minute on.

    Each (n_minutes + 1, n_bins), beginning with zeros.
    """
    binned = bin_minutes(minutes, rules=rules)
    rows = np.flatnonzero(binned.inside)
    bins, z = binned.bin[rows], binned.z[rows]
    sums = np.zeros((3, binned.inside.size + 1, rules.centres_mmhg().size))
    for power in range(3):
        sums[power, rows + 1, bins] = z**power
    counts, z_sums, z_squares = sums.cumsum(axis=1)
    return counts, z_sums, z_squares


def _over_last(running: Reals, n: int) -> Reals:
    ends = np.arange(1, running.shape[0])
    return running[ends] - running[np.maximum(ends - n, 0)]


class WholeCurve(NamedTuple):
    """The curve of a whole recording: contracts CURVES, and one row of OPTIMA."""

    curve: pl.DataFrame
    optimum: dict[str, Any]


def for_recording(
    minutes: pl.DataFrame,
    *,
    min_minutes: float,
    rules: CurveRules,
) -> WholeCurve:
    """Fit one curve to all minutes of one patient; describes, predicts nothing.

    Source: PRx averaged in CPP bins over the whole recording: Steiner 2002, Crit Care Med
    30:733-738; the fitted parabola stands for the reading by eye.
    """
    counts, z_sums, z_squares = (running[-1] for running in _running_sums(minutes, rules=rules))
    curves = accept(counts, z_sums, z_squares, min_minutes=min_minutes, rules=rules)
    some = counts > 0
    centres = rules.centres_mmhg()[some]
    fitted = np.tanh(curves.parabola.at(centres)) if curves.reason == "" else np.nan * centres
    curve = pl.DataFrame(
        {
            "cpp_mmhg": centres,
            "n_minutes": counts[some].astype(np.int64),
            "prx": np.tanh(z_sums[some] / counts[some]),
            "prx_fitted": fitted,
        },
        schema_overrides={"cpp_mmhg": pl.Float64(), "prx_fitted": pl.Float64()},
    ).with_columns(pl.col("prx_fitted").fill_nan(None))
    reason = str(curves.reason)
    optimum = {
        name: _or_none(getattr(curves, name))
        for name in ("cppopt_mmhg", "llr_mmhg", "ulr_mmhg")
    }
    return WholeCurve(
        curve,
        optimum
        | {
            "r_squared": _or_none(curves.parabola.r_squared) if reason == "" else None,
            "n_minutes": int(counts.sum()),
            "reason": reason or None,
        },
    )


def _or_none(value: Any) -> float | None:
    return float(value) if np.isfinite(value) else None


def methods_sentence(
    *,
    windows_h: Sequence[float],
    min_valid_fraction: float,
    cpp_average_min: int,
    bin_width_mmhg: float,
    bin_min_mmhg: float,
    bin_max_mmhg: float,
    min_bin_fraction: float,
    min_bins: int,
    min_curvature_z: float,
    reactivity_limit_prx: float,
) -> str:
    """Return the report's sentences for `for_minutes`, from the same settings."""
    windows = " and ".join(f"{window_h:g}" for window_h in windows_h)
    chance = (
        f" by {min_curvature_z:g} or more standard errors of its curvature (from the spread"
        " of z within bins, overlapping windows allowed for)"
        if min_curvature_z
        else ""
    )
    several = ", averaged with the weighted R2 as weight," if len(windows_h) > 1 else ""
    return (
        f"Optimal CPP (CPPopt) was the lowest point of a count-weighted parabola of Fisher-z"
        f" PRx on CPP (mean of {cpp_average_min} min) in bins of {bin_width_mmhg:g} mmHg from"
        f" {bin_min_mmhg:g} to {bin_max_mmhg:g} mmHg over the preceding {windows} h{several}"
        f" with at least {100 * min_valid_fraction:g} % of the minutes valid, at least"
        f" {min_bins} bins with {100 * min_bin_fraction:g} % or more of them, opening upward"
        f"{chance} and lowest inside these bins. The limits of reactivity (LLR, ULR) were"
        f" where it crosses PRx {reactivity_limit_prx:.2f} inside the data. One such curve of"
        " all minutes gives the CPPopt of a patient's whole recording."
    )
