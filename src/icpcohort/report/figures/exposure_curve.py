"""The figure of a curved exposure, from the points that its model wrote."""

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from icpcohort.report.figures import canvas
from icpcohort.report.figures.canvas import ACCENT, INK, LETTER_PT, MUTED, SMALL_PT, Picture
from icpcohort.report.figures.forest import EFFECT_LIMIT
from icpcohort.report.tables import model_words
from icpcohort.report.tables.numbers import format_estimate, format_number, format_p
from icpcohort.study.families import EFFECTS

CENTRAL = (0.025, 0.975)  # share of patients whose band decides the height of the picture
FITS = ("unadjusted", "adjusted")


def exposure_curve(
    curve: pl.DataFrame,
    *,
    model: str,
    plan: Mapping[str, Any],
    estimates: pl.DataFrame,
    diagnostics: pl.DataFrame,
    columns: model_words.Columns,
) -> Picture:
    """Return the effect along a curved exposure with its band, unadjusted and adjusted.

    Parameters
    ----------
    curve : DataFrame
        `contracts.EXPOSURE_CURVE`. The line breaks where an effect is null.
    model : str
        Names the figure.
    plan : mapping
        The model's block of the analysis plan.
    estimates, diagnostics : DataFrame
        `contracts.ESTIMATES`, `contracts.DIAGNOSTICS` of the same model: n, events, p.
    columns : mapping of name to Column
        Those of the analysis table.

    Returns
    -------
    Picture
        A panel per fit, below it the number of patients along the exposure. The height is
        that of the line and of the band where the central 95 % of patients are; beyond, the
        band may leave the picture.
    """
    name, title = f"curve-{model}", "Effect along the exposure, with 95 % band"
    known = curve.filter(pl.col("effect").is_not_null()).sort("exposure_value")
    fits = [fit for fit in FITS if fit in set(known["adjustment"])]
    if not fits:
        why = "; ".join(model_words.reasons(diagnostics, fit="unadjusted"))
        words = f"No curve is reported: {why or 'it was not fitted'}."
        return canvas.nothing(name=name, title=title, words=words)
    panels = {fit: known.filter(adjustment=fit) for fit in fits}
    beside = {fit: _beside(fit, estimates=estimates, diagnostics=diagnostics) for fit in fits}
    exposure = model_words.exposure_words(str(plan["exposure"]), columns).removeprefix("the ")
    effect = model_words.EFFECT_WORDS.get(known["scale"][0], "effect")
    outcome = model_words.outcome_words(plan, columns)
    sentences = [f"{effect.capitalize()} of {outcome} along {exposure}."]
    sentences += [_curve_in_words(part, fit, beside[fit]) for fit, part in panels.items()]
    with canvas.style(name):
        figure = canvas.sheet("double", height_in=3.4)
        figure.subplots_adjust(left=0.11, right=0.98, top=0.8, bottom=0.14)
        axes = figure.subplots(
            2, len(fits), sharex="col", sharey="row", squeeze=False, height_ratios=(5, 1)
        )
        for (upper, lower), (fit, part) in zip(axes.T, panels.items(), strict=True):
            _draw(upper, part, colour=ACCENT if fit == "adjusted" else MUTED)
            _count(lower, part)
            upper.set_title("\n".join([fit.capitalize(), *beside[fit]]), fontsize=LETTER_PT)
        _effect_axis(axes[0, 0], known)
        axes[0, 0].set_ylabel(f"{effect.capitalize()}{_scale_words(known, outcome)}")
        axes[1, 0].set_ylabel("n")
        words = exposure[:1].upper() + exposure[1:]
        figure.text(0.545, 0.02, words, ha="center", color=INK)
    caption = (
        f"{sentences[0][:-1]}, with 95 % band; dashed: no difference; the point: the median "
        "that the effects are against. Below: patients along the exposure."
    )
    return Picture(name, title, " ".join(sentences), caption, figure, "double")


def _scale_words(known: pl.DataFrame, outcome: str) -> str:
    is_ratio = EFFECTS[known["scale"][0]].is_ratio
    return ", logarithmic scale" if is_ratio else f" in {outcome}"


def _beside(fit: str, *, estimates: pl.DataFrame, diagnostics: pl.DataFrame) -> list[str]:
    """Return n and both tests of a fit."""
    value = dict(diagnostics.filter(adjustment=fit).select("quantity", "value").iter_rows())
    row = estimates.filter(adjustment=fit).to_dicts()[0]
    tests = {
        "whole": value.get("exposure_p"),
        "departure from a line": value.get("nonlinearity_p"),
    }
    words = [
        f"{what}: p = {format_p(p)}".replace("= <", "< ")
        for what, p in tests.items()
        if p is not None
    ]
    return [f"n = {model_words.counts(row)}", *words]


def _curve_in_words(part: pl.DataFrame, fit: str, beside: list[str]) -> str:
    """Return a fit in words: its tests, and five points with their limits."""
    points = part.gather_every(max(1, (part.height - 1) // 4)).to_dicts()
    along = "; ".join(
        f"at {format_number(row['exposure_value'], decimals=2)}: "
        f"{format_estimate(row['effect'], row['effect_ci_low'], row['effect_ci_high'])}"
        for row in points
    )
    against = format_number(part["reference_value"][0], decimals=2)
    return f"{fit.capitalize()}, {', '.join(beside)}, against the median {against}: {along}."


def _draw(axis: Any, part: pl.DataFrame, *, colour: str) -> None:
    null = EFFECTS[part["scale"][0]].none
    low, high = (part[f"effect_ci_{side}"].to_numpy() for side in ("low", "high"))
    axis.fill_between(part["exposure_value"], low, high, color=colour, alpha=0.22, lw=0)
    axis.plot(part["exposure_value"], part["effect"], color=colour, lw=2)
    axis.axhline(null, color=INK, lw=0.6, dashes=(4, 3))
    middle = part["reference_value"][0]
    axis.axvline(middle, color=INK, lw=0.5, dashes=(1, 2))
    axis.plot([middle], [null], color=INK, marker="o", ms=4)
    axis.annotate(
        f"reference {format_number(middle, decimals=2)}",
        (middle, 0.02),
        xycoords=axis.get_xaxis_transform(),
        xytext=(4, 0),
        textcoords="offset points",
        fontsize=SMALL_PT,
    )


def _count(axis: Any, part: pl.DataFrame) -> None:
    """Draw how many patients lie along the exposure."""
    x = part["exposure_value"].to_numpy()
    axis.bar(x, part["n_nearest"], width=x[1] - x[0], color=MUTED, alpha=0.7, lw=0)
    axis.yaxis.set_major_locator(FixedLocator([0, part["n_nearest"].to_numpy().max()]))


def _effect_axis(axis: Any, known: pl.DataFrame) -> None:
    """Give the line, and the band where patients are, the height of the picture."""
    share = (pl.col("n_nearest").cum_sum() / pl.col("n_nearest").sum()).over("adjustment")
    before = share - (pl.col("n_nearest") / pl.col("n_nearest").sum()).over("adjustment")
    inside = known.filter(share > CENTRAL[0], before < CENTRAL[1])
    ends = [
        *known["effect"].to_list(),
        *inside["effect_ci_low"].drop_nulls().to_list(),
        *inside["effect_ci_high"].drop_nulls().to_list(),
    ]
    if not EFFECTS[known["scale"][0]].is_ratio:
        margin = 0.05 * max(max(ends) - min(ends), 1e-9)
        axis.set_ylim(min(ends) - margin, max(ends) + margin)
        return
    clipped = np.clip(ends, 1 / EFFECT_LIMIT, EFFECT_LIMIT)
    reach = max(1.5, *(math.exp(abs(math.log(end))) for end in clipped)) * 1.1
    axis.set_yscale("log")
    axis.set_ylim(1 / reach, reach)
    axis.yaxis.set_major_locator(FixedLocator(canvas.ratio_ticks(reach)))
    axis.yaxis.set_minor_locator(NullLocator())
    axis.yaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{round(x, 2):g}"))
