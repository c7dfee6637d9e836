"""The figures of pressure burden: how it is spread over the patients."""

from collections.abc import Sequence

import polars as pl

from icpcohort import svg
from icpcohort.grids import words_of
from icpcohort.svg import Picture, Strip
from icpcohort.tables import format_median


def burden_distribution(burden: pl.DataFrame, *, window: str) -> Picture:
    """Return the dose per monitored hour of every patient, one row a threshold.

    Parameters
    ----------
    burden : DataFrame
        `contracts.BURDEN`; null `dose_per_h_mmhg` is left out and not counted in n.
    window : str
        Rows of other windows are not drawn.

    Returns
    -------
    Picture
        A panel a signal, on a square-root scale that keeps zero and the long tail.
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
    caption = f"{title}, cohort of the {words_of(window)}. {svg.STRIP_WORDS}"
    with svg.style(name):
        figure = svg.sheet("double", height_in=0.75 * len(panels) + 0.42 * sum(counts))
        figure.subplots_adjust(left=0.11, right=0.78, top=1 - 0.3 / figure.get_figheight())
        figure.subplots_adjust(bottom=0.5 / figure.get_figheight(), hspace=0.5)
        axes = figure.subplots(len(panels), squeeze=False, height_ratios=counts)[:, 0]
        for axis, ((signal, side), strip) in zip(axes, strips.items(), strict=True):
            svg.draw_strips(axis, strip, decimals=2)
            svg.square_root_axis(axis, highest=_highest(strip))
            axis.set_title(f"{signal.upper()} {side} the threshold")
            axis.set_xlabel("Dose per monitored hour (mmHg·h/h), square-root scale")
    return Picture(name, title, " ".join(told), caption, figure, "double")


def _threshold_strips(rows: pl.DataFrame, signal: str, side: str) -> list[Strip]:
    panel = rows.filter(signal=signal, side=side).sort("threshold_mmhg", "patient_id")
    return [
        Strip(f"{threshold:g} mmHg", part["dose_per_h_mmhg"], f"n = {part.height}")
        for (threshold,), part in panel.group_by("threshold_mmhg", maintain_order=True)
    ]


def _highest(strips: Sequence[Strip]) -> float:
    return float(pl.concat([strip.values for strip in strips]).to_numpy().max())
