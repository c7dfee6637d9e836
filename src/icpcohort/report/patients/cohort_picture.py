"""The picture of the cohort: what became of every recorded hour, patient by patient."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch, Rectangle

from icpcohort.report.figures import canvas
from icpcohort.report.figures.canvas import INK, MUTED
from icpcohort.report.patients import spans
from icpcohort.report.patients.spans import Reals
from icpcohort.report.patients.timeline import FOOTNOTE, ticks_h
from icpcohort.report.tables.numbers import format_number

# from light to dark, so that grey paper and colour-blind eyes tell them apart
FILLS = {"valid": "#7fbfe3", "masked": INK, "missing": "#b9b9b9"}
SIGNALS = ("icp", "abp")
WIDTH_IN, PANEL_IN, GAP_IN = 7.2, 2.3, 0.95
HEAD_IN, FOOT_IN = 1.62, 0.75
ROOMY_UP_TO = 40  # so many patients have rows of the larger size
ID_LETTERS = 16  # of a longer identifier the end is shown


def patient_hours(
    patient_id: str,
    *,
    minutes: pl.DataFrame,
    artefacts: pl.DataFrame,
    recordings: pl.DataFrame,
) -> pl.DataFrame:
    """Return one patient's minutes of each state by hour, contracts.HOURS.

    Parameters
    ----------
    minutes, artefacts : contracts of these names, of the patient
    recordings : contracts.recordings; rows of other patients are not counted
    """
    of_patient = recordings.filter(pl.col("patient_id") == patient_id)
    parts = [
        spans.hourly_states(
            spans.minute_states(
                minutes,
                artefacts=artefacts,
                recordings=of_patient,
                signal=signal,
                column=f"{signal}_mmhg",
            )
        ).select(
            pl.lit(patient_id).alias("patient_id"), pl.lit(signal).alias("signal"), pl.all()
        )
        for signal in SIGNALS
    ]
    return pl.concat(parts)


def in_order(patients: Sequence[str], quality: pl.DataFrame) -> list[str]:
    """Return the patients by their valid hours of ICP, most first, then by identifier."""
    valid_s = dict(
        quality.filter(pl.col("signal") == "icp").select("patient_id", "valid_s").iter_rows()
    )
    return sorted(patients, key=lambda patient: (-valid_s.get(patient, -1.0), patient))


def cohort_picture(
    hours: pl.DataFrame, *, patients: Sequence[str], quality: pl.DataFrame, time_zero: str
) -> str:
    """Return patients by hours: valid, masked, missing and unrecorded minutes of ICP and ABP.

    Parameters
    ----------
    hours : contracts.HOURS
    patients : sequence of str
        Everyone in the study; who has no row in `hours` has an empty row in the picture.
    quality : contracts.QUALITY
    time_zero : str
        What times count from.

    Returns
    -------
    str
        SVG file. An hour is a box: valid minutes fill it from below, masked and missing ones
        lie above them. The hours written beside a row are those of `quality`.
    """
    name, title = "cohort", "What was recorded, hour by hour"
    order = in_order(patients, quality)
    n_recorded = quality["patient_id"].n_unique()
    sentences = [
        f"{n_recorded} of {len(order)} patients have a recording that was used;"
        " most valid hours of ICP first."
    ]
    sentences += [_total_words(quality, signal) for signal in SIGNALS]
    with canvas.style(name):
        figure = _draw(hours, order=order, quality=quality, time_zero=time_zero)
        height_in = float(figure.get_figheight())
        figure.text(0.01, 1 - 0.24 / height_in, title, fontsize=11, fontweight="bold")
        for i, line in enumerate(sentences):
            figure.text(0.01, 1 - (0.44 + 0.16 * i) / height_in, line, fontsize=8.5)
        _key(figure, bottom=1 - 0.98 / height_in)
        figure.text(0.01, 0.09 / height_in, FOOTNOTE, fontsize=7.5)
        return canvas.as_file(
            canvas.Picture(name, title, " ".join(sentences), "", figure, "double")
        )


def _total_words(quality: pl.DataFrame, signal: str) -> str:
    rows = quality.filter(pl.col("signal") == signal)
    recorded, valid, masked, missing = (
        format_number(float(rows[name].sum()) / 3600.0, decimals=0)
        for name in ("recorded_s", "valid_s", "masked_s", "missing_s")
    )
    return (
        f"{signal.upper()} of {rows.height} patients: {recorded} h recorded, {valid} h of them"
        f" valid, {masked} h masked, {missing} h missing."
    )


def _key(figure: Figure, *, bottom: float) -> None:
    side = 0.1
    width_in, height_in = figure.get_size_inches()
    x_in = 0.07
    for state, colour in FILLS.items():
        box = (x_in / width_in, bottom), side / width_in, side / height_in
        figure.add_artist(Rectangle(*box, fc=colour, ec="none"))
        figure.text((x_in + 0.15) / width_in, bottom, state, fontsize=8.5)
        x_in += 0.25 + 0.075 * len(state)
    words = "minutes of each hour, stacked from below; blank: not recorded"
    figure.text((x_in + 0.1) / width_in, bottom, words, fontsize=8.5)


def _draw(
    hours: pl.DataFrame, *, order: Sequence[str], quality: pl.DataFrame, time_zero: str
) -> Figure:
    roomy = len(order) <= ROOMY_UP_TO
    row_in, font = (0.17, 8.0) if roomy else (0.115, 6.5)
    body_in = row_in * max(len(order), 1)
    height_in = HEAD_IN + body_in + FOOT_IN
    figure = Figure(figsize=(WIDTH_IN, height_in))
    first_h, last_h = _range_h(hours)
    left_in = WIDTH_IN - 2 * (PANEL_IN + GAP_IN) + 0.1
    for signal in SIGNALS:
        box = (
            *(left_in / WIDTH_IN, FOOT_IN / height_in),
            *(PANEL_IN / WIDTH_IN, body_in / height_in),
        )
        axis: Any = figure.add_axes(box)
        axis.set_xlim(first_h, last_h)
        axis.set_ylim(len(order) - 0.5, -0.5)
        _draw_signal(axis, hours.filter(pl.col("signal") == signal), order=order)
        _write_hours(axis, quality, signal=signal, order=order, font=font)
        axis.set_title(signal.upper(), pad=20, fontweight="bold")
        axis.set_xticks(ticks_h(first_h, last_h, most=6))
        axis.tick_params(axis="x", top=True, labeltop=True, length=2.5, labelsize=8)
        axis.set_xlabel(f"Hours since time zero ({time_zero.replace('_', ' ')})", fontsize=8.5)
        left_in += PANEL_IN + GAP_IN
    for y, patient in enumerate(order):
        words = patient if len(patient) <= ID_LETTERS else f"…{patient[1 - ID_LETTERS :]}"
        side = figure.axes[0].get_yaxis_transform()
        figure.axes[0].text(
            -0.02, y, words, transform=side, ha="right", va="center", fontsize=font
        )
    return figure


def _range_h(hours: pl.DataFrame) -> tuple[float, float]:
    if hours.is_empty():
        return 0.0, 1.0
    low, high = (
        int(at) for at in hours.select(a=pl.col("hour").min(), b=pl.col("hour").max()).row(0)
    )
    return float(min(low, 0)), float(high + 1)


def _draw_signal(axis: Any, hours: pl.DataFrame, *, order: Sequence[str]) -> None:
    """Draw all recorded minutes as valid, and what was masked or is missing over them."""
    axis.grid(axis="x", color=MUTED, lw=0.3, alpha=0.5)
    axis.set_yticks([])
    axis.spines["left"].set_visible(False)
    row = {patient: y for y, patient in enumerate(order)}
    placed = hours.with_columns(
        y=pl.col("patient_id").replace_strict(row, return_dtype=pl.Float64()),
        all=pl.sum_horizontal(spans.STATES),
    )
    layers = {
        "valid": (pl.lit(0), pl.col("all")),
        "masked": (pl.col("valid"), pl.col("valid") + pl.col("masked")),
        "missing": (pl.col("valid") + pl.col("masked"), pl.col("all")),
    }
    for state, (low, high) in layers.items():
        drawn = runs(placed.select("y", "hour", low=low.cast(pl.Int64()), high=high))
        if len(drawn):
            axis.add_artist(PathPatch(canvas.boxes(drawn), fc=FILLS[state], ec="none", lw=0))


def runs(cells: pl.DataFrame) -> Reals:
    """Return left, right, bottom and top of each run of hours with equal boxes.

    Parameters
    ----------
    cells : DataFrame
        `y` (the row), `hour`, and `low` and `high` in minutes of 60; empty boxes are left out.
    """
    ordered = cells.filter(pl.col("high") > pl.col("low")).sort("y", "low", "high", "hour")
    same = pl.struct("y", "low", "high")
    new = (same != same.shift()) | (pl.col("hour").diff() != 1)
    stretches = (
        ordered.with_columns(run=new.fill_null(True).cum_sum())
        .group_by("run", maintain_order=True)
        .agg(
            pl.col("hour").first().alias("left"),
            (pl.col("hour").last() + 1).alias("right"),
            (pl.col("y") + 0.42 - 0.84 * pl.col("low") / 60).first().alias("bottom"),
            (pl.col("y") + 0.42 - 0.84 * pl.col("high") / 60).first().alias("top"),
        )
    )
    return np.asarray(stretches.drop("run").to_numpy(), np.float64)


def _write_hours(
    axis: Any, quality: pl.DataFrame, *, signal: str, order: Sequence[str], font: float
) -> None:
    rows = {
        row["patient_id"]: row
        for row in quality.filter(pl.col("signal") == signal).iter_rows(named=True)
    }
    known = set(quality["patient_id"])
    side = axis.get_yaxis_transform()
    axis.text(1.02, -0.9, "valid of recorded h", transform=side, fontsize=6.5)
    for y, patient in enumerate(order):
        words = "not recorded" if patient in known else "none used"
        if patient in rows:
            valid, recorded = (
                format_number(rows[patient][name] / 3600.0, decimals=1)
                for name in ("valid_s", "recorded_s")
            )
            words = f"{valid} of {recorded}"
        axis.text(1.02, y, words, transform=side, va="center", fontsize=font)
