"""Reactivity: minute means and the moving correlations PRx, PAx, RAC, RAP and L-PRx."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.recordings.chunks import tier_of
from icpcohort.signals import nan_divide
from icpcohort.signals.trends import ROUNDING, blocks_of_a_pulse

Reals = NDArray[np.float64]
MINUTE_S = 60.0
PAIRS = {
    "prx": ("icp_mmhg", "abp_mmhg"),
    "pax": ("amp_mmhg", "abp_mmhg"),
    "rac": ("amp_mmhg", "cpp_mmhg"),
    "rap": ("amp_mmhg", "icp_mmhg"),
}
PRESSURES = ("icp_mmhg", "abp_mmhg", "cpp_mmhg", "amp_mmhg")
OF_PULSE = ("peak_to_trough_mmhg", "p2_p1_ratio")
_WINDOWS_AT_ONCE = 2000  # of correlations: ten days of them are some arrays of 3 MB


@dataclass(frozen=True)
class CorrelationRules:
    """How successive means become one correlation a minute.

    Attributes
    ----------
    block_s : float, s
        Length of the means that are correlated, the blocks of the trends; a whole number of
        them is a minute.
    n_blocks, min_valid_fraction : int, float
        Means in one correlation, and the least share of them that must be valid.
    step_s : float, s
        A correlation is renewed every `step_s`; those of one minute are averaged.
    long_n_minutes : int
        Window of L-PRx, over minute means, with the same completeness.
    averaging : {"fisher", "arithmetic"}
        How correlations are averaged; see `mean_correlation`.
    fisher_clip : float
        |r| is clipped here before Fisher z.
    """

    block_s: float
    n_blocks: int
    step_s: float
    min_valid_fraction: float
    long_n_minutes: int
    averaging: str
    fisher_clip: float

    def of_amplitude(self) -> "CorrelationRules":
        """Return the rules of PAx, RAC and RAP.

        Where one AMP is that of several blocks, these are put together: over the same time,
        all of them valid, and not renewed more often than there is an AMP.
        """
        n = blocks_of_a_pulse(self.block_s)
        return replace(
            self,
            block_s=n * self.block_s,
            n_blocks=math.ceil(self.n_blocks / n),
            step_s=max(self.step_s, n * self.block_s),
        )


def moving_pearson(
    first: Reals, second: Reals, *, n_values: int, step: int, min_valid_fraction: float
) -> Reals:
    """Correlate two series over the last `n_values` values, at the end of every `step` values.

    Parameters
    ----------
    first, second : (n,)
        Successive means; NaN where missing. Only pairs with both are used.
    n_values, step : int
        Length of a window and distance between two windows. A window reaches back before
        the start of the series, where values are missing.
    min_valid_fraction : float
        Least share of the `n_values` pairs.

    Returns
    -------
    (n // step,)
        Pearson's r; NaN where too few pairs are valid, fewer than three are, or either
        series is constant in the window to 1e-9 of its level (of 1, if that is more), as
        means of a constant are. Means are taken off within each window, so that
        nothing cancels however long the series and however high its level.

    Source: PRx as moving correlation of 40 successive 5-s means: Czosnyka 1997,
    Neurosurgery 41:11-19; 30 means of 10 s is later practice. Completeness and the
    treatment of constant input: no agreed rule, a setting.
    """
    x, y = (_windows(series, n_values=n_values, step=step) for series in (first, second))
    least = max(min_valid_fraction * n_values - ROUNDING, 3.0)
    parts = (slice(i, i + _WINDOWS_AT_ONCE) for i in range(0, len(x), _WINDOWS_AT_ONCE))
    return np.concatenate([np.empty(0), *(_pearson(x[p], y[p], least=least) for p in parts)])


def _windows(series: Reals, *, n_values: int, step: int) -> Reals:
    """Return (series.size // step, n_values), not copied."""
    padded = np.concatenate([np.full(n_values, np.nan), series])
    views = np.lib.stride_tricks.sliding_window_view(padded, n_values)
    return np.asarray(views[step::step])


def _pearson(x: Reals, y: Reals, *, least: float) -> Reals:
    """Correlate two series in each of some windows, of which `least` pairs must be valid."""
    both = np.isfinite(x) & np.isfinite(y)
    n = both.sum(axis=1)
    enough = n >= least
    r = np.full(n.size, np.nan)
    if enough.any():
        r[enough] = _pearson_of_pairs(x[enough], y[enough], both[enough], n[enough])
    return r


def _pearson_of_pairs(
    x: Reals, y: Reals, both: NDArray[np.bool_], n: NDArray[np.int64]
) -> Reals:
    changes = _changes(x, both) & _changes(y, both)
    dx, dy = _centred(x, both, n), _centred(y, both, n)
    spread = np.sqrt((dx * dx).sum(axis=1) * (dy * dy).sum(axis=1))
    ok = changes & (spread > 0)
    return nan_divide.divide((dx * dy).sum(axis=1), spread, where=ok).clip(-1.0, 1.0)


def _changes(windows: Reals, both: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which windows change by more than the rounding of their means."""
    high = np.where(both, windows, -np.inf).max(axis=1, initial=-np.inf)
    low = np.where(both, windows, np.inf).min(axis=1, initial=np.inf)
    level = np.maximum(1.0, np.maximum(np.abs(high), np.abs(low)))
    return np.asarray((high > low) & (high - low > ROUNDING * level))


def _centred(windows: Reals, both: NDArray[np.bool_], n: NDArray[np.int64]) -> Reals:
    total = np.where(both, windows, 0.0).sum(axis=1)
    mean = np.divide(total, n, out=np.zeros(n.size), where=n > 0)
    return np.where(both, windows - mean[:, None], 0.0)


def to_minutes(
    trends: pl.DataFrame,
    *,
    events: Sequence[Mapping[str, Any]],
    minute_min_valid_fraction: float,
    rules: CorrelationRules,
    not_during: Sequence[str],
) -> pl.DataFrame:
    """Turn the trends' blocks into minute means and minute indices that look backwards only.

    Parameters
    ----------
    trends : contracts.TRENDS of one patient, in blocks of `rules.block_s`
    events : rows of contracts.EVENTS of the patient
        The indices are null in every minute that touches one of `not_during`.
    minute_min_valid_fraction : float
        Least share of the trends' blocks for the mean of a minute.
    rules : CorrelationRules
        PAx, RAC and RAP go by `rules.of_amplitude()`.

    Returns
    -------
    DataFrame
        One row for each minute from the first to the last block, `t_s` at its end:
        tier, icp_mmhg, abp_mmhg, cpp_mmhg, amp_mmhg, peak_to_trough_mmhg, p2_p1_ratio,
        shape_sought_s, shape_found_s, prx, pax, rac, rap, lprx. Where ICP or
        ABP was recorded less often than every `rules.block_s` there is no PRx, and less often
        than every minute no L-PRx.

    Source: PAx: Aries 2012, Neurocrit Care 17:67-76; RAC: Zeiler 2018, J Neurotrauma
    35:963-974; RAP: Czosnyka 1996, Acta Neurochir 138:531-542 (citations from memory);
    L-PRx: Santos 2011, Acta Neurochir; no index with an open drain or after craniectomy:
    common practice.
    """
    grid = on_grid(trends, block_s=rules.block_s)
    n_in_minute = round(MINUTE_S / rules.block_s)
    series = {name: grid[name].fill_null(np.nan).to_numpy() for name in (*PRESSURES, *OF_PULSE)}
    interval_s = {
        signal: grid[f"{signal}_interval_s"].fill_null(np.inf).to_numpy()
        for signal in ("icp", "abp")
    }
    slower_s = np.maximum(interval_s["icp"], interval_s["abp"])
    t_s = grid["t_s"].to_numpy()[n_in_minute - 1 :: n_in_minute] + rules.block_s
    minutes: dict[str, Reals] = {"t_s": t_s}
    for name, values in series.items():
        minutes[name] = means_of(
            values, n=n_in_minute, min_valid_fraction=minute_min_valid_fraction
        )
    for name, column in (
        ("shape_sought_s", "n_pulses_averaged"),
        ("shape_found_s", "p2_p1_ratio"),
    ):
        there = grid[column].is_not_null().to_numpy().reshape(-1, n_in_minute)
        minutes[name] = rules.block_s * there.sum(axis=1)
    for index, (first, second) in PAIRS.items():
        needed_s = interval_s["icp"] if index == "rap" else slower_s
        own = rules if index == "prx" else rules.of_amplitude()
        fine = needed_s <= own.block_s + ROUNDING
        n = round(own.block_s / rules.block_s)
        minutes[index] = by_minute(
            *(
                means_of(np.where(fine, series[name], np.nan), n=n, min_valid_fraction=1.0)
                for name in (first, second)
            ),
            rules=own,
        )
    held = (slower_s > MINUTE_S + ROUNDING).reshape(-1, n_in_minute).all(axis=1)
    minutes["lprx"] = moving_pearson(
        *(np.where(held, np.nan, minutes[name]) for name in ("icp_mmhg", "abp_mmhg")),
        n_values=rules.long_n_minutes,
        step=1,
        min_valid_fraction=rules.min_valid_fraction,
    )
    closed = touched(minutes["t_s"], events=events, kinds=not_during)
    for index in (*PAIRS, "lprx"):
        minutes[index] = np.where(closed, np.nan, minutes[index])
    coarsest_s = np.where(np.isfinite(series["icp_mmhg"]), interval_s["icp"], -np.inf)
    coarsest_s = coarsest_s.reshape(-1, n_in_minute).max(axis=1, initial=-np.inf)
    return pl.DataFrame(minutes).with_columns(
        pl.exclude("t_s").fill_nan(None), tier=_tiers(coarsest_s)
    )


def by_minute(first: Reals, second: Reals, *, rules: CorrelationRules) -> Reals:
    """Return one moving correlation a minute of two series of successive means.

    Parameters
    ----------
    first, second : (n,)
        Successive means of `rules.block_s` over whole minutes; NaN where missing.

    Returns
    -------
    (n_minutes,)
        The correlation at the end of the minute, or the average of those of the minute.
    """
    r = moving_pearson(
        first,
        second,
        n_values=rules.n_blocks,
        step=round(rules.step_s / rules.block_s),
        min_valid_fraction=rules.min_valid_fraction,
    )
    n = round(MINUTE_S / rules.step_s)
    if n == 1:
        return r
    steps = to_scale(r, averaging=rules.averaging, clip=rules.fisher_clip)
    return from_scale(means_of(steps, n=n, min_valid_fraction=0.0), averaging=rules.averaging)


def _tiers(interval_s: Reals) -> pl.Series:
    """Return the tier of each sampling interval; null where there is none."""
    known = {s: tier_of(1 / s) for s in np.unique(interval_s[np.isfinite(interval_s)])}
    return pl.Series([known.get(s) for s in interval_s], dtype=pl.String())


def on_grid(trends: pl.DataFrame, *, block_s: float) -> pl.DataFrame:
    """Give every block of every minute from the first to the last a row."""
    if trends.is_empty():
        return trends
    first_s = np.floor(float(trends["t_s"][0]) / MINUTE_S) * MINUTE_S
    last_s = np.floor(float(trends["t_s"][-1]) / MINUTE_S + 1) * MINUTE_S
    n = round((last_s - first_s) / block_s)
    if n == trends.height:  # a join of ten days needs 20 MB
        return trends
    grid = pl.DataFrame({"t_s": first_s + block_s * np.arange(n)})
    return grid.join(trends, on="t_s", how="left", validate="1:1").sort("t_s")


def means_of(values: Reals, *, n: int, min_valid_fraction: float) -> Reals:
    """Return the means of each `n` successive values; NaN where too few are valid."""
    if n == 1:
        return values
    rows = values.reshape(-1, n)
    n_valid = np.isfinite(rows).sum(axis=1)
    enough = (n_valid >= min_valid_fraction * n - ROUNDING) & (n_valid > 0)
    return nan_divide.divide(np.nansum(rows, axis=1), n_valid, where=enough)


def touched(
    t_end_s: Reals, *, events: Sequence[Mapping[str, Any]], kinds: Sequence[str]
) -> NDArray[np.bool_]:
    """Return which minutes, by their ends, overlap an event of one of the kinds."""
    found = np.zeros(t_end_s.size, np.bool_)
    for event in events:
        if event["event"] in kinds:
            end_s = np.inf if event["end_s"] is None else event["end_s"]
            found |= (t_end_s > event["start_s"]) & (t_end_s - MINUTE_S < end_s)
    return found


def to_scale(r: Reals, *, averaging: str, clip: float) -> Reals:
    """Return correlations on the scale on which they are averaged: Fisher's z, or as they are.

    |r| is clipped before z, so that +-1 stays finite.
    """
    return np.asarray(np.arctanh(np.clip(r, -clip, clip)) if averaging == "fisher" else r)


def from_scale(values: Reals, *, averaging: str) -> Reals:
    """Return correlations from the scale of `to_scale`."""
    return np.asarray(np.tanh(values) if averaging == "fisher" else values)


def mean_correlation(r: pl.Expr, *, averaging: str, clip: float) -> pl.Expr:
    """Return the mean of correlations; null when there is none.

    Parameters
    ----------
    averaging : {"fisher", "arithmetic"}
        Through Fisher z, |r| clipped at `clip`, or of the correlations as they are.

    Source: mean of z, transformed back: Fisher 1921 (from memory); arithmetic means are as
    common in papers.
    """
    return r.clip(-clip, clip).arctanh().mean().tanh() if averaging == "fisher" else r.mean()


def fisher_interval(r: float, n_values: int) -> tuple[float, float]:
    """Return the 95 % interval of one correlation of `n_values` independent pairs.

    Successive windows overlap: this is not the interval of their mean.
    Source: Fisher 1921, tanh(z -+ 1.96 / sqrt(n - 3)) with the normal quantile.
    """
    half = 1.959963984540054 / np.sqrt(n_values - 3)
    return float(np.tanh(np.arctanh(r) - half)), float(np.tanh(np.arctanh(r) + half))


def methods_sentence(
    *,
    minute_min_valid_fraction: float,
    block_s: float,
    n_blocks: int,
    step_s: float,
    min_valid_fraction: float,
    long_n_minutes: int,
    averaging: str,
    fisher_clip: float,
    not_during: Sequence[str],
) -> str:
    """Return the report's sentences for `to_minutes`, from the same settings."""
    minutes = n_blocks * block_s / MINUTE_S
    closed = " or ".join(f"'{name.replace('_', ' ')}'" for name in not_during)
    average = {
        "fisher": f"through Fisher z, clipped at {fisher_clip:g}",
        "arithmetic": "arithmetically, without a transformation",
    }[averaging]
    renewed = "minute" if step_s == MINUTE_S else f"{step_s:g} s (averaged by minute)"
    n = blocks_of_a_pulse(block_s)
    alike = (
        "likewise"
        if n == 1
        else f"likewise, of {math.ceil(n_blocks / n)} {n * block_s:g}-s means"
    )
    return (
        f"Minute means needed {100 * minute_min_valid_fraction:g} % of their"
        f" {block_s:g}-s blocks."
        f" The pressure reactivity index (PRx) was the correlation of {n_blocks} successive"
        f" {block_s:g}-s means of ICP and ABP ({minutes:.3g} min), renewed every {renewed} and"
        f" looking backwards only; PAx (AMP, ABP), RAC (AMP, CPP) and RAP (AMP, ICP) {alike};"
        f" L-PRx was the correlation of {long_n_minutes} minute means. At least"
        f" {100 * min_valid_fraction:g} % of a window had to be valid and neither series"
        f" constant. Correlations were averaged {average}."
        + (f" They were not computed during {closed}." if closed else "")
    )
