"""Reactivity: minute means of the declared signals, and the declared indices."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.contracts import declared_indices, declared_signals
from icpcohort.indices.correlation import Reals, from_scale, moving_pearson, to_scale
from icpcohort.indices.index_settings import MINUTE_S, Rules
from icpcohort.recordings.chunks import tier_of
from icpcohort.signals import nan_divide
from icpcohort.signals.trends import ROUNDING

OF_PULSE = ("peak_to_trough_mmhg", "p2_p1_ratio")
N_PULSES = "n_pulses_averaged"


class Blocks(NamedTuple):
    """The trends of one patient on a grid of whole minutes, NaN where missing.

    `columns` has every series and what the pulse gives, `interval_s` the sampling interval of
    each recorded signal, infinite where it was not recorded.
    """

    t_s: Reals
    block_s: float
    columns: Mapping[str, Reals]
    interval_s: Mapping[str, Reals]

    @property
    def n_in_minute(self) -> int:
        """How many blocks are a minute."""
        return round(MINUTE_S / self.block_s)

    def minute_ends_s(self) -> Reals:
        """Return the end of each minute."""
        return np.asarray(self.t_s[self.n_in_minute - 1 :: self.n_in_minute] + self.block_s)


def blocks_of(trends: pl.DataFrame, *, block_s: float, declared: Mapping[str, Any]) -> Blocks:
    """Return every block of every minute from the first to the last.

    Parameters
    ----------
    trends : contracts.TRENDS of one patient
    block_s : float, s
        `trends.block_s`; a whole number of blocks is a minute.
    declared : mapping
        The sections `signals` and `derived_signals`.
    """
    grid = on_grid(trends, block_s=block_s)
    names = [one.column for one in declared_indices.series(declared).values()]
    names += [name for name in (*OF_PULSE, N_PULSES) if name in trends.columns]
    return Blocks(
        grid["t_s"].to_numpy(),
        block_s,
        {name: grid[name].fill_null(np.nan).to_numpy() for name in names},
        {
            signal: grid[f"{signal}_interval_s"].fill_null(np.inf).to_numpy()
            for signal in declared_signals.recorded(declared)
        },
    )


def to_minutes(
    trends: pl.DataFrame,
    *,
    events: Sequence[Mapping[str, Any]],
    minute_min_valid_fraction: float,
    block_s: float,
    indices: Mapping[str, Rules],
    declared: Mapping[str, Any],
) -> pl.DataFrame:
    """Turn the trends' blocks into minute means and minute indices that look backwards only.

    Parameters
    ----------
    trends : contracts.trends of one patient, in blocks of `block_s`
    events : rows of contracts.EVENTS of the patient
        An index is null in every minute that touches one of its `not_during`.
    minute_min_valid_fraction : float
        Least share of the trends' blocks for the mean of a minute.
    indices : mapping of each index to its rules
    declared : mapping
        The sections `signals` and `derived_signals`.

    Returns
    -------
    DataFrame
        One row for each minute from the first to the last block, `t_s` at its end: tier, the
        mean of each declared signal, amp_mmhg, peak_to_trough_mmhg, p2_p1_ratio,
        p2p1_eligible_s, p2p1_found_s, and each index. Where one of the signals that it rests
        on was recorded less often than every block there is no index of blocks, and less
        often than every minute no index of minutes.

    Source: no index with an open drain or after craniectomy: common practice. That of each
    index stands in the settings.
    """
    blocks = blocks_of(trends, block_s=block_s, declared=declared)
    minutes: dict[str, Reals] = {"t_s": blocks.minute_ends_s()}
    n_in_minute = blocks.n_in_minute
    for name, values in blocks.columns.items():
        if name != N_PULSES:
            minutes[name] = means_of(
                values, n=n_in_minute, min_valid_fraction=minute_min_valid_fraction
            )
    for name, column in (("p2p1_eligible_s", N_PULSES), ("p2p1_found_s", "p2_p1_ratio")):
        if column in blocks.columns:
            there = np.isfinite(blocks.columns[column]).reshape(-1, n_in_minute)
            minutes[name] = block_s * there.sum(axis=1)
    for name, rules in indices.items():
        first, second = correlated(
            blocks,
            rules.columns,
            rules=rules,
            minute_min_valid_fraction=minute_min_valid_fraction,
        )
        closed = touched(minutes["t_s"], events=events, kinds=rules.not_during)
        minutes[name] = np.where(closed, np.nan, by_minute(first, second, rules=rules))
    return pl.DataFrame(minutes).with_columns(
        pl.exclude("t_s").fill_nan(None), tier=_tiers(_coarsest_s(blocks, declared))
    )


def _coarsest_s(blocks: Blocks, declared: Mapping[str, Any]) -> Reals:
    """Return the longest sampling interval of the first declared signal in each minute."""
    first = next(iter(declared_signals.recorded(declared)))
    values = blocks.columns[declared_signals.series(declared)[first].column]
    interval_s = np.where(np.isfinite(values), blocks.interval_s[first], -np.inf)
    return np.asarray(interval_s.reshape(-1, blocks.n_in_minute).max(axis=1, initial=-np.inf))


def correlated(
    blocks: Blocks,
    columns: Sequence[str],
    *,
    rules: Rules,
    minute_min_valid_fraction: float,
) -> list[Reals]:
    """Return series as the means that an index correlates; NaN where they give none.

    Those of blocks where every signal that the index rests on was recorded often enough, and
    those of minutes where this is so for one block of the minute.
    """
    slowest_s = np.max([blocks.interval_s[signal] for signal in rules.rests_on], axis=0)
    if rules.per == "minutes":
        n = blocks.n_in_minute
        held = (slowest_s > MINUTE_S + ROUNDING).reshape(-1, n).all(axis=1)
        return [
            np.where(
                held,
                np.nan,
                means_of(
                    blocks.columns[name], n=n, min_valid_fraction=minute_min_valid_fraction
                ),
            )
            for name in columns
        ]
    fine = slowest_s <= rules.block_s + ROUNDING
    n = round(rules.block_s / blocks.block_s)
    return [
        means_of(np.where(fine, blocks.columns[name], np.nan), n=n, min_valid_fraction=1.0)
        for name in columns
    ]


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
        n_values=rules.n_values,
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


def methods_sentence(
    indices: Mapping[str, Rules], *, minute_min_valid_fraction: float, block_s: float
) -> str:
    """Return the report's sentences for `to_minutes`."""
    need = f"Minute means needed {100 * minute_min_valid_fraction:g} % of their {block_s:g}-s"
    rules = list(indices.values())
    if not rules:
        return f"{need} blocks."
    return (
        f"{need} blocks. {_what_was_correlated(rules)}."
        f"{_how_complete(rules)} Correlations were averaged {_how_averaged(rules)}."
        f"{_when_not(rules)}"
    )


def _what_was_correlated(rules: Sequence[Rules]) -> str:
    """Return the window of each index; those of one window stand together."""
    groups: dict[tuple[str, float, int, float], list[Rules]] = {}
    for one in rules:
        groups.setdefault((one.per, one.block_s, one.n_values, one.step_s), []).append(one)
    first, clauses = rules[0], []
    for group in groups.values():
        if group[0] is first:
            clauses.append(_in_full(first))
            if group[1:]:
                clauses.append(f"{_listed(group[1:], first)} likewise")
        else:
            clauses.append(_shortly(group, first))
    return "; ".join(clauses)


def _in_full(rules: Rules) -> str:
    about = rules.about.partition(":")[0]
    about = about if about[1:2].isupper() else about[:1].lower() + about[1:]
    means = (
        f"{rules.n_values} minute means"
        if rules.per == "minutes"
        else f"{rules.n_values} successive {rules.block_s:g}-s means"
    )
    renewed = (
        "minute" if rules.step_s == MINUTE_S else f"{rules.step_s:g} s (averaged by minute)"
    )
    length = rules.n_values * rules.block_s / MINUTE_S
    return (
        f"The {about} ({rules.label}; {rules.source}) was the correlation of {means} of"
        f" {rules.labels[0]} and {rules.labels[1]} ({length:.3g} min), renewed every {renewed}"
        " and looking backwards only"
    )


def _shortly(group: Sequence[Rules], first: Rules) -> str:
    """Return the window of further indices, whose means may be of another length."""
    rules = group[0]
    verb = "was" if len(group) == 1 else "were"
    if rules.per == "minutes":
        means = f"the correlation of {rules.n_values} minute means"
        return f"{_listed(group, first)} {verb} {means}"
    if rules.block_s != first.block_s:
        means = f"of {rules.n_values} {rules.block_s:g}-s means"
        return f"{_listed(group, first)} likewise, {means}"
    return f"{_listed(group, first)} {verb} of {rules.n_values} {rules.block_s:g}-s means"


def _listed(group: Sequence[Rules], first: Rules) -> str:
    """Return labels, each with its series (left out where they are the first index's)."""
    words = [
        f"{one.label} ({one.source})"
        if one.of == first.of
        else f"{one.label} ({one.labels[0]}, {one.labels[1]}; {one.source})"
        for one in group
    ]
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))


def _how_complete(rules: Sequence[Rules]) -> str:
    shares = _alike(rules, lambda one: f"{100 * one.min_valid_fraction:g} %")
    return f" At least {shares} of a window had to be valid and neither series constant."


def _how_averaged(rules: Sequence[Rules]) -> str:
    clip = rules[0].fisher_clip
    words = {
        "fisher": f"through Fisher z (Fisher 1921), clipped at {clip:g}",
        "arithmetic": "arithmetically, without a transformation",
    }
    return _alike(rules, lambda one: words[one.averaging])


def _when_not(rules: Sequence[Rules]) -> str:
    def events(one: Rules) -> str:
        return " or ".join(f"'{name.replace('_', ' ')}'" for name in one.not_during)

    during = _alike([one for one in rules if one.not_during], events)
    return f" They were not computed during {during}." if during else ""


def _alike(rules: Sequence[Rules], words: Callable[[Rules], str]) -> str:
    """Return what holds for all indices, or each wording with the labels that it holds for."""
    labels: dict[str, list[str]] = {}
    for one in rules:
        labels.setdefault(words(one), []).append(one.label)
    if len(labels) <= 1:
        return next(iter(labels), "")
    return ", ".join(f"{text} ({', '.join(of)})" for text, of in labels.items())
