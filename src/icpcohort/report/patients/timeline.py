"""The picture of one patient: pressures and PRx over time, what was lost, and the curve.

Every span has a lane with its name and its hours beside it, so that nothing rests on colour.
"""

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import polars as pl
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch

from icpcohort import contracts
from icpcohort.contracts import declared_indices, declared_signals
from icpcohort.contracts.declared_indices import Index
from icpcohort.contracts.declared_signals import CPP, Series
from icpcohort.report.figures import canvas
from icpcohort.report.figures.canvas import ACCENT, INK, MUTED
from icpcohort.report.figures.names import NOT_FOR_SHARING
from icpcohort.report.patients import curve as patient_curve
from icpcohort.report.patients import lanes, spans
from icpcohort.report.patients.lanes import PLAIN, Extent, Lane
from icpcohort.report.patients.spans import MINUTE_S, Reals
from icpcohort.report.tables.numbers import format_number

FOOTNOTE = (
    f"{NOT_FOR_SHARING} Research use on recorded data; not a medical device, and not for"
    " decisions at the bedside."
)
WIDTH_IN, LEFT_IN, RIGHT_IN = canvas.COLUMNS_MM["double"] / 25.4, 1.3, 0.95
LANE_IN, PANEL_IN, NO_PANEL_IN, LINE_IN, PAD_IN = 0.15, 1.0, 0.3, 0.15, 0.12
CURVE_IN, CURVE_WIDTH_IN, AXIS_IN = 1.35, 2.75, 0.62
LIMITS = ("llr_mmhg", "cppopt_mmhg", "ulr_mmhg")
SMOOTH = 3  # CPPopt moves slowly: a column of it is so many columns wide
LINE_LETTERS = 104
LEAST_RANGE = {"mm[Hg]": 10.0}  # of an axis, by the unit; others have LEAST_OF_OTHERS
LEAST_OF_OTHERS = 1.0
TICK_STEPS_H = (0.25, 0.5, 1, 2, 4, 6, 12, 24, 48, 96, 168, 336, 672)
MAX_TICKS = 9


def patient_picture(
    patient_id: str,
    *,
    minutes: pl.DataFrame,
    artefacts: pl.DataFrame,
    recordings: pl.DataFrame,
    quality: pl.DataFrame,
    intervals: pl.DataFrame,
    curve: pl.DataFrame,
    optimum: pl.DataFrame,
    time_zero: str,
    declared: Mapping[str, Any],
) -> str:
    """Return the signals and the main index of one patient over time, and it by CPP below.

    Parameters
    ----------
    minutes, artefacts : contracts of these names, of the patient
    recordings, quality : contracts of these names; rows of other patients are not drawn
    intervals : DataFrame of the patient
        `event`, `start_s` and `end_s` [s]; a null end lasts to the end.
    curve, optimum : contracts.CURVES, contracts.OPTIMA, of the patient
    time_zero : str
        What times count from.
    declared : mapping
        Sections of the settings that declare columns.

    Returns
    -------
    str
        SVG file. The line of a minute mean is broken where there is none; where a column of
        the picture holds several minutes their lowest and highest are drawn. A short span is
        drawn a column wide, and two in its lane.
    """
    of_patient = recordings.filter(pl.col("patient_id") == patient_id)
    labels = declared_signals.labels(declared)
    series = declared_signals.series(declared)
    account = caption(patient_id, recordings=recordings, quality=quality, labels=labels)
    lines = [part for line in account for part in textwrap.wrap(line, LINE_LETTERS)]
    name, title = "patient", f"Patient {patient_id}"
    extent = lanes.extent_of(of_patient, minutes)
    if extent is None:
        lines.append("There is nothing to draw: no recording of this patient was used.")
        with canvas.style(name):
            figure = Figure(figsize=(WIDTH_IN, 0.85 + LINE_IN * len(lines)))
            _write_caption(figure, title, lines)
            return canvas.as_file(
                canvas.Picture(name, title, " ".join(lines), "", figure, "double")
            )
    above = [*lanes.of_recordings(of_patient, extent), *lanes.of_intervals(intervals, extent)]
    below = {
        signal: [
            *lanes.of_masked(artefacts, signal, extent),
            *lanes.of_missing(
                spans.minute_states(
                    minutes,
                    artefacts=artefacts,
                    recordings=of_patient,
                    signal=signal,
                    column=series[signal].column,
                ),
                missing_s=_row_of(quality, patient_id, signal).get("missing_s", 0.0),
            ),
        ]
        for signal in labels
    }
    index = declared_indices.sought(declared)[0]
    optimum_row = next(optimum.filter(index=index.name).iter_rows(named=True), {})
    whole = patient_curve.in_words(optimum_row, label=index.label)
    words = [*lines, *_indices_words(minutes, index), *whole, *_lane_words("", above)]
    words += [text for signal in below for text in _lane_words(labels[signal], below[signal])]
    with canvas.style(name):
        figure = _draw(
            minutes,
            title=title,
            lines=lines,
            above=above,
            below=below,
            extent=extent,
            declared=declared,
        )
        hours_words = f"Hours since time zero ({time_zero.replace('_', ' ')})"
        figure.axes[-2].set_xlabel(hours_words, labelpad=1)
        patient_curve.draw(
            figure.axes[-1], curve.filter(index=index.name), optimum_row, label=index.label
        )
        _write_beside(figure, whole)
        picture = canvas.Picture(name, title, " ".join(words), "", figure, "double")
        return canvas.as_file(picture)


def caption(
    patient_id: str,
    *,
    recordings: pl.DataFrame,
    quality: pl.DataFrame,
    labels: Mapping[str, str],
) -> list[str]:
    """Return the account of one patient in sentences: recordings, then hours by signal."""
    of_patient = recordings.filter(pl.col("patient_id") == patient_id)
    used = of_patient.filter(pl.col("status") == "used")
    words = f"{used.height} of {of_patient.height} recordings used."
    if used.height:
        words += f" Tier: {', '.join(used['tier'].drop_nulls().unique().sort())}."
    reasons = of_patient["reason"].drop_nulls().unique().sort().to_list()
    if reasons:
        words += f" Not used: {', '.join(reasons)}."
    lines = [words.replace("_", " ")]
    for signal, label in labels.items():
        row = _row_of(quality, patient_id, signal)
        lines.append(f"{label}: {_hours_of(row) if row else 'not recorded.'}")
    return lines


def _row_of(quality: pl.DataFrame, patient_id: str, signal: str) -> dict[str, Any]:
    rows = quality.filter(pl.col("patient_id") == patient_id, pl.col("signal") == signal)
    return rows.row(0, named=True) if rows.height else {}


def _hours_of(row: Mapping[str, Any]) -> str:
    recorded, valid, masked, missing = (
        lanes.hours_words(row[name])
        for name in ("recorded_s", "valid_s", "masked_s", "missing_s")
    )
    return f"{recorded} recorded, {valid} of them valid, {masked} masked, {missing} missing."


def _lane_words(signal: str, rows: Sequence[Lane]) -> list[str]:
    return [f"{signal} {lane.name}: {lane.beside}.".strip() for lane in rows]


# --- drawing ---------------------------------------------------------------------------------


def _draw(
    minutes: pl.DataFrame,
    *,
    title: str,
    lines: Sequence[str],
    above: Sequence[Lane],
    below: dict[str, list[Lane]],
    extent: Extent,
    declared: Mapping[str, Any],
) -> Figure:
    """Stack caption, lanes and panels from the top, each as high as it needs."""
    index, panels = declared_indices.sought(declared)[0], declared_signals.series(declared)
    heights = {name: _panel_in(minutes, panel.column) for name, panel in panels.items()}
    n_lanes = len(above) + sum(len(rows) for rows in below.values())
    heights[index.name] = PANEL_IN if minutes[index.name].count() else NO_PANEL_IN
    head_in, foot_in = 0.5 + LINE_IN * len(lines), 2 * AXIS_IN + CURVE_IN
    height_in = head_in + foot_in + LANE_IN * n_lanes + sum(heights.values())
    height_in += (len(panels) + 2) * PAD_IN
    figure = Figure(figsize=(WIDTH_IN, height_in))
    _write_caption(figure, title, lines)
    top_in = height_in - head_in
    top_in = _lane_axis(figure, above, top_in=top_in, extent=extent) - PAD_IN
    for signal, panel in panels.items():
        axis = _axis(figure, top_in=top_in, height_in=heights[signal], extent=extent)
        masks = declared_signals.made_of(signal, declared)
        masked = [lane for mask in masks for lane in below[mask] if lane.filling != PLAIN]
        _draw_panel(axis, minutes, panel, shades=_by_filling(masked), extent=extent)
        top_in -= heights[signal] + PAD_IN / 2
        if signal in below:
            top_in = _lane_axis(figure, below[signal], top_in=top_in, extent=extent) - PAD_IN
    axis = _axis(figure, top_in=top_in, height_in=heights[index.name], extent=extent)
    _draw_index(axis, minutes, index, extent=extent)
    axis.tick_params(labelbottom=True)
    low_in = AXIS_IN
    box = (LEFT_IN, low_in, CURVE_WIDTH_IN, CURVE_IN)
    figure.add_axes(tuple(np.divide(box, [WIDTH_IN, height_in] * 2)))
    figure.axes[-1].set_ylabel(index.label)
    return figure


def _write_caption(figure: Figure, title: str, lines: Sequence[str]) -> None:
    height_in = float(figure.get_figheight())
    figure.text(0.01, 1 - 0.24 / height_in, title, fontsize=11, fontweight="bold")
    for i, line in enumerate(lines):
        figure.text(0.01, 1 - (0.44 + LINE_IN * i) / height_in, line, fontsize=8.5)
    figure.text(0.01, 0.09 / height_in, FOOTNOTE, fontsize=7.5)


def _panel_in(minutes: pl.DataFrame, column: str) -> float:
    return PANEL_IN if minutes[column].count() else NO_PANEL_IN


def _axis(figure: Figure, *, top_in: float, height_in: float, extent: Extent) -> Any:
    whole_in = float(figure.get_figheight())
    width = (WIDTH_IN - LEFT_IN - RIGHT_IN) / WIDTH_IN
    box = (LEFT_IN / WIDTH_IN, (top_in - height_in) / whole_in, width, height_in / whole_in)
    axis: Any = figure.add_axes(box)
    axis.set_xlim(extent.start_s / 3600.0, extent.end_s / 3600.0)
    return axis


def _lane_axis(figure: Figure, rows: Sequence[Lane], *, top_in: float, extent: Extent) -> float:
    """Draw a block of lanes below `top_in`; return where it ends."""
    if not rows:
        return top_in
    height_in = LANE_IN * len(rows)
    axis = _axis(figure, top_in=top_in, height_in=height_in, extent=extent)
    axis.set_axis_off()
    axis.set_ylim(len(rows) - 0.5, -0.5)
    side = axis.get_yaxis_transform()
    for y, lane in enumerate(rows):
        axis.plot([0, 1], [y, y], color=MUTED, lw=0.3, transform=side)
        _fill(axis, lane, extent, low=y - 0.36, high=y + 0.36, in_lane=True)
        axis.text(-0.02, y, lane.name, transform=side, ha="right", va="center", fontsize=8)
        axis.text(1.02, y, lane.beside, transform=side, va="center", fontsize=8)
    return top_in - height_in


def _fill(
    axis: Any, lane: Lane, extent: Extent, *, low: float, high: float, in_lane: bool
) -> None:
    """Draw a lane's spans as one shape in which the narrowest are still seen."""
    if not lane.spans.size:
        return
    least_s = extent.column_s * (2 if in_lane else 1)
    drawn = spans.joined(widened(lane.spans, least_s=least_s), gap_s=0.0) / 3600.0
    sides = np.column_stack([drawn, np.full(len(drawn), low), np.full(len(drawn), high)])
    axis.add_artist(
        PathPatch(
            canvas.boxes(sides),
            fc=lane.filling.colour,
            ec=INK if lane.filling.hatch else "none",
            hatch=lane.filling.hatch or None,
            hatch_linewidth=0.3,
            lw=0,
            alpha=1.0 if in_lane else 0.3,
        )
    )


def widened(stretches: Reals, *, least_s: float) -> Reals:
    """Return the spans, shorter ones widened to `least_s` about their middle."""
    middle, half = stretches.mean(axis=1), (stretches[:, 1] - stretches[:, 0]) / 2
    half = np.maximum(half, least_s / 2)
    return np.column_stack([middle - half, middle + half])


def _by_filling(rows: Sequence[Lane]) -> list[Lane]:
    """Return one lane per filling: a panel shows the kind, the lanes below it the reason."""
    return [
        Lane("", np.concatenate([lane.spans for lane in rows if lane.filling == one]), one, "")
        for one in dict.fromkeys(lane.filling for lane in rows)
    ]


def _draw_panel(
    axis: Any,
    minutes: pl.DataFrame,
    panel: Series,
    *,
    shades: Sequence[Lane],
    extent: Extent,
) -> None:
    known = minutes.select("t_s", panel.column).drop_nulls().sort("t_s")
    _dress(axis, panel.about.heading(), extent=extent)
    if known.is_empty():
        _write_empty(axis, "no valid minute")
        return
    has_limits = panel.column == CPP
    columns = [panel.column, *(LIMITS if has_limits else ())]
    every = pl.concat([minutes[name] for name in columns]).drop_nulls().to_numpy()
    low, high = float(every.min()), float(every.max())
    least = LEAST_RANGE.get(panel.about.unit, LEAST_OF_OTHERS)
    pad = max((least - (high - low)) / 2, 0.06 * (high - low))
    axis.set_ylim(low - pad, high + pad)
    axis.locator_params(axis="y", nbins=4)
    axis.grid(axis="x", color=MUTED, lw=0.3, alpha=0.5)
    for shade in shades:
        _fill(axis, shade, extent, low=low - pad, high=high + pad, in_lane=False)
    _draw_line(axis, known, panel.column, column_s=extent.column_s, color=INK, lw=0.6)
    if has_limits:
        _draw_limits(axis, minutes, extent=extent)


def _dress(axis: Any, words: str, *, extent: Extent) -> None:
    axis.text(-0.105, 0.5, words, transform=axis.transAxes, ha="right", va="center")
    axis.set_xticks(ticks_h(extent.start_s / 3600.0, extent.end_s / 3600.0, most=MAX_TICKS))
    axis.tick_params(labelbottom=False)


def _write_empty(axis: Any, words: str) -> None:
    axis.set_yticks([])
    axis.spines["left"].set_visible(False)
    axis.text(0.01, 0.5, words, transform=axis.transAxes, va="center")


def _draw_line(
    axis: Any, rows: pl.DataFrame, column: str, *, column_s: float, **looks: Any
) -> None:
    """Draw a column of minutes as its envelope; it breaks where minutes are missing."""
    known = rows.select("t_s", column).drop_nulls().sort("t_s")
    t_s, drawn = envelope(known["t_s"].to_numpy(), known[column].to_numpy(), column_s=column_s)
    axis.plot(t_s / 3600.0, drawn, solid_capstyle="round", **looks)


def _draw_limits(axis: Any, minutes: pl.DataFrame, *, extent: Extent) -> None:
    """Draw CPPopt of each minute between its limits, named beside their last values."""
    side = axis.get_yaxis_transform()
    for column in LIMITS:
        known = minutes.select("t_s", column).drop_nulls().sort("t_s")
        if known.is_empty():
            continue
        width = 1.3 if column == "cppopt_mmhg" else 0.7
        looks = {"color": ACCENT, "lw": width}
        _draw_line(axis, known, column, column_s=SMOOTH * extent.column_s, **looks)
        at, (low, high) = float(known[column].to_list()[-1]), axis.get_ylim()
        words = f"{contracts.OPTIMA.columns[column].label} {format_number(at, decimals=0)}"
        if low <= at <= high:
            axis.text(1.02, at, words, transform=side, va="center", color=ACCENT, fontsize=7)


def _draw_index(axis: Any, minutes: pl.DataFrame, index: Index, *, extent: Extent) -> None:
    """Draw the index of each minute, and over it the mean of each hour through Fisher's z."""
    _dress(axis, index.label, extent=extent)
    known = minutes.select("t_s", index.name).drop_nulls()
    if known.is_empty():
        _write_empty(axis, f"no minute with {index.label}")
        return
    axis.set_ylim(-1.05, 1.05)
    axis.set_yticks([-1, 0, 1])
    axis.grid(axis="x", color=MUTED, lw=0.3, alpha=0.5)
    axis.axhline(0, color=MUTED, lw=0.4)
    _draw_line(axis, known, index.name, column_s=extent.column_s, color=MUTED, lw=0.4)
    hours = patient_curve.hourly(known, index.name)
    looks = {"color": ACCENT, "lw": 1.3}
    _draw_line(axis, hours, index.name, column_s=patient_curve.HOUR_S, **looks)
    axis.text(1.02, 0.62, "minutes", transform=axis.transAxes, color=MUTED, fontsize=7)
    axis.text(1.02, 0.38, "hourly mean", transform=axis.transAxes, color=ACCENT, fontsize=7)


def _write_beside(figure: Figure, lines: Sequence[str]) -> None:
    """Write the account of the whole recording to the right of its curve."""
    x, top_in = (0.75 + LEFT_IN + CURVE_WIDTH_IN - 0.5) / WIDTH_IN, AXIS_IN + CURVE_IN
    wrapped = [part for line in lines for part in textwrap.wrap(line, 44)]
    for i, line in enumerate(wrapped):
        y = (top_in - 0.1 - LINE_IN * i) / float(figure.get_figheight())
        figure.text(x, y, line, fontsize=7.5)


def _indices_words(minutes: pl.DataFrame, index: Index) -> list[str]:
    labels = {"cpp_mmhg": "CPP", index.name: index.label, "cppopt_mmhg": "CPPopt"}
    counts = [f"{label}: {minutes[name].count()}" for name, label in labels.items()]
    return [f"Minutes with {', '.join(counts)}."]


def envelope(t_end_s: Reals, values: Reals, *, column_s: float) -> tuple[Reals, Reals]:
    """Return the line that shows minute means in columns of `column_s`, NaN where it breaks.

    Parameters
    ----------
    t_end_s, values : (n,)
        Ends of minutes that have a mean, ascending, and the means.

    Returns
    -------
    (m,), (m,)
        Seconds and values: of every column the lowest and the highest mean, in the order
        of their times, so that no extreme is lost. A mean stands in the middle of its
        minute; the line begins and ends with a minute's edges, so that a lone minute is seen.
        It breaks where minutes are missing and the gap is at least a column wide.
    """
    gap = np.diff(t_end_s, prepend=t_end_s[:1]) - MINUTE_S
    run = np.cumsum(gap >= max(column_s, MINUTE_S / 2))
    column = np.floor(t_end_s / column_s).astype(np.int64)
    points = pl.DataFrame({"t_s": t_end_s - MINUTE_S / 2, "y": values, "run": run, "c": column})
    of_run = points.group_by("run", maintain_order=True)
    ends = pl.concat(
        [
            of_run.agg(pl.col("t_s").first() - MINUTE_S / 2, pl.col("y").first()),
            of_run.agg(pl.col("t_s").last() + MINUTE_S / 2, pl.col("y").last()),
        ]
    )
    extremes = [
        points.group_by("run", "c", maintain_order=True)
        .agg(pl.col("t_s", "y").get(where))
        .select("run", "t_s", "y")
        for where in (pl.col("y").arg_min(), pl.col("y").arg_max())
    ]
    breaks = ends.group_by("run").agg(pl.col("t_s").max() + 1e-3).with_columns(y=np.nan)
    line = pl.concat([ends, *extremes, breaks.select("run", "t_s", "y")])
    line = line.unique(["run", "t_s", "y"]).sort("run", "t_s")
    return line["t_s"].to_numpy(), line["y"].to_numpy()


def ticks_h(start_h: float, end_h: float, *, most: int) -> Reals:
    """Return times [h] from start to end at a round step that leaves at most `most`."""
    step_h = next(
        (step for step in TICK_STEPS_H if (end_h - start_h) / step <= most),
        (end_h - start_h) / most,
    )
    return np.arange(np.ceil(start_h / step_h), np.floor(end_h / step_h) + 1) * step_h
