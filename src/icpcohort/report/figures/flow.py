"""The figure of who entered the study and who left, step by step."""

import textwrap
from collections.abc import Sequence
from typing import Any

import polars as pl
from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch

from icpcohort.report.figures import canvas
from icpcohort.report.figures.canvas import INK, MUTED, Picture
from icpcohort.report.tables.grid import words_of

LINE_PT = 11.0


def flow_diagram(flow: pl.DataFrame, *, window: str) -> Picture:
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
    Picture
        Its description says the same in words.
    """
    name, title = "flow", "Flow of patients into the study"
    steps = flow.filter(pl.col("window") == window).sort("step").to_dicts()
    if not steps:
        return canvas.nothing(name=name, title=title, words="No flow of patients was recorded.")
    boxes: list[tuple[str, str | None]] = []
    if steps[0]["n_dropped"]:
        boxes.append((f"All patients\nn = {steps[0]['n_in']}", None))
    for step in steps:
        words = "\n".join(textwrap.wrap(step["name"], 52))
        left = textwrap.wrap((step["reason"] or "no reason noted").replace("_", " "), 38)
        side = (
            "\n".join([f"Left, n = {step['n_dropped']}", *left]) if step["n_dropped"] else None
        )
        boxes.append((f"{words}\nn = {step['n_out']}", side))
    sentences = [f"{step['name']}: {step['n_out']} of {step['n_in']} remain." for step in steps]
    caption = (
        f"Flow of patients into the analysis of the {words_of(window)}: "
        f"{steps[-1]['n_out']} of {steps[0]['n_in']} remain."
    )
    with canvas.style(name):
        figure = _draw_flow(boxes)
    return Picture(name, title, " ".join(sentences), caption, figure, "double")


def _draw_flow(boxes: Sequence[tuple[str, str | None]]) -> Figure:
    line_pt, pad_pt, gap_pt, right_pt = LINE_PT, 7.0, 18.0, 290.0
    width_pt = canvas.COLUMNS_MM["double"] / 25.4 * 72
    lines = [max(box.count("\n"), (side or "").count("\n")) + 1 for box, side in boxes]
    heights = [n * line_pt + 2 * pad_pt for n in lines]
    height_pt = sum(heights) + gap_pt * (len(boxes) - 1) + 4
    figure = canvas.sheet("double", height_in=height_pt / 72)
    axis: Any = figure.add_axes((0, 0, 1, 1))
    axis.set_axis_off()
    axis.set_xlim(0, width_pt)
    axis.set_ylim(height_pt, 0)
    top = 2.0
    for i, (box, side) in enumerate(boxes):
        _box(axis, box, x=2, y=top, width=262, height=heights[i], edge=INK)
        if side is not None:
            middle = top + heights[i] / 2
            axis.plot([264, right_pt], [middle, middle], color=MUTED, lw=0.8)
            _box(axis, side, x=right_pt, y=top, width=190, height=heights[i], edge=MUTED)
        if i + 1 < len(boxes):
            foot = top + heights[i]
            style = {"arrowstyle": "-|>", "color": INK, "lw": 0.8, "shrinkA": 0, "shrinkB": 0}
            axis.annotate("", xy=(133, foot + gap_pt), xytext=(133, foot), arrowprops=style)
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
    first = y + height / 2 - LINE_PT * (len(lines) - 1) / 2
    for i, line in enumerate(lines):
        axis.text(x + 7, first + LINE_PT * i, line, va="center")
