"""Reactivity: minute means and the indices PRx, PAx, RAC, RAP and L-PRx."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.contracts import EVENT_KINDS
from icpcohort.contracts.setting import Setting
from icpcohort.indices.correlation import Reals, Scale, from_scale, moving_pearson, to_scale
from icpcohort.recordings.chunks import tier_of
from icpcohort.signals import nan_divide
from icpcohort.signals.trends import ROUNDING, blocks_of_a_pulse

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
    trends : contracts.trends of one patient, in blocks of `rules.block_s`
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
    minutes |= _correlations(minutes, series, interval_s, rules=rules)
    closed = touched(minutes["t_s"], events=events, kinds=rules.not_during)
    for index in INDICES:
        minutes[index] = np.where(closed, np.nan, minutes[index])
    coarsest_s = np.where(np.isfinite(series["icp_mmhg"]), interval_s["icp"], -np.inf)
    coarsest_s = coarsest_s.reshape(-1, n_in_minute).max(axis=1, initial=-np.inf)
    return pl.DataFrame(minutes).with_columns(
        pl.exclude("t_s").fill_nan(None), tier=_tiers(coarsest_s)
    )


def _correlations(
    minutes: Mapping[str, Reals],
    series: Mapping[str, Reals],
    interval_s: Mapping[str, Reals],
    *,
    rules: Rules,
) -> dict[str, Reals]:
    """Return the indices, one value per minute, of what was recorded often enough."""
    n_in_minute = round(MINUTE_S / rules.block_s)
    slower_s = np.maximum(interval_s["icp"], interval_s["abp"])
    indices = {}
    for index, (first, second) in PAIRS.items():
        needed_s = interval_s["icp"] if index == "rap" else slower_s
        of_index = rules if index == "prx" else rules.of_amplitude()
        fine = needed_s <= of_index.block_s + ROUNDING
        n = round(of_index.block_s / rules.block_s)
        indices[index] = by_minute(
            *(
                means_of(np.where(fine, series[name], np.nan), n=n, min_valid_fraction=1.0)
                for name in (first, second)
            ),
            rules=of_index,
        )
    held = (slower_s > MINUTE_S + ROUNDING).reshape(-1, n_in_minute).all(axis=1)
    indices["lprx"] = moving_pearson(
        *(np.where(held, np.nan, minutes[name]) for name in ("icp_mmhg", "abp_mmhg")),
        n_values=rules.lprx_window_min,
        step=1,
        min_valid_fraction=rules.min_valid_fraction,
    )
    return indices


def by_minute(first: Reals, second: Reals, *, rules: Rules) -> Reals:
    """Return one moving correlation per minute of two series of successive means.

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
    overlaps = np.zeros(t_end_s.size, np.bool_)
    for event in events:
        if event["event"] in kinds:
            end_s = np.inf if event["end_s"] is None else event["end_s"]
            overlaps |= (t_end_s > event["start_s"]) & (t_end_s - MINUTE_S < end_s)
    return overlaps


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
