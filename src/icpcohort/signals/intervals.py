"""Intervals: everything that was noted about one patient's time, from every source."""

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.recordings import Annotation
from icpcohort.recordings.examine import Meaning
from icpcohort.signals.device_lag import Lag

S_PER_H = 3_600.0
MONITOR_KINDS = ("no_monitor", "before_calibration", "monitor_malfunction")

Span = tuple[float, float]
Row = dict[str, Any]


class Recorded(NamedTuple):
    """One recording on the patient's clock, with what is annotated in it."""

    start_s: float
    end_s: float
    annotations: Sequence[Annotation]


def collect(
    *,
    events: Sequence[Mapping[str, Any]],
    monitors: Sequence[Mapping[str, Any]],
    recorded: Sequence[Recorded],
    annotation_meanings: Sequence[Meaning],
) -> pl.DataFrame:
    """Put the events, the annotations in recordings and the log of monitors in one table.

    Parameters
    ----------
    events : rows of contracts.EVENTS of one patient
    monitors : rows of contracts.MONITORS of the patient
        Of these the times of insertion, calibration, malfunction and removal.
    recorded : Recorded
    annotation_meanings : text, event
        Case and the amount of white space do not count. An annotation whose text is not
        here means nothing.

    Returns
    -------
    DataFrame, contracts.INTERVALS
        Of rows with the same kind, start and source the longest.
    """
    rows = [_row(e["event"], e["start_s"], e["end_s"], "events") for e in events]
    meanings = _event_of(annotation_meanings)
    for part in recorded:
        rows += _annotated(part, meanings)
    rows += _of_monitors(monitors, recorded=[(part.start_s, part.end_s) for part in recorded])
    schema = {name: column.dtype for name, column in contracts.INTERVALS.columns.items()}
    return _each_once(pl.DataFrame(rows, schema=schema))


def _each_once(rows: pl.DataFrame) -> pl.DataFrame:
    """Return the longest of rows with the same kind, start and source, in their order."""
    return rows.sort(*contracts.INTERVALS.key, "end_s", nulls_last=True).unique(
        list(contracts.INTERVALS.key), keep="last", maintain_order=True
    )


def _row(event: str, start_s: float, end_s: float | None, source: str) -> Row:
    return {"event": event, "start_s": start_s, "end_s": end_s, "source": source}


# --- annotations ------------------------------------------------------------------------------


def _annotated(part: Recorded, meanings: Mapping[str, str]) -> Iterable[Row]:
    """Yield what is annotated in a recording; an interval without an end ends with it."""
    for note in part.annotations:
        event = meanings.get(_folded(note.text))
        if event is not None:
            end_s = part.end_s if note.end_s is None else part.start_s + note.end_s
            yield _row(event, part.start_s + note.start_s, end_s, "annotations")


def count_meant(
    annotations: Sequence[Annotation], *, annotation_meanings: Sequence[Meaning]
) -> int:
    """Return how many annotations have a text to which the settings give a meaning."""
    meanings = _event_of(annotation_meanings)
    return sum(_folded(note.text) in meanings for note in annotations)


def _event_of(annotation_meanings: Sequence[Meaning]) -> dict[str, str]:
    return {_folded(meaning["text"]): meaning["event"] for meaning in annotation_meanings}


def _folded(text: str) -> str:
    return " ".join(text.split()).casefold()


# --- lags that the signals show --------------------------------------------------------------


def with_out_of_step(
    noted: pl.DataFrame, lags: Iterable[Lag], *, max_lag_s: float | None
) -> pl.DataFrame:
    """Add to contracts.INTERVALS the parts in which ICP and ABP are out of step.

    Parameters
    ----------
    max_lag_s : float or None, s
        Of a clear lag, either way; None: nothing is added.
    """
    if max_lag_s is None:
        return noted
    apart = [lag for lag in lags if lag.is_clear and abs(lag.lag_s) > max_lag_s]
    rows = [
        _row(contracts.OUT_OF_STEP, lag.from_s, 2 * lag.t_s - lag.from_s, "signals")
        for lag in apart
    ]
    return _each_once(pl.concat([noted, pl.DataFrame(rows, schema=noted.schema)]))


def with_findings(noted: pl.DataFrame, findings: pl.DataFrame) -> pl.DataFrame:
    """Add to contracts.INTERVALS what rules found in the signals, contracts.ARTEFACTS."""
    rows = findings.select("start_s", "end_s", event="reason", source=pl.lit("signals")).select(
        noted.columns
    )
    return _each_once(pl.concat([noted, rows]))


# --- the log of monitors ---------------------------------------------------------------------


def _of_monitors(
    monitors: Sequence[Mapping[str, Any]], *, recorded: Sequence[Span]
) -> Iterable[Row]:
    """Yield the recorded time in which no monitor can have given a reading, and why.

    A time that was not noted limits nothing, and a patient without a row in the log has none.
    Where several monitors are in, which of them was recorded is not known: one that is fit
    is enough.
    """
    if not monitors or not recorded:
        return
    whole = [(min(start for start, _ in recorded), max(end for _, end in recorded))]
    in_place = [_in_place(monitor) for monitor in monitors]
    failing = [
        (max(inserted, _seconds(monitor["malfunction_h"], math.inf)), removed)
        for monitor, (inserted, removed) in zip(monitors, in_place, strict=True)
    ]
    uncalibrated = [
        (inserted, min(_seconds(monitor["calibrated_h"], -math.inf), removed))
        for monitor, (inserted, removed) in zip(monitors, in_place, strict=True)
    ]
    fit: list[Span] = []
    for place, bad, early in zip(in_place, failing, uncalibrated, strict=True):
        fit += _without(_without([place], [bad]), [early])
    unfit = {
        "no_monitor": _without(whole, in_place),
        "before_calibration": _without(_within(uncalibrated, whole[0]), fit),
        "monitor_malfunction": _without(_within(failing, whole[0]), fit),
    }
    for event, spans in unfit.items():
        for start_s, end_s in spans:
            yield _row(event, start_s, end_s, "monitors")


def _in_place(monitor: Mapping[str, Any]) -> Span:
    return (
        _seconds(monitor["insertion_h"], -math.inf),
        _seconds(monitor["removal_h"], math.inf),
    )


def _seconds(hours: float | None, unknown: float) -> float:
    return unknown if hours is None else hours * S_PER_H


def _within(spans: Iterable[Span], limits: Span) -> list[Span]:
    cut = [(max(start, limits[0]), min(end, limits[1])) for start, end in spans]
    return [span for span in cut if span[0] < span[1]]


def _without(spans: Sequence[Span], taken: Sequence[Span]) -> list[Span]:
    """Return what is left of spans when others are taken out of them."""
    left = list(spans)
    for begin, finish in taken:
        if begin < finish:
            left = [
                part
                for start, end in left
                for part in ((start, min(end, begin)), (max(start, finish), end))
                if part[0] < part[1]
            ]
    return left


def methods_sentence(*, annotation_meanings: Sequence[Meaning]) -> str:
    """Return the report's sentence for `collect`, from the same setting."""
    sources = "Noted intervals came from the table of events and the log of monitors"
    if not annotation_meanings:
        return f"{sources}; annotations within recordings were not used."
    kinds = sorted({f"'{m['event'].replace('_', ' ')}'" for m in annotation_meanings})
    return f"{sources}, and from annotations within recordings ({', '.join(kinds)})."
