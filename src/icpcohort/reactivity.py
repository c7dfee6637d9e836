"""Reactivity: minute means and the moving correlations PRx, PAx, RAC, RAP and L-PRx."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort import missing
from icpcohort.recordings.chunks import tier_of
from icpcohort.trends import BLOCK_S, ROUNDING

Reals = NDArray[np.float64]
MINUTE_S = 60.0
N_BLOCKS_IN_MINUTE = int(MINUTE_S / BLOCK_S)
PAIRS = {
    "prx": ("icp_mmhg", "abp_mmhg"),
    "pax": ("amp_mmhg", "abp_mmhg"),
    "rac": ("amp_mmhg", "cpp_mmhg"),
    "rap": ("amp_mmhg", "icp_mmhg"),
}
PRESSURES = ("icp_mmhg", "abp_mmhg", "cpp_mmhg", "amp_mmhg")


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
        series is constant in the window. Means are taken off within each window, so that
        nothing cancels however long the series and however high its level.

    Source: PRx as moving correlation of 40 successive 5-s means: Czosnyka 1997,
    Neurosurgery 41:11-19; 30 means of 10 s is later practice. Completeness and the
    treatment of constant input: no agreed rule, a setting.
    """
    x, y = (_windows(series, n_values=n_values, step=step) for series in (first, second))
    both = np.isfinite(x) & np.isfinite(y)
    n = both.sum(axis=1)
    enough = (n >= min_valid_fraction * n_values - ROUNDING) & (n >= 3)
    changes = _changes(x, both) & _changes(y, both)
    dx, dy = _centred(x, both, n), _centred(y, both, n)
    spread = np.sqrt((dx * dx).sum(axis=1) * (dy * dy).sum(axis=1))
    ok = enough & changes & (spread > 0)
    return missing.divide((dx * dy).sum(axis=1), spread, where=ok).clip(-1.0, 1.0)


def _windows(series: Reals, *, n_values: int, step: int) -> Reals:
    ends = np.arange(1, series.size // step + 1) * step
    padded = np.concatenate([np.full(n_values, np.nan), series])
    views = np.lib.stride_tricks.sliding_window_view(padded, n_values)
    return np.asarray(views[ends])


def _changes(windows: Reals, both: NDArray[np.bool_]) -> NDArray[np.bool_]:
    high = np.where(both, windows, -np.inf).max(axis=1, initial=-np.inf)
    low = np.where(both, windows, np.inf).min(axis=1, initial=np.inf)
    return np.asarray(high > low)


def _centred(windows: Reals, both: NDArray[np.bool_], n: NDArray[np.int64]) -> Reals:
    total = np.where(both, windows, 0.0).sum(axis=1)
    mean = np.divide(total, n, out=np.zeros(n.size), where=n > 0)
    return np.where(both, windows - mean[:, None], 0.0)


def to_minutes(
    trends: pl.DataFrame,
    *,
    events: Sequence[Mapping[str, Any]],
    minute_min_valid_fraction: float,
    n_blocks: int,
    min_valid_fraction: float,
    long_n_minutes: int,
    not_during: Sequence[str],
) -> pl.DataFrame:
    """Turn 10-s blocks into minute means and minute indices that look backwards only.

    Parameters
    ----------
    trends : contracts.TRENDS of one patient
    events : rows of contracts.EVENTS of the patient
        The indices are null in every minute that touches one of `not_during`.
    minute_min_valid_fraction : float
        Least share of the six blocks of a minute for its mean.
    n_blocks, min_valid_fraction : int, float
        Window and completeness of PRx, PAx, RAC and RAP.
    long_n_minutes : int
        Window of L-PRx, over minute means, with the same completeness.

    Returns
    -------
    DataFrame
        One row for each minute from the first to the last block, `t_s` at its end:
        tier, icp_mmhg, abp_mmhg, cpp_mmhg, amp_mmhg, prx, pax, rac, rap, lprx. Where ICP or
        ABP was recorded less often than every 10 s there is no PRx, and less often than
        every minute no L-PRx.

    Source: PAx: Aries 2012, Neurocrit Care 17:67-76; RAC: Zeiler 2018, J Neurotrauma
    35:963-974; RAP: Czosnyka 1996, Acta Neurochir 138:531-542 (citations from memory);
    L-PRx: Santos 2011, Acta Neurochir; no index with an open drain or after craniectomy:
    common practice.
    """
    grid = _on_grid(trends)
    series = {name: grid[name].fill_null(np.nan).to_numpy() for name in PRESSURES}
    interval_s = {
        signal: grid[f"{signal}_interval_s"].fill_null(np.inf).to_numpy()
        for signal in ("icp", "abp")
    }
    slower_s = np.maximum(interval_s["icp"], interval_s["abp"])
    minutes: dict[str, Reals] = {"t_s": grid["t_s"].to_numpy()[5::6] + BLOCK_S}
    for name, values in series.items():
        minutes[name] = _minute_means(values, min_valid_fraction=minute_min_valid_fraction)
    for index, (first, second) in PAIRS.items():
        needed_s = interval_s["icp"] if index == "rap" else slower_s
        fine = needed_s <= BLOCK_S + ROUNDING
        minutes[index] = moving_pearson(
            np.where(fine, series[first], np.nan),
            np.where(fine, series[second], np.nan),
            n_values=n_blocks,
            step=N_BLOCKS_IN_MINUTE,
            min_valid_fraction=min_valid_fraction,
        )
    by_minute = (slower_s <= MINUTE_S + ROUNDING).reshape(-1, N_BLOCKS_IN_MINUTE).any(axis=1)
    minutes["lprx"] = moving_pearson(
        np.where(by_minute, minutes["icp_mmhg"], np.nan),
        np.where(by_minute, minutes["abp_mmhg"], np.nan),
        n_values=long_n_minutes,
        step=1,
        min_valid_fraction=min_valid_fraction,
    )
    closed = touched(minutes["t_s"], events=events, kinds=not_during)
    for index in (*PAIRS, "lprx"):
        minutes[index] = np.where(closed, np.nan, minutes[index])
    coarsest_s = np.where(np.isfinite(series["icp_mmhg"]), interval_s["icp"], -np.inf)
    coarsest_s = coarsest_s.reshape(-1, N_BLOCKS_IN_MINUTE).max(axis=1, initial=-np.inf)
    return pl.DataFrame(minutes).with_columns(
        pl.exclude("t_s").fill_nan(None), tier=_tiers(coarsest_s)
    )


def _tiers(interval_s: Reals) -> pl.Series:
    """Return the tier of each sampling interval; null where there is none."""
    known = {s: tier_of(1 / s) for s in np.unique(interval_s[np.isfinite(interval_s)])}
    return pl.Series([known.get(s) for s in interval_s], dtype=pl.String())


def _on_grid(trends: pl.DataFrame) -> pl.DataFrame:
    """Give every block of every minute from the first to the last a row."""
    if trends.is_empty():
        return trends
    first_s = np.floor(float(trends["t_s"][0]) / MINUTE_S) * MINUTE_S
    last_s = np.floor(float(trends["t_s"][-1]) / MINUTE_S + 1) * MINUTE_S
    n = round((last_s - first_s) / BLOCK_S)
    grid = pl.DataFrame({"t_s": first_s + BLOCK_S * np.arange(n)})
    return grid.join(trends, on="t_s", how="left", validate="1:1").sort("t_s")


def _minute_means(blocks: Reals, *, min_valid_fraction: float) -> Reals:
    rows = blocks.reshape(-1, N_BLOCKS_IN_MINUTE)
    n = np.isfinite(rows).sum(axis=1)
    enough = (n >= min_valid_fraction * N_BLOCKS_IN_MINUTE - ROUNDING) & (n > 0)
    return missing.divide(np.nansum(rows, axis=1), n, where=enough)


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


def fisher_z(r: pl.Expr, *, clip: float) -> pl.Expr:
    """Return Fisher's z of a correlation, |r| clipped so that +-1 stays finite."""
    return r.clip(-clip, clip).arctanh()


def mean_correlation(r: pl.Expr, *, clip: float) -> pl.Expr:
    """Return the mean of correlations through Fisher z; null when there is none.

    Source: mean of z, transformed back: Fisher 1921 (from memory).
    """
    return fisher_z(r, clip=clip).mean().tanh()


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
    n_blocks: int,
    min_valid_fraction: float,
    long_n_minutes: int,
    fisher_clip: float,
    not_during: Sequence[str],
) -> str:
    """Return the report's sentences for `to_minutes`, from the same settings."""
    minutes = n_blocks * BLOCK_S / MINUTE_S
    closed = " or ".join(f"'{name.replace('_', ' ')}'" for name in not_during)
    return (
        f"Minute means needed {100 * minute_min_valid_fraction:g} % of their 10-s blocks."
        f" The pressure reactivity index (PRx) was the correlation of {n_blocks} successive"
        f" 10-s means of ICP and ABP ({minutes:g} min), renewed every minute and looking"
        f" backwards only; PAx (AMP, ABP), RAC (AMP, CPP) and RAP (AMP, ICP) likewise; L-PRx"
        f" was the correlation of {long_n_minutes} minute means. At least"
        f" {100 * min_valid_fraction:g} % of a window had to be valid and neither series"
        f" constant. Correlations were averaged through Fisher z, clipped at {fisher_clip:g}."
        + (f" They were not computed during {closed}." if closed else "")
    )
