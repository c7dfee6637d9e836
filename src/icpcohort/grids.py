"""The tables of the report: rows of text for people, each with caption and note."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.tables import (
    MISSING,
    format_median,
    format_number,
    format_share,
)

COMPLICATIONS = {
    "haemorrhage": "Haemorrhage along the track",
    "infection": "Infection attributed to the monitor",
    "malfunction": "Malfunction",
    "replaced": "Replaced",
}
REACTIVITY = {
    "prx_mean": ("Mean PRx", 2),
    "pax_mean": ("Mean PAx", 2),
    "rac_mean": ("Mean RAC", 2),
    "rap_mean": ("Mean RAP", 2),
    "lprx_mean": ("Mean L-PRx", 2),
    "cppopt_yield_percent": ("CPPopt yield (% of minutes with CPP)", 1),
    "cppopt_mean_mmhg": ("Mean CPPopt (mmHg)", 1),
    "delta_cpp_mean_mmhg": ("Mean of CPP − CPPopt (mmHg)", 1),
    "percent_time_within_5_of_cppopt": ("Time with CPP within 5 mmHg of CPPopt (%)", 1),
    "percent_time_over_5_below_cppopt": ("Time with CPP over 5 mmHg below CPPopt (%)", 1),
    "percent_time_over_5_above_cppopt": ("Time with CPP over 5 mmHg above CPPopt (%)", 1),
    "percent_time_below_llr": ("Time with CPP below LLR (%)", 1),
}
UNIT_WORDS = {
    "mm[Hg]": "mmHg",
    "mm[Hg].h": "mmHg·h",
    "a": "years",
    "{score}": "points",
    "1": "",
    "": "",
}


class Grid(NamedTuple):
    """A table for people: the first cell of each row is its heading."""

    caption: str
    head: list[str]
    rows: list[list[str]]
    note: str


def words_of(code: str | None) -> str:
    """Return a short code in words; null becomes an en dash."""
    return MISSING if code is None else code.replace("_", " ")


def unit_words(unit: str) -> str:
    """Return a UCUM code as papers write it; a code that is not listed stays as it is."""
    return UNIT_WORDS.get(unit, unit)


def table_one(table: pl.DataFrame) -> Grid:
    """Return Table 1 (`contracts.TABLE_ONE`); a variable is named in its first row only."""
    rows, before = [], None
    for row in table.sort("row").to_dicts():
        first = row["variable"] != before
        before = row["variable"]
        cells = [row["overall"], row["favourable"], row["unfavourable"], row["unknown"]]
        n_missing = format_number(row["n_missing"], decimals=0)
        label = f"{row['variable']}, {row['level']}" if first else f"… {row['level']}"
        rows.append([label, *cells, n_missing if first else ""])
    return Grid(
        "Table 1. Patients of the main window, by outcome",
        ["Variable", "All", "Favourable", "Unfavourable", "Outcome unknown", "Missing, n"],
        rows,
        "Median (IQR) or n (% of the patients of the column who have a value). The columns are "
        "described, not compared; no test was made.",
    )


def flow(table: pl.DataFrame) -> Grid:
    """Return every step of every window (`contracts.FLOW`)."""
    rows = [
        [
            words_of(row["window"]),
            row["name"],
            *(str(row[name]) for name in ("n_in", "n_dropped", "n_out")),
            words_of(row["reason"]),
        ]
        for row in table.sort("window", "step").to_dicts()
    ]
    return Grid(
        "Patients at every step, every window",
        ["Window", "Step", "Before, n", "Left, n", "After, n", "Reason"],
        rows,
        "",
    )


def dropped(table: pl.DataFrame) -> Grid:
    """Return the patients who left before the analysis (`contracts.DROPPED`)."""
    ordered = table.sort("window", "step", "patient_id").to_dicts()
    rows = [
        [
            row["patient_id"],
            words_of(row["window"]),
            words_of(row["reason"]),
            row["detail"] or "",
        ]
        for row in ordered
    ]
    return Grid(
        "Patients who left, with the reason",
        ["Patient", "Window", "Reason", "Detail"],
        rows,
        "",
    )


def recorded_time(quality: pl.DataFrame, recordings: pl.DataFrame) -> Grid:
    """Return hours recorded, valid, masked and missing by tier and signal.

    A patient with recordings of several tiers is in a row of their own ("minutes + waveform"),
    since `contracts.QUALITY` counts seconds by patient.
    """
    used = recordings.filter(pl.col("status") == "used")
    tiers = used.group_by("patient_id").agg(
        tier=pl.col("tier").drop_nulls().unique().sort().str.join(" + "),
        n_recordings=pl.len().cast(pl.Int64()),
    )
    seconds = ["recorded_s", "valid_s", "masked_s", "missing_s"]
    sums = (
        quality.join(tiers, on="patient_id", how="left", validate="m:1")
        .with_columns(
            pl.col("tier").fill_null("no recording used"), pl.col("n_recordings").fill_null(0)
        )
        .group_by("tier", "signal")
        .agg(pl.len(), pl.col("n_recordings").sum(), pl.col(seconds).sum())
        .sort("tier", "signal", descending=[False, True])
    )
    rows = [
        [
            f"{words_of(row['tier'])}, {row['signal'].upper()}",
            str(row["len"]),
            str(row["n_recordings"]),
        ]
        + [_hours(row[name], row["recorded_s"]) for name in seconds]
        for row in sums.to_dicts()
    ]
    return Grid(
        "Time recorded, by tier and signal",
        [
            "Tier, signal",
            "Patients, n",
            "Recordings, n",
            "Recorded, h",
            "Valid, h",
            "Masked, h",
            "Missing, h",
        ],
        rows,
        "Recorded = valid + masked + missing. Masked: there is a reading, and a cleaning "
        "rule set it aside. Missing: inside a recording, without a reading. Percentages are of "
        "the time recorded.",
    )


def _hours(part_s: float, recorded_s: float) -> str:
    hours = format_number(part_s / 3600, decimals=1)
    if part_s == recorded_s or recorded_s == 0:
        return hours
    return f"{hours} ({format_number(100 * part_s / recorded_s, decimals=1)} %)"


def excluded_reasons(excluded: pl.DataFrame) -> Grid:
    """Return how many recordings and patients were left out, by step and reason."""
    counts = (
        excluded.group_by("stage", "reason")
        .agg(pl.len(), pl.col("patient_id").n_unique().alias("n_patients"))
        .sort("stage", "reason")
    )
    rows = [
        [
            words_of(row["reason"]),
            words_of(row["stage"]),
            str(row["len"]),
            str(row["n_patients"]),
        ]
        for row in counts.to_dicts()
    ]
    return Grid("What was left out", ["Reason", "Step", "Rows, n", "Patients, n"], rows, "")


def excluded_rows(excluded: pl.DataFrame) -> Grid:
    """Return each recording that was left out (`contracts.EXCLUDED`)."""
    rows = [
        [
            row["recording_id"] or "whole patient",
            row["patient_id"],
            words_of(row["stage"]),
            words_of(row["reason"]),
            row["detail"] or "",
        ]
        for row in excluded.sort("stage", "patient_id", "recording_id").to_dicts()
    ]
    head = ["Recording", "Patient", "Step", "Reason", "Detail"]
    return Grid("Each recording left out", head, rows, "")


def monitor_kinds(monitors: pl.DataFrame) -> Grid:
    """Return kinds of monitor with their drift at removal; an unknown kind has its own row."""
    rows = [
        _kind_row(words_of(kind), part)
        for (kind,), part in monitors.sort("kind", "monitor_id", nulls_last=True).group_by(
            "kind", maintain_order=True
        )
    ]
    if len(rows) > 1:
        rows.append(_kind_row("all", monitors))
    return Grid(
        "Monitors by kind, and drift at removal",
        ["Kind", "Monitors, n", "Drift known, n", "Drift, median (IQR), mmHg", "Range, mmHg"],
        rows,
        "Drift is the reading against atmosphere at removal.",
    )


def _kind_row(label: str, monitors: pl.DataFrame) -> list[str]:
    drift = monitors["drift_at_removal_mmhg"].drop_nulls()
    ends = [
        format_number(end, decimals=1) for end in (*drift.sort().head(1), *drift.sort().tail(1))
    ]
    span = " to ".join(ends) or MISSING
    return [
        label,
        str(monitors.height),
        str(drift.len()),
        format_median(drift, decimals=1),
        span,
    ]


def complications(monitors: pl.DataFrame) -> Grid:
    """Return complications as n (%) of the monitors about which they are known."""
    known = (
        {name: monitors[name].drop_nulls() for name in COMPLICATIONS} if monitors.height else {}
    )
    rows = [
        [COMPLICATIONS[name], format_share(int(values.sum()), values.len()), str(values.len())]
        for name, values in known.items()
    ]
    head = ["Complication", "Monitors, n (%)", "Known, n"]
    return Grid("Complications of the monitors", head, rows, "")


def events(table: pl.DataFrame, *, without_effect: Sequence[str]) -> Grid:
    """Return intervals by kind of event; hours are of the intervals whose end is known.

    `without_effect` names the kinds that the settings do nothing about.
    """
    sums = (
        table.with_columns(hours=(pl.col("end_s") - pl.col("start_s")) / 3600)
        .group_by("event")
        .agg(
            pl.len(),
            pl.col("patient_id").n_unique().alias("n_patients"),
            pl.col("end_s").null_count().alias("n_open"),
            pl.when(pl.col("hours").count() > 0).then(pl.col("hours").sum()).alias("hours"),
        )
        .sort("event")
    )
    rows = [
        [
            words_of(row["event"]),
            str(row["len"]),
            str(row["n_patients"]),
            format_number(row["hours"], decimals=1),
            str(row["n_open"]),
            "none" if row["event"] in without_effect else "see Methods",
        ]
        for row in sums.to_dicts()
    ]
    head = ["Event", "Intervals, n", "Patients, n", "Duration, h", "To the end, n", "Effect"]
    return Grid(
        "Events noted",
        head,
        rows,
        "Intervals that lasted to the end have no duration. Effect: whether readings are masked"
        " or indices withheld because of it.",
    )


def burden(table: pl.DataFrame) -> Grid:
    """Return dose per hour and percentage of time by window and threshold."""
    ordered = table.sort(
        ["window", "signal", "threshold_mmhg", "patient_id"],
        descending=[False, True, False, False],
    )
    keys = ["window", "signal", "side", "threshold_mmhg"]
    rows = []
    for (window, signal, side, threshold), part in ordered.group_by(keys, maintain_order=True):
        known = part.filter(pl.col("dose_per_h_mmhg").is_not_null())
        rows.append(
            [
                f"{str(signal).upper()} {side} {threshold:g} mmHg",
                words_of(str(window)),
                str(known.height),
                format_median(known["monitored_h"], decimals=1),
                format_median(known["dose_per_h_mmhg"], decimals=2),
                format_median(known["percent_time"], decimals=1),
                format_median(known["n_episodes"], decimals=1),
            ]
        )
    head = [
        "Threshold",
        "Window",
        "Patients, n",
        "Monitored, h",
        "Dose/h, mmHg·h/h",
        "Time, %",
        "Episodes, n",
    ]
    note = "Median (IQR) over the patients of the cohort with valid minutes in the window."
    return Grid("Pressure burden by window and threshold", head, rows, note)


def reactivity(summary: pl.DataFrame) -> Grid:
    """Return indices and CPPopt by window, of the patients who have them."""
    rows = []
    for (window,), part in summary.sort("window").group_by("window", maintain_order=True):
        for name, (words, decimals) in REACTIVITY.items():
            known = part[name].drop_nulls()
            count = f"{known.len()} of {part.height}"
            rows.append(
                [words, words_of(str(window)), count, format_median(known, decimals=decimals)]
            )
    head = ["Quantity", "Window", "Patients, n", "Median (IQR)"]
    return Grid("Reactivity indices and optimal CPP by window", head, rows, "")


def optima_reasons(optima: pl.DataFrame) -> Grid:
    """Return how many patients have a CPPopt of the whole recording, and why not the others."""
    counts = optima.group_by("reason").agg(pl.len()).sort("reason", nulls_last=False)
    rows = [
        [
            "CPPopt found" if row["reason"] is None else f"None: {words_of(row['reason'])}",
            format_share(row["len"], optima.height),
        ]
        for row in counts.to_dicts()
    ]
    head = ["Whole recording", "Patients, n (%)"]
    return Grid("CPPopt of the whole recording", head, rows, "")


def definitions() -> Grid:
    """Return name, unit and meaning of the exposures, from the contracts."""
    columns = contracts.SUMMARY.columns | contracts.BURDEN.columns
    rows = [
        [name, unit_words(column.unit) or MISSING, column.about]
        for name, column in columns.items()
    ]
    return Grid("Names, units and meanings", ["Name", "Unit", "Meaning"], rows, "")


def settings(values: Mapping[str, Any], *, caption: str) -> Grid:
    """Return every setting as a row, its place in the file first."""
    return Grid(caption, ["Setting", "Value"], [list(row) for row in _flat(values, "")], "")


def _flat(value: Any, place: str) -> list[tuple[str, str]]:
    if isinstance(value, Mapping) and value:
        return [
            row
            for key, part in value.items()
            for row in _flat(part, f"{place}.{key}".strip("."))
        ]
    if isinstance(value, Sequence) and not isinstance(value, str):
        if any(isinstance(part, Mapping) for part in value):
            return [
                row for i, part in enumerate(value, 1) for row in _flat(part, f"{place}[{i}]")
            ]
        return [(place, ", ".join(str(part) for part in value) or "none")]
    if isinstance(value, Mapping):
        return [(place, "none")]
    return [(place, MISSING if value is None else str(value))]


def versions(values: Mapping[str, str]) -> Grid:
    """Return the versions of what computed the results."""
    rows = [[name, values[name]] for name in sorted(values)]
    return Grid("Versions", ["Component", "Version"], rows, "")
