"""Lanes of a picture: every span of one patient by name, with its hours and its filling.

The fillings are those of the palette of Okabe 2008, each with a hatching of its own; the name
stands beside every lane.
"""

from typing import NamedTuple

import numpy as np
import polars as pl

from icpcohort.report.figures.canvas import ACCENT, MUTED
from icpcohort.report.patients import spans
from icpcohort.report.patients.spans import MINUTE_S, Reals
from icpcohort.report.tables.numbers import format_number

N_COLUMNS = 600  # the time axis is about 330 pt wide: less than a pixel each


class Filling(NamedTuple):
    """How a span is filled."""

    colour: str
    hatch: str


SENSOR, BEDSIDE = Filling("#56b4e9", "\\\\\\\\"), Filling("#cc79a7", "----")
BY_RULE, PLAIN = Filling("#e69f00", "////"), Filling(MUTED, "")
FILLINGS = dict.fromkeys(
    (
        *("drain_open", "craniectomy", "no_monitor"),
        *("monitor_malfunction", "before_calibration", "out_of_step"),
    ),
    SENSOR,
) | dict.fromkeys(
    (
        *("flush", "blood_sampling", "damping", "zeroing", "rezero", "level_change"),
        *("transport", "disconnected", "disconnection", "artefact"),
    ),
    BEDSIDE,
)  # any other reason is one that a cleaning rule saw in the signal


class Lane(NamedTuple):
    """One row of spans: its name, where they lie in seconds, its filling, words beside it."""

    name: str
    spans: Reals
    filling: Filling
    beside: str


class Extent(NamedTuple):
    """The time that a picture shows."""

    start_s: float
    end_s: float

    @property
    def column_s(self) -> float:
        """The width of the narrowest thing that is drawn."""
        return (self.end_s - self.start_s) / N_COLUMNS


def extent_of(recordings: pl.DataFrame, minutes: pl.DataFrame) -> Extent | None:
    """Return the time from the first to the last thing recorded; None if nothing was."""
    used = recordings.filter(pl.col("status") == "used")
    ends = [*used["start_s"].drop_nulls(), *used["end_s"].drop_nulls()]
    ends += [t_s + shift_s for t_s in minutes["t_s"][:1] for shift_s in (-MINUTE_S, 0.0)]
    ends += minutes["t_s"][-1:].to_list()
    return Extent(min(ends), max(ends)) if ends and max(ends) > min(ends) else None


def of_recordings(recordings: pl.DataFrame, extent: Extent) -> list[Lane]:
    """Put used recordings into as few lanes as keep overlapping ones apart."""
    rows: list[list[tuple[float, float]]] = []
    for start_s, end_s in spans.recorded(recordings, signal="icp").tolist():
        free = next((row for row in rows if row[-1][1] <= start_s), None)
        if free is None:
            rows.append([(start_s, end_s)])
        else:
            free.append((start_s, end_s))
    hair_s = extent.column_s  # two recordings that touch are seen as two
    return [
        Lane(
            "recordings" if i == 0 else "overlapping",
            np.array([(a, max(b - hair_s, (a + b) / 2)) for a, b in row]),
            Filling(ACCENT, ""),
            hours_words(sum(b - a for a, b in row)),
        )
        for i, row in enumerate(rows)
    ]


def of_intervals(intervals: pl.DataFrame, extent: Extent) -> list[Lane]:
    """Give every kind of event its lane; one that lies outside the picture says so."""
    lanes = []
    for kind in sorted(intervals["event"].unique(), key=_order):
        every = spans.joined(spans.of(intervals.filter(pl.col("event") == kind)), gap_s=0.0)
        seen = spans.clipped(every, start_s=extent.start_s, end_s=extent.end_s)
        beside = hours_words(_sum_s(seen)) if seen.size else "outside this time"
        lanes.append(Lane(kind.replace("_", " "), seen, filling_of(kind), beside))
    return lanes


def of_masked(artefacts: pl.DataFrame, signal: str, extent: Extent) -> list[Lane]:
    """Give every reason for which seconds of a signal were masked its lane."""
    rows = artefacts.filter(pl.col("signal") == signal)
    lanes = []
    for reason in sorted(rows["reason"].unique(), key=_order):
        part = spans.joined(spans.of(rows.filter(pl.col("reason") == reason)), gap_s=0.0)
        part = spans.clipped(part, start_s=extent.start_s, end_s=extent.end_s)
        beside = f"{hours_words(_sum_s(part))} masked"
        lanes.append(Lane(reason.replace("_", " "), part, filling_of(reason), beside))
    return lanes


def of_missing(states: pl.DataFrame, *, missing_s: float) -> list[Lane]:
    """Give missing minutes a lane, with the seconds that the quality table counts as missing.

    Parameters
    ----------
    states : DataFrame
        `spans.minute_states` of the signal. Shorter gaps than a minute have hours, no span.
    """
    t_s = states.filter(pl.col("state") == "missing")["t_s"].to_numpy()
    if not t_s.size and missing_s <= 0:
        return []
    minutes = spans.joined(np.column_stack([t_s - MINUTE_S, t_s]), gap_s=0.0)
    return [Lane("no reading", minutes, PLAIN, f"{hours_words(missing_s)} missing")]


def filling_of(reason: str) -> Filling:
    """Return how spans of a reason or an event are filled, known or not."""
    return FILLINGS.get(reason, BY_RULE)


def hours_words(seconds: float) -> str:
    """Return seconds as hours with one decimal."""
    return f"{format_number(seconds / 3600.0, decimals=1)} h"


def _order(reason: str) -> tuple[int, str]:
    first = list(FILLINGS)
    return (first.index(reason) if reason in first else len(first), reason)


def _sum_s(apart: Reals) -> float:
    return float((apart[:, 1] - apart[:, 0]).sum())
