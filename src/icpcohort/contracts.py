"""Every table that is read or written: each column's name, type, unit and meaning, once."""

from dataclasses import dataclass
from typing import NamedTuple

import polars as pl

TEXT, REAL, COUNT, FLAG = pl.String(), pl.Float64(), pl.Int64(), pl.Boolean()


class Column(NamedTuple):
    """One column. `unit` is a UCUM code, or empty for a bare number or a text."""

    dtype: pl.DataType
    unit: str
    about: str


@dataclass(frozen=True)
class Table:
    """One table: where it lies, what a row is, which columns make a row unique."""

    path: str
    about: str
    key: tuple[str, ...]
    columns: dict[str, Column]


_PATIENT_ID = Column(TEXT, "", "Study identifier of the patient")
_WINDOW = Column(TEXT, "", "Exposure window, as named in the settings")
_REASON = Column(TEXT, "", "Why, as a short code")
_DETAIL = Column(TEXT, "", "Why, in words that say what to do")
_T_END_S = Column(REAL, "s", "End of the minute since time zero; the row uses only the past")
LEVEL = {
    "abp_level": Column(TEXT, "", "Where the arterial transducer is zeroed: tragus or heart"),
    "bed_angle_deg": Column(REAL, "deg", "Angle of the trunk above the horizontal"),
    "heart_to_tragus_cm": Column(REAL, "cm", "Distance along the body from heart to tragus"),
}

# --- the study's own tables, after reading -------------------------------------------------

PATIENTS = Table(
    "patients.parquet",
    "One row a patient: covariates and outcomes as the study recorded them",
    ("patient_id",),
    {
        "patient_id": _PATIENT_ID,
        "centre": Column(TEXT, "", "Unit that treated the patient"),
        "age_years": Column(REAL, "a", "Age at injury"),
        "sex": Column(TEXT, "", "female or male"),
        "gcs_total": Column(COUNT, "{score}", "Glasgow Coma Scale, 3-15"),
        "gcs_motor": Column(TEXT, "", "Glasgow motor score, 1-6, or untestable"),
        "pupils_reactive": Column(COUNT, "", "Number of reactive pupils, 0-2"),
        "hypoxia": Column(FLAG, "", "Hypoxia, proven or suspected, before or at admission"),
        "hypotension": Column(
            FLAG, "", "Hypotension, proven or suspected, before or at admission"
        ),
        "marshall_class": Column(COUNT, "", "Marshall computed-tomography class, 1-6"),
        "traumatic_sah": Column(FLAG, "", "Traumatic subarachnoid haemorrhage"),
        "epidural_mass": Column(FLAG, "", "Epidural mass lesion"),
        "cisterns": Column(TEXT, "", "Basal cisterns: normal, compressed or absent"),
        "midline_shift_mm": Column(REAL, "mm", "Midline shift"),
        "ventricular_blood": Column(FLAG, "", "Intraventricular haemorrhage"),
        "glucose_mmol_l": Column(REAL, "mmol/L", "Blood glucose at admission"),
        "haemoglobin_g_dl": Column(REAL, "g/dL", "Haemoglobin at admission"),
        "gose_6m": Column(
            COUNT, "{score}", "Extended Glasgow Outcome Scale, 1 dead to 8 upper good"
        ),
        "death_h": Column(REAL, "h", "Death since time zero; null if alive when last known"),
        "left_unit_h": Column(REAL, "h", "Discharge from the unit since time zero, alive"),
        "last_known_h": Column(REAL, "h", "Last known to be alive since time zero"),
        **LEVEL,
    },
)

# Known only after an exposure window: no exposure, and nothing to adjust for.
KNOWN_AFTERWARDS = (
    *("death_h", "left_unit_h", "last_known_h", "gose_6m", "gose_6m_merged"),
    *("unfavourable", "unfavourable_sliding", "dead", "dead_by_horizon", "survival_h", "died"),
)

RECORDING_LIST = Table(
    "recordings.csv",
    "One row a recording, as listed by the study",
    ("recording_id",),
    {
        "recording_id": Column(TEXT, "", "Identifier of the recording"),
        "patient_id": _PATIENT_ID,
        "path": Column(
            TEXT, "", "File, relative to the study folder; a WFDB record ends in .hea"
        ),
        "format": Column(TEXT, "", "wfdb, edf, bdf, csv or parquet"),
        "start_s": Column(REAL, "s", "Start since the patient's time zero"),
        "icp_channel": Column(
            TEXT, "", "ICP channel, where the aliases in the settings do not find it"
        ),
        "abp_channel": Column(
            TEXT, "", "ABP channel, where the aliases in the settings do not find it"
        ),
        "icp_unit": Column(TEXT, "", "Unit of ICP, where the file does not state it"),
        "abp_unit": Column(TEXT, "", "Unit of ABP, where the file does not state it"),
        "clock_zone": Column(
            TEXT, "", "Time zone of a local clock in CSV or Parquet, as Europe/Vienna"
        ),
    },
)

MONITORS = Table(
    "monitors.parquet",
    "One row a monitor: kind, placement, calibration, drift, complications",
    ("monitor_id",),
    {
        "monitor_id": Column(TEXT, "", "Identifier of the monitor"),
        "patient_id": _PATIENT_ID,
        "kind": Column(TEXT, "", "strain_gauge, fibre_optic, pneumatic or ventricular_drain"),
        "fixation": Column(TEXT, "", "bolt or tunnelled"),
        "side": Column(TEXT, "", "left or right"),
        "depth_mm": Column(REAL, "mm", "Depth of the sensor's tip below the dura"),
        "insertion_h": Column(REAL, "h", "Insertion since time zero"),
        "removal_h": Column(REAL, "h", "Removal since time zero"),
        "calibrated_h": Column(
            REAL, "h", "Calibration since time zero, where readings before it do not count"
        ),
        "malfunction_h": Column(REAL, "h", "From when the monitor failed, since time zero"),
        "zero_reference_mmhg": Column(
            REAL, "mm[Hg]", "Reading against atmosphere noted at calibration before insertion"
        ),
        "drift_at_removal_mmhg": Column(
            REAL, "mm[Hg]", "Reading against atmosphere at removal"
        ),
        "waveform_seen": Column(FLAG, "", "A pulsatile waveform was seen after insertion"),
        "jugular_response": Column(FLAG, "", "ICP rose on jugular compression"),
        "haemorrhage": Column(FLAG, "", "Haemorrhage along the track on imaging"),
        "infection": Column(FLAG, "", "Infection attributed to the monitor"),
        "malfunction": Column(FLAG, "", "The monitor failed"),
        "replaced": Column(FLAG, "", "The monitor was replaced"),
    },
)

EVENTS = Table(
    "events.parquet",
    "One row an interval noted at the bedside or by hand afterwards",
    ("patient_id", "event", "start_s"),
    {
        "patient_id": _PATIENT_ID,
        "event": Column(
            TEXT,
            "",
            "drain_open, craniectomy, rezero, level_change, transport, disconnected, artefact",
        ),
        "start_s": Column(REAL, "s", "Start since time zero"),
        "end_s": Column(REAL, "s", "End since time zero; null while it lasted to the end"),
        **{
            name: column._replace(about=f"{column.about}, from a level_change on")
            for name, column in LEVEL.items()
        },
    },
)

RECODINGS = Table(
    "recodings.parquet",
    "One row a value of the study's tables that the settings translate, and how often it stood",
    ("table", "column", "from", "to"),
    {
        "table": Column(TEXT, "", "patients, recordings, monitors or events"),
        "column": Column(TEXT, "", "Our name of the column"),
        "from": Column(TEXT, "", "Value in the study's table"),
        "to": Column(TEXT, "", "Our value; empty for missing"),
        "n": Column(COUNT, "", "Rows; 0 for a translation that no row needed"),
    },
)

# --- signals ---------------------------------------------------------------------------------

RECORDINGS = Table(
    "recordings.parquet",
    "One row a recording: what the file is, or why it cannot be used",
    ("recording_id",),
    {
        "recording_id": Column(TEXT, "", "Identifier of the recording"),
        "patient_id": _PATIENT_ID,
        "path": Column(TEXT, "", "File, relative to the study folder"),
        "format": Column(TEXT, "", "wfdb, edf, bdf, csv or parquet"),
        "tier": Column(TEXT, "", "waveform, seconds, ten_seconds, minutes or hourly"),
        "fs_icp_hz": Column(REAL, "Hz", "Sampling rate of ICP"),
        "fs_abp_hz": Column(REAL, "Hz", "Sampling rate of ABP; null without ABP"),
        "start_s": Column(REAL, "s", "First sample since time zero"),
        "end_s": Column(REAL, "s", "End of the last sample since time zero"),
        "icp_channel": Column(TEXT, "", "Channel read as ICP"),
        "abp_channel": Column(TEXT, "", "Channel read as ABP; null without ABP"),
        "icp_unit": Column(TEXT, "", "Unit of ICP in the file; readings are converted to mmHg"),
        "abp_unit": Column(TEXT, "", "Unit of ABP in the file; readings are converted to mmHg"),
        "n_duplicate_times": Column(
            COUNT, "", "Rows with the time of another row, averaged with it; null without times"
        ),
        "n_unordered_times": Column(
            COUNT, "", "Rows with a time before that of the row above; null without times"
        ),
        "sha256": Column(
            TEXT, "", "Fingerprint of the recording's files in the order of their names"
        ),
        "status": Column(TEXT, "", "used or excluded"),
        "reason": Column(TEXT, "", "Why it is excluded, as a short code; null when used"),
    },
)

EXCLUDED = Table(
    "excluded.parquet",
    "One row whatever was left out before the cohort was formed, with the reason",
    ("stage", "patient_id", "recording_id", "reason"),
    {
        "stage": Column(TEXT, "", "Step that left it out"),
        "patient_id": _PATIENT_ID,
        "recording_id": Column(TEXT, "", "Recording; empty when the whole patient is meant"),
        "reason": _REASON,
        "detail": _DETAIL,
    },
)

TRENDS = Table(
    "trends/<patient>.parquet",
    "10-s means of the valid samples of one patient; null where too few are valid",
    ("t_s",),
    {
        "t_s": Column(REAL, "s", "Start of the block since time zero"),
        "icp_mmhg": Column(REAL, "mm[Hg]", "Mean intracranial pressure"),
        "abp_mmhg": Column(REAL, "mm[Hg]", "Mean arterial blood pressure"),
        "cpp_mmhg": Column(REAL, "mm[Hg]", "Cerebral perfusion pressure, ABP - ICP"),
        "abp_level_used": Column(
            TEXT, "", "Level that ABP is of: tragus, heart or unknown; null without ABP"
        ),
        "abp_shift_mmhg": Column(
            REAL, "mm[Hg]", "Added to ABP as recorded, to bring it to that level"
        ),
        "amp_mmhg": Column(
            REAL, "mm[Hg]", "Amplitude (zero to peak) of the ICP pulse's fundamental"
        ),
        "pulse_rate_per_min": Column(REAL, "/min", "Rate of that fundamental"),
        "icp_valid_fraction": Column(REAL, "1", "Valid samples of ICP / nominal samples"),
        "abp_valid_fraction": Column(REAL, "1", "Valid samples of ABP / nominal samples"),
        "icp_interval_s": Column(
            REAL, "s", "Sampling interval of ICP; above 10 s a reading is held over it"
        ),
        "abp_interval_s": Column(
            REAL, "s", "Sampling interval of ABP; above 10 s a reading is held over it"
        ),
    },
)

ARTEFACTS = Table(
    "artefacts/<patient>.parquet",
    "Spans of one patient that were masked, each with the rule that masked it",
    ("signal", "reason", "start_s"),
    {
        "signal": Column(TEXT, "", "icp or abp"),
        "start_s": Column(REAL, "s", "Start since time zero"),
        "end_s": Column(REAL, "s", "End since time zero"),
        "reason": _REASON,
    },
)

INTERVALS = Table(
    "intervals/<patient>.parquet",
    "Everything that was noted of one patient's time, by whom: what rules and indices go by",
    ("event", "start_s", "source"),
    {
        "event": Column(
            TEXT,
            "",
            "A kind of events.csv, or no_monitor, before_calibration, monitor_malfunction",
        ),
        "start_s": Column(REAL, "s", "Start since time zero"),
        "end_s": Column(REAL, "s", "End since time zero; null while it lasted to the end"),
        "source": Column(
            TEXT, "", "events (the table), annotations (in a recording) or monitors (the log)"
        ),
    },
)

_SIGNAL = Column(TEXT, "", "icp or abp")
_SECONDS = {
    "recorded_s": Column(REAL, "s", "Time between the start and end of the recordings used"),
    "valid_s": Column(REAL, "s", "Time with a reading that no rule masked"),
    "masked_s": Column(REAL, "s", "Time with a reading that a rule masked"),
    "missing_s": Column(REAL, "s", "Time inside a recording without a reading"),
    "n_gaps": Column(COUNT, "", "Stretches of 10 s or more without a reading"),
    "longest_gap_s": Column(REAL, "s", "Longest of them; null without one"),
    "negative_s": Column(REAL, "s", "Valid time with a reading below 0 mmHg, which is kept"),
}
_MASKED_BY = {
    "reason": Column(TEXT, "", "Rule that masked it: the first one in the settings' order"),
    "masked_s": Column(REAL, "s", "Time with a reading that this rule masked"),
}

QUALITY = Table(
    "quality.parquet",
    "One row a patient and signal, each second once: recorded = valid + masked + missing",
    ("patient_id", "signal"),
    {
        "patient_id": _PATIENT_ID,
        "signal": _SIGNAL,
        "tier": Column(TEXT, "", "Tiers of the recordings used, joined by +"),
        **_SECONDS,
    },
)

MASKED = Table(
    "masked.parquet",
    "One row a patient, signal and reason: these add up to masked_s of quality.parquet",
    ("patient_id", "signal", "reason"),
    {"patient_id": _PATIENT_ID, "signal": _SIGNAL, **_MASKED_BY},
)

RECORDING_QUALITY = Table(
    "recording_quality.parquet",
    "One row a recording used and signal, before overlaps are settled",
    ("recording_id", "signal"),
    {
        "recording_id": Column(TEXT, "", "Identifier of the recording"),
        "patient_id": _PATIENT_ID,
        "signal": _SIGNAL,
        "tier": Column(TEXT, "", "waveform, seconds, ten_seconds, minutes or hourly"),
        **_SECONDS,
    },
)

RECORDING_MASKED = Table(
    "recording_masked.parquet",
    "One row a recording used, signal and reason",
    ("recording_id", "signal", "reason"),
    {
        "recording_id": Column(TEXT, "", "Identifier of the recording"),
        "patient_id": _PATIENT_ID,
        "signal": _SIGNAL,
        **_MASKED_BY,
    },
)

# --- indices ---------------------------------------------------------------------------------

MINUTES = Table(
    "minutes/<patient>.parquet",
    "Minute means and indices of one patient",
    ("t_s",),
    {
        "t_s": _T_END_S,
        "tier": Column(TEXT, "", "Tier of the ICP readings; the coarsest, null without one"),
        "abp_level_used": Column(
            TEXT, "", "Level that ABP is of: tragus, heart, unknown, or mixed; null without ABP"
        ),
        "icp_mmhg": Column(REAL, "mm[Hg]", "Mean intracranial pressure of the minute"),
        "abp_mmhg": Column(REAL, "mm[Hg]", "Mean arterial blood pressure of the minute"),
        "cpp_mmhg": Column(REAL, "mm[Hg]", "Mean cerebral perfusion pressure of the minute"),
        "amp_mmhg": Column(REAL, "mm[Hg]", "Mean amplitude of the ICP pulse's fundamental"),
        "prx": Column(
            REAL, "1", "Pressure reactivity index: moving correlation of ICP and ABP"
        ),
        "pax": Column(REAL, "1", "Moving correlation of AMP and ABP"),
        "rac": Column(REAL, "1", "Moving correlation of AMP and CPP"),
        "rap": Column(REAL, "1", "Moving correlation of AMP and ICP"),
        "lprx": Column(REAL, "1", "Low-frequency PRx: moving correlation of minute means"),
        "cppopt_mmhg": Column(REAL, "mm[Hg]", "Optimal CPP: lowest point of PRx against CPP"),
        "llr_mmhg": Column(REAL, "mm[Hg]", "Lower limit of reactivity"),
        "ulr_mmhg": Column(REAL, "mm[Hg]", "Upper limit of reactivity"),
        "llr_bins_mmhg": Column(REAL, "mm[Hg]", "Lower limit where the bins themselves cross"),
        "ulr_bins_mmhg": Column(REAL, "mm[Hg]", "Upper limit where the bins themselves cross"),
        "cppopt_edge_fraction": Column(
            REAL, "1", "Share of one-sided curves in the weight of CPPopt"
        ),
    },
)

CURVES = Table(
    "curves/<patient>.parquet",
    "PRx by CPP over the whole recording of one patient, and the fitted parabola",
    ("cpp_mmhg",),
    {
        "cpp_mmhg": Column(REAL, "mm[Hg]", "Centre of the CPP bin"),
        "n_minutes": Column(COUNT, "min", "Minutes in the bin"),
        "prx": Column(REAL, "1", "Mean PRx of the bin through Fisher z"),
        "prx_fitted": Column(REAL, "1", "Fitted PRx; null where the curve is not accepted"),
    },
)

OPTIMA = Table(
    "optima.parquet",
    "One row a patient: CPPopt of the whole recording, or why there is none",
    ("patient_id",),
    {
        "patient_id": _PATIENT_ID,
        "cppopt_mmhg": Column(REAL, "mm[Hg]", "CPPopt of the whole recording"),
        "llr_mmhg": Column(REAL, "mm[Hg]", "Lower limit of reactivity of that curve"),
        "ulr_mmhg": Column(REAL, "mm[Hg]", "Upper limit of reactivity of that curve"),
        "llr_bins_mmhg": Column(REAL, "mm[Hg]", "Lower limit where the bins themselves cross"),
        "ulr_bins_mmhg": Column(REAL, "mm[Hg]", "Upper limit where the bins themselves cross"),
        "one_sided": Column(FLAG, "", "Whether CPPopt is the last bin of a one-sided curve"),
        "r_squared": Column(REAL, "1", "Weighted R2 of the parabola"),
        "curvature_z": Column(REAL, "1", "Curvature in its standard errors, also if rejected"),
        "cppopt_ci_low_mmhg": Column(REAL, "mm[Hg]", "Lower 95 % limit of CPPopt (bootstrap)"),
        "cppopt_ci_high_mmhg": Column(REAL, "mm[Hg]", "Upper 95 % limit of CPPopt (bootstrap)"),
        "ci_upward_fraction": Column(REAL, "1", "Resamples whose curve opens upward / all"),
        "p_chance": Column(
            REAL,
            "1",
            "p of no U: share of surrogates (ICP decoupled) that rise as steeply",
        ),
        "chance_percent": Column(REAL, "%", "Surrogates with a CPPopt of the whole recording"),
        "chance_cppopt_sd_mmhg": Column(
            REAL, "mm[Hg]", "Standard deviation of CPPopt over these surrogates"
        ),
        "cppopt_yield_percent": Column(REAL, "%", "Minutes with CPPopt / minutes with CPP"),
        "chance_yield_percent": Column(REAL, "%", "The same in surrogates, their mean"),
        "n_minutes": Column(COUNT, "min", "Minutes with CPP and PRx"),
        "reason": Column(TEXT, "", "Why there is no CPPopt; null when there is one"),
    },
)

BURDEN = Table(
    "burden.parquet",
    "Pressure burden: one row a patient, window, signal, side and threshold",
    ("patient_id", "window", "signal", "side", "threshold_mmhg"),
    {
        "patient_id": _PATIENT_ID,
        "window": _WINDOW,
        "signal": Column(TEXT, "", "icp or cpp"),
        "side": Column(TEXT, "", "above or below the threshold"),
        "threshold_mmhg": Column(REAL, "mm[Hg]", "Threshold"),
        "dose_mmhg_h": Column(
            REAL, "mm[Hg].h", "Time integral of the excess over the threshold"
        ),
        "monitored_h": Column(REAL, "h", "Valid minutes of the signal in the window"),
        "dose_per_h_mmhg": Column(REAL, "mm[Hg]", "Dose / hours that were integrated"),
        "percent_time": Column(REAL, "%", "Share of the valid minutes beyond the threshold"),
        "n_episodes": Column(
            COUNT, "", "Episodes beyond the threshold, as the settings define them"
        ),
        "longest_episode_min": Column(
            REAL, "min", "Minutes beyond the threshold in the longest episode; null without one"
        ),
    },
)

BURDEN_BY_STATE = Table(
    "burden_by_state.parquet",
    "Pressure burden of the minutes in one state alone; the rest as in `burden.parquet`",
    ("patient_id", "window", "state", "signal", "side", "threshold_mmhg"),
    {
        "patient_id": _PATIENT_ID,
        "window": _WINDOW,
        "state": Column(
            TEXT,
            "",
            "prx_above, prx_not_above or prx_unknown; cpp_below_llr, cpp_not_below_llr or"
            " llr_unknown",
        ),
        **{k: v for k, v in BURDEN.columns.items() if k not in ("patient_id", "window")},
    },
)

INTENSITY = Table(
    "intensity.parquet",
    "Episodes of one patient by threshold and least duration",
    ("patient_id", "window", "signal", "threshold_mmhg", "duration_min"),
    {
        "patient_id": _PATIENT_ID,
        "window": _WINDOW,
        "signal": Column(TEXT, "", "icp (above the threshold) or cpp (below)"),
        "threshold_mmhg": Column(REAL, "mm[Hg]", "Threshold"),
        "duration_min": Column(COUNT, "min", "Least length of an episode"),
        "monitored_h": Column(REAL, "h", "Valid minutes of the signal in the window"),
        "n_episodes": Column(
            COUNT, "", "Episodes as long or longer; null without valid minutes"
        ),
        "episodes_per_24_h": Column(REAL, "1/d", "Episodes / valid time"),
    },
)

SUMMARY = Table(
    "summary.parquet",
    "One row a patient and window: what a model may use as exposure",
    ("patient_id", "window"),
    {
        "patient_id": _PATIENT_ID,
        "window": _WINDOW,
        "tier": Column(TEXT, "", "Coarsest tier of the minutes of ICP in the window"),
        "abp_level_used": Column(
            TEXT, "", "Level that ABP is of: tragus, heart, unknown, or mixed; null without ABP"
        ),
        "monitored_h": Column(REAL, "h", "Valid minutes of ICP in the window"),
        "icp_mean_mmhg": Column(REAL, "mm[Hg]", "Mean ICP"),
        "abp_mean_mmhg": Column(REAL, "mm[Hg]", "Mean ABP"),
        "cpp_mean_mmhg": Column(REAL, "mm[Hg]", "Mean CPP"),
        "amp_mean_mmhg": Column(REAL, "mm[Hg]", "Mean AMP"),
        "prx_mean": Column(REAL, "1", "Mean PRx"),
        "pax_mean": Column(REAL, "1", "Mean PAx"),
        "rac_mean": Column(REAL, "1", "Mean RAC"),
        "rap_mean": Column(REAL, "1", "Mean RAP"),
        "lprx_mean": Column(REAL, "1", "Mean L-PRx"),
        "cpp_h": Column(REAL, "h", "Minutes with CPP in the window: what the yield is of"),
        "prx_h": Column(REAL, "h", "Minutes with PRx in the window"),
        "cppopt_mean_mmhg": Column(REAL, "mm[Hg]", "Mean CPPopt"),
        "cppopt_h": Column(REAL, "h", "Minutes with CPP and CPPopt in the window"),
        "llr_h": Column(REAL, "h", "Minutes with CPP and LLR in the window"),
        "ulr_h": Column(REAL, "h", "Minutes with CPP and ULR in the window"),
        "llr_bins_h": Column(REAL, "h", "Minutes with CPP and the bins' own LLR in the window"),
        "cppopt_yield_percent": Column(
            REAL, "%", "Minutes with CPPopt / minutes with CPP; null where PRx is impossible"
        ),
        "delta_cpp_mean_mmhg": Column(REAL, "mm[Hg]", "Mean of CPP - CPPopt"),
        "percent_time_within_5_of_cppopt": Column(
            REAL, "%", "Minutes with |CPP - CPPopt| <= 5 mmHg / minutes with both"
        ),
        "percent_time_over_5_below_cppopt": Column(
            REAL, "%", "Minutes with CPP - CPPopt < -5 mmHg / minutes with both"
        ),
        "percent_time_over_5_above_cppopt": Column(
            REAL, "%", "Minutes with CPP - CPPopt > 5 mmHg / minutes with both"
        ),
        "percent_time_below_llr": Column(
            REAL, "%", "Minutes with CPP < LLR / minutes with both"
        ),
        "percent_time_above_ulr": Column(
            REAL, "%", "Minutes with CPP > ULR / minutes with both"
        ),
        "percent_time_below_llr_bins": Column(
            REAL, "%", "Minutes with CPP < the bins' own LLR / minutes with both"
        ),
    },
)


def updates(burden_columns: dict[str, Column]) -> Table:
    """Return the contract of the burden as it stood at the end of each day."""
    return Table(
        "updates.parquet",
        "One row a patient and day: burden from time zero to the end of the day",
        ("patient_id", "until_h"),
        {
            "patient_id": _PATIENT_ID,
            "until_h": Column(REAL, "h", "End of the day since time zero"),
            **burden_columns,
        },
    )


# --- cohort ----------------------------------------------------------------------------------

OUTCOMES = Table(
    "outcomes.parquet",
    "One row a patient: endpoints with their direction stated, and prognostic risk",
    ("patient_id",),
    {
        "patient_id": _PATIENT_ID,
        "gose_6m": Column(
            COUNT, "{score}", "Extended Glasgow Outcome Scale, 1 dead to 8 upper good"
        ),
        "gose_6m_merged": Column(COUNT, "{score}", "The same with 2 and 3 merged into 3"),
        "unfavourable": Column(FLAG, "", "GOSE below the favourable scores of the settings"),
        "unfavourable_sliding": Column(
            FLAG, "", "GOSE below the cut of the patient's prognostic band; see `bands.parquet`"
        ),
        "dead": Column(FLAG, "", "GOSE 1"),
        "dead_by_horizon": Column(
            FLAG, "", "Death by the horizon of mortality in the settings; null if not known"
        ),
        "prognostic_band": Column(
            COUNT, "", "Band of IMPACT core risk, from 1 for the lowest; see `bands.parquet`"
        ),
        "impact_core_mortality": Column(
            REAL, "1", "IMPACT core probability of death at 6 months"
        ),
        "impact_core_unfavourable": Column(
            REAL, "1", "IMPACT core probability of an unfavourable outcome at 6 months"
        ),
        "impact_core_logit": Column(
            REAL, "1", "IMPACT core log odds of an unfavourable outcome"
        ),
        "impact_extended_mortality": Column(
            REAL, "1", "IMPACT extended probability of death at 6 months"
        ),
        "impact_extended_unfavourable": Column(
            REAL, "1", "IMPACT extended probability of an unfavourable outcome at 6 months"
        ),
        "impact_extended_logit": Column(
            REAL, "1", "IMPACT extended log odds of an unfavourable outcome"
        ),
        "impact_lab_mortality": Column(
            REAL, "1", "IMPACT laboratory probability of death at 6 months"
        ),
        "impact_lab_unfavourable": Column(
            REAL, "1", "IMPACT laboratory probability of an unfavourable outcome at 6 months"
        ),
        "impact_lab_logit": Column(
            REAL, "1", "IMPACT laboratory log odds of an unfavourable outcome"
        ),
        "rotterdam": Column(COUNT, "{score}", "Rotterdam computed-tomography score, 1-6"),
        "gcs_pupils": Column(COUNT, "{score}", "GCS-P: GCS - number of unreactive pupils"),
    },
)

BANDS = Table(
    "bands.parquet",
    "Sliding dichotomy: one row a prognostic band, with the GOSE that divides it near half",
    ("band",),
    {
        "band": Column(COUNT, "", "Prognostic band, from 1 for the lowest risk"),
        "risk_low": Column(
            REAL, "1", "Lowest IMPACT core risk of an unfavourable outcome in it"
        ),
        "risk_high": Column(REAL, "1", "Highest risk in it"),
        "n": Column(COUNT, "", "Patients of the band whose GOSE is known"),
        "cut_gose": Column(COUNT, "{score}", "Lowest score that counts as favourable in it"),
        "n_unfavourable": Column(COUNT, "", "Patients below the cut"),
    },
)

SURVIVAL = {
    "survival_h": Column(
        REAL, "h", "From the landmark, the window's end, to death or last known alive"
    ),
    "died": Column(FLAG, "", "Death at the end of survival_h; false: censored there"),
}

FLOW = Table(
    "flow.parquet",
    "Who left the study at which step: one row a window and step; n_in - n_dropped = n_out",
    ("window", "step"),
    {
        "window": _WINDOW,
        "step": Column(COUNT, "", "Order of the step, from 1"),
        "name": Column(TEXT, "", "What the step asks for"),
        "n_in": Column(COUNT, "", "Patients before the step"),
        "n_out": Column(COUNT, "", "Patients after it"),
        "n_dropped": Column(COUNT, "", "Patients who left"),
        "reason": _REASON,
    },
)

DROPPED = Table(
    "dropped.parquet",
    "One row a patient and window that did not reach the analysis, with the reason",
    ("window", "patient_id"),
    {
        "window": _WINDOW,
        "patient_id": _PATIENT_ID,
        "step": Column(COUNT, "", "Step of `flow` at which the patient left"),
        "reason": _REASON,
        "detail": _DETAIL,
    },
)

MONITORING_END = Table(
    "monitoring_end.parquet",
    "One row a patient and window: when the recordings ended in it, and why",
    ("window", "patient_id"),
    {
        "window": _WINDOW,
        "patient_id": _PATIENT_ID,
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
    "Why recordings ended, by outcome: one row a window, outcome and reason",
    ("window", "outcome", "reason"),
    {
        "window": _WINDOW,
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


def analysis(burden_columns: dict[str, Column]) -> Table:
    """Return the contract of the analysis table with one column a burden measure."""
    own = PATIENTS.columns | OUTCOMES.columns | SURVIVAL | SUMMARY.columns | burden_columns
    return Table(
        "analysis.parquet",
        "One row a patient of the cohort and window: covariates, exposures, outcomes",
        ("window", "patient_id"),
        own,
    )


INTENSITY_MAP = Table(
    "intensity_map.parquet",
    "Episodes against outcome: one row a window, signal, threshold and least duration",
    ("window", "signal", "threshold_mmhg", "duration_min"),
    {
        "window": _WINDOW,
        "signal": INTENSITY.columns["signal"],
        "threshold_mmhg": INTENSITY.columns["threshold_mmhg"],
        "duration_min": INTENSITY.columns["duration_min"],
        "n_patients": Column(COUNT, "", "Patients of the cohort with valid minutes and GOSE"),
        "n_with_episodes": Column(COUNT, "", "Those of them with an episode"),
        "correlation": Column(
            REAL, "1", "Pearson's r of episodes per 24 h and GOSE; below zero is harm"
        ),
        "ci_low": Column(REAL, "1", "Lower 95 % limit of r, by Fisher's z over patients"),
        "ci_high": Column(REAL, "1", "Upper 95 % limit of r"),
    },
)

TRANSITION = Table(
    "intensity_transition.parquet",
    "The line of no correlation in the map: how long a threshold goes without harm",
    ("window", "signal", "threshold_mmhg"),
    {
        "window": _WINDOW,
        "signal": INTENSITY.columns["signal"],
        "threshold_mmhg": INTENSITY.columns["threshold_mmhg"],
        "duration_min": Column(
            REAL, "min", "Least duration at which r falls below zero, between two of the map"
        ),
        "course": Column(
            TEXT, "", "crossing, below_zero (at every duration), not_below_zero, or unknown"
        ),
    },
)

# --- models ----------------------------------------------------------------------------------

ESTIMATES = Table(
    "models/<model>/estimates.parquet",
    "One row a term of a fitted model, unadjusted and adjusted",
    ("adjustment", "term"),
    {
        "adjustment": Column(TEXT, "", "unadjusted or adjusted"),
        "term": Column(TEXT, "", "Term, as named in the analysis table, with its level"),
        "estimate": Column(
            REAL, "1", "Coefficient on `scale`; null when the model is not reported"
        ),
        "se": Column(REAL, "1", "Standard error"),
        "ci_low": Column(REAL, "1", "Lower 95 % limit"),
        "ci_high": Column(REAL, "1", "Upper 95 % limit"),
        "p": Column(REAL, "1", "Two-sided p value"),
        "df": Column(REAL, "1", "Degrees of freedom of Student's t; null: normal distribution"),
        "fmi": Column(REAL, "1", "Fraction of missing information; null where none is imputed"),
        "scale": Column(
            TEXT,
            "",
            "log_or, log_hr, log_rr or difference; log_odds, log_risk, log_hazard, mean or "
            "threshold of an intercept; spline of a part of a curve",
        ),
        "effect": Column(
            REAL,
            "1",
            "Ratio or difference for the unit of effect; null for an intercept, a threshold, "
            "or a part of a curve",
        ),
        "effect_ci_low": Column(REAL, "1", "Lower 95 % limit of the effect"),
        "effect_ci_high": Column(REAL, "1", "Upper 95 % limit of the effect"),
        "n": Column(COUNT, "", "Patients in the fit"),
        "n_events": Column(COUNT, "", "Patients with the outcome; null for a score"),
    },
)

ALTERNATIVES = Table(
    "models/<model>/alternatives.parquet",
    "Other fits beside the main one: complete cases, shifted outcomes, single cuts, subgroups",
    ("analysis", "adjustment", "term"),
    {
        "analysis": Column(TEXT, "", "What differs from the main fit"),
        **ESTIMATES.columns,
        "reason": Column(TEXT, "", "Why there is no estimate; null where there is one"),
    },
)

RISKS = Table(
    "models/<model>/risks.parquet",
    "Absolute risk, or mean, had every patient of the fit the stated exposure",
    ("adjustment", "outcome", "exposure_value"),
    {
        "adjustment": Column(TEXT, "", "unadjusted or adjusted"),
        "outcome": Column(TEXT, "", "What the risk is of; of a score, at or below each cut"),
        "exposure_value": Column(REAL, "1", "Value of the exposure, in its own unit"),
        "risk": Column(REAL, "1", "Mean over the patients; null when it is not reported"),
        "ci_low": Column(REAL, "1", "Lower 95 % limit"),
        "ci_high": Column(REAL, "1", "Upper 95 % limit"),
        "difference": Column(REAL, "1", "Risk - risk at the first stated value"),
        "difference_ci_low": Column(REAL, "1", "Lower 95 % limit of the difference"),
        "difference_ci_high": Column(REAL, "1", "Upper 95 % limit of the difference"),
        "n": Column(COUNT, "", "Patients averaged over"),
    },
)

EXPOSURE_CURVE = Table(
    "models/<model>/curve.parquet",
    "Effect along a non-linear exposure, against its median; empty for a straight line",
    ("adjustment", "exposure_value"),
    {
        "adjustment": Column(TEXT, "", "unadjusted or adjusted"),
        "exposure_value": Column(REAL, "1", "Value of the exposure, in its own unit"),
        "reference_value": Column(REAL, "1", "Value that the effect is against"),
        "scale": Column(TEXT, "", "log_or, log_hr, log_rr or difference"),
        "effect": Column(REAL, "1", "Ratio or difference; null when it is not reported"),
        "effect_ci_low": Column(REAL, "1", "Lower 95 % limit"),
        "effect_ci_high": Column(REAL, "1", "Upper 95 % limit"),
        "n_nearest": Column(
            COUNT, "", "Rows of the fit whose exposure is nearest to this value"
        ),
    },
)

PERFORMANCE = Table(
    "models/<model>/performance.parquet",
    "How well a model predicts, as fitted and corrected for optimism; empty if not asked for",
    ("adjustment", "measure"),
    {
        "adjustment": Column(TEXT, "", "unadjusted or adjusted"),
        "measure": Column(
            TEXT, "", "c_statistic, brier, calibration_intercept or calibration_slope"
        ),
        "apparent": Column(REAL, "1", "In the patients that the model was fitted to"),
        "optimism": Column(REAL, "1", "Mean of (refitted - tested on these patients)"),
        "corrected": Column(REAL, "1", "Apparent - optimism"),
        "ci_low": Column(REAL, "1", "Lower 95 % limit of the corrected value"),
        "ci_high": Column(REAL, "1", "Upper 95 % limit of the corrected value"),
        "n_refits": Column(COUNT, "", "Bootstrap samples in which the model could be fitted"),
    },
)

COMPARISONS = Table(
    "tables/comparisons.parquet",
    "p values of models that were declared to be tested together",
    ("group", "model"),
    {
        "group": Column(TEXT, "", "Group, as named in the plan"),
        "model": Column(TEXT, "", "Model"),
        "term": Column(TEXT, "", "Exposure"),
        "adjustment": Column(TEXT, "", "adjusted, or unadjusted where nothing is adjusted for"),
        "effect": Column(REAL, "1", "Effect for the unit of effect"),
        "effect_ci_low": Column(REAL, "1", "Lower 95 % limit, for this comparison alone"),
        "effect_ci_high": Column(REAL, "1", "Upper 95 % limit, for this comparison alone"),
        "p": Column(REAL, "1", "p for this comparison alone"),
        "p_adjusted": Column(REAL, "1", "p held over the group; null without an estimate"),
        "n": Column(COUNT, "", "Patients in the fit"),
        "n_events": Column(COUNT, "", "Patients with the outcome; null where none is counted"),
        "method": Column(TEXT, "", "holm or hochberg"),
        "n_tests": Column(COUNT, "", "Models of the group, those without an estimate too"),
    },
)

DIAGNOSTICS = Table(
    "models/<model>/diagnostics.parquet",
    "One row a quantity that says how far a fit can be trusted",
    ("adjustment", "quantity"),
    {
        "adjustment": Column(TEXT, "", "unadjusted or adjusted"),
        "quantity": Column(TEXT, "", "What was looked at"),
        "value": Column(REAL, "1", "Its value; null when it is a statement"),
        "verdict": Column(TEXT, "", "What follows from it; null when nothing does"),
    },
)

MODEL_FLOW = Table(
    "models/<model>/flow.parquet",
    "From the cohort of the window to the rows of the fit",
    ("step",),
    {name: column for name, column in FLOW.columns.items() if name != "window"},
)

MODEL_DROPPED = Table(
    "models/<model>/dropped.parquet",
    "One row a patient of the cohort who is not in the fit, with the reason",
    ("patient_id",),
    {
        "patient_id": _PATIENT_ID,
        "step": Column(COUNT, "", "Step of the model's flow at which the patient left"),
        "reason": _REASON,
        "detail": _DETAIL,
    },
)

TABLE_ONE = Table(
    "tables/table1.parquet",
    "Table 1: characteristics of the cohort of the main window, by outcome or exposure",
    ("row",),
    {
        "row": Column(COUNT, "", "Order of the row"),
        "variable": Column(TEXT, "", "Variable, in words"),
        "level": Column(TEXT, "", "Level of a category, or the statistic shown"),
        "overall": Column(TEXT, "", "All patients"),
        "group_1": Column(TEXT, "", "Patients of the first group"),
        "group_2": Column(TEXT, "", "Patients of the second group"),
        "unknown": Column(TEXT, "", "Patients whose group is unknown"),
        "smd": Column(
            REAL,
            "1",
            "Absolute standardised difference of the two groups, in a variable's first row; "
            "null where it cannot be computed",
        ),
        "n_missing": Column(
            COUNT, "", "Patients without a value, in a variable's first row; null below it"
        ),
        "n_missing_1": Column(COUNT, "", "The same in the first group"),
        "n_missing_2": Column(COUNT, "", "The same in the second group"),
        "group_1_is": Column(TEXT, "", "What the first group is"),
        "group_2_is": Column(TEXT, "", "What the second group is"),
    },
)
