"""What the results know of each patient, as rows of text for the patient browser."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import Column, declared_indices, declared_signals
from icpcohort.contracts.indices import mean_name
from icpcohort.report.patients import curve, lanes
from icpcohort.report.tables import recordings as recording_grids
from icpcohort.report.tables.exposures import dose_heading, in_order
from icpcohort.report.tables.grid import reactivity_columns, words_of
from icpcohort.report.tables.monitors import COMPLICATIONS
from icpcohort.report.tables.numbers import MISSING, format_number
from icpcohort.signals import device_lag

Rows = dict[str, list[list[str]]]  # patient -> rows of cells
MONITORED = "ICP monitored (h)"  # the window is the column's head here


class Section(NamedTuple):
    """One kind of facts: its heading, the heads of its columns, rows by patient."""

    caption: str
    head: list[str]
    rows: Rows
    empty: str


def sections(
    tables: Mapping[str, pl.DataFrame],
    *,
    model_dropped: Mapping[str, pl.DataFrame],
    models: Mapping[str, Mapping[str, Any]],
    windows: Sequence[str],
    declared: Mapping[str, Any],
) -> list[Section]:
    """Return every section of the browser in its order.

    Parameters
    ----------
    tables : mapping of table name to DataFrame
        The names of `reads.PATIENT_PAGE.tables`, as in the contracts.
    model_dropped : mapping of model name to contracts.MODEL_DROPPED
    models : mapping of model name to its block of the plan
    windows : names of the windows, in their order
    declared : sections of the settings that declare columns; see `contracts.analysis`
    """
    columns = contracts.analysis(declared).columns
    outcomes = contracts.outcomes(declared).columns
    of_patients = contracts.patients(declared).columns
    who = {name: column for name, column in of_patients.items() if name not in outcomes}
    ends = {name: column for name, column in outcomes.items() if column.role != "key"}
    places = {name: words_of(name).capitalize() for name in windows}
    labels = declared_signals.labels(declared)
    return [
        Section("Who", ["", ""], _facts(tables["patients"], who), ""),
        Section("Outcomes", ["", ""], _facts(tables["outcomes"], ends), ""),
        _membership(
            tables,
            model_dropped=model_dropped,
            models=models,
            windows=windows,
            columns=columns,
        ),
        _recordings(tables["recordings"], tables["excluded"]),
        *_lags(tables["lags"]),
        _suspects(tables["suspects"]),
        _seconds(tables["quality"], labels),
        _masked(tables["masked"], labels),
        _monitors(tables["monitors"]),
        _events(tables["events"]),
        _indices(tables["summary"], places, declared),
        _burden(tables["burden"], places, declared),
        *_optima(tables["optima"], declared),
    ]


def _facts(table: pl.DataFrame, columns: Mapping[str, Column]) -> Rows:
    """Return one row per column: its heading and the patient's value."""
    return {
        row["patient_id"]: [
            [column.heading(), value_words(row[name], column)]
            for name, column in columns.items()
        ]
        for row in table.iter_rows(named=True)
    }


def value_words(value: Any, column: Column) -> str:
    """Return a value with the decimals of its column."""
    if value is None:
        return MISSING
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return format_number(value, decimals=column.decimals or 0)
    return str(value)


def _by_patient(table: pl.DataFrame, *order: str) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    for (patient,), part in table.sort("patient_id", *order).group_by(
        "patient_id", maintain_order=True
    ):
        yield str(patient), part.to_dicts()


def _hours(seconds: float | None, *, decimals: int) -> str:
    return MISSING if seconds is None else format_number(seconds / 3600, decimals=decimals)


def _membership(
    tables: Mapping[str, pl.DataFrame],
    *,
    model_dropped: Mapping[str, pl.DataFrame],
    models: Mapping[str, Mapping[str, Any]],
    windows: Sequence[str],
    columns: Mapping[str, Column],
) -> Section:
    """Return in which cohorts and models a patient is, and why not in the others."""
    inside = set(tables["analysis"].select("window", "patient_id").iter_rows())
    left = {(row["window"], row["patient_id"]): row for row in tables["dropped"].to_dicts()}
    lost = {
        (model, row["patient_id"]): row
        for model, table in model_dropped.items()
        for row in table.to_dicts()
    }
    rows: Rows = {}
    for patient in tables["patients"]["patient_id"]:
        rows[patient] = [
            [
                f"Cohort of the {words_of(window)}",
                *_place((window, patient), inside, left, columns),
            ]
            for window in windows
        ]
        for model, plan in models.items():
            cells = ["no", f"not in the cohort of the {words_of(plan['window'])}"]
            if (plan["window"], patient) in inside:
                cells = _place((model, patient), {(model, patient)} - set(lost), lost, columns)
            rows[patient].append([f"Model {words_of(model, columns)}", *cells])
    return Section("In which analyses", ["Analysis", "In it", "Why not"], rows, "")


def _place(
    key: tuple[str, str],
    inside: set[tuple[str, str]],
    left: Mapping[tuple[str, str], Mapping[str, Any]],
    columns: Mapping[str, Column],
) -> list[str]:
    if key in inside:
        return ["yes", ""]
    row = left.get(key)
    if row is None:
        return ["no", "no reason was recorded"]
    detail = f": {row['detail']}" if row["detail"] else ""
    return ["no", f"{words_of(row['reason'], columns)}{detail}"]


def _recordings(recordings: pl.DataFrame, excluded: pl.DataFrame) -> Section:
    why = {
        (row["patient_id"], row["recording_id"]): row["detail"] for row in excluded.to_dicts()
    }
    rows = {
        patient: [
            [
                row["recording_id"],
                f"{row['format'] or MISSING}, {words_of(row['tier'])}",
                f"{_hours(row['start_s'], decimals=1)} to {_hours(row['end_s'], decimals=1)}",
                row["status"] or MISSING,
                _reason(row["reason"], why.get((patient, row["recording_id"]))),
            ]
            for row in part
        ]
        for patient, part in _by_patient(recordings, "start_s", "recording_id")
    }
    for row in excluded.filter(stage="trends", recording_id="").to_dicts():
        rows[row["patient_id"]].append(["all", "", "", "", row["detail"]])
    head = ["Recording", "Format, tier", "From, to (h)", "Status", "Why not"]
    return Section("Recordings", head, rows, "No recording is listed.")


def _lags(lags: pl.DataFrame) -> list[Section]:
    """Return the lag of each recording or pair; without any, no section."""
    of_each = device_lag.of_recordings(lags)
    rows = {
        patient: [recording_grids.lag_cells(row) for row in part]
        for patient, part in _by_patient(of_each, *device_lag.PAIR)
    }
    head = list(recording_grids.LAG_HEAD)
    nothing = "ICP and ABP have no waveforms, or numbers every second, at the same time."
    return [Section("Lag of ICP behind ABP", head, rows, nothing)] if rows else []


def _reason(reason: str | None, detail: str | None) -> str:
    if reason is None:
        return ""
    return f"{words_of(reason)}: {detail}" if detail else words_of(reason)


def _suspects(suspects: pl.DataFrame) -> Section:
    rows = {
        patient: [
            [
                row["recording_id"] or "whole patient",
                words_of(row["kind"]),
                f"{_hours(row['from_s'], decimals=1)} to {_hours(row['to_s'], decimals=1)}",
                row["seen"],
                f"look at {row['look_at']}",
            ]
            for row in part
        ]
        for patient, part in _by_patient(suspects, "from_s", "recording_id", "kind")
    }
    head = ["Recording", "Kind", "From, to (h)", "Seen", "What to do"]
    return Section("Hard to believe", head, rows, "Nothing speaks against a recording.")


def _seconds(quality: pl.DataFrame, labels: Mapping[str, str]) -> Section:
    columns = ("recorded_s", "valid_s", "masked_s", "missing_s")
    rows = {
        patient: [
            [
                labels[row["signal"]],
                *(_hours(row[name], decimals=2) for name in columns),
                str(row["n_gaps"]),
                _hours(row["longest_gap_s"], decimals=2),
            ]
            for row in part
        ]
        for patient, part in _by_patient(quality.sort("signal", descending=True))
    }
    head = ["Signal", "Recorded, h", "Valid, h", "Masked, h", "Missing, h"]
    head += ["Gaps, n", "Longest gap, h"]
    return Section("Every second accounted", head, rows, "No recording was used.")


def _masked(masked: pl.DataFrame, labels: Mapping[str, str]) -> Section:
    rows = {
        patient: [
            [labels[row["signal"]], words_of(row["reason"]), lanes.hours_words(row["masked_s"])]
            for row in part
        ]
        for patient, part in _by_patient(masked, "signal", "reason")
    }
    return Section("Masked, by reason", ["Signal", "Reason", "Time"], rows, "Nothing masked.")


def _monitors(monitors: pl.DataFrame) -> Section:
    monitor = contracts.MONITORS.columns
    rows = {
        patient: [
            [
                row["monitor_id"],
                ", ".join(words_of(row[name]) for name in ("kind", "fixation", "side")),
                f"{_number(row['insertion_h'])} to {_number(row['removal_h'])}",
                _number(row["drift_at_removal_mmhg"]),
                "; ".join(monitor[name].label for name in COMPLICATIONS if row[name])
                or "none noted",
            ]
            for row in part
        ]
        for patient, part in _by_patient(monitors, "insertion_h", "monitor_id")
    }
    drift = monitor["drift_at_removal_mmhg"].heading()
    head = ["Monitor", "Kind", "In place (h)", drift, "Complications"]
    return Section("Monitors", head, rows, "No monitor is listed.")


def _number(value: float | None) -> str:
    return format_number(value, decimals=1)


def _events(events: pl.DataFrame) -> Section:
    rows = {
        patient: [
            [
                words_of(row["event"]),
                _hours(row["start_s"], decimals=2),
                "to the end" if row["end_s"] is None else _hours(row["end_s"], decimals=2),
            ]
            for row in part
        ]
        for patient, part in _by_patient(events, "start_s", "event")
    }
    return Section("Events", ["Event", "From (h)", "To (h)"], rows, "No event was noted.")


def _indices(
    summary: pl.DataFrame, places: Mapping[str, str], declared: Mapping[str, Any]
) -> Section:
    known = contracts.summary(declared).columns
    means = [mean_name(*item) for item in declared_indices.series(declared).items()]
    columns = {name: known[name] for name in ("monitored_h", *means)}
    columns |= reactivity_columns(declared)
    rows: Rows = {}
    for patient, part in _by_patient(summary, "window"):
        of_window = {row["window"]: row for row in part}
        rows[patient] = [
            [
                MONITORED if name == "monitored_h" else column.heading(),
                *(
                    value_words(of_window.get(window, {}).get(name), column)
                    for window in places
                ),
            ]
            for name, column in columns.items()
        ]
    return Section("Indices", ["", *places.values()], rows, "No minute was computed.")


def _burden(
    burden: pl.DataFrame, places: Mapping[str, str], declared: Mapping[str, Any]
) -> Section:
    rows: Rows = {}
    worded = [
        part.with_columns(threshold_words=pl.lit(words))
        for _, words, part in in_order(burden, declared)
    ]
    for patient, part in _by_patient(pl.concat(worded)) if worded else ():
        cells: dict[str, dict[str, str]] = {}
        for row in part:
            label = row["threshold_words"]
            dose, share = (
                value_words(row[name], contracts.BURDEN.columns[name])
                for name in ("dose_per_h", "percent_time")
            )
            known = row["dose_per_h"] is not None
            cells.setdefault(label, {})[row["window"]] = (
                f"{dose}; {share} %" if known else MISSING
            )
        rows[patient] = [
            [label, *(of_window.get(window, MISSING) for window in places)]
            for label, of_window in cells.items()
        ]
    unit = dose_heading(declared).removeprefix("Dose/h, ")
    head = [f"Dose per hour ({unit}); time (%)", *places.values()]
    return Section("Burden", head, rows, "No minute was computed.")


def _optima(optima: pl.DataFrame, declared: Mapping[str, Any]) -> list[Section]:
    """Return a section for each index by which CPPopt is sought."""
    made = []
    for place, index in enumerate(declared_indices.sought(declared)):
        rows = {
            row["patient_id"]: [[line] for line in curve.in_words(row, label=index.label)]
            for row in optima.filter(index=index.name).to_dicts()
        }
        by = f", by {index.label}" if place else ""
        caption = f"CPPopt of the whole recording{by}"
        made.append(Section(caption, [""], rows, "No minute was computed."))
    return made
