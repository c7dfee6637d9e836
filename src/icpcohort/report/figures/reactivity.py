"""The figures of pressure reactivity: PRx, CPPopt yield, and PRx by CPP."""

import math
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort import contracts
from icpcohort.contracts.declared_indices import Index
from icpcohort.report.figures import canvas
from icpcohort.report.figures.canvas import ACCENT, INK, MUTED, SMALL_PT, Picture, Strip
from icpcohort.report.tables.grid import words_of
from icpcohort.report.tables.numbers import format_median, format_number

MIN_PATIENTS_POOLED = 5  # a pooled value of fewer patients is a patient's value, and not drawn


def reactivity_distribution(
    summary: pl.DataFrame, optima: pl.DataFrame, *, window: str, index: Index
) -> Picture:
    """Return the mean of the main index and CPPopt yield of every patient, beside chance.

    Parameters
    ----------
    summary : contracts.summary
        Rows of other windows are not drawn.
    optima : contracts.OPTIMA
        Of that index: yields of whole recordings, observed, and of surrogates in which the two
        series do not belong together.
    """
    name, title = "reactivity", f"Mean {index.label} and CPPopt yield of each patient"
    rows = summary.filter(pl.col("window") == window).sort("patient_id")
    means, within = (
        rows[f"{index.name}_mean"].drop_nulls(),
        rows["cppopt_yield_percent"].drop_nulls(),
    )
    if means.is_empty() and within.is_empty():
        return canvas.nothing(
            name=name, title=title, words=f"No {index.label} was computed in this window."
        )
    tested = optima.filter(pl.col("chance_yield_percent").is_not_null()).sort("patient_id")
    yields = [
        _strip(f"{words_of(window).capitalize()}", within),
        _strip("Whole recording", tested["cppopt_yield_percent"].drop_nulls()),
        _strip("Chance alone", tested["chance_yield_percent"]),
    ]
    yields = [strip for strip in yields if strip.values.len()]
    sentences = [
        f"Mean {index.label}: median {format_median(means, decimals=2)}, n = {means.len()}."
    ]
    sentences += [
        f"CPPopt yield, {strip.label.lower()}: median "
        f"{format_median(strip.values, decimals=1)} percent, {strip.beside}."
        for strip in yields
    ]
    caption = (
        f"Mean {index.in_full()} and yield of optimal CPP (CPPopt), cohort of the "
        f"{words_of(window)}. Yields of whole recordings are of all patients whose recording "
        "was tested against chance: chance alone is the yield of the same search where "
        f"{index.labels[1]} and {index.labels[0]} do not belong together. {canvas.STRIP_WORDS}"
    )
    with canvas.style(name):
        figure = canvas.sheet("single", height_in=1.25 + 0.42 * len(yields))
        figure.subplots_adjust(left=0.06, right=0.94, top=0.98, hspace=0.75)
        figure.subplots_adjust(bottom=0.4 / figure.get_figheight())
        upper, lower = figure.subplots(2, height_ratios=[1, max(1, len(yields))])
        canvas.draw_strips(upper, [_strip(index.label, means)], decimals=2, words="above")
        upper.axvline(0, ymax=0.6, color=MUTED, lw=0.6, dashes=(4, 3))
        upper.set_xlim(-1, 1)
        upper.set_xticks([-1, -0.5, 0, 0.5, 1], ["−1", "−0.5", "0", "0.5", "1"])
        upper.set_xlabel(f"Mean {index.label} in the window (−1 to 1)")
        canvas.draw_strips(lower, yields, decimals=1, words="above")
        lower.set_xlim(0, 100)
        lower.set_xlabel("CPPopt yield (% of the minutes with CPP)")
    return Picture(name, title, " ".join(sentences), caption, figure, "single")


def _strip(label: str, values: pl.Series) -> Strip:
    return Strip(label, values, f"n = {values.len()}")


def pool_curves(curves: pl.DataFrame) -> pl.DataFrame:
    """Return an index by CPP over all patients: patients and minutes of each bin.

    Every minute counts once: the mean over patients of Fisher's z of their bin's index,
    weighted by the minutes in the bin and transformed back. Rows with a null index, or without
    minutes, are left out.

    Raises
    ------
    ValueError
        If one is -1 or 1 or beyond, where Fisher's z does not exist.

    Source: averaging through Fisher z is common practice; the weights are our own choice.
    """
    known = curves.filter(pl.col("index_mean").is_not_null(), pl.col("n_minutes") > 0)
    n_outside = known.filter(pl.col("index_mean").abs() >= 1).height
    if n_outside:
        raise ValueError(
            f"figures.pool_curves: {n_outside} bin(s) with an index not between -1 and 1; "
            "compute the curves with a fisher_clip below 1"
        )
    z, weight = pl.col("index_mean").arctanh(), pl.col("n_minutes")
    return (
        known.group_by("cpp_mmhg")
        .agg(
            index_mean=((z * weight).sum() / weight.sum()).tanh(),
            n_patients=pl.col("patient_id").n_unique().cast(pl.Int64()),
            n_minutes=weight.sum(),
        )
        .sort("cpp_mmhg")
    )


def reactivity_curves(curves: pl.DataFrame, optima: pl.DataFrame, *, index: Index) -> Picture:
    """Return the pooled index by CPP before the patients behind it, and each patient's CPPopt.

    Parameters
    ----------
    curves : DataFrame
        `contracts.CURVES` with `patient_id`. A patient is a thin line; the thick line is
        `pool_curves`, drawn where at least `MIN_PATIENTS_POOLED` patients have minutes.
    optima : DataFrame
        `contracts.OPTIMA`; a null CPPopt is counted in the denominator only.

    Returns
    -------
    Picture
        The number of patients stands above every bin of CPP.
    """
    label = index.label
    name, title = "curves", f"{label} by CPP: all patients together, and each of them"
    pooled = pool_curves(curves)
    if pooled.is_empty():
        return canvas.nothing(
            name=name, title=title, words=f"No patient has a curve of {label} by CPP."
        )
    drawn = pooled.filter(pl.col("n_patients") >= MIN_PATIENTS_POOLED)
    n = curves.filter(pl.col("index_mean").is_not_null())["patient_id"].n_unique()
    optimum = optima.sort("patient_id")["cppopt_mmhg"].drop_nulls()
    description = f"Curves of {n} patients. Pooled {label} by CPP in mmHg: " + "; ".join(
        f"{cpp_mmhg:g}: {format_number(mean, decimals=2)} (n = {n_patients})"
        for cpp_mmhg, mean, n_patients, _ in drawn.iter_rows()
    )
    description += (
        f". CPPopt of the whole recording: median {format_median(optimum, decimals=1)} mmHg, "
        f"{optimum.len()} of {optima.height} patients."
    )
    with canvas.style(name):
        figure = canvas.sheet("single", height_in=3.4)
        figure.subplots_adjust(left=0.14, right=0.96, top=0.94, bottom=0.12, hspace=0.12)
        upper, lower = figure.subplots(2, sharex=True, height_ratios=(4.4, 1))
        _draw_curves(upper, curves, pooled=pooled, drawn=drawn, label=label)
        heading = contracts.OPTIMA.columns["cppopt_mmhg"].heading()
        strip = Strip(heading, optimum, f"n = {optimum.len()} of {optima.height}")
        canvas.draw_strips(lower, [strip], decimals=1, words="above")
        lower.set_xlabel("CPP in bins, and CPPopt (mmHg), whole recording")
    caption = (
        f"{label} by CPP over the whole recordings of the {n} patients who have a curve. A"
        " thin "
        "line is a patient. The thick line is the mean of all minutes through Fisher z, drawn "
        f"where {MIN_PATIENTS_POOLED} or more patients have minutes; n above each bin counts "
        "patients. Below: CPPopt of each patient, median (IQR) and n."
    )
    return Picture(name, title, description, caption, figure, "single")


def _draw_curves(
    axis: Any, curves: pl.DataFrame, *, pooled: pl.DataFrame, drawn: pl.DataFrame, label: str
) -> None:
    known = curves.filter(pl.col("index_mean").is_not_null()).sort("patient_id", "cpp_mmhg")
    for _, patient in known.group_by("patient_id", maintain_order=True):
        axis.plot(patient["cpp_mmhg"], patient["index_mean"], color=MUTED, lw=0.5, alpha=0.4)
    axis.plot(drawn["cpp_mmhg"], drawn["index_mean"], color=ACCENT, lw=1.8, marker="o", ms=3)
    axis.axhline(0, color=INK, lw=0.5, dashes=(4, 3))
    axis.set_ylim(*_quarters(known["index_mean"].to_numpy()))
    axis.tick_params(axis="x", length=0)
    axis.spines["bottom"].set_visible(False)
    axis.set_ylabel(f"{label}, n = {known['patient_id'].n_unique()} patients", labelpad=2)
    above = axis.get_xaxis_transform()
    axis.text(-0.03, 1.02, "n", transform=axis.transAxes, ha="right", fontsize=SMALL_PT)
    for row in pooled.iter_rows(named=True):
        n = f"{row['n_patients']}"
        axis.text(row["cpp_mmhg"], 1.02, n, transform=above, ha="center", fontsize=SMALL_PT)
    if drawn.height:
        last = drawn.row(-1, named=True)
        axis.text(last["cpp_mmhg"], last["index_mean"], "  pooled", color=ACCENT, va="center")


def _quarters(values: NDArray[np.floating]) -> tuple[float, float]:
    """Return the quarters that hold all values and zero."""
    low, high = min(0.0, float(values.min())), max(0.0, float(values.max()))
    return math.floor(low * 4) / 4, math.ceil(high * 4) / 4
