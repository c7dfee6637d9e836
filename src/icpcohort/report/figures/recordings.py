"""The figures of recordings and monitors: how much is valid, what was masked, and drift."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from icpcohort import contracts
from icpcohort.report.figures import canvas
from icpcohort.report.figures.canvas import ACCENT, INK, MUTED, SMALL_PT, Picture, Strip
from icpcohort.report.tables.grid import words_of
from icpcohort.report.tables.numbers import format_median, format_number

MOST_REASONS = 10  # of more the others are added up in one bar
REASON_LETTERS = 24


def recorded_time(
    quality: pl.DataFrame, masked: pl.DataFrame, *, labels: Mapping[str, str]
) -> Picture:
    """Return the valid share of each patient's recorded time, and the hours masked by reason.

    Parameters
    ----------
    quality : contracts.QUALITY
    masked : contracts.MASKED
    labels : mapping of signal to label
    """
    name, title = "recorded", "Recorded time: how much is valid, and what was masked"
    if quality.is_empty():
        return canvas.nothing(name=name, title=title, words="No recording was used.")
    strips = [_valid_strip(quality, *one) for one in labels.items()]
    strips = [strip for strip in strips if strip.values.len()]
    bars = masked_hours(masked)
    sentences = [
        f"{strip.label}: median {format_median(strip.values, decimals=1)} percent of the "
        f"recorded time, {strip.beside}."
        for strip in strips
    ]
    sentences += [
        f"{labels[signal]} masked for {words_of(reason)}: {format_number(hours, decimals=1)} h "
        f"in {n} patients."
        for signal, reason, hours, n in bars.iter_rows()
    ]
    caption = (
        "Left: valid share of each patient's recorded time "
        f"({'; '.join(_hours_words(quality, *one) for one in labels.items())} in all). "
        f"{canvas.STRIP_WORDS} Right: hours masked, by the reason, all patients together, "
        "square-root scale. Masked is a reading that was set aside; a missing reading is "
        "neither valid nor masked."
    )
    with canvas.style(name):
        n_rows = max(4, bars.height)
        figure = canvas.sheet("double", height_in=0.75 + 0.19 * n_rows)
        height_in = float(figure.get_figheight())
        box = {"top": 1 - 0.3 / height_in, "bottom": 0.42 / height_in}
        figure.subplots_adjust(left=0.02, right=0.83, wspace=0.62, **box)
        left, right = figure.subplots(1, 2)
        canvas.draw_strips(left, strips, decimals=1, words="above")
        left.set_xlim(min(50.0, *(float(s.values.to_numpy().min()) for s in strips)), 100)
        left.set_xlabel("Valid (% of the recorded time)")
        _draw_bars(right, bars, labels)
    return Picture(name, title, " ".join(sentences), caption, figure, "double")


def _valid_strip(quality: pl.DataFrame, signal: str, label: str) -> Strip:
    rows = quality.filter(pl.col("signal") == signal, pl.col("recorded_s") > 0)
    share = rows.sort("patient_id").select(pl.col("valid_s") / pl.col("recorded_s") * 100)
    return Strip(f"{label} valid (%)", share.to_series(), f"n = {rows.height}")


def _hours_words(quality: pl.DataFrame, signal: str, label: str) -> str:
    rows = quality.filter(pl.col("signal") == signal)
    valid, recorded = (
        format_number(float(rows[column].sum()) / 3600, decimals=0)
        for column in ("valid_s", "recorded_s")
    )
    return f"{label}, {valid} of {recorded} h"


def masked_hours(masked: pl.DataFrame) -> pl.DataFrame:
    """Return `signal`, `reason`, hours masked `hours_h` and `n_patients`, most first.

    Beyond `MOST_REASONS` rows the least are added up in a row of each signal, called "other
    reasons"; its patients are those with any of them.
    """
    both = ["signal", "reason"]
    ranked = (
        masked.group_by(both).agg(pl.col("masked_s").sum()).sort("masked_s", descending=True)
    )
    kept = ranked.sort("masked_s", *both, descending=[True, False, False]).head(MOST_REASONS)
    other = pl.lit("other reasons").alias("reason")
    named = pl.concat(
        [
            masked.join(kept, on=both, how="semi"),
            masked.join(kept, on=both, how="anti").with_columns(other),
        ]
    )
    last = pl.col("reason") == "other reasons"
    return (
        named.group_by(both)
        .agg(
            hours_h=pl.col("masked_s").sum() / 3600,
            n_patients=pl.col("patient_id").n_unique().cast(pl.Int64()),
        )
        .sort(last, "hours_h", *both, descending=[False, True, True, False])
    )


def _draw_bars(axis: Any, bars: pl.DataFrame, names: Mapping[str, str]) -> None:
    axis.set_title("Masked")
    if bars.is_empty():
        axis.set_axis_off()
        axis.text(0, 0.5, "No reading was masked.", transform=axis.transAxes)
        return
    y = np.arange(bars.height)
    colours = [ACCENT if signal == "icp" else MUTED for signal in bars["signal"]]
    axis.barh(y, bars["hours_h"].to_numpy(), height=0.62, color=colours)
    labels = [
        canvas.shortened(f"{names[signal]}, {words_of(reason)}", letters=REASON_LETTERS)
        for signal, reason in bars.select("signal", "reason").iter_rows()
    ]
    axis.set_yticks(y, labels)
    axis.set_ylim(bars.height - 0.4, -0.6)
    axis.tick_params(axis="y", length=0)
    axis.spines["left"].set_visible(False)
    canvas.square_root_axis(axis, highest=float(bars["hours_h"].to_numpy().max()))
    axis.set_xlabel("Hours masked, square-root scale")
    for i, hours, n in zip(y, bars["hours_h"], bars["n_patients"], strict=True):
        words = f"{format_number(hours, decimals=1)} h, n = {n}"
        side = axis.get_yaxis_transform()
        axis.text(1.03, i, words, transform=side, va="center", fontsize=SMALL_PT, color=INK)


def drift(monitors: pl.DataFrame) -> Picture:
    """Return the drift at removal of every monitor by its kind (`contracts.MONITORS`)."""
    name, title = "drift", "Drift at removal, by kind of monitor"
    known = monitors.filter(pl.col("drift_at_removal_mmhg").is_not_null())
    if known.is_empty():
        return canvas.nothing(name=name, title=title, words="No drift at removal was noted.")
    strips = [
        _drift_strip(known, monitors, kind)
        for kind in monitors["kind"].unique().sort(nulls_last=True)
    ]
    strips = [strip for strip in strips if strip.values.len()]
    sentences = [
        f"{strip.label}: median {format_median(strip.values, decimals=1)} mmHg, {strip.beside}."
        for strip in strips
    ]
    n_beyond = known.filter(pl.col("drift_at_removal_mmhg").abs() > 2).height
    sentences.append(f"Beyond 2 mmHg either way: {n_beyond} of {known.height}.")
    caption = (
        f"{title}: the reading against atmosphere, {known.height} of {monitors.height} "
        f"monitors. {canvas.STRIP_WORDS.replace('patient', 'monitor')} Dashed: 2 mmHg either "
        f"way, the distance of the two thresholds in common use (20 and 22 mmHg); "
        f"{n_beyond} of {known.height} lie beyond."
    )
    reach = max(3.0, float(known["drift_at_removal_mmhg"].abs().to_numpy().max()) * 1.08)
    with canvas.style(name):
        figure = canvas.sheet("single", height_in=0.5 + 0.44 * len(strips))
        box = {"top": 0.99, "bottom": 0.42 / float(figure.get_figheight())}
        figure.subplots_adjust(left=0.04, right=0.96, **box)
        axis = figure.subplots()
        canvas.draw_strips(axis, strips, decimals=1, words="above")
        for at, dashes in ((0.0, (1, 0)), (-2.0, (4, 3)), (2.0, (4, 3))):
            for y in range(len(strips)):  # not through the words above each row
                axis.plot([at, at], [y - 0.3, y + 0.32], color=MUTED, lw=0.6, dashes=dashes)
        axis.set_xlim(-reach, reach)
        axis.set_xlabel(contracts.MONITORS.columns["drift_at_removal_mmhg"].heading())
    return Picture(name, title, " ".join(sentences), caption, figure, "single")


def _drift_strip(known: pl.DataFrame, monitors: pl.DataFrame, kind: str | None) -> Strip:
    same = pl.col("kind").eq_missing(pl.lit(kind, pl.String()))
    values = known.filter(same).sort("monitor_id")["drift_at_removal_mmhg"]
    label = "kind not known" if kind is None else words_of(kind)
    return Strip(label, values, f"n = {values.len()} of {monitors.filter(same).height}")
