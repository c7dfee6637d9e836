"""What recordings become: what each file is, trends, artefacts, and where every second went."""

from icpcohort.contracts.columns import (
    COUNT,
    DETAIL,
    PATIENT_ID,
    REAL,
    REASON,
    TEXT,
    Column,
    Table,
)

RECORDINGS = Table(
    "recordings.parquet",
    "One row per recording: what the file is, or why it cannot be used",
    ("recording_id",),
    {
        "recording_id": Column(TEXT, "", "Identifier of the recording"),
        "patient_id": PATIENT_ID,
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
        "n_annotations": Column(COUNT, "", "Annotations within the recording or beside it"),
        "n_annotations_used": Column(
            COUNT, "", "Those whose text has a meaning in the settings; the others are ignored"
        ),
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
    "One row per item left out before the cohort was formed, with the reason",
    ("stage", "patient_id", "recording_id", "reason"),
    {
        "stage": Column(TEXT, "", "Step that left it out"),
        "patient_id": PATIENT_ID,
        "recording_id": Column(TEXT, "", "Recording; empty when the whole patient is meant"),
        "reason": REASON,
        "detail": DETAIL,
    },
)

TRENDS = Table(
    "trends/<patient>.parquet",
    "Means over blocks of one patient's valid samples; null where too few are valid",
    ("t_s",),
    {
        "t_s": Column(REAL, "s", "Start of the block (`trends.block_s`) since time zero"),
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
            REAL,
            "mm[Hg]",
            "Amplitude (zero to peak) of the ICP pulse's fundamental in 10 s",
        ),
        "pulse_rate_per_min": Column(REAL, "/min", "Rate of that fundamental"),
        "icp_peak_rate_per_min": Column(
            REAL, "/min", "Rate of the highest peak of ICP in the band, whatever ABP says"
        ),
        "abp_pulse_rate_per_min": Column(
            REAL, "/min", "Heart rate by ABP, at which AMP was sought; null where not clear"
        ),
        "peak_to_trough_mmhg": Column(
            REAL, "mm[Hg]", "Median height of the ICP pulses, highest sample less lowest before"
        ),
        "n_pulses_averaged": Column(
            COUNT, "", "Pulses in which P1, P2 and P3 were sought; null where they were not"
        ),
        "p1_mmhg": Column(REAL, "mm[Hg]", "P1 of the average pulse, above its foot"),
        "p2_mmhg": Column(REAL, "mm[Hg]", "P2 of the average pulse, above its foot"),
        "p3_mmhg": Column(REAL, "mm[Hg]", "P3 of the average pulse, above its foot"),
        "p2_p1_ratio": Column(REAL, "1", "P2 / P1; null where the three peaks merge"),
        "icp_valid_fraction": Column(REAL, "1", "Valid samples of ICP / nominal samples"),
        "abp_valid_fraction": Column(REAL, "1", "Valid samples of ABP / nominal samples"),
        "icp_interval_s": Column(
            REAL,
            "s",
            "Sampling interval of ICP; above a block's length a reading is held over it",
        ),
        "abp_interval_s": Column(
            REAL,
            "s",
            "Sampling interval of ABP; above a block's length a reading is held over it",
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
        "reason": REASON,
    },
)

INTERVALS = Table(
    "intervals/<patient>.parquet",
    "Everything noted about one patient's time, and by whom; rules and indices use it",
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

PULSE_FINDINGS = Table(
    "pulse_findings.parquet",
    "One row per patient and finding: where AMP comes from; each block of ICP waveform once",
    ("patient_id", "finding"),
    {
        "patient_id": PATIENT_ID,
        "finding": Column(
            TEXT,
            "",
            "AMP is the peak at the heart rate of ABP (at_abp_rate; moved_to_abp_rate: the"
            " highest lies elsewhere) or of ICP alone (icp_alone: no clear ABP); no AMP:"
            " no_peak_at_abp_rate, no_peak, or incomplete (not every sample valid)",
        ),
        "n_blocks": Column(COUNT, "", "Blocks"),
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
    "One row per patient and signal, each second once: recorded = valid + masked + missing",
    ("patient_id", "signal"),
    {
        "patient_id": PATIENT_ID,
        "signal": _SIGNAL,
        "tier": Column(TEXT, "", "Tiers of the recordings used, joined by +"),
        **_SECONDS,
    },
)

HOURS = Table(
    "hours/<batch>.parquet",
    "One row per patient, signal and recorded hour: its minutes by what became of them",
    ("patient_id", "signal", "hour"),
    {
        "patient_id": PATIENT_ID,
        "signal": _SIGNAL,
        "hour": Column(COUNT, "", "Whole hours since time zero when the hour began"),
        "valid": Column(COUNT, "", "Minutes with a value"),
        "masked": Column(COUNT, "", "Minutes without a value in which something was masked"),
        "missing": Column(COUNT, "", "Minutes without a value in which nothing was masked"),
    },
)

MASKED = Table(
    "masked.parquet",
    "One row per patient, signal and reason: these add up to masked_s of quality.parquet",
    ("patient_id", "signal", "reason"),
    {"patient_id": PATIENT_ID, "signal": _SIGNAL, **_MASKED_BY},
)

RECORDING_QUALITY = Table(
    "recording_quality.parquet",
    "One row per used recording and signal, before overlaps are settled",
    ("recording_id", "signal"),
    {
        "recording_id": Column(TEXT, "", "Identifier of the recording"),
        "patient_id": PATIENT_ID,
        "signal": _SIGNAL,
        "tier": Column(TEXT, "", "waveform, seconds, ten_seconds, minutes or hourly"),
        **_SECONDS,
    },
)

RECORDING_MASKED = Table(
    "recording_masked.parquet",
    "One row per used recording, signal and reason",
    ("recording_id", "signal", "reason"),
    {
        "recording_id": Column(TEXT, "", "Identifier of the recording"),
        "patient_id": PATIENT_ID,
        "signal": _SIGNAL,
        **_MASKED_BY,
    },
)
