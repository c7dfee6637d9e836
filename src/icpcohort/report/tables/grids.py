"""The tables of the report: rows of text for people, each with caption and note."""

import hashlib
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.report.tables.table_one import (
    MISSING,
    format_median,
    format_number,
    format_share,
)
from icpcohort.signals import cleaning_words as rule_words

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
ABBREVIATED = {
    **{"icp": "ICP", "abp": "ABP", "cpp": "CPP", "prx": "PRx", "cppopt": "CPPopt"},
    **{"llr": "LLR", "ulr": "ULR"},
    **{"gose": "GOSE", "gcs": "GCS", "impact": "IMPACT", "u": "U"},
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
    if code is None:
        return MISSING
    return " ".join(ABBREVIATED.get(word, word) for word in code.split("_"))


def unit_words(unit: str) -> str:
    """Return a UCUM code as papers write it; a code that is not listed stays as it is."""
    return UNIT_WORDS.get(unit, unit)


def table_one(table: pl.DataFrame) -> Grid:
    """Return Table 1 (`contracts.TABLE_ONE`); a variable is named in its first row only."""
    rows, before = [], None
    for row in table.sort("row").to_dicts():
        first = row["variable"] != before
        before = row["variable"]
        cells = [row["overall"], row["group_1"], row["group_2"], row["unknown"]]
        level = words_of(row["level"]) if row["variable"] != "Centre" else row["level"]
        label = f"{row['variable']}, {level}" if first else f"… {level}"
        compared = first and before != "Patients"
        difference = format_number(row["smd"], decimals=2) if compared else ""
        rows.append([label, *cells, difference, _missing(row) if first else ""])
    first_group, second_group = (
        table[f"group_{i}_is"][0] if table.height else f"Group {i}" for i in (1, 2)
    )
    return Grid(
        "Patients of the main window",
        ["Variable", "All", first_group, second_group, "Unknown", "SMD", "Missing, n"],
        rows,
        "Median (IQR) or n/N (%), N being the patients of the column who have a value. SMD: "
        "absolute standardised difference of the groups. Missing: all (first, second group). "
        "No test was made.",
    )


def _missing(row: dict[str, Any]) -> str:
    counts = (row["n_missing"], row["n_missing_1"], row["n_missing_2"])
    total, first, second = (format_number(n, decimals=0) for n in counts)
    return f"{total} ({first}, {second})" if row["n_missing"] else total


def ends_of_monitoring(table: pl.DataFrame) -> Grid:
    """Return why monitoring ended, by outcome (`contracts.MONITORING_END_BY_OUTCOME`)."""
    rows = [
        [
            *(words_of(row[name]) for name in ("window", "outcome", "reason")),
            format_share(row["n"], row["n_group"]),
            str(row["n_group"]),
            _quartiles(row["until_median_h"], row["until_q1_h"], row["until_q3_h"]),
        ]
        for row in table.sort("window", "outcome", "reason").to_dicts()
    ]
    return Grid(
        "Why monitoring ended in each window, by outcome",
        ["Window", "Outcome", "Reason", "Patients, n (% of N)", "N", "Until, median (IQR), h"],
        rows,
        "Every patient listed, in the analysis or not. Where the shares differ by outcome, the "
        "length of monitoring tells of the outcome; an exposure per monitored hour does not "
        "undo that.",
    )


def _quartiles(median: float | None, low: float | None, high: float | None) -> str:
    if median is None:
        return MISSING
    middle, first, third = (format_number(v, decimals=1) for v in (median, low, high))
    return f"{middle} ({first} to {third})"


def flow(table: pl.DataFrame) -> Grid:
    """Return every step of every window (`contracts.FLOW`)."""
    rows = [
        [
            words_of(row["window"]),
            row["name"],
            *(str(row[name]) for name in ("n_in", "n_dropped", "n_out")),
            words_of(row["reason"] if row["n_dropped"] else None),
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


def burden_by_state(table: pl.DataFrame, *, states: Mapping[str, str], caption: str) -> Grid:
    """Return the burden of the minutes in each state alone (`contracts.BURDEN_BY_STATE`).

    `states` are those to show, each with its words; `table` is of one window.
    """
    keys = ["signal", "side", "threshold_mmhg"]
    ordered = table.sort(*keys, "patient_id", descending=[True, False, False, False])
    rows = []
    for (signal, side, threshold), part in ordered.group_by(keys, maintain_order=True):
        for state, words in states.items():
            known = part.filter(
                pl.col("state") == state, pl.col("dose_per_h_mmhg").is_not_null()
            )
            rows.append(
                [
                    f"{str(signal).upper()} {side} {threshold:g} mmHg",
                    words,
                    str(known.height),
                    format_median(known["monitored_h"], decimals=1),
                    format_median(known["dose_per_h_mmhg"], decimals=2),
                    format_median(known["percent_time"], decimals=1),
                ]
            )
    head = ["Threshold", "Minutes with", "Patients, n", "Time in state, h"]
    note = (
        "Median (IQR) over the patients of the cohort who have such minutes; dose and time are "
        "per hour and share of these minutes. Patients differ between the rows."
    )
    return Grid(caption, [*head, "Dose/h, mmHg·h/h", "Time beyond, %"], rows, note)


def transition(table: pl.DataFrame) -> Grid:
    """Return the line of no correlation in the map of one window (`contracts.TRANSITION`)."""
    words = {
        "crossing": "negative from this duration on",
        "below_zero": "negative at every duration",
        "not_below_zero": "negative at no duration",
        "unknown": "not estimable",
    }
    side = {"icp": "above", "cpp": "below"}
    rows = [
        [
            f"{row['signal'].upper()} {side[row['signal']]} {row['threshold_mmhg']:g} mmHg",
            format_number(row["duration_min"], decimals=1),
            words[row["course"]],
        ]
        for row in table.sort("signal", "threshold_mmhg", descending=[True, False]).to_dicts()
    ]
    head = ["Threshold", "Duration, min", "Correlation of episodes with GOSE"]
    note = (
        "Where the correlation of episodes per day with GOSE changes sign. A negative one goes "
        "with a worse outcome. Correlations without adjustment."
    )
    return Grid("Intensity and duration: the line of no correlation", head, rows, note)


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


def cleaning_rules(rules: Sequence[Mapping[str, Any]]) -> Grid:
    """Return every cleaning rule in its order: signal, recordings, and what it masks."""
    rows = [
        [str(number), said.name, said.signal, said.recordings, said.masks]
        for number, said in enumerate(map(rule_words.words, rules), start=1)
    ]
    note = (
        "In this order; the first rule that fits gives the reason. Movement is of a second of "
        "a waveform, or from one number to the next. "
        "Abnormal beats: Sun, Reisner and Mark 2006."
    )
    head = ["Order", "Rule", "Signal", "Recordings", "Masks readings"]
    return Grid("Rules by which artefacts were masked", head, rows, note)


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


def fingerprints(files: Mapping[str, str], recordings: pl.DataFrame) -> Grid:
    """Return the SHA-256 of the study's tables, and one over those of the recordings used."""
    known = recordings.filter(pl.col("status") == "used")["sha256"].drop_nulls().sort()
    rows = [[name, "1", files[name]] for name in files]
    if known.len():
        over_all = hashlib.sha256("\n".join(known).encode()).hexdigest()
        rows.append(["recordings used", str(known.len()), over_all])
    return Grid("Fingerprints of the data", ["Data", "Files, n", "SHA-256"], rows, "")
