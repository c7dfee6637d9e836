"""Optimal CPP: the lowest point of an index against CPP, by minute and for a recording."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.indices.correlation import from_scale, to_scale
from icpcohort.indices.cpp_curve import LIMITS, Curves, Sums, accept
from icpcohort.indices.curve_settings import Rules
from icpcohort.signals import nan_divide
from icpcohort.signals.trends import ROUNDING

Reals = NDArray[np.float64]
MINUTE_COLUMNS = ("cppopt_mmhg", *LIMITS, "cppopt_edge_fraction")
_CURVES_AT_ONCE = 4000  # that a processor's own memory holds: of some windows or many minutes


def combine_windows(values_mmhg: Reals, weights: Reals) -> Reals:
    """Average the values of several window lengths; NaN where no window gives one.

    Parameters
    ----------
    values_mmhg, weights : (n_windows, ...)
        A NaN value does not count.

    Source: weighted average of many window lengths: Liu 2017. The weights there fall with the
    error of the fit and for incomplete curves, by a formula that could not be confirmed; those
    of `curve_settings` are our own choice.
    """
    has_value = np.isfinite(values_mmhg) & (weights > 0)
    total = np.where(has_value, weights, 0.0).sum(axis=0)
    mass = np.where(has_value, weights * np.nan_to_num(values_mmhg), 0.0).sum(axis=0)
    return nan_divide.divide(mass, total, where=total > 0)


class Binned(NamedTuple):
    """Which bin each minute falls in, and its value; `inside` is false where it counts nowhere.

    The value is the index on the scale on which it is averaged.
    """

    inside: NDArray[np.bool_]
    bin: NDArray[np.int64]
    value: Reals


def bin_minutes(minutes: pl.DataFrame, *, rules: Rules) -> Binned:
    """Put each minute's index in the bin of its CPP, averaged over the last `cpp_average_min`.

    Bins are half-open, and an average that misses an edge by rounding lies on it. A minute
    without it, or whose CPP lies outside the bins, or with fewer than half of
    `cpp_average_min` minutes of CPP, counts nowhere.
    """
    n, edges_mmhg = rules.cpp_average_min, rules.edges_mmhg()
    series, least = minutes["cpp_mmhg"], max(1, (n + 1) // 2)
    average = (
        series.rolling_median(n, min_samples=least)
        if rules.cpp_average == "median"
        else series.rolling_mean(n, min_samples=least)
    )
    cpp = average.fill_null(np.nan).to_numpy()
    index = minutes[rules.index.name].fill_null(np.nan).to_numpy()
    place = np.searchsorted(edges_mmhg, cpp + ROUNDING, side="right") - 1
    inside = (
        np.isfinite(index) & np.isfinite(cpp) & (place >= 0) & (place < edges_mmhg.size - 1)
    )
    value = to_scale(np.where(inside, index, 0.0), rules.index)
    return Binned(inside, np.where(inside, place, 0), value)


def for_minutes(minutes: pl.DataFrame, *, rules: Rules) -> pl.DataFrame:
    """Add CPPopt and the limits of reactivity to the minutes of one patient.

    Parameters
    ----------
    minutes : DataFrame
        One row per minute without gaps in `t_s`; cpp_mmhg and the index of the rules.
    rules : Rules
        Several windows are combined by `combine_windows`.

    Returns
    -------
    DataFrame
        `minutes` with `MINUTE_COLUMNS`; a minute uses itself and the past only.
        `cppopt_edge_fraction` is the share of one-sided curves in the weight of CPPopt.

    Source: 4-h window renewed every minute: Aries 2012a; several windows from 2 to 8 h: Liu
    2017.
    """
    binned = bin_minutes(minutes, rules=rules)
    if not binned.inside.any():
        return minutes.with_columns(pl.lit(None, pl.Float64).alias(n) for n in MINUTE_COLUMNS)
    rules = _where_data_are(binned, rules=rules)
    running = running_sums(minutes, rules=rules)
    step = max(1, _CURVES_AT_ONCE // len(rules.windows_min))
    blocks = [np.empty((len(MINUTE_COLUMNS), 0))]
    for first in range(0, minutes.height, step):
        rows = range(first, min(first + step, minutes.height))
        curves = accept(
            Sums(*(_over_last(sums, rows, windows_min=rules.windows_min) for sums in running)),
            min_minutes=rules.min_valid_fraction * np.array(rules.windows_min)[:, None],
            min_arm_z=0.0,
            rules=rules,
        )
        by_window = [getattr(curves, name) for name in ("cppopt_mmhg", *LIMITS)]
        by_window.append(curves.one_sided.astype(np.float64))
        blocks.append(
            np.array([combine_windows(values, curves.weight) for values in by_window])
        )
    columns = zip(MINUTE_COLUMNS, np.concatenate(blocks, axis=1), strict=True)
    return minutes.with_columns(
        pl.Series(name, values, nan_to_null=True) for name, values in columns
    )


def running_sums(minutes: pl.DataFrame, *, rules: Rules) -> Sums:
    """Return the sums of each bin from the first minute up to each minute.

    Each (n_minutes + 1, n_bins), beginning with zeros; in memory bin after bin, so that sums
    over bins add up whole columns.
    """
    binned = bin_minutes(minutes, rules=rules)
    rows = np.flatnonzero(binned.inside)
    bins, values = binned.bin[rows], binned.value[rows]
    sums = np.zeros((3, rules.centres_mmhg().size, binned.inside.size + 1))
    for power in range(3):
        sums[power, bins, rows + 1] = values**power
    np.cumsum(sums, axis=2, out=sums)
    return Sums(*sums.transpose(0, 2, 1))


def _where_data_are(binned: Binned, *, rules: Rules) -> Rules:
    """Leave out the bins below the first and above the last that any minute falls in."""
    bins = binned.bin[binned.inside]
    edges_mmhg = rules.edges_mmhg()
    first_mmhg, last_mmhg = edges_mmhg[bins.min()], edges_mmhg[bins.max() + 1]
    return replace(rules, bin_min_mmhg=float(first_mmhg), bin_max_mmhg=float(last_mmhg))


def _over_last(running: Reals, rows: range, *, windows_min: Sequence[int]) -> Reals:
    """Return what the bins hold over each window up to each minute of `rows`.

    (n_windows, n_rows, n_bins); in memory bin after bin, as in `running_sums`.
    """
    sums = np.empty((running.shape[1], len(windows_min), len(rows)))
    sums[:] = running.T[:, None, rows.start + 1 : rows.stop + 1]
    for place, n in enumerate(windows_min):
        n_short = min(max(n - rows.start, 0), len(rows))  # that begin with the recording
        since = slice(rows.start + 1 + n_short - n, rows.stop + 1 - n)
        if n_short < len(rows):
            sums[:, place, n_short:] -= running.T[:, since]
    return sums.transpose(1, 2, 0)


class WholeCurve(NamedTuple):
    """The curve of a whole recording: contracts CURVES, and part of a row of OPTIMA."""

    curve: pl.DataFrame
    optimum: dict[str, Any]


def for_recording(minutes: pl.DataFrame, *, rules: Rules) -> WholeCurve:
    """Fit one curve to all minutes of one patient; describes, predicts nothing.

    Source: PRx averaged in CPP bins over the whole recording: Steiner 2002; the fitted parabola
    stands for the reading by eye.
    """
    sums = Sums(*(running[-1] for running in running_sums(minutes, rules=rules)))
    accepted = accept(
        sums, min_minutes=rules.min_minutes(), min_arm_z=rules.min_arm_z, rules=rules
    )
    some = sums.counts > 0
    centres = rules.centres_mmhg()[some]
    reason = str(accepted.reason)
    fitted = from_scale(accepted.parabola.at(centres), rules.index)
    curve = pl.DataFrame(
        {
            "cpp_mmhg": centres,
            "n_minutes": sums.counts[some].astype(np.int64),
            "index_mean": from_scale(sums.values[some] / sums.counts[some], rules.index),
            "index_fitted": np.where(reason == "", fitted, np.nan),
        },
        schema_overrides={"cpp_mmhg": pl.Float64(), "index_fitted": pl.Float64()},
    ).with_columns(pl.col("index_fitted").fill_nan(None), index=pl.lit(rules.index.name))
    return WholeCurve(curve, _optimum(accepted, n_minutes=int(sums.counts.sum())))


def _optimum(accepted: Curves, *, n_minutes: int) -> dict[str, Any]:
    reason = str(accepted.reason)
    names = ("cppopt_mmhg", *LIMITS)
    return {name: or_none(getattr(accepted, name)) for name in names} | {
        "one_sided": bool(accepted.one_sided) if reason == "" else None,
        "r_squared": or_none(accepted.parabola.r_squared) if reason == "" else None,
        "curvature_z": or_none(accepted.curvature_z),
        "n_minutes": n_minutes,
        "reason": reason or None,
    }


def or_none(value: Any) -> float | None:
    """Return a number for a table: null for NaN."""
    return float(value) if np.isfinite(value) else None


def methods_sentence(curves: Sequence[Rules]) -> str:
    """Return the report's sentences for `for_minutes`, by the main index and by others."""
    rules, others = curves[0], [one.index.label for one in curves[1:]]
    label = rules.index.label
    fitted = {
        "count": "a parabola weighted by minutes",
        "none": "an unweighted parabola",
        "inverse_variance": "a parabola weighted by 1/SE2 of the bins",
    }[rules.weighting]
    scale = f"Fisher-z {label}" if rules.index.averaging == "fisher" else label
    asked = [
        f"at least {rules.min_bins} bins with {100 * rules.min_bin_fraction:g} % or more of"
        " them",
        f"bins that span {rules.min_span_mmhg:g} mmHg or more" if rules.min_span_mmhg else "",
        f"bins whose {label} spans {rules.min_span_index:g} or more"
        if rules.min_span_index
        else "",
        f"an R2 of {rules.min_r_squared:g} or more" if rules.min_r_squared else "",
    ]
    chance = (
        f" by {rules.min_curvature_z:g} or more standard errors of its curvature (from the"
        f" spread of {label} within bins, overlapping windows allowed for)"
        if rules.min_curvature_z
        else ""
    )
    arms = (
        f", if its bins also rise on both sides by {rules.min_arm_z:g} or more standard errors"
        " of their slope (Lind 2010)"
        if rules.min_arm_z
        else ""
    )
    sides = (
        "and lowest inside these bins"
        if rules.one_sided == "reject"
        else "and, where lowest beyond these bins, taken at the last of them"
        + (
            f" with {rules.edge_weight:g} times its weight"
            if len(rules.windows_min) > 1
            else ""
        )
    )
    return (
        f"Optimal CPP (CPPopt; Aries 2012a) was the lowest point of {fitted} of {scale} on CPP"
        f" ({rules.cpp_average} of {rules.cpp_average_min} min) in bins of"
        f" {rules.bin_width_mmhg:g} mmHg from {rules.bin_min_mmhg:g} to {rules.bin_max_mmhg:g}"
        f" mmHg over the preceding {_windows_words(rules)} with at least"
        f" {100 * rules.min_valid_fraction:g} % of the minutes valid,"
        f" {', '.join(filter(None, asked))}, opening upward{chance} {sides}. The limits of"
        " reactivity (LLR, ULR; Donnelly 2017) were where it crosses"
        f" {label} {rules.reactivity_limit:.2f} inside the data and, beside it, where the bins"
        " themselves first do. One such curve of all minutes (Steiner 2002) gives the CPPopt of"
        f" a patient's whole recording{arms}."
        + (f" The same was done by {', '.join(others)}, beside it." if others else "")
    )


def _windows_words(rules: Rules) -> str:
    windows_min = rules.windows_min
    if len(windows_min) == 1:
        return f"{windows_min[0] / 60:g} h"
    weight = "with the R2 as weight" if rules.window_weighting == "r_squared" else "equally"
    return (
        f"{min(windows_min) / 60:.3g} to {max(windows_min) / 60:.3g} h"
        f" ({len(windows_min)} windows, averaged {weight}; Liu 2017)"
    )
