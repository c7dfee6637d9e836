"""The figures of intensity and duration: how often, and how that is related to outcome."""

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from matplotlib.colors import LogNorm, Normalize
from matplotlib.figure import Figure
from numpy.typing import NDArray

from icpcohort.contracts import declared_signals
from icpcohort.contracts.columns import unit_words
from icpcohort.report.figures import canvas
from icpcohort.report.figures.canvas import INK, MUTED, SMALL_PT, Picture
from icpcohort.report.tables.grid import words_of
from icpcohort.report.tables.numbers import format_estimate, format_number
from icpcohort.report.tables.score_words import ScoreWords

PALETTE = "cividis"  # of even lightness for every eye: Nunez 2018
N_SHADES = 64
MIN_WITH_EPISODES = 5  # a correlation that rests on fewer patients is marked as such
LINE, HALO = "#0a0a0a", "#fafafa"  # on colours that are the same on every page
CELL = ["signal", "side", "threshold", "duration_min"]


def frequencies(intensity: pl.DataFrame) -> pl.DataFrame:
    """Return episodes per monitored day of all patients together, by threshold and duration.

    Returns
    -------
    DataFrame
        `signal`, `threshold`, `duration_min`, `n_patients` (with valid minutes),
        `n_with_episodes`, `monitored_h`, `per_day`: the sum of episodes over the sum of days.

    Source: counts by intensity and duration: Guiza 2015; one rate for the cohort: our own.
    """
    return (
        intensity.filter(pl.col("n_episodes").is_not_null())
        .group_by(CELL)
        .agg(
            n_patients=pl.len().cast(pl.Int64()),
            n_with_episodes=(pl.col("n_episodes") > 0).sum().cast(pl.Int64()),
            monitored_h=pl.col("monitored_h").sum(),
            per_day=pl.col("n_episodes").sum() / pl.col("monitored_h").sum() * 24,
        )
        .sort(CELL)
    )


def intensity_map(
    intensity: pl.DataFrame, *, window: str, declared: Mapping[str, Any]
) -> Picture:
    """Return how often pressure lay beyond each threshold for each duration, in the cohort.

    Parameters
    ----------
    intensity : DataFrame
        `contracts.INTENSITY`; rows of other windows are not drawn.

    Returns
    -------
    Picture
        A panel per signal. A cell without an episode is blank.
    """
    name, title = "intensity", "Episodes per monitored day, by threshold and duration"
    rates = frequencies(intensity.filter(pl.col("window") == window))
    if rates.is_empty():
        return canvas.nothing(name=name, title=title, words="No episodes were counted.")
    seen = rates.filter(pl.col("per_day") > 0)
    panels = _panels_of(rates, declared)
    sentences = [_rates_in_words(rates, panel) for panel in panels]
    days = dict(rates.group_by("signal").agg(pl.col("monitored_h").max() / 24).iter_rows())
    beside = [
        f"{one.label}: n = {one.n}, {format_number(days[one.signal], decimals=0)} days"
        for one in panels
    ]
    caption = (
        "Episodes per monitored day beyond each threshold that lasted a duration or longer, "
        f"all patients of the cohort of the {words_of(window)} together ({'; '.join(beside)} "
        "of valid minutes). Blank: no episode. An episode counts in every cell that it reaches."
    )
    low, high = (
        (float(v) for v in np.quantile(seen["per_day"].to_numpy(), [0, 1]))
        if (seen.height)
        else (0.1, 1.0)
    )
    norm = LogNorm(low, max(high, low * 1.01))
    with canvas.style(name):
        figure, axes = _panels(len(panels))
        for axis, one in zip(axes, panels, strict=True):
            _draw_cells(axis, rates.filter(signal=one.signal), "per_day", norm=norm)
            axis.set_xlabel(f"Threshold ({one.unit})")
            axis.set_title(one.title())
        _scale(figure, norm, words="Episodes per monitored day", ticks=_rate_ticks(low, high))
    return Picture(name, title, " ".join(sentences), caption, figure, "double")


def outcome_map(
    table: pl.DataFrame,
    transition: pl.DataFrame,
    *,
    window: str,
    score: ScoreWords,
    declared: Mapping[str, Any],
) -> Picture:
    """Return the correlation of the frequency of episodes with a score, and its line of zero.

    Parameters
    ----------
    table : contracts.INTENSITY_MAP
        Rows of other windows are not drawn.
    transition : contracts.TRANSITION
    score : ScoreWords
        What the episodes are correlated with.

    Returns
    -------
    Picture
        A panel per signal. A cell without a correlation is blank; one in which fewer than
        `MIN_WITH_EPISODES` patients had an episode is crossed out.
    """
    name, title = "intensity-outcome", "Episodes and outcome, by threshold and duration"
    rows = table.filter(pl.col("window") == window)
    known = rows.filter(pl.col("correlation").is_not_null())
    if known.is_empty():
        words = "No correlation of episodes with outcome was computed."
        return canvas.nothing(name=name, title=title, words=words)
    line = transition.filter(pl.col("window") == window)
    panels = _panels_of(rows, declared, some=known)
    sentences = [_correlations_in_words(known, line, panel) for panel in panels]
    caption = (
        f"Correlation (Pearson) of episodes per monitored day with {score.correlated}, "
        f"patients of the cohort of the {words_of(window)} whose {score.known} is known "
        f"({'; '.join(f'{one.label}: n = {one.n}' for one in panels)}). Below zero: more "
        f"episodes, {score.worse}. Line: where the correlation first falls below zero with "
        f"longer duration. Crossed: fewer than {MIN_WITH_EPISODES} patients had an episode; "
        "blank: no correlation. Neighbouring cells share their episodes, nothing is "
        "adjusted for, and no cell's sign alone is a finding."
    )
    reach = float(np.ceil(np.abs(known["correlation"].to_numpy()).max() * 10) / 10)
    norm = Normalize(-reach, reach)
    with canvas.style(name):
        figure, axes = _panels(len(panels))
        for axis, one in zip(axes, panels, strict=True):
            panel = rows.filter(signal=one.signal)
            _draw_cells(axis, panel, "correlation", norm=norm)
            _cross_out(axis, panel)
            _draw_line(axis, line.filter(signal=one.signal), panel)
            axis.set_xlabel(f"Threshold ({one.unit})")
            axis.set_title(one.title())
        words = f"Correlation with {score.correlated}"
        _scale(figure, norm, words=words, ticks=[-reach, 0, reach])
    return Picture(name, title, " ".join(sentences), caption, figure, "double")


class Panel(NamedTuple):
    """One signal of the map, its side, and the most patients of a cell."""

    signal: str
    side: str
    label: str
    unit: str
    n: int

    def title(self) -> str:
        """Return the heading of the panel."""
        return f"{self.label} {self.side} the threshold, n = {self.n}"


def _panels_of(
    rows: pl.DataFrame, declared: Mapping[str, Any], *, some: pl.DataFrame | None = None
) -> list[Panel]:
    """Return a panel for each signal of `some` rows, in the order of the settings."""
    sides = dict((rows if some is None else some).select("signal", "side").unique().iter_rows())
    return [
        Panel(
            name,
            sides[name],
            one.about.label,
            unit_words(one.about.unit),
            _most(rows, name),
        )
        for name, one in declared_signals.series(declared).items()
        if name in sides
    ]


def _most(rows: pl.DataFrame, signal: str) -> int:
    return int(rows.filter(signal=signal)["n_patients"].to_numpy().max())


def _rates_in_words(rates: pl.DataFrame, panel: Panel) -> str:
    """Return some rates: four thresholds at the shortest, a middle, the longest duration."""
    part = rates.filter(signal=panel.signal)
    durations = part["duration_min"].unique().sort().to_list()
    shown = {durations[0], durations[len(durations) // 2], durations[-1]}
    levels = part["threshold"].unique().sort().to_list()
    some = levels[:: max(1, (len(levels) - 1) // 3)]
    rows = part.filter(
        pl.col("duration_min").is_in(list(shown)), pl.col("threshold").is_in(some)
    )
    cells = [
        f"{row['threshold']:g} {panel.unit} for {row['duration_min']} min: "
        f"{format_number(row['per_day'], decimals=2)} ({row['n_with_episodes']} patients)"
        for row in rows.iter_rows(named=True)
    ]
    return f"{panel.title()}, episodes per monitored day: {'; '.join(cells)}."


def _correlations_in_words(known: pl.DataFrame, line: pl.DataFrame, panel: Panel) -> str:
    """Return the lowest and highest correlation with their limits, and the transition line."""
    part = known.filter(
        signal=panel.signal,
    ).sort("correlation", *CELL)
    ends = part.filter(pl.col("n_with_episodes") >= MIN_WITH_EPISODES)
    ends = ends if ends.height else part
    words = [
        f"{which} {format_estimate(row['correlation'], row['ci_low'], row['ci_high'])} at "
        f"{row['threshold']:g} {panel.unit} for {row['duration_min']} min "
        f"({row['n_with_episodes']} of {row['n_patients']} patients with an episode)"
        for which, row in (
            ("lowest", ends.row(0, named=True)),
            ("highest", ends.row(-1, named=True)),
        )
    ]
    points = [
        f"{row['threshold']:g} {panel.unit}: "
        f"{format_number(row['duration_min'], decimals=0)} min"
        for row in line.filter(signal=panel.signal).sort("threshold").iter_rows(named=True)
        if row["duration_min"] is not None
    ]
    where = "; ".join(points) or "nowhere"
    return (
        f"{panel.label} {panel.side} the threshold, correlation (95 % CI): "
        f"{'; '.join(words)}. It first falls below zero with duration at: {where}."
    )


# --- drawing ---------------------------------------------------------------------------------


def _panels(n: int) -> tuple[Figure, list[Any]]:
    figure = canvas.sheet("double", height_in=2.9)
    figure.subplots_adjust(left=0.09, right=0.98, top=0.91, bottom=0.34, wspace=0.22)
    axes = figure.subplots(1, n, squeeze=False)[0]
    axes[0].set_ylabel("Lasting at least (min)")
    return figure, list(axes)


def _draw_cells(axis: Any, panel: pl.DataFrame, column: str, *, norm: Normalize) -> None:
    """Draw one box per cell; rows are the durations, one height each."""
    levels, durations, values = _matrix(panel, column)
    step = float(np.diff(levels).min()) if levels.size > 1 else 1.0
    edges = np.append(levels - step / 2, levels[-1] + step / 2)
    shown = np.ma.masked_invalid(values)
    rows = np.arange(durations.size + 1) - 0.5
    axis.pcolormesh(
        edges, rows, shown, norm=norm, cmap=PALETTE, edgecolor="face", linewidth=0.2
    )
    axis.set_yticks(range(durations.size), [f"{d:g}" for d in durations])
    axis.tick_params(length=0)
    for spine in axis.spines.values():
        spine.set(visible=True, color=MUTED)


def _matrix(
    panel: pl.DataFrame, column: str
) -> tuple[NDArray[np.floating], NDArray[np.floating], NDArray[np.floating]]:
    """Return thresholds, durations and values (duration, threshold), NaN for null and zero."""
    levels = panel["threshold"].unique().sort().to_numpy()
    durations = panel["duration_min"].unique().sort().to_numpy()
    values = np.full((durations.size, levels.size), np.nan)
    at = (
        np.searchsorted(durations, panel["duration_min"].to_numpy()),
        np.searchsorted(levels, panel["threshold"].to_numpy()),
    )
    value = pl.col(column).cast(pl.Float64)
    blank = value == 0 if column == "per_day" else pl.lit(False)
    values[at] = panel.select(pl.when(~blank).then(value)).to_series().to_numpy()
    return levels, durations, values


def _cross_out(axis: Any, panel: pl.DataFrame) -> None:
    levels, durations, _ = _matrix(panel, "correlation")
    step = float(np.diff(levels).min()) if levels.size > 1 else 1.0
    few = panel.filter(
        pl.col("correlation").is_not_null(), pl.col("n_with_episodes") < MIN_WITH_EPISODES
    )
    for threshold, duration in few.select("threshold", "duration_min").iter_rows():
        y = float(np.searchsorted(durations, duration))
        x = threshold - step / 2, threshold + step / 2
        axis.plot(x, (y - 0.5, y + 0.5), color=INK, lw=0.5)
        axis.plot(x, (y + 0.5, y - 0.5), color=INK, lw=0.5)


def _draw_line(axis: Any, line: pl.DataFrame, panel: pl.DataFrame) -> None:
    """Draw the transition line, dark within light, so that it is seen on every colour."""
    durations = panel["duration_min"].unique().sort().to_numpy().astype(np.float64)
    ordered = line.sort("threshold")
    minutes = ordered["duration_min"].to_numpy()
    y = np.interp(minutes, durations, np.arange(durations.size))
    y[np.isnan(minutes)] = np.nan
    for colour, width in ((HALO, 3.2), (LINE, 1.4)):
        axis.plot(ordered["threshold"], y, color=colour, lw=width, marker="o", ms=width)


def _rate_ticks(low: float, high: float) -> list[float]:
    ticks = [m * 10.0**e for e in range(-4, 4) for m in (1, 3)]
    return [tick for tick in ticks if low <= tick <= high] or [low, high]


def _scale(figure: Figure, norm: Normalize, *, words: str, ticks: list[float]) -> None:
    """Draw the scale of colours below the panels, as boxes: a page may refuse an image."""
    axis: Any = figure.add_axes((0.3, 0.14, 0.4, 0.035))
    edges = np.asarray(norm.inverse(np.linspace(0, 1, N_SHADES + 1)))
    shades = np.asarray(norm.inverse((np.arange(N_SHADES) + 0.5) / N_SHADES))
    axis.pcolormesh(
        edges, [0, 1], shades[None, :], norm=norm, cmap=PALETTE, edgecolor="face", linewidth=0.2
    )
    axis.set_xscale("log" if isinstance(norm, LogNorm) else "linear")
    axis.set_xlim(edges[0], edges[-1])
    axis.set_xticks(ticks, [f"{tick:g}".replace("-", "−") for tick in ticks])
    axis.minorticks_off()
    axis.set_yticks([])
    for spine in axis.spines.values():
        spine.set(visible=True, color=MUTED)
    axis.set_xlabel(words, fontsize=SMALL_PT)
