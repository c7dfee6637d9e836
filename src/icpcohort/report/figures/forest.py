"""The figure of every model's estimate with its interval."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from icpcohort.report.figures import canvas
from icpcohort.report.figures.canvas import ACCENT, INK, MUTED, SMALL_PT, Picture
from icpcohort.report.tables.model_words import EFFECT_WORDS, Columns, exposure_words
from icpcohort.report.tables.numbers import format_estimate, format_number
from icpcohort.study.families import EFFECTS, RATIOS

EFFECT_LIMIT = 50.0  # ratios beyond 1/50 or 50 end in an arrow


def forest_plot(
    estimates: Mapping[str, pl.DataFrame],
    *,
    models: Mapping[str, Mapping[str, Any]],
    columns: Columns,
) -> Picture:
    """Return the exposure's effect in every model, unadjusted and adjusted, with intervals.

    Parameters
    ----------
    estimates : mapping of model name to DataFrame
        `contracts.ESTIMATES`. The exposure's terms are those of the unadjusted fit that are
        neither intercept nor threshold; a model in which they differ by level is not drawn.
        A null effect is written as not estimable.
    models : mapping of model name to its block of the plan
        Says what an effect is of.
    columns : mapping of name to Column
        Those of the analysis table.

    Returns
    -------
    Picture
        Ratios on a logarithmic axis, differences in a panel of their own. An interval
        that passes 1/50 or 50 ends in an arrow; its limits are still written beside it.
    """
    name, title = "forest", "Estimates with 95 % confidence intervals"
    rows = [row for model, frame in estimates.items() for row in _forest_rows(model, frame)]
    if not rows:
        return canvas.nothing(name=name, title=title, words="No model was estimated.")
    ratios = [row for row in rows if row["scale"] in RATIOS]
    panels = [part for part in (ratios, [row for row in rows if row not in ratios]) if part]
    of_what = {model: _of_what(plan, columns) for model, plan in models.items()}
    sentences = [f"{row['model']}, {row['adjustment']}: {_effect_words(row)}." for row in rows]
    heights = [0.36 * len(part) + 0.45 * len({row["model"] for row in part}) for part in panels]
    with canvas.style(name):
        figure = canvas.sheet("double", height_in=sum(heights) + 0.7 * len(panels))
        figure.subplots_adjust(left=0.16, right=0.72, top=1 - 0.1 / figure.get_figheight())
        gap = 0.7 * len(heights) / sum(heights)  # 0.7 in, as a share of the mean panel
        figure.subplots_adjust(bottom=0.55 / figure.get_figheight(), hspace=gap)
        axes = figure.subplots(len(panels), squeeze=False, height_ratios=heights)[:, 0]
        for axis, part in zip(axes, panels, strict=True):
            _draw_forest(axis, part, ratio=part[0]["scale"] in RATIOS, of_what=of_what)
    caption = (
        "Estimates of the exposure in each model with 95 % confidence intervals. Grey: "
        "unadjusted; coloured: adjusted. A model with a curve or an interaction has no single "
        "estimate and is not drawn here."
    )
    return Picture(name, title, " ".join(sentences), caption, figure, "double")


def _forest_rows(model: str, frame: pl.DataFrame) -> list[dict[str, Any]]:
    exposure = frame.filter(
        pl.col("adjustment") == "unadjusted", pl.col("scale").is_in(list(EFFECTS))
    )
    if exposure["modifier"].count():  # the slope differs by level
        return []
    rows = frame.filter(pl.col("term").is_in(exposure["term"].to_list()))
    rows = rows.sort("term", "adjustment", descending=[False, True])
    return [{"model": model, "several": exposure.height > 1} | row for row in rows.to_dicts()]


def _effect_words(row: Mapping[str, Any]) -> str:
    words = format_estimate(row["effect"], row["effect_ci_low"], row["effect_ci_high"])
    return f"{words}, {_counts(row)}"


def _draw_forest(
    axis: Any,
    rows: Sequence[Mapping[str, Any]],
    *,
    ratio: bool,
    of_what: Mapping[str, str],
) -> None:
    low, high = (1 / EFFECT_LIMIT, EFFECT_LIMIT) if ratio else (-math.inf, math.inf)
    ticks: list[tuple[float, str]] = []
    y, model = 0.0, ""
    for row in rows:
        if row["model"] != model:
            model = row["model"]
            measure = EFFECT_WORDS.get(row["scale"], "effect").capitalize()
            for words, letters, style in (
                (model.replace("_", " "), 70, {"fontweight": "bold"}),
                (
                    f"{measure}{of_what.get(model, '')}",
                    110,
                    {"fontsize": SMALL_PT, "color": MUTED},
                ),
            ):
                axis.annotate(
                    canvas.shortened(words, letters=letters),
                    (0.01, y),
                    xycoords=("figure fraction", "data"),
                    va="center",
                    **style,
                )
                y += 0.45
            y += 0.35
        none = 1 if ratio else 0
        axis.plot([none, none], [y - 0.5, y + 0.5], color=INK, lw=0.6, dashes=(4, 3))
        _draw_effect(axis, row, y=y, low=low, high=high)
        label = row["adjustment"]
        if row["several"]:
            label = canvas.shortened(f"{label}, {row['term']}", letters=24)
        ticks.append((y, label))
        y += 1
    axis.set_yticks([y for y, _ in ticks], [label for _, label in ticks])
    axis.set_ylim(y - 0.3, -0.5)
    axis.tick_params(axis="y", length=0)
    axis.spines["left"].set_visible(False)
    axis.set_xlabel("Ratio, logarithmic scale" if ratio else "Difference")
    if ratio:
        _ratio_axis(axis, rows)


def _of_what(plan: Mapping[str, Any], columns: Columns) -> str:
    """Return for how much more of which exposure a model's effect is."""
    exposure = exposure_words(plan["exposure"], columns)
    return f" for {plan['unit_of_effect']:g} more of {exposure}"


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
                axis.plot([end], [y], color=colour, marker=arrow, ms=4.5)
    if row["effect"] is not None and low <= row["effect"] <= high:
        axis.plot([row["effect"]], [y], color=colour, marker="o", ms=4.5)
    side = axis.get_yaxis_transform()
    words = format_estimate(row["effect"], *limits)
    axis.text(1.04, y - 0.2, words, transform=side, va="center", fontsize=SMALL_PT)
    axis.text(1.04, y + 0.2, _counts(row), transform=side, va="center", fontsize=SMALL_PT)


def _counts(row: Mapping[str, Any]) -> str:
    events = "" if row["n_events"] is None else f", {row['n_events']} with the outcome"
    return f"n = {format_number(row['n'], decimals=0)}{events}"


def _ratio_axis(axis: Any, rows: Sequence[Mapping[str, Any]]) -> None:
    ends = [row[k] for row in rows for k in ("effect_ci_low", "effect_ci_high", "effect")]
    known = [min(max(end, 1 / EFFECT_LIMIT), EFFECT_LIMIT) for end in ends if end is not None]
    reach = max([1.5, *known, *(1 / end for end in known)]) * 1.1
    axis.set_xscale("log")
    axis.set_xlim(1 / reach, reach)
    axis.xaxis.set_major_locator(FixedLocator(canvas.ratio_ticks(reach)))
    axis.xaxis.set_minor_locator(NullLocator())
    axis.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{round(x, 2):g}"))
