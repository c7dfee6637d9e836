"""The figure of a specification curve: every answer in order, and the decisions behind each."""

from typing import Any

import numpy as np
import polars as pl
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator
from numpy.typing import NDArray

from icpcohort.report.figures import canvas
from icpcohort.report.figures.canvas import ACCENT, INK, MUTED, SMALL_PT, Picture
from icpcohort.report.tables.numbers import format_estimate, format_number

Reals = NDArray[np.float64]
MOST_SIGNS = 42
LIMIT = 50.0  # ratios beyond 1/50 or 50 end at the edge


def specification_curve(
    question: str,
    *,
    specifications: pl.DataFrame,
    options: pl.DataFrame,
    choices: pl.DataFrame,
    summary: pl.DataFrame,
) -> Picture:
    """Return the effects of all specifications of a question, lowest first.

    Parameters
    ----------
    question : str
        Its name.
    specifications, options, choices, summary
        The contracts of their names; rows of other questions are passed over.

    Returns
    -------
    Picture
        Above, odds ratios for one standard deviation of the exposure with 95 % intervals on a
        logarithmic axis, the main specification marked. Below, one row per option: a mark
        stands under each specification that takes it.
    """
    name = f"specifications-{question}"
    whole = summary.filter(question=question).row(0, named=True)
    known = (
        specifications.filter(pl.col("question") == question, pl.col("effect").is_not_null())
        .sort("effect", "specification")
        .with_row_index("rank")
    )
    if known.is_empty():
        words = "No specification of this question could be estimated."
        return canvas.nothing(name=name, title=whole["words"], words=words)
    rows = choices.filter(question=question)
    taken = options.join(
        known.select("question", "specification", "rank"), on=["question", "specification"]
    )
    n_lines = rows.height + 1.2 * rows["choice"].n_unique()
    with canvas.style(name):
        figure = canvas.sheet("double", height_in=2.5 + 0.155 * n_lines)
        tall = figure.get_figheight()
        above, below = figure.subplots(2, height_ratios=[1.9, 0.155 * n_lines], sharex=True)
        figure.subplots_adjust(
            left=0.36, right=0.9, top=1 - 0.12 / tall, bottom=0.42 / tall, hspace=0.06
        )
        _draw_effects(above, known)
        _draw_options(below, rows, taken)
        below.set_xlim(-0.02 * known.height - 1, 1.02 * known.height)
        below.set_xlabel(f"{known.height} specifications, ordered by effect")
    caption = (
        f"{whole['words']} Odds ratio for one standard deviation of the exposure with 95 % "
        f"confidence interval in each of {whole['n_estimated']} specifications that could be "
        f"estimated, of {whole['n_specifications']}; coloured: the one of the plan. "
        "Below, what each specification decides; on the right, the share of the variance of "
        "log odds ratios that a choice explains alone."
    )
    return Picture(
        name, whole["words"], _curve_in_words(known, rows, whole), caption, figure, "double"
    )


def _curve_in_words(known: pl.DataFrame, rows: pl.DataFrame, whole: dict[str, Any]) -> str:
    main = known.filter("is_main")
    words = "The main specification has no estimate."
    if main.height:
        limits = main.select("effect", "effect_ci_low", "effect_ci_high").row(0)
        words = f"The main specification gives {format_estimate(*limits)}."
    lowest, highest = (format_number(known["effect"][i], decimals=2) for i in (0, -1))
    shares = rows.unique("choice", maintain_order=True).drop_nulls("choice_variance_percent")
    effects = ", ".join(
        f"{row['choice'].replace('_', ' ')} "
        f"{format_number(row['choice_variance_percent'], decimals=0)} %"
        for row in shares.iter_rows(named=True)
    )
    median = format_number(whole["effect_median"], decimals=2)
    return (
        f"{known.height} of {whole['n_specifications']} specifications: odds ratios from "
        f"{lowest} to {highest}, median {median}. {words} Variance explained by each choice "
        f"alone: {effects or 'not known'}."
    )


def _draw_effects(axis: Any, known: pl.DataFrame) -> None:
    rank = known["rank"].to_numpy().astype(np.float64)
    effect, low, high = (
        np.clip(known[column].to_numpy(), 1 / LIMIT, LIMIT)
        for column in ("effect", "effect_ci_low", "effect_ci_high")
    )
    axis.plot(*_strokes(rank, low, high), color=MUTED, lw=0.5, alpha=0.5)
    axis.plot(rank, effect, color=INK, ls="", marker=".", ms=2.2)
    axis.axhline(1, color=INK, lw=0.6, dashes=(4, 3))
    main = known.filter("is_main")
    if main.height:
        x, y = main["rank"][0], float(np.clip(main["effect"][0], 1 / LIMIT, LIMIT))
        limits = main.select("effect_ci_low", "effect_ci_high").row(0)
        axis.plot([x, x], np.clip(limits, 1 / LIMIT, LIMIT), color=ACCENT, lw=1.8)
        axis.plot([x], [y], color=ACCENT, marker="o", ms=5)
        beside = "right" if x > known.height / 2 else "left"
        axis.annotate(
            f"as planned: {format_estimate(main['effect'][0], *limits)}",
            (x, float(np.clip(limits[1], 1 / LIMIT, LIMIT))),
            xytext=(-4 if beside == "right" else 4, 3),
            textcoords="offset points",
            ha=beside,
            color=ACCENT,
            fontsize=SMALL_PT,
        )
    _ratio_axis(axis, np.concatenate([low, high]))
    axis.tick_params(axis="x", length=0, labelbottom=False)
    axis.spines["bottom"].set_visible(False)
    axis.set_ylabel("Odds ratio per SD")


def _ratio_axis(axis: Any, ends: Reals) -> None:
    reach = max(1.5, float(ends.max()), float(1 / ends.min())) * 1.1
    axis.set_yscale("log")
    axis.set_ylim(1 / reach, reach)
    axis.yaxis.set_major_locator(FixedLocator(canvas.ratio_ticks(reach)))
    axis.yaxis.set_minor_locator(NullLocator())
    axis.yaxis.set_major_formatter(FuncFormatter(lambda y, _: f"{round(y, 2):g}"))


def _strokes(x: Reals, low: Reals, high: Reals) -> tuple[Reals, Reals]:
    """Return upright strokes as one line with gaps, which is one element of a file."""
    gap = np.full(x.size, np.nan)
    return np.column_stack([x, x, gap]).ravel(), np.column_stack([low, high, gap]).ravel()


def _draw_options(axis: Any, rows: pl.DataFrame, taken: pl.DataFrame) -> None:
    side = axis.get_yaxis_transform()
    how = {"transform": side, "va": "center", "fontsize": SMALL_PT}
    y, seen = 0.0, ""
    for row in rows.iter_rows(named=True):
        if row["choice"] != seen:
            seen = row["choice"]
            y += 1.2
            axis.text(-0.62, y - 0.1, _short(row["choice_words"]), fontweight="bold", **how)
            axis.text(1.02, y - 0.1, _share(row), **how)
        y += 1
        colour = ACCENT if row["is_main"] else INK
        axis.text(-0.6, y, _short(row["option"]), color=colour, **how)
        mine = taken.filter(choice=row["choice"], option=row["option"]).sort("rank")
        ranks = mine["rank"].to_numpy().astype(np.float64)
        height = np.full(ranks.size, y)
        axis.plot(*_strokes(ranks, height - 0.36, height + 0.36), color=colour, lw=0.7)
    axis.set_ylim(y + 0.8, 0.2)
    axis.set_yticks([])
    axis.spines["left"].set_visible(False)


def _share(row: dict[str, Any]) -> str:
    if row["choice_variance_percent"] is None:
        return ""
    return f"{format_number(row['choice_variance_percent'], decimals=0)} %"


def _short(text: str) -> str:
    return text if len(text) <= MOST_SIGNS else text[: MOST_SIGNS - 1] + "…"
