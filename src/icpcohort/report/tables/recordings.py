"""Tables of the report about recordings: what was recorded, masked, left out and noted."""

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from icpcohort import contracts
from icpcohort.report.tables.grid import Grid, words_of
from icpcohort.report.tables.numbers import format_number, format_share
from icpcohort.signals import device_lag


def recorded_time(
    quality: pl.DataFrame, recordings: pl.DataFrame, *, labels: Mapping[str, str]
) -> Grid:
    """Return hours recorded, valid, masked and missing by tier and signal, by its label.

    A patient with recordings of several tiers is in a row of their own ("minutes + waveform"),
    since `contracts.QUALITY` counts seconds by patient.
    """
    used = recordings.filter(pl.col("status") == "used")
    n_of = used.group_by("patient_id").agg(n_recordings=pl.len().cast(pl.Int64()))
    seconds = ["recorded_s", "valid_s", "masked_s", "missing_s"]
    sums = (
        quality.join(n_of, on="patient_id", how="left", validate="m:1")
        .with_columns(pl.col("n_recordings").fill_null(0))
        .group_by("tier", "signal")
        .agg(pl.len(), pl.col("n_recordings", *seconds).sum())
        .sort("tier", "signal", descending=[False, True])
    )
    rows = [
        [
            f"{words_of(row['tier'])}, {labels[row['signal']]}",
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


def recorded_by_monitor(quality: pl.DataFrame, monitors: pl.DataFrame) -> Grid:
    """Return hours of ICP recorded, valid, masked and missing by kind of monitor.

    A patient with monitors of several kinds is in a row of their own, since which of them
    was recorded is not known; so is one whose monitor was not described.
    """
    kinds = (
        monitors.with_columns(pl.col("kind").fill_null("unknown"))
        .group_by("patient_id")
        .agg(pl.col("kind").unique().sort().str.join(" + "))
    )
    seconds = ["recorded_s", "valid_s", "masked_s", "missing_s"]
    sums = (
        quality.filter(pl.col("signal") == "icp")
        .join(kinds, on="patient_id", how="left", validate="m:1")
        .with_columns(pl.col("kind").fill_null("not described"))
        .group_by("kind")
        .agg(pl.len(), pl.col(*seconds).sum())
        .sort("kind")
    )
    rows = [
        [
            words_of(row["kind"]),
            str(row["len"]),
            *(_hours(row[name], row["recorded_s"]) for name in seconds),
        ]
        for row in sums.to_dicts()
    ]
    head = ["Kind", "Patients, n", "Recorded, h", "Valid, h", "Masked, h", "Missing, h"]
    note = "A patient with monitors of several kinds has all hours under both."
    return Grid("Time of ICP recorded, by kind of monitor", head, rows, note)


OUT_OF_STEP_S = 1.0
FAR_OUT_OF_STEP_S = 10.0


def lags(lags_of_parts: pl.DataFrame) -> Grid:
    """Return how many recordings and patients have ICP and ABP out of step.

    A recording, or a pair of which one has ICP and the other ABP, is in the row of its median
    lag. Without a lag there are no rows.
    """
    lag_s = pl.col("lag_s").abs()
    classes = {
        "lag not clear": pl.col("lag_s").is_null(),
        "within 1 s": lag_s <= OUT_OF_STEP_S,
        "1 to 10 s": (lag_s > OUT_OF_STEP_S) & (lag_s <= FAR_OUT_OF_STEP_S),
        "over 10 s": lag_s > FAR_OUT_OF_STEP_S,
    }
    of_each = device_lag.of_recordings(lags_of_parts)
    rows = []
    for name, is_in in classes.items() if of_each.height else ():
        inside = of_each.filter(is_in)
        counts = (inside.height, inside["patient_id"].n_unique(), inside["n_parts"].sum())
        rows.append([name, *map(str, counts)])
    return Grid(
        "Lag between ICP and ABP, where both have waveforms or numbers every second",
        ["Lag, either way", "Recordings, n", "Patients, n", "Parts of 10 min, n"],
        rows,
        "Measured where the changes of the heart rate in both waveforms agree best, or, of "
        "numbers, what is faster than slow waves (a lag under 5 s is not clear there). Out of "
        "step by some seconds, slow waves do not meet and an index of reactivity falls towards "
        f"zero. {_correction(of_each)[:1].upper()}{_correction(of_each)[1:]}.{_pairs(of_each)}",
    )


def _correction(of_each: pl.DataFrame) -> str:
    """Return what was done about the lags, without a full stop."""
    n = of_each["corrected_s"].count()
    if not n:
        return "nothing was corrected"
    return f"a constant lag was taken from the times of ICP in {n} of {of_each.height}"


def _pairs(of_each: pl.DataFrame) -> str:
    n = of_each.filter(pl.col("recording_id") != pl.col("abp_recording_id")).height
    if not n:
        return ""
    return f" {n} of them are pairs: ICP of one recording and ABP of another at the same time."


def lag_cells(row: Mapping[str, Any]) -> list[str]:
    """Return a lag of `device_lag.of_recordings` as cells, its patient left out."""
    names = row["recording_id"], row["abp_recording_id"]
    return [
        names[0] if names[0] == names[1] else f"{names[0]}, ABP of {names[1]}",
        format_number(row["lag_s"], decimals=1),
        format_number(row["drift_s_per_h"], decimals=2),
        f"{row['n_clear']} of {row['n_parts']}",
        format_number(row["corrected_s"], decimals=1),
    ]


LAG_HEAD = ("Recording", "Lag of ICP, s", "Drift, s per h", "Clear parts, n", "Corrected, s")


def lags_of_each(lags_of_parts: pl.DataFrame) -> Grid:
    """Return the lag of each recording that is out of step by more than 1 s."""
    of_each = device_lag.of_recordings(lags_of_parts).filter(
        pl.col("lag_s").abs() > OUT_OF_STEP_S
    )
    rows = [
        [cells[0], row["patient_id"], *cells[1:]]
        for row in of_each.sort("patient_id", *device_lag.PAIR).to_dicts()
        for cells in (lag_cells(row),)
    ]
    head = [LAG_HEAD[0], "Patient", *LAG_HEAD[1:]]
    note = (
        "Lag: by how much ICP comes after ABP, median of the clear parts of 10 min, before it "
        "was corrected."
    )
    return Grid("Recordings with ICP and ABP out of step", head, rows, note)


def out_of_step(lags_of_parts: pl.DataFrame) -> str:
    """Return a sentence on the patients with a lag of more than 1 s; empty without one."""
    of_each = device_lag.of_recordings(lags_of_parts).drop_nulls("lag_s")
    apart = of_each.filter(pl.col("lag_s").abs() > OUT_OF_STEP_S)
    if apart.is_empty():
        return ""
    n, n_all = (frame["patient_id"].n_unique() for frame in (apart, of_each))
    return (
        f"In {n} of {n_all} patients with a clear heart rate in both waveforms ICP and ABP "
        f"were out of step by more than {OUT_OF_STEP_S:g} s in a recording, which brings"
        f" indices of reactivity towards zero; {_correction(apart)}."
    )


def suspects(table: pl.DataFrame) -> Grid:
    """Return how many recordings and patients have a suspicion, by kind (`SUSPECTS`)."""
    counts = (
        table.group_by("kind")
        .agg(
            n_recordings=pl.col("recording_id").filter(pl.col("recording_id") != "").n_unique(),
            n_patients=pl.col("patient_id").n_unique(),
        )
        .sort("kind")
    )
    rows = [
        [words_of(row["kind"]), str(row["n_recordings"]), str(row["n_patients"])]
        for row in counts.to_dicts()
    ]
    return Grid(
        "Recordings that are hard to believe as they stand",
        ["What was seen", "Recordings, n", "Patients, n"],
        rows,
        "Judged by level and pulse of whole recordings before masking. Nothing was corrected or"
        " left out by it: the results hold these recordings as they stand.",
    )


def suspects_of_each(table: pl.DataFrame) -> Grid:
    """Return each suspicion, with what to look at (`SUSPECTS`)."""
    rows = [
        [
            row["recording_id"] or "whole patient",
            row["patient_id"],
            words_of(row["kind"]),
            f"{_in_hours(row['from_s'])} to {_in_hours(row['to_s'])}",
            row["seen"],
            row["look_at"],
        ]
        for row in table.sort("patient_id", "recording_id", "kind", "from_s").to_dicts()
    ]
    head = ["Recording", "Patient", "Kind", "From, to, h", "Seen", "Look at"]
    return Grid("Each recording that is hard to believe", head, rows, "")


def _in_hours(t_s: float) -> str:
    return format_number(t_s / 3600, decimals=1)


def hard_to_believe(table: pl.DataFrame, *, n_patients: int) -> str:
    """Return a sentence on the patients with a suspicion; empty without one."""
    n = table["patient_id"].n_unique()
    if not n:
        return ""
    have = "has" if n == 1 else "have"
    return (
        f"{n} of {n_patients} patients {have} a recording that cannot be right as it stands, or"
        " that is hard to believe; nothing was corrected or left out by it."
    )


def _hours(part_s: float, recorded_s: float | None) -> str:
    hours = format_number(part_s / 3600, decimals=1)
    if part_s == recorded_s or not recorded_s:
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


def left_out_by_group(excluded: pl.DataFrame) -> Grid:
    """Return the group's own reasons (`contracts.EXCLUDED`), each with how many it is of."""
    counts = (
        excluded.filter(pl.col("reason") == "left_out")
        .group_by("detail")
        .agg(
            n_patients=(pl.col("recording_id") == "").sum(),
            n_recordings=(pl.col("recording_id") != "").sum(),
        )
        .sort("detail")
    )
    rows = [
        [row["detail"], str(row["n_patients"]), str(row["n_recordings"])]
        for row in counts.to_dicts()
    ]
    return Grid(
        "Left out by the group",
        ["Reason", "Whole patients, n", "Recordings, n"],
        rows,
        "The reasons are the group's own words. The recordings of a whole patient are counted.",
    )


def masked_time(
    masked: pl.DataFrame, quality: pl.DataFrame, *, labels: Mapping[str, str]
) -> Grid:
    """Return hours masked by signal and reason, as shares of the signal's recorded time."""
    recorded = quality.group_by("signal").agg(pl.col("recorded_s").sum())
    sums = (
        masked.group_by("signal", "reason")
        .agg(pl.col("patient_id").n_unique().alias("n_patients"), pl.col("masked_s").sum())
        .join(recorded, on="signal", how="left", validate="m:1")
        .sort("signal", "masked_s", "reason", descending=[True, True, False])
    )
    rows = [
        [
            f"{labels[row['signal']]}, {words_of(row['reason'])}",
            str(row["n_patients"]),
            _hours(row["masked_s"], row["recorded_s"]),
        ]
        for row in sums.to_dicts()
    ]
    return Grid(
        "Time masked, by reason",
        ["Signal, reason", "Patients, n", "Masked, h (% of the time recorded)"],
        rows,
        "A second that several rules mask counts for the first of them. Readings below 0 mmHg "
        f"are kept: {_negative_words(quality)}.",
    )


def _negative_words(quality: pl.DataFrame) -> str:
    icp = quality.filter(pl.col("signal") == "icp")
    hours = format_number(float(icp["negative_s"].sum()) / 3600, decimals=1)
    return f"{hours} h of valid ICP in {icp.filter(pl.col('negative_s') > 0).height} patients"


def abp_levels(summary: pl.DataFrame, *, window: str) -> Grid:
    """Return how many patients have their arterial pressure at which level of the body."""
    known = summary.filter(pl.col("window") == window)["abp_level_used"].drop_nulls()
    words = {
        "tragus": "tragus",
        "heart": "heart, not corrected",
        "unknown": "not noted",
        "mixed": "changed within the window",
    }
    rows = [
        [level_words, format_share(int((known == level).sum()), known.len())]
        for level, level_words in words.items()
        if (known == level).any()
    ]
    return Grid(
        f"Level of the arterial pressure in the results, {words_of(window)}",
        ["Level", "Patients with ABP, n (%)"],
        rows,
        "With the head raised, a transducer at the heart reads higher than one at the tragus; "
        "so does the CPP.",
    )


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
        f" or indices withheld because of it.{_drains(table)}",
    )


def _drains(table: pl.DataFrame) -> str:
    """Return how far noted openings of a drain and the signal agree; empty without either."""
    noted, seen = (
        table.filter(pl.col("event") == kind)
        for kind in ("drain_open", contracts.DRAIN_BY_SIGNAL)
    )
    if seen.is_empty():
        return ""
    both = (
        seen.join(noted, on="patient_id", suffix="_noted")
        .with_columns(
            pl.max_horizontal("start_s", "start_s_noted").alias("from_s"),
            pl.min_horizontal("end_s", "end_s_noted").alias("to_s"),
        )
        .filter(pl.col("from_s") < pl.col("to_s"))
    )
    shared_h = sum(_union_s(rows) for _, rows in both.group_by("patient_id")) / 3600
    seen_h = float((seen["end_s"] - seen["start_s"]).sum()) / 3600
    n_seen = both.select("patient_id", "start_s_noted").n_unique()
    n_noted = noted.select("patient_id", "start_s").n_unique()
    return (
        f" Of {format_number(seen_h, decimals=1)} h in which a waveform of ICP looks as with an"
        f" open drain, {format_number(shared_h, decimals=1)} h lie in noted openings; of"
        f" {n_noted} noted openings {n_seen} look so."
    )


def _union_s(spans: pl.DataFrame) -> float:
    """Return the seconds that spans cover, each second once."""
    ordered = spans.sort("from_s")
    covered_to = ordered["to_s"].cum_max().shift(1)
    begins = pl.max_horizontal(ordered["from_s"], covered_to)
    return float(ordered.select((pl.col("to_s") - begins).clip(0).sum()).item())
