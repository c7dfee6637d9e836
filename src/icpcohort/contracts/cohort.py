"""Who is analysed: endpoints, the analysis table, the flow, the end of monitoring."""

from collections.abc import Mapping
from typing import Any

from icpcohort.contracts import burden_columns, repeated, variables
from icpcohort.contracts.columns import (
    COUNT,
    DETAIL,
    FLAG,
    PATIENT_ID,
    REAL,
    REASON,
    TEXT,
    WINDOW,
    Column,
    Table,
)
from icpcohort.contracts.indices import BURDEN, INTENSITY, summary
from icpcohort.contracts.study import patients


def outcomes(declared: Mapping[str, Any]) -> Table:
    """Return the contract of the table of endpoints and scores.

    Parameters
    ----------
    declared : mapping
        Sections of the settings by their names: `outcomes`, all but those that are the first of
        several events, and of `variables` those that are published scores.
    """
    of_outcomes = declared.get("outcomes", {})
    bands = {
        f"{name}_band": Column(
            COUNT,
            "",
            f"Band of {entry['sliding_by']}, from 1 for the lowest; see `bands.parquet`",
            f"Band of {entry['label']}",
            role="covariate",
            kind="score",
        )
        for name, entry in of_outcomes.items()
        if entry.get("sliding_by")
    }
    return Table(
        "outcomes.parquet",
        "One row per patient: endpoints with their direction stated, and published scores",
        ("patient_id",),
        {
            "patient_id": PATIENT_ID,
            **variables.recorded(of_outcomes, role="outcome"),
            **variables.derived(of_outcomes, role="outcome"),
            **bands,
            **variables.derived(declared.get("variables", {}), role="covariate"),
        },
        role="outcome",
    )


BANDS = Table(
    "bands.parquet",
    "Sliding dichotomy: one row per outcome and prognostic band, with its cut",
    ("outcome", "band"),
    {
        "outcome": Column(TEXT, "", "Outcome of the settings"),
        "band": Column(COUNT, "", "Prognostic band, from 1 for the lowest risk"),
        "risk_low": Column(REAL, "", "Lowest value of what sorts patients into bands in it"),
        "risk_high": Column(REAL, "", "Highest value in it"),
        "n": Column(COUNT, "", "Patients of the band whose score is known"),
        "cut": Column(
            COUNT, "{score}", "Worst score that counts as favourable in it", formerly="cut_gose"
        ),
        "n_unfavourable": Column(COUNT, "", "Patients with a worse score"),
    },
)

SURVIVAL = {
    "survival_h": Column(
        REAL,
        "h",
        "From the landmark, the window's end, to death or last known alive",
        role="outcome",
        kind="time",
    ),
    "died": Column(
        FLAG,
        "",
        "Death at the end of survival_h; false: censored there",
        "Death",
        role="outcome",
        in_full="death",
        kind="event",
        is_death=True,
    ),
}

FLOW = Table(
    "flow.parquet",
    "Who left the study at which step: one row per window and step; n_in - n_dropped = n_out",
    ("window", "step"),
    {
        "window": WINDOW,
        "step": Column(COUNT, "", "Order of the step, from 1"),
        "name": Column(TEXT, "", "What the step asks for"),
        "n_in": Column(COUNT, "", "Patients before the step"),
        "n_out": Column(COUNT, "", "Patients after it"),
        "n_dropped": Column(COUNT, "", "Patients who left"),
        "reason": REASON,
    },
)

DROPPED = Table(
    "dropped.parquet",
    "One row per patient and window that did not reach the analysis, with the reason",
    ("window", "patient_id"),
    {
        "window": WINDOW,
        "patient_id": PATIENT_ID,
        "step": Column(COUNT, "", "Step of `flow` at which the patient left"),
        "reason": REASON,
        "detail": DETAIL,
    },
)

MONITORING_END = Table(
    "monitoring_end.parquet",
    "One row per patient and window: when the recordings ended in it, and why",
    ("window", "patient_id"),
    {
        "window": WINDOW,
        "patient_id": PATIENT_ID,
        "monitored_until_h": Column(
            REAL, "h", "End of the last recording used, or of the window if that is earlier"
        ),
        "reason": Column(
            TEXT,
            "",
            "landmark_reached, death, left_unit, monitor_removed, recording_ended, unknown or "
            "never_monitored",
        ),
        "event_h": Column(
            REAL, "h", "Death, discharge or removal that explains the end; null without one"
        ),
    },
)

MONITORING_END_BY_OUTCOME = Table(
    "monitoring_end_by_outcome.parquet",
    "Why recordings ended, by outcome: one row per window, outcome and reason",
    ("window", "outcome", "reason"),
    {
        "window": WINDOW,
        "outcome": Column(TEXT, "", "favourable, unfavourable or unknown"),
        "reason": Column(TEXT, "", "As in `monitoring_end.parquet`"),
        "n": Column(COUNT, "", "Patients"),
        "n_group": Column(COUNT, "", "Patients of the window with this outcome"),
        "percent": Column(REAL, "%", "n / n_group"),
        "until_median_h": Column(REAL, "h", "Median of monitored_until_h"),
        "until_q1_h": Column(REAL, "h", "Its first quartile"),
        "until_q3_h": Column(REAL, "h", "Its third quartile"),
    },
)


def analysis(declared: Mapping[str, Any]) -> Table:
    """Return the contract of the analysis table of a study.

    Parameters
    ----------
    declared : mapping
        Sections of the settings by their names, those that declare columns: `variables`,
        `outcomes`, `repeated` with one column per summary, `signals`, `derived_signals`,
        `indices`, `optimal_cpp.by` (see `summary`), and `burden.thresholds`, which gives one
        column per burden measure. Without `variables`, `outcomes`, `repeated` or `burden` there
        are none of these.
    """
    columns = patients(declared).columns | outcomes(declared).columns
    columns |= SURVIVAL | variables.events(declared.get("outcomes", {}))
    columns |= summary(declared).columns | repeated.columns_of_summaries(declared)
    columns |= burden_columns.wide(declared)
    return Table(
        "analysis.parquet",
        "One row per patient of the cohort and window: covariates, exposures, outcomes",
        ("window", "patient_id"),
        columns,
    )


def updates(declared: Mapping[str, Any]) -> Table:
    """Return the contract of the burden at the end of each day; see `analysis`."""
    return Table(
        "updates.parquet",
        "One row per patient and day: burden from time zero to the end of the day",
        ("patient_id", "until_h"),
        {
            "patient_id": PATIENT_ID,
            "until_h": Column(REAL, "h", "End of the day since time zero"),
            **burden_columns.wide(declared),
        },
    )


_SIGNALS = {"signals": Column(TEXT, "", "Name of what makes the minutes from the trends")}


def analyses(declared: Mapping[str, Any]) -> Table:
    """Return the contract of the cohorts of all specifications; see `analysis`."""
    names = _SIGNALS | {
        "cohort": Column(TEXT, "", "Name of what makes the cohort from the minutes")
    }
    return Table(
        "specifications/analyses.parquet",
        "One row per way to make minutes and cohort, window and patient; as `analysis.parquet`",
        ("signals", "cohort", "window", "patient_id"),
        names | analysis(declared).columns,
    )


_EXPOSURES = _SIGNALS | {
    "exposures": Column(TEXT, "", "Name of what makes exposures from the minutes")
}


def exposed_summary(declared: Mapping[str, Any]) -> Table:
    """Return the contract of the summaries of all specifications; see `analysis`."""
    table = summary(declared)
    return Table(
        "specifications/exposures/<signals>/<batch>/summary.parquet",
        "As `summary.parquet`, of the minutes of other settings",
        ("signals", "exposures", *table.key),
        _EXPOSURES | table.columns,
    )


EXPOSED_BURDEN = Table(
    "specifications/exposures/<signals>/<batch>/burden.parquet",
    "As `burden.parquet`, of the minutes of other settings",
    ("signals", "exposures", *BURDEN.key),
    _EXPOSURES | BURDEN.columns,
)


INTENSITY_MAP = Table(
    "intensity_map.parquet",
    "Episodes against outcome: one row per window, signal, threshold and least duration",
    ("window", "signal", "threshold", "duration_min"),
    {
        "window": WINDOW,
        "signal": INTENSITY.columns["signal"],
        "side": INTENSITY.columns["side"],
        "threshold": INTENSITY.columns["threshold"],
        "duration_min": INTENSITY.columns["duration_min"],
        "n_patients": Column(
            COUNT, "", "Patients of the cohort with valid minutes and a score"
        ),
        "n_with_episodes": Column(COUNT, "", "Those of them with an episode"),
        "correlation": Column(
            REAL,
            "1",
            "Pearson's r of episodes per 24 h and the score, turned so that below zero is harm",
        ),
        "ci_low": Column(REAL, "1", "Lower 95 % limit of r, by Fisher's z over patients"),
        "ci_high": Column(REAL, "1", "Upper 95 % limit of r"),
    },
)

TRANSITION = Table(
    "intensity_transition.parquet",
    "The line of no correlation in the map: how long a threshold goes without harm",
    ("window", "signal", "threshold"),
    {
        "window": WINDOW,
        "signal": INTENSITY.columns["signal"],
        "side": INTENSITY.columns["side"],
        "threshold": INTENSITY.columns["threshold"],
        "duration_min": Column(
            REAL, "min", "Least duration at which r falls below zero, between two of the map"
        ),
        "course": Column(
            TEXT, "", "crossing, below_zero (at every duration), not_below_zero, or unknown"
        ),
    },
)
