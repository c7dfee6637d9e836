"""Reactivity: minute means and the moving correlations PRx, PAx, RAC, RAP and L-PRx."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.contracts import EVENT_KINDS
from icpcohort.contracts.setting import COMMON_PRACTICE, Setting
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
INDICES = (*PAIRS, "lprx")
PRESSURES = ("icp_mmhg", "abp_mmhg", "cpp_mmhg", "amp_mmhg")
OF_PULSE = ("peak_to_trough_mmhg", "p2_p1_ratio")
_WINDOWS_AT_ONCE = 2000  # of correlations: ten days of them are some arrays of 3 MB


@dataclass(frozen=True, kw_only=True)
class Scale:
    """The scale on which correlations are averaged."""

    averaging: Annotated[
        Literal["fisher", "arithmetic"],
        Setting(
            "How correlations are averaged, in windows and in bins of CPP: through Fisher z or"
            " arithmetically",
            "common practice, no source: both are usual; 0.2 and 0.8 give 0.572 through Fisher"
            " z and 0.5 without (computed)",
            "fisher",
        ),
    ]
    fisher_clip: Annotated[
        float,
        Setting(
            "Correlations are clipped to this size before Fisher z, which is infinite at 1",
            COMMON_PRACTICE,
            0.999,
            above=0,
            below=1,
        ),
    ]


@dataclass(frozen=True, kw_only=True)
class Settings(Scale):
    """Moving correlations: PRx, PAx, RAC, RAP, L-PRx."""

    n_blocks: Annotated[
        int,
        Setting(
            "Means of trends.block_s in one correlation; the spread of Fisher z needs more "
            "than three",
            "the original had 40 means of 5 s, renewed every 5 s: Czosnyka 1997 [confirmed]; "
            "30 means of 10 s are later practice [confirmed]",
            30,
            at_least=4,
            at_most=360,
        ),
    ]
    step_s: Annotated[
        float,
        Setting(
            "How often a correlation is renewed, a multiple of trends.block_s; those of one "
            "minute are averaged",
            "60 s is the commonest in papers on outcome; 10 s and 5 s are used too (from "
            "memory, high)",
            60.0,
            at_least=5,
            at_most=60,
            one_of=(5.0, 10.0, 20.0, 30.0, 60.0),
        ),
    ]
    min_valid_fraction: Annotated[
        float,
        Setting(
            "Share of these means that must be valid",
            "common practice, no source: no agreed rule, 50 to 80 % is usual (from memory, "
            "medium)",
            0.5,
            above=0,
            at_most=1,
        ),
    ]
    lprx_window_min: Annotated[
        int,
        Setting(
            "Minute means in one correlation of L-PRx",
            "20 min of 1-min means: Santos 2011 [confirmed]",
            20,
            at_least=3,
            at_most=240,
        ),
    ]
    not_during: Annotated[
        Sequence[str],
        Setting(
            "Events during which the indices are null",
            "not interpretable with an open drain or after craniectomy [confirmed]",
            ["drain_open", "craniectomy"],
            each="An event",
            one_of=EVENT_KINDS,
        ),
    ]


@dataclass(frozen=True, kw_only=True)
class Rules(Settings):
    """The section `reactivity`, and the length of the blocks that are correlated.

    Attributes
    ----------
    block_s : float, s
        A whole number of blocks is a minute.
    """

    block_s: float

    def of_amplitude(self) -> "Rules":
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


def rules_of(settings: Mapping[str, Any]) -> Rules:
    """Return the rules from the section `reactivity`, and `trends.block_s`."""
    return Rules(**settings["reactivity"], block_s=settings["trends"]["block_s"])


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

    Source: PRx as moving correlation of 40 successive 5-s means: Czosnyka 1997; 30 means of
    10 s is later practice. Completeness and the treatment of constant input: no agreed rule, a
    setting.
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
    rules: Rules,
) -> pl.DataFrame:
    """Turn the trends' blocks into minute means and minute indices that look backwards only.

    Parameters
    ----------
    trends : contracts.TRENDS of one patient, in blocks of `rules.block_s`
    events : rows of contracts.EVENTS of the patient
        The indices are null in every minute that touches one of `rules.not_during`.
    minute_min_valid_fraction : float
        Least share of the trends' blocks for the mean of a minute.
    rules : Rules
        PAx, RAC and RAP go by `rules.of_amplitude()`.

    Returns
    -------
    DataFrame
        One row for each minute from the first to the last block, `t_s` at its end:
        tier, icp_mmhg, abp_mmhg, cpp_mmhg, amp_mmhg, peak_to_trough_mmhg, p2_p1_ratio,
        p2p1_eligible_s, p2p1_found_s, prx, pax, rac, rap, lprx. Where ICP or
        ABP was recorded less often than every `rules.block_s` there is no PRx, and less often
        than every minute no L-PRx.

    Source: PAx: Aries 2012b; RAC: Zeiler 2018; RAP: Czosnyka 1996; L-PRx: Santos 2011; no index
    with an open drain or after craniectomy: common practice.
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
        ("p2p1_eligible_s", "n_pulses_averaged"),
        ("p2p1_found_s", "p2_p1_ratio"),
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
        n_values=rules.lprx_window_min,
        step=1,
        min_valid_fraction=rules.min_valid_fraction,
    )
    closed = touched(minutes["t_s"], events=events, kinds=rules.not_during)
    for index in INDICES:
        minutes[index] = np.where(closed, np.nan, minutes[index])
    coarsest_s = np.where(np.isfinite(series["icp_mmhg"]), interval_s["icp"], -np.inf)
    coarsest_s = coarsest_s.reshape(-1, n_in_minute).max(axis=1, initial=-np.inf)
    return pl.DataFrame(minutes).with_columns(
        pl.exclude("t_s").fill_nan(None), tier=_tiers(coarsest_s)
    )


def by_minute(first: Reals, second: Reals, *, rules: Rules) -> Reals:
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
    return from_scale(means_of(to_scale(r, rules), n=n, min_valid_fraction=0.0), rules)


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


def to_scale(r: Reals, scale: Scale) -> Reals:
    """Return correlations on the scale on which they are averaged: Fisher's z, or as they are.

    |r| is clipped before z, so that +-1 stays finite.
    """
    clip = scale.fisher_clip
    return np.asarray(np.arctanh(np.clip(r, -clip, clip)) if scale.averaging == "fisher" else r)


def from_scale(values: Reals, scale: Scale) -> Reals:
    """Return correlations from the scale of `to_scale`."""
    return np.asarray(np.tanh(values) if scale.averaging == "fisher" else values)


def mean_correlation(r: pl.Expr, scale: Scale) -> pl.Expr:
    """Return the mean of correlations on their scale; null when there is none.

    Source: mean of z, transformed back: Fisher 1921; arithmetic means are as common in papers.
    """
    clip = scale.fisher_clip
    z = r.clip(-clip, clip).arctanh()
    return z.mean().tanh() if scale.averaging == "fisher" else r.mean()


def fisher_interval(r: float, n_values: int) -> tuple[float, float]:
    """Return the 95 % interval of one correlation of `n_values` independent pairs.

    Successive windows overlap: this is not the interval of their mean.
    Source: Fisher 1921, tanh(z -+ 1.96 / sqrt(n - 3)) with the normal quantile.
    """
    half = 1.959963984540054 / np.sqrt(n_values - 3)
    return float(np.tanh(np.arctanh(r) - half)), float(np.tanh(np.arctanh(r) + half))


def methods_sentence(rules: Rules, *, minute_min_valid_fraction: float) -> str:
    """Return the report's sentences for `to_minutes`."""
    minutes = rules.n_blocks * rules.block_s / MINUTE_S
    closed = " or ".join(f"'{name.replace('_', ' ')}'" for name in rules.not_during)
    average = {
        "fisher": f"through Fisher z (Fisher 1921), clipped at {rules.fisher_clip:g}",
        "arithmetic": "arithmetically, without a transformation",
    }[rules.averaging]
    renewed = (
        "minute" if rules.step_s == MINUTE_S else f"{rules.step_s:g} s (averaged by minute)"
    )
    n = blocks_of_a_pulse(rules.block_s)
    alike = (
        "likewise"
        if n == 1
        else f"likewise, of {math.ceil(rules.n_blocks / n)} {n * rules.block_s:g}-s means"
    )
    return (
        f"Minute means needed {100 * minute_min_valid_fraction:g} % of their"
        f" {rules.block_s:g}-s blocks. The pressure reactivity index (PRx; Czosnyka 1997) was"
        f" the correlation of {rules.n_blocks} successive {rules.block_s:g}-s means of ICP and"
        f" ABP ({minutes:.3g} min), renewed every {renewed} and looking backwards only; PAx"
        " (AMP, ABP; Aries 2012b), RAC (AMP, CPP; Zeiler 2018) and RAP (AMP, ICP; Czosnyka"
        f" 1996) {alike}; L-PRx (Santos 2011) was the correlation of {rules.lprx_window_min}"
        f" minute means. At least {100 * rules.min_valid_fraction:g} % of a window had to be"
        " valid and neither series constant. Correlations were averaged"
        f" {average}." + (f" They were not computed during {closed}." if closed else "")
    )
