"""One patient's PRx: its hours, and PRx by CPP with bins, fit, limits, and chance."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from icpcohort import contracts
from icpcohort.report.figures.canvas import ACCENT, INK, MUTED, SMALL_PT
from icpcohort.report.patients.spans import MINUTE_S, Reals
from icpcohort.report.tables.grid import words_of
from icpcohort.report.tables.numbers import format_number, format_p

N_POINTS = 121  # of the fitted line
HOUR_S, LEAST_MINUTES = 3600.0, 15


def hourly(known: pl.DataFrame, index: str) -> pl.DataFrame:
    """Return mean index of each hour with at least `LEAST_MINUTES` of it, in the hour's middle.

    Means go through Fisher's z; |r| is clipped at 0.999. For the eye only: no table has it.
    """
    hour = ((pl.col("t_s") - MINUTE_S) // HOUR_S).alias("hour")
    return (
        known.group_by(hour)
        .agg(pl.col(index).clip(-0.999, 0.999).arctanh().mean().tanh(), pl.len())
        .filter(pl.col("len") >= LEAST_MINUTES)
        .select(((pl.col("hour") + 0.5) * HOUR_S + MINUTE_S / 2).alias("t_s"), index)
        .sort("t_s")
    )


def in_words(optimum: Mapping[str, Any], *, label: str) -> list[str]:
    """Return what the whole recording says of CPPopt, its limits, and chance.

    Parameters
    ----------
    optimum : mapping
        The patient's row of `contracts.OPTIMA`; empty if there is none.
    label : str
        Of the index.
    """
    if not optimum:
        return [f"Whole recording: no minute with {label} and CPP."]
    n = format_number(optimum["n_minutes"], decimals=0)
    if optimum["cppopt_mmhg"] is None:
        sentences = [f"Whole recording: no CPPopt ({words_of(optimum['reason'])}), {n} min."]
    else:
        sentences = [
            f"Whole recording: CPPopt {_mmhg(optimum['cppopt_mmhg'])} mmHg, {n} min.",
            f"Asymmetric curve: lowest at {_mmhg(optimum['cppopt_asymmetric_mmhg'])} mmHg"
            f"{_interval(optimum)}.",
            f"LLR {_pair(optimum, 'llr')}, ULR {_pair(optimum, 'ulr')} "
            "(mmHg, by parabola / by bins).",
        ]
    if optimum["p_chance"] is not None:
        p = format_p(optimum["p_chance"])
        sentences.append(
            f"Beside chance: p {p if p.startswith('<') else f'= {p}'}; chance alone gives a "
            f"CPPopt in {format_number(optimum['chance_percent'], decimals=0)} % of surrogates."
        )
    if optimum["p_rolled"] is not None:
        p = format_p(optimum["p_rolled"])
        sentences.append(
            f"Beside an index that has nothing to do with CPP: p "
            f"{p if p.startswith('<') else f'= {p}'}."
        )
    if optimum["cppopt_yield_percent"] is not None:
        share = format_number(optimum["cppopt_yield_percent"], decimals=1)
        alone = optimum["chance_yield_percent"]
        beside = (
            "" if alone is None else f", by chance alone {format_number(alone, decimals=1)} %"
        )
        sentences.append(f"Minutes with a CPPopt: {share} %{beside}.")
    return sentences


def _interval(optimum: Mapping[str, Any]) -> str:
    low, high = optimum["cppopt_ci_low_mmhg"], optimum["cppopt_ci_high_mmhg"]
    known = low is not None and high is not None
    return f" (95 % interval {_mmhg(low)} to {_mmhg(high)})" if known else ""


def _pair(optimum: Mapping[str, Any], limit: str) -> str:
    by_parabola, by_bins = optimum[f"{limit}_mmhg"], optimum[f"{limit}_bins_mmhg"]
    return f"{_mmhg(by_parabola)} / {_mmhg(by_bins)}"


def _mmhg(value: float | None) -> str:
    decimals = contracts.OPTIMA.columns["cppopt_mmhg"].decimals or 0
    return format_number(value, decimals=decimals)


def smooth_fit(curve: pl.DataFrame) -> tuple[Reals, Reals]:
    """Return CPP [mmHg] and fitted index along the parabola that the fitted bins lie on.

    It is drawn in the scale, Fisher's z or the index itself, in which the bins lie on a
    parabola; where they do in neither, the bins are joined by straight lines.
    """
    known = curve.drop_nulls("index_fitted").sort("cpp_mmhg")
    cpp, fitted = known["cpp_mmhg"].to_numpy(), known["index_fitted"].to_numpy()
    along = np.linspace(cpp[0], cpp[-1], N_POINTS) if cpp.size else cpp
    for scale, back in ((np.arctanh, np.tanh), (np.asarray, np.asarray)):
        if cpp.size < 3 or (scale is np.arctanh and np.abs(fitted).max() >= 1):
            continue
        values, middle = scale(fitted), cpp.mean()
        parabola = np.polyfit(cpp - middle, values, 2)
        if np.abs(np.polyval(parabola, cpp - middle) - values).max() < 1e-6:
            return along, back(np.polyval(parabola, along - middle))
    return cpp, fitted


def draw(axis: Any, curve: pl.DataFrame, optimum: Mapping[str, Any], *, label: str) -> None:
    """Draw bins and minutes, the fit, CPPopt and the limits, the asymmetric curve's interval.

    Parameters
    ----------
    curve : contracts.CURVES of the patient, of one index
    optimum, label : see `in_words`
    """
    known = curve.filter(pl.col("index_mean").is_not_null()).sort("cpp_mmhg")
    cpp_words = contracts.CURVES.columns["cpp_mmhg"].heading()
    axis.set_xlabel(f"{cpp_words}, whole recording", labelpad=1)
    axis.tick_params(length=2.5, width=0.6, labelsize=SMALL_PT)
    if known.is_empty():
        axis.set_axis_off()
        axis.text(
            0.01, 0.5, f"no curve of {label} by CPP", transform=axis.transAxes, va="center"
        )
        return
    cpp, means = known["cpp_mmhg"].to_numpy(), known["index_mean"].to_numpy()
    axis.axhline(0, color=MUTED, lw=0.4)
    along, fitted = smooth_fit(known)
    axis.plot(along, fitted, color=ACCENT, lw=1.2)
    axis.scatter(cpp, means, s=12, color=INK, zorder=3, lw=0)
    axis.set_ylim(min(-0.3, means.min() - 0.1), max(0.6, means.max() + 0.1, *fitted))
    step = float(np.diff(cpp).min()) if cpp.size > 1 else 5.0
    axis.set_xlim(cpp[0] - step, cpp[-1] + step)
    above = axis.get_xaxis_transform()
    axis.text(-0.01, 1.03, "min", transform=axis.transAxes, ha="right", fontsize=SMALL_PT)
    for at, n in zip(cpp, known["n_minutes"], strict=True):
        axis.text(at, 1.03, f"{n}", transform=above, ha="center", fontsize=SMALL_PT)
    _draw_limits(axis, optimum)


def _draw_limits(axis: Any, optimum: Mapping[str, Any]) -> None:
    if not optimum or optimum["cppopt_mmhg"] is None:
        return
    low, high = optimum["cppopt_ci_low_mmhg"], optimum["cppopt_ci_high_mmhg"]
    if low is not None and high is not None:
        axis.axvspan(low, high, color=ACCENT, alpha=0.25, lw=0)
    above = axis.get_xaxis_transform()
    for column in ("cppopt_mmhg", "llr_mmhg", "ulr_mmhg"):
        at, words = optimum[column], f" {contracts.OPTIMA.columns[column].label}"
        if at is not None:
            width = 1.2 if column == "cppopt_mmhg" else 0.7
            axis.axvline(at, color=ACCENT, lw=width, dashes=(1, 0) if width > 1 else (4, 3))
            axis.text(at, 0.02, words, transform=above, color=ACCENT, fontsize=SMALL_PT)
