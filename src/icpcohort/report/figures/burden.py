"""The figures of pressure burden: its distribution over the patients."""

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import declared_indices, declared_signals
from icpcohort.contracts.columns import unit_words
from icpcohort.report.figures import canvas
from icpcohort.report.figures.canvas import ACCENT, INK, Picture, Strip
from icpcohort.report.tables.exposures import in_order
from icpcohort.report.tables.grid import words_of
from icpcohort.report.tables.numbers import format_median

DOSE = contracts.BURDEN.columns["dose_per_h"]
DOSE_DECIMALS = DOSE.decimals or 0
AT_ZERO = "At 0: patients without any dose."


def burden_distribution(
    burden: pl.DataFrame, *, window: str, declared: Mapping[str, Any]
) -> Picture:
    """Return the dose per monitored hour of every patient, one row per threshold.

    Parameters
    ----------
    burden : DataFrame
        `contracts.BURDEN`; null `dose_per_h` is left out and not counted in n.
    window : str
        Rows of other windows are not drawn.

    Returns
    -------
    Picture
        A panel per signal, on a square-root scale that keeps zero and the long tail.
    """
    name, title = "burden", "Pressure dose per monitored hour, by threshold"
    rows = burden.filter(pl.col("window") == window, pl.col("dose_per_h").is_not_null())
    if rows.is_empty():
        return canvas.nothing(
            name=name, title=title, words="No burden was computed in this window."
        )
    strips = _strips(rows, _one_strip, declared)
    sentences = _in_words(strips)
    counts = [len(strip) for strip in strips.values()]
    caption = f"{title}, cohort of the {words_of(window)}. {canvas.STRIP_WORDS} {AT_ZERO}"
    with canvas.style(name):
        figure = canvas.sheet("double", height_in=0.75 * len(strips) + 0.42 * sum(counts))
        figure.subplots_adjust(left=0.11, right=0.78, top=1 - 0.3 / figure.get_figheight())
        figure.subplots_adjust(bottom=0.5 / figure.get_figheight(), hspace=0.5)
        axes = figure.subplots(len(strips), squeeze=False, height_ratios=counts)[:, 0]
        for axis, (panel, strip) in zip(axes, strips.items(), strict=True):
            canvas.draw_strips(axis, strip, decimals=DOSE_DECIMALS, words="two_lines")
            canvas.square_root_axis(axis, highest=_highest(strip))
            axis.set_title(panel.title)
            axis.set_xlabel(f"{DOSE.label} ({panel.unit}·h/h), square-root scale")
    return Picture(name, title, " ".join(sentences), caption, figure, "double")


class Panel(NamedTuple):
    """The thresholds of one signal and side, which are drawn in one panel."""

    signal: str
    side: str
    words: str
    unit: str

    @property
    def title(self) -> str:
        """The heading of the panel."""
        return f"{self.words} the threshold"


def _strips(
    rows: pl.DataFrame,
    strips_of: Callable[[str, pl.DataFrame], list[Strip]],
    declared: Mapping[str, Any],
) -> dict[Panel, list[Strip]]:
    """Return the strips of each panel, in the order of the settings."""
    panels: dict[Panel, list[Strip]] = {}
    for threshold, _, part in in_order(rows, declared):
        about = declared_signals.series(declared)[threshold.signal].about
        words, unit = f"{about.label} {threshold.side}", unit_words(about.unit)
        panel = Panel(threshold.signal, threshold.side, words, unit)
        label = f"{threshold.values()} {unit}".strip()
        panels.setdefault(panel, []).extend(strips_of(label, part))
    return panels


def _one_strip(label: str, part: pl.DataFrame) -> list[Strip]:
    return [Strip(label, part["dose_per_h"], _counts(part))]


def _in_words(strips: Mapping[Panel, Sequence[Strip]]) -> list[str]:
    return [
        f"{panel.words} {part.label}: "
        f"median {format_median(part.values, decimals=DOSE_DECIMALS)}, {part.beside}."
        for panel, strip in strips.items()
        for part in strip
    ]


def _counts(part: pl.DataFrame) -> str:
    """Return n, and how many of them have no dose at all."""
    n_zero = part.filter(pl.col("dose_per_h") == 0).height
    return f"n = {part.height}, {n_zero} at 0" if n_zero else f"n = {part.height}"


def _highest(strips: Sequence[Strip]) -> float:
    return float(pl.concat([strip.values for strip in strips]).to_numpy().max())


def burden_by_state(
    by_state: pl.DataFrame, *, window: str, impaired_above: float, declared: Mapping[str, Any]
) -> Picture:
    """Return the dose per monitored hour of the minutes with the index above a limit, and not.

    Parameters
    ----------
    by_state : DataFrame
        `contracts.BURDEN_BY_STATE`; null `dose_per_h` is left out and not counted in n.
    window : str
        Rows of other windows are not drawn.
    impaired_above : float
        The limit that parted the states.
    """
    index = declared_indices.main(declared)
    label = declared_indices.columns(declared)[index].label
    name, title = "burden-by-state", f"Pressure dose per monitored hour, by state of {label}"
    states = {
        f"{index}_above": (f"{label} > {impaired_above:g}", ACCENT),
        f"{index}_not_above": (f"{label} ≤ {impaired_above:g}", INK),
    }
    rows = by_state.filter(
        pl.col("window") == window,
        pl.col("state").is_in(list(states)),
        pl.col("dose_per_h").is_not_null(),
    )
    if rows.is_empty():
        return canvas.nothing(name=name, title=title, words="No burden by state was computed.")
    strips = _strips(rows, partial(_state_strips, states=states), declared)
    sentences = _in_words(strips)
    caption = (
        f"{title}: minutes with {label} above {impaired_above:g}, and not above it, each over "
        f"its own time, cohort of the {words_of(window)}. {canvas.STRIP_WORDS} "
        f"{AT_ZERO} {label} is itself computed from these pressures: the difference is no "
        "effect of one on the other."
    )
    counts = [len(strip) for strip in strips.values()]
    with canvas.style(name):
        height_in = 0.75 * len(strips) + 0.25 * sum(counts)
        figure = canvas.sheet("double", height_in=height_in)
        figure.subplots_adjust(left=0.17, right=0.71, top=1 - 0.25 / height_in)
        figure.subplots_adjust(bottom=0.42 / height_in, hspace=0.45)
        axes = figure.subplots(len(strips), squeeze=False, height_ratios=counts)[:, 0]
        for axis, (panel, strip) in zip(axes, strips.items(), strict=True):
            canvas.draw_strips(axis, strip, decimals=DOSE_DECIMALS, words="one_line")
            canvas.square_root_axis(axis, highest=_highest(strip))
            axis.set_title(panel.title)
            axis.set_xlabel(f"Dose per hour in the state ({panel.unit}·h/h), square-root scale")
    return Picture(name, title, " ".join(sentences), caption, figure, "double")


def _state_strips(
    label: str, part: pl.DataFrame, *, states: Mapping[str, tuple[str, str]]
) -> list[Strip]:
    return [
        Strip(
            f"{label}, {states[state][0]}", rows["dose_per_h"], _counts(rows), states[state][1]
        )
        for (state,), rows in part.sort("state", "patient_id").group_by(
            "state", maintain_order=True
        )
    ]
