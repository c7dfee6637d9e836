"""The figures of pressure burden: its distribution over the patients."""

from collections.abc import Mapping, Sequence

import polars as pl

from icpcohort import contracts
from icpcohort.report.figures import canvas
from icpcohort.report.figures.canvas import ACCENT, INK, Picture, Strip
from icpcohort.report.tables.grid import words_of
from icpcohort.report.tables.numbers import format_median

DOSE = contracts.BURDEN.columns["dose_per_h_mmhg"]
DOSE_DECIMALS = DOSE.decimals or 0
AT_ZERO = "At 0: patients without any dose."


def burden_distribution(burden: pl.DataFrame, *, window: str) -> Picture:
    """Return the dose per monitored hour of every patient, one row per threshold.

    Parameters
    ----------
    burden : DataFrame
        `contracts.BURDEN`; null `dose_per_h_mmhg` is left out and not counted in n.
    window : str
        Rows of other windows are not drawn.

    Returns
    -------
    Picture
        A panel per signal, on a square-root scale that keeps zero and the long tail.
    """
    name, title = "burden", "Pressure dose per monitored hour, by threshold"
    rows = burden.filter(pl.col("window") == window, pl.col("dose_per_h_mmhg").is_not_null())
    if rows.is_empty():
        return canvas.nothing(
            name=name, title=title, words="No burden was computed in this window."
        )
    panels = rows.select("signal", "side").unique().sort("signal", descending=True).rows()
    strips = {panel: _threshold_strips(rows, *panel) for panel in panels}
    sentences = [
        f"{signal.upper()} {side} {part.label}: "
        f"median {format_median(part.values, decimals=DOSE_DECIMALS)}, {part.beside}."
        for (signal, side), strip in strips.items()
        for part in strip
    ]
    counts = [len(strip) for strip in strips.values()]
    caption = f"{title}, cohort of the {words_of(window)}. {canvas.STRIP_WORDS} {AT_ZERO}"
    with canvas.style(name):
        figure = canvas.sheet("double", height_in=0.75 * len(panels) + 0.42 * sum(counts))
        figure.subplots_adjust(left=0.11, right=0.78, top=1 - 0.3 / figure.get_figheight())
        figure.subplots_adjust(bottom=0.5 / figure.get_figheight(), hspace=0.5)
        axes = figure.subplots(len(panels), squeeze=False, height_ratios=counts)[:, 0]
        for axis, ((signal, side), strip) in zip(axes, strips.items(), strict=True):
            canvas.draw_strips(axis, strip, decimals=DOSE_DECIMALS, words="two_lines")
            canvas.square_root_axis(axis, highest=_highest(strip))
            axis.set_title(f"{signal.upper()} {side} the threshold")
            axis.set_xlabel(f"{DOSE.label} (mmHg·h/h), square-root scale")
    return Picture(name, title, " ".join(sentences), caption, figure, "double")


def _threshold_strips(rows: pl.DataFrame, signal: str, side: str) -> list[Strip]:
    panel = rows.filter(signal=signal, side=side).sort("threshold_mmhg", "patient_id")
    return [
        Strip(f"{threshold:g} mmHg", part["dose_per_h_mmhg"], _counts(part))
        for (threshold,), part in panel.group_by("threshold_mmhg", maintain_order=True)
    ]


def _counts(part: pl.DataFrame) -> str:
    """Return n, and how many of them have no dose at all."""
    n_zero = part.filter(pl.col("dose_per_h_mmhg") == 0).height
    return f"n = {part.height}, {n_zero} at 0" if n_zero else f"n = {part.height}"


def _highest(strips: Sequence[Strip]) -> float:
    return float(pl.concat([strip.values for strip in strips]).to_numpy().max())


def burden_by_state(by_state: pl.DataFrame, *, window: str, impaired_prx: float) -> Picture:
    """Return the dose per monitored hour of the minutes with PRx above a limit, and not above.

    Parameters
    ----------
    by_state : DataFrame
        `contracts.BURDEN_BY_STATE`; null `dose_per_h_mmhg` is left out and not counted in n.
    window : str
        Rows of other windows are not drawn.
    impaired_prx : float
        The limit that parted the states.
    """
    name, title = "burden-by-state", "Pressure dose per monitored hour, by state of PRx"
    states = {
        "prx_above": f"PRx > {impaired_prx:g}",
        "prx_not_above": f"PRx ≤ {impaired_prx:g}",
    }
    rows = by_state.filter(
        pl.col("window") == window,
        pl.col("state").is_in(list(states)),
        pl.col("dose_per_h_mmhg").is_not_null(),
    )
    if rows.is_empty():
        return canvas.nothing(name=name, title=title, words="No burden by state was computed.")
    panels = rows.select("signal", "side").unique().sort("signal", descending=True).rows()
    strips = {panel: _state_strips(rows, *panel, states=states) for panel in panels}
    sentences = [
        f"{signal.upper()} {side} {part.label}: "
        f"median {format_median(part.values, decimals=DOSE_DECIMALS)}, {part.beside}."
        for (signal, side), strip in strips.items()
        for part in strip
    ]
    caption = (
        f"{title}: minutes with PRx above {impaired_prx:g}, and not above it, each over its "
        f"own time, cohort of the {words_of(window)}. {canvas.STRIP_WORDS} "
        f"{AT_ZERO} PRx is itself computed from these pressures: the difference is no effect "
        "of one on the other."
    )
    counts = [len(strip) for strip in strips.values()]
    with canvas.style(name):
        height_in = 0.75 * len(panels) + 0.25 * sum(counts)
        figure = canvas.sheet("double", height_in=height_in)
        figure.subplots_adjust(left=0.17, right=0.71, top=1 - 0.25 / height_in)
        figure.subplots_adjust(bottom=0.42 / height_in, hspace=0.45)
        axes = figure.subplots(len(panels), squeeze=False, height_ratios=counts)[:, 0]
        for axis, ((signal, side), strip) in zip(axes, strips.items(), strict=True):
            canvas.draw_strips(axis, strip, decimals=DOSE_DECIMALS, words="one_line")
            canvas.square_root_axis(axis, highest=_highest(strip))
            axis.set_title(f"{signal.upper()} {side} the threshold")
            axis.set_xlabel("Dose per hour in the state (mmHg·h/h), square-root scale")
    return Picture(name, title, " ".join(sentences), caption, figure, "double")


def _state_strips(
    rows: pl.DataFrame, signal: str, side: str, *, states: Mapping[str, str]
) -> list[Strip]:
    panel = rows.filter(signal=signal, side=side).sort("threshold_mmhg", "state", "patient_id")
    return [
        Strip(
            f"{threshold:g} mmHg, {states[state]}",
            part["dose_per_h_mmhg"],
            _counts(part),
            INK if state == "prx_not_above" else ACCENT,
        )
        for (threshold, state), part in panel.group_by(
            "threshold_mmhg", "state", maintain_order=True
        )
    ]
