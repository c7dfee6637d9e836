"""The figures of the report, each from one or two results tables, as SVG text."""

import math
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl
from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from icpcohort import svg
from icpcohort.svg import ACCENT, INK, MUTED, WIDTH_IN, Strip
from icpcohort.tables import format_estimate, format_median, format_number

MIN_PATIENTS_POOLED = 5  # a pooled value of fewer patients is a patient's value, and not drawn
EFFECT_LIMIT = 50.0  # ratios beyond 1/50 or 50 end in an arrow
RATIO_SCALES = ("log_or", "log_hr", "log_rr")
# intercepts, thresholds and parts of a curve
NO_EXPOSURE_SCALES = ("log_odds", "log_risk", "log_hazard", "mean", "threshold", "spline")


def flow_diagram(flow: pl.DataFrame, *, window: str) -> str:
    """Return the flow of patients into one window, from all of the study to the cohort.

    Parameters
    ----------
    flow : DataFrame
        `contracts.FLOW`; the steps of `window` in their order. A first step that drops nobody
        is the box on top, otherwise one with its `n_in` is put there.
    window : str
        Steps of other windows are not drawn.

    Returns
    -------
    str
        SVG; its description tells the same in words.
    """
    name, title = "flow", "Flow of patients into the study"
    steps = flow.filter(pl.col("window") == window).sort("step").to_dicts()
    if not steps:
        return svg.nothing(name=name, title=title, words="No flow of patients was recorded.")
    boxes: list[tuple[str, str | None]] = []
    if steps[0]["n_dropped"]:
        boxes.append((f"All patients\nn = {steps[0]['n_in']}", None))
    for step in steps:
        words = "\n".join(textwrap.wrap(step["name"], 36))
        left = textwrap.wrap((step["reason"] or "no reason noted").replace("_", " "), 24)
        side = (
            "\n".join([f"Left, n = {step['n_dropped']}", *left]) if step["n_dropped"] else None
        )
        boxes.append((f"{words}\nn = {step['n_out']}", side))
    told = [f"{step['name']}: {step['n_out']} of {step['n_in']} remain." for step in steps]
    with svg.style(name):
        figure = _draw_flow(boxes)
        return svg.as_svg(figure, name=name, title=title, description=" ".join(told))


def _draw_flow(boxes: Sequence[tuple[str, str | None]]) -> Figure:
    line_pt, pad_pt, gap_pt, right_pt = 13.0, 8.0, 20.0, 250.0
    width_pt = WIDTH_IN * 72
    lines = [max(box.count("\n"), (side or "").count("\n")) + 1 for box, side in boxes]
    heights = [n * line_pt + 2 * pad_pt for n in lines]
    height_pt = sum(heights) + gap_pt * (len(boxes) - 1) + 4
    figure = Figure(figsize=(WIDTH_IN, height_pt / 72))
    axis: Any = figure.add_axes((0, 0, 1, 1))
    axis.set_axis_off()
    axis.set_xlim(0, width_pt)
    axis.set_ylim(height_pt, 0)
    top = 2.0
    for i, (box, side) in enumerate(boxes):
        _box(axis, box, x=2, y=top, width=222, height=heights[i], edge=INK)
        if side is not None:
            middle = top + heights[i] / 2
            axis.plot([224, right_pt], [middle, middle], color=MUTED, lw=0.8)
            _box(axis, side, x=right_pt, y=top, width=150, height=heights[i], edge=MUTED)
        if i + 1 < len(boxes):
            foot = top + heights[i]
            style = {"arrowstyle": "-|>", "color": INK, "lw": 0.8, "shrinkA": 0, "shrinkB": 0}
            axis.annotate("", xy=(113, foot + gap_pt), xytext=(113, foot), arrowprops=style)
        top += heights[i] + gap_pt
    return figure


def _box(
    axis: Any, words: str, *, x: float, y: float, width: float, height: float, edge: str
) -> None:
    shape = FancyBboxPatch(
        (x, y),
        width,
        height,
        boxstyle="round,pad=0,rounding_size=3",
        fill=False,
        ec=edge,
        lw=0.8,
    )
    axis.add_patch(shape)
    lines = words.split("\n")
    first = y + height / 2 - 13 * (len(lines) - 1) / 2
    for i, line in enumerate(lines):
        axis.text(x + 8, first + 13 * i, line, va="center", fontsize=9.5)


def burden_distribution(burden: pl.DataFrame, *, window: str) -> str:
    """Return the dose per monitored hour of every patient, one row a threshold.

    Parameters
    ----------
    burden : DataFrame
        `contracts.BURDEN`; null `dose_per_h_mmhg` is left out and not counted in n.
    window : str
        Rows of other windows are not drawn.

    Returns
    -------
    str
        SVG; a panel a signal, on a square-root scale that keeps zero and the long tail.
    """
    name, title = "burden", "Pressure dose per monitored hour, by threshold"
    rows = burden.filter(pl.col("window") == window, pl.col("dose_per_h_mmhg").is_not_null())
    if rows.is_empty():
        return svg.nothing(
            name=name, title=title, words="No burden was computed in this window."
        )
    panels = rows.select("signal", "side").unique().sort("signal", descending=True).rows()
    strips = {panel: _threshold_strips(rows, *panel) for panel in panels}
    told = [
        f"{signal.upper()} {side} {part.label}: "
        f"median {format_median(part.values, decimals=2)}, {part.beside}."
        for (signal, side), strip in strips.items()
        for part in strip
    ]
    counts = [len(strip) for strip in strips.values()]
    with svg.style(name):
        figure = Figure(figsize=(WIDTH_IN, 0.9 * len(panels) + 0.5 * sum(counts)))
        figure.subplots_adjust(left=0.16, right=0.72, top=1 - 0.3 / figure.get_figheight())
        figure.subplots_adjust(bottom=0.5 / figure.get_figheight(), hspace=0.5)
        axes = figure.subplots(len(panels), squeeze=False, height_ratios=counts)[:, 0]
        for axis, ((signal, side), strip) in zip(axes, strips.items(), strict=True):
            svg.draw_strips(axis, strip, decimals=2)
            svg.square_root_axis(axis, highest=_highest(strip))
            axis.set_title(f"{signal.upper()} {side} the threshold")
            axis.set_xlabel("Dose per monitored hour (mmHg·h/h), square-root scale")
        return svg.as_svg(figure, name=name, title=title, description=" ".join(told))


def _threshold_strips(rows: pl.DataFrame, signal: str, side: str) -> list[Strip]:
    panel = rows.filter(signal=signal, side=side).sort("threshold_mmhg", "patient_id")
    return [
        Strip(f"{threshold:g} mmHg", part["dose_per_h_mmhg"], f"n = {part.height}")
        for (threshold,), part in panel.group_by("threshold_mmhg", maintain_order=True)
    ]


def _highest(strips: Sequence[Strip]) -> float:
    return float(pl.concat([strip.values for strip in strips]).to_numpy().max())


def reactivity_distribution(summary: pl.DataFrame, *, window: str) -> str:
    """Return mean PRx and CPPopt yield of every patient of one window (`contracts.SUMMARY`)."""
    name, title = "reactivity", "Mean PRx and CPPopt yield of each patient"
    rows = summary.filter(pl.col("window") == window).sort("patient_id")
    prx, yields = rows["prx_mean"].drop_nulls(), rows["cppopt_yield_percent"].drop_nulls()
    if prx.is_empty() and yields.is_empty():
        return svg.nothing(name=name, title=title, words="No PRx was computed in this window.")
    told = (
        f"Mean PRx: median {format_median(prx, decimals=2)}, n = {prx.len()}. CPPopt yield: "
        f"median {format_median(yields, decimals=1)} percent, n = {yields.len()}."
    )
    with svg.style(name):
        figure = Figure(figsize=(WIDTH_IN, 2.5))
        figure.subplots_adjust(left=0.16, right=0.72, top=0.97, bottom=0.2, hspace=1.1)
        upper, lower = figure.subplots(2)
        svg.draw_strips(upper, [Strip("PRx", prx, f"n = {prx.len()}")], decimals=2)
        upper.axvline(0, color=MUTED, lw=0.6, dashes=(4, 3))
        upper.set_xlim(-1, 1)
        upper.set_xlabel("Mean PRx in the window (−1 to 1)")
        svg.draw_strips(lower, [Strip("Yield", yields, f"n = {yields.len()}")], decimals=1)
        lower.set_xlim(0, 100)
        lower.set_xlabel("CPPopt yield (% of the minutes with CPP)")
        return svg.as_svg(figure, name=name, title=title, description=told)


def pool_curves(curves: pl.DataFrame) -> pl.DataFrame:
    """Return PRx by CPP over all patients: `cpp_mmhg`, `prx`, `n_patients`, `n_minutes`.

    Every minute counts once: the mean over patients of Fisher's z of their bin's PRx,
    weighted by the minutes in the bin and transformed back. Rows with a null PRx, or without
    minutes, are left out.

    Raises
    ------
    ValueError
        If a PRx is -1 or 1 or beyond, where Fisher's z does not exist.

    Source: averaging through Fisher z is common practice; the weights are our own choice.
    """
    known = curves.filter(pl.col("prx").is_not_null(), pl.col("n_minutes") > 0)
    n_outside = known.filter(pl.col("prx").abs() >= 1).height
    if n_outside:
        raise ValueError(
            f"figures.pool_curves: {n_outside} bin(s) with PRx not between -1 and 1; "
            "compute the curves with a fisher_clip below 1"
        )
    z, weight = pl.col("prx").arctanh(), pl.col("n_minutes")
    return (
        known.group_by("cpp_mmhg")
        .agg(
            prx=((z * weight).sum() / weight.sum()).tanh(),
            n_patients=pl.col("patient_id").n_unique().cast(pl.Int64()),
            n_minutes=weight.sum(),
        )
        .sort("cpp_mmhg")
    )


def reactivity_curves(curves: pl.DataFrame, optima: pl.DataFrame) -> str:
    """Return pooled PRx by CPP before the patients behind it, and each patient's CPPopt.

    Parameters
    ----------
    curves : DataFrame
        `contracts.CURVES` with `patient_id`. A patient is a thin line; the thick line is
        `pool_curves`, drawn where at least `MIN_PATIENTS_POOLED` patients have minutes.
    optima : DataFrame
        `contracts.OPTIMA`; a null CPPopt is counted in the denominator only.

    Returns
    -------
    str
        SVG; the number of patients stands above every bin of CPP.
    """
    name, title = "curves", "PRx by CPP: all patients together, and each of them"
    pooled = pool_curves(curves)
    if pooled.is_empty():
        return svg.nothing(
            name=name, title=title, words="No patient has a curve of PRx by CPP."
        )
    drawn = pooled.filter(pl.col("n_patients") >= MIN_PATIENTS_POOLED)
    n = curves.filter(pl.col("prx").is_not_null())["patient_id"].n_unique()
    optimum = optima.sort("patient_id")["cppopt_mmhg"].drop_nulls()
    told = f"Curves of {n} patients. Pooled PRx by CPP in mmHg: " + "; ".join(
        f"{cpp_mmhg:g}: {format_number(prx, decimals=2)} (n = {n_patients})"
        for cpp_mmhg, prx, n_patients, _ in drawn.iter_rows()
    )
    told += (
        f". CPPopt of the whole recording: median {format_median(optimum, decimals=1)} mmHg, "
        f"{optimum.len()} of {optima.height} patients."
    )
    with svg.style(name):
        figure = Figure(figsize=(WIDTH_IN, 4.9))
        figure.subplots_adjust(left=0.13, right=0.72, top=0.93, bottom=0.1, hspace=0.28)
        upper, lower = figure.subplots(2, sharex=True, height_ratios=(4.2, 1))
        _draw_curves(upper, curves, pooled=pooled, drawn=drawn)
        upper.text(1.03, 0.95, f"n = {n} patients", transform=upper.transAxes, fontsize=8.5)
        count = f"n = {optimum.len()} of {optima.height}"
        svg.draw_strips(lower, [Strip("CPPopt", optimum, count)], decimals=1)
        lower.set_xlabel("CPP, bins, and CPPopt of the whole recording (mmHg)")
        return svg.as_svg(figure, name=name, title=title, description=told)


def _draw_curves(
    axis: Any, curves: pl.DataFrame, *, pooled: pl.DataFrame, drawn: pl.DataFrame
) -> None:
    known = curves.filter(pl.col("prx").is_not_null()).sort("patient_id", "cpp_mmhg")
    for _, patient in known.group_by("patient_id", maintain_order=True):
        axis.plot(patient["cpp_mmhg"], patient["prx"], color=MUTED, lw=0.5, alpha=0.4)
    axis.plot(drawn["cpp_mmhg"], drawn["prx"], color=ACCENT, lw=2.2, marker="o", ms=4)
    axis.axhline(0, color=INK, lw=0.5, dashes=(4, 3))
    reach = math.ceil(float(known["prx"].abs().to_numpy().max()) * 4) / 4
    axis.set_ylim(-reach, reach)
    axis.set_ylabel("PRx")
    above = axis.get_xaxis_transform()
    axis.text(-0.02, 1.02, "n", transform=axis.transAxes, ha="right", fontsize=7.5)
    for row in pooled.iter_rows(named=True):
        n = f"{row['n_patients']}"
        axis.text(row["cpp_mmhg"], 1.02, n, transform=above, ha="center", fontsize=7.5)
    if drawn.height:
        last = drawn.row(-1, named=True)
        axis.text(last["cpp_mmhg"] + 1, last["prx"], " pooled", color=ACCENT, va="center")


def forest_plot(estimates: Mapping[str, pl.DataFrame]) -> str:
    """Return the exposure's effect in every model, unadjusted and adjusted, with intervals.

    Parameters
    ----------
    estimates : mapping of model name to DataFrame
        `contracts.ESTIMATES`. The exposure's terms are those of the unadjusted fit that are
        neither intercept nor threshold; a model in which they differ by level is not drawn.
        A null effect is written as not estimable.

    Returns
    -------
    str
        SVG; ratios on a logarithmic axis, differences in a panel of their own. An interval
        that passes 1/50 or 50 ends in an arrow; its limits are still written beside it.
    """
    name, title = "forest", "Estimates with 95 % confidence intervals"
    rows = [row for model, frame in estimates.items() for row in _forest_rows(model, frame)]
    if not rows:
        return svg.nothing(name=name, title=title, words="No model was estimated.")
    ratios = [row for row in rows if row["scale"] in RATIO_SCALES]
    panels = [part for part in (ratios, [row for row in rows if row not in ratios]) if part]
    told = [f"{row['model']}, {row['adjustment']}: {_effect_words(row)}." for row in rows]
    heights = [0.42 * len(part) + 0.36 * len({row["model"] for row in part}) for part in panels]
    with svg.style(name):
        figure = Figure(figsize=(WIDTH_IN, sum(heights) + 0.75 * len(panels)))
        figure.subplots_adjust(left=0.2, right=0.63, top=1 - 0.1 / figure.get_figheight())
        gap = 0.7 * len(heights) / sum(heights)  # 0.7 in, as a share of the mean panel
        figure.subplots_adjust(bottom=0.55 / figure.get_figheight(), hspace=gap)
        axes = figure.subplots(len(panels), squeeze=False, height_ratios=heights)[:, 0]
        for axis, part in zip(axes, panels, strict=True):
            _draw_forest(axis, part, ratio=part[0]["scale"] in RATIO_SCALES)
        return svg.as_svg(figure, name=name, title=title, description=" ".join(told))


def _forest_rows(model: str, frame: pl.DataFrame) -> list[dict[str, Any]]:
    exposure = frame.filter(
        pl.col("adjustment") == "unadjusted", ~pl.col("scale").is_in(NO_EXPOSURE_SCALES)
    )["term"]
    products = exposure.filter(exposure.str.contains(" x "))  # their slopes differ by level
    if products.len():
        return []
    rows = frame.filter(pl.col("term").is_in(exposure.to_list()))
    rows = rows.sort("term", "adjustment", descending=[False, True])
    return [{"model": model, "several": exposure.len() > 1} | row for row in rows.to_dicts()]


def _effect_words(row: Mapping[str, Any]) -> str:
    words = format_estimate(row["effect"], row["effect_ci_low"], row["effect_ci_high"])
    return f"{words}, {_counts(row)}"


def _draw_forest(axis: Any, rows: Sequence[Mapping[str, Any]], *, ratio: bool) -> None:
    low, high = (1 / EFFECT_LIMIT, EFFECT_LIMIT) if ratio else (-math.inf, math.inf)
    ticks: list[tuple[float, str]] = []
    y, model = 0.0, ""
    for row in rows:
        if row["model"] != model:
            model = row["model"]
            words = model.replace("_", " ")
            axis.text(-0.45, y, words, transform=axis.get_yaxis_transform(), va="center")
            y += 0.8
        _draw_effect(axis, row, y=y, low=low, high=high)
        label = f"{row['adjustment']}, {row['term']}" if row["several"] else row["adjustment"]
        ticks.append((y, label))
        y += 1
    axis.axvline(1 if ratio else 0, color=INK, lw=0.6, dashes=(4, 3))
    axis.set_yticks([y for y, _ in ticks], [label for _, label in ticks])
    axis.set_ylim(y - 0.3, -0.5)
    axis.tick_params(axis="y", length=0)
    axis.spines["left"].set_visible(False)
    axis.set_xlabel("Ratio, logarithmic scale" if ratio else "Difference")
    if ratio:
        _ratio_axis(axis, rows)


def _draw_effect(
    axis: Any, row: Mapping[str, Any], *, y: float, low: float, high: float
) -> None:
    colour = ACCENT if row["adjustment"] == "adjusted" else MUTED
    limits = (row["effect_ci_low"], row["effect_ci_high"])
    if row["effect"] is not None and None not in limits:
        ends = [min(max(limit, low), high) for limit in limits]
        axis.plot(ends, [y, y], color=colour, lw=1.6, solid_capstyle="butt")
        for end, limit, arrow in zip(ends, limits, "<>", strict=True):
            if end != limit:
                axis.plot([end], [y], color=colour, marker=arrow, ms=6)
    if row["effect"] is not None and low <= row["effect"] <= high:
        axis.plot([row["effect"]], [y], color=colour, marker="o", ms=6)
    side = axis.get_yaxis_transform()
    words = format_estimate(row["effect"], *limits)
    axis.text(1.04, y - 0.2, words, transform=side, va="center", fontsize=8.5)
    axis.text(1.04, y + 0.2, _counts(row), transform=side, va="center", fontsize=8.5)


def _counts(row: Mapping[str, Any]) -> str:
    events = "" if row["n_events"] is None else f", {row['n_events']} with the outcome"
    return f"n = {format_number(row['n'], decimals=0)}{events}"


def _ratio_axis(axis: Any, rows: Sequence[Mapping[str, Any]]) -> None:
    ends = [row[k] for row in rows for k in ("effect_ci_low", "effect_ci_high", "effect")]
    known = [min(max(end, 1 / EFFECT_LIMIT), EFFECT_LIMIT) for end in ends if end is not None]
    reach = max([1.5, *known, *(1 / end for end in known)]) * 1.1
    axis.set_xscale("log")
    axis.set_xlim(1 / reach, reach)
    axis.xaxis.set_major_locator(FixedLocator(svg.ratio_ticks(reach)))
    axis.xaxis.set_minor_locator(NullLocator())
    axis.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{round(x, 2):g}"))
