"""What recordings become: what each file is, trends, artefacts, and where every second went."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from icpcohort.contracts import declared_signals
from icpcohort.contracts.columns import (
    COUNT,
    DETAIL,
    FLAG,
    PATIENT_ID,
    REAL,
    REASON,
    TEXT,
    Column,
    Table,
)

_SIGNAL = Column(TEXT, "", "Signal, as named in the settings")

_RECORDING = {
    "recording_id": Column(TEXT, "", "Identifier of the recording"),
    "patient_id": PATIENT_ID,
    "path": Column(TEXT, "", "File, relative to the study folder"),
    "format": Column(TEXT, "", "wfdb, edf, bdf, csv or parquet"),
    "tier": Column(TEXT, "", "waveform, seconds, ten_seconds, minutes or hourly"),
}
_ACCOUNT = {
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
}
_RECORDINGS = Table(
    "recordings.parquet",
    "One row per recording: what the file is, or why it cannot be used",
    ("recording_id",),
    _RECORDING | _ACCOUNT,
)


def recordings(declared: Mapping[str, Any]) -> Table:
    """Return the table of recordings, with what each is of every declared signal.

    Parameters
    ----------
    declared : mapping
        Sections of the settings by their names, of which `signals` is read.
    """
    signals = {
        name: (signal.get("label", name.upper()), signal["unit"])
        for name, signal in declared_signals.recorded(declared).items()
    }
    first = next(iter(signals), "")
    absent = {
        name: "" if name == first else f"; null without {label}"
        for name, (label, _) in signals.items()
    }
    return replace(
        _RECORDINGS,
        columns={
            **_RECORDING,
            **{
                f"fs_{name}_hz": Column(REAL, "Hz", f"Sampling rate of {label}{absent[name]}")
                for name, (label, _) in signals.items()
            },
            "start_s": Column(REAL, "s", "First sample since time zero"),
            "end_s": Column(REAL, "s", "End of the last sample since time zero"),
            **{
                f"{name}_channel": Column(TEXT, "", f"Channel read as {label}{absent[name]}")
                for name, (label, _) in signals.items()
            },
            **{
                f"{name}_unit": Column(
                    TEXT,
                    "",
                    f"Unit of {label} in the file; readings are converted to {unit}",
                )
                for name, (label, unit) in signals.items()
            },
            **_ACCOUNT,
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

_LEVEL = {
    "abp_level_used": Column(
        TEXT, "", "Level that ABP is of: tragus, heart or unknown; null without ABP"
    ),
    "abp_shift_mmhg": Column(
        REAL, "mm[Hg]", "Added to ABP as recorded, to bring it to that level"
    ),
}
_PULSE = {
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
    "p3_mmhg": Column(
        REAL,
        "mm[Hg]",
        "P3 of the average pulse, above its foot; null where P1 and P2 stand alone",
    ),
    "p2_p1_ratio": Column(REAL, "1", "P2 / P1; null where the two merge"),
}
_TRENDS = Table(
    "trends/<patient>.parquet",
    "Means over blocks of one patient's valid samples; null where too few are valid",
    ("t_s",),
    {"t_s": Column(REAL, "s", "Start of the block (`trends.block_s`) since time zero")},
)


def trends(declared: Mapping[str, Any]) -> Table:
    """Return the table of means over blocks, with the columns of every declared signal.

    Parameters
    ----------
    declared : mapping
        Sections of the settings by their names, of which `signals` and `derived_signals` are
        read.

    Returns
    -------
    Table
        Of a recorded signal its mean, `{signal}_valid_fraction` and `{signal}_interval_s`; of
        a derived one its difference. ABP has its level, and ICP its pulse, where declared.
    """
    of_each = declared_signals.of_blocks(declared)
    signals = declared_signals.recorded(declared)
    differences = declared_signals.derived(declared)
    label = {name: one.about.label for name, one in of_each.items()}
    columns = dict(_TRENDS.columns)
    for name in signals:
        about = f"Mean {_small(of_each[name].about.about)}"
        columns[of_each[name].column] = replace(of_each[name].about, about=about)
    for name, difference in differences.items():
        minuend, subtrahend = (label[difference[end]] for end in ("minuend", "subtrahend"))
        about = f"{of_each[name].about.about}, {minuend} - {subtrahend}"
        columns[of_each[name].column] = replace(of_each[name].about, about=about)
    columns |= _LEVEL if declared_signals.ABP in signals else {}
    columns |= _PULSE if declared_signals.ICP in signals else {}
    columns |= {
        f"{name}_valid_fraction": Column(
            REAL, "1", f"Valid samples of {label[name]} / nominal samples"
        )
        for name in signals
    }
    columns |= {
        f"{name}_interval_s": Column(
            REAL,
            "s",
            f"Sampling interval of {label[name]}; above a block's length a reading is held"
            " over it",
        )
        for name in signals
    }
    return replace(_TRENDS, columns=columns)


def _small(about: str) -> str:
    """Return words within a sentence: an abbreviation stays as it is."""
    return about if about[1:2].isupper() else about[:1].lower() + about[1:]


ARTEFACTS = Table(
    "artefacts/<patient>.parquet",
    "Spans of one patient that were masked, each with the rule that masked it",
    ("signal", "reason", "start_s"),
    {
        "signal": _SIGNAL,
        "start_s": Column(REAL, "s", "Start since time zero"),
        "end_s": Column(REAL, "s", "End since time zero"),
        "reason": REASON,
    },
)

# events that the signals show
OUT_OF_STEP = "out_of_step"  # ICP and ABP have a lag
LEVEL_STEP = "level_step"  # the level of a signal changes at once and stays
DRAIN_BY_SIGNAL = "drain_by_signal"  # ICP looks as with an open drain
SHOWN_EVENTS = (OUT_OF_STEP, LEVEL_STEP, DRAIN_BY_SIGNAL)
INTERVALS = Table(
    "intervals/<patient>.parquet",
    "Everything noted about one patient's time, and by whom; rules and indices use it",
    ("event", "start_s", "source"),
    {
        "event": Column(
            TEXT,
            "",
            "A kind of events.csv, or no_monitor, before_calibration, monitor_malfunction, "
            f"{', '.join(SHOWN_EVENTS)}",
        ),
        "start_s": Column(REAL, "s", "Start since time zero"),
        "end_s": Column(REAL, "s", "End since time zero; null while it lasted to the end"),
        "source": Column(
            TEXT,
            "",
            "events (the table), annotations (in a recording), monitors (the log) or signals",
        ),
    },
)

PULSE_FINDINGS = Table(
    "pulse_findings.parquet",
    "One row per patient and finding: where AMP comes from; each block of ICP waveform once,"
    " and those of P1 and P2 alone a second time",
    ("patient_id", "finding"),
    {
        "patient_id": PATIENT_ID,
        "finding": Column(
            TEXT,
            "",
            "AMP is the peak at the heart rate of ABP (at_abp_rate; moved_to_abp_rate: the"
            " highest lies elsewhere) or of ICP alone (icp_alone: no clear ABP); no AMP:"
            " no_peak_at_abp_rate, no_peak, or incomplete (not every sample valid). Besides,"
            " p1_p2_alone: P1 and P2 are clear, P3 has merged or drowned in noise",
        ),
        "n_blocks": Column(COUNT, "", "Blocks"),
    },
)

LAGS = Table(
    "lags.parquet",
    "One row per part of 10 min with waveforms of ICP and ABP, or numbers every second, in one"
    " recording or two: their lag",
    ("recording_id", "abp_recording_id", "t_s"),
    {
        "patient_id": PATIENT_ID,
        "recording_id": Column(TEXT, "", "Recording of ICP"),
        "abp_recording_id": Column(
            TEXT, "", "Recording of ABP: the same, or another at the same time"
        ),
        "t_s": Column(REAL, "s", "Middle of the part since time zero"),
        "lag_s": Column(
            REAL,
            "s",
            "By how much ICP comes after ABP, where their heart rates agree best, or of numbers"
            " what is faster than slow waves",
            "Lag of ICP behind ABP",
            decimals=2,
        ),
        "correlation": Column(REAL, "1", "Correlation at that lag"),
        "correlation_elsewhere": Column(REAL, "1", "Highest correlation 5 s or more from it"),
        "is_clear": Column(
            FLAG,
            "",
            "The correlation is 0.55 or more, and 0.2 or more above that elsewhere; of numbers"
            " the lag is 5 s or more, too",
        ),
        "corrected_s": Column(
            REAL,
            "s",
            "Taken from the times of ICP against those of ABP when they were read again; null "
            "where nothing was corrected",
            decimals=2,
        ),
    },
)

SUSPECTS = Table(
    "suspects.parquet",
    "One row per suspicion about a whole recording; nothing was masked or left out by it",
    ("patient_id", "recording_id", "kind", "signal", "from_s"),
    {
        "patient_id": PATIENT_ID,
        "recording_id": Column(TEXT, "", "Recording; empty when the whole patient is meant"),
        "kind": Column(
            TEXT,
            "",
            "unit, exchanged, same_numbers, constant, not_arterial, icp_level, abp_level,"
            " no_pulse, large_pulse, amplitude_falls, level_step, drift or negative_cpp",
        ),
        "signal": _SIGNAL,
        "from_s": Column(REAL, "s", "Start of what was seen since time zero"),
        "to_s": Column(REAL, "s", "End of what was seen since time zero"),
        "seen": Column(TEXT, "", "What was seen, in words with numbers and units"),
        "look_at": Column(TEXT, "", "What to look at, and how to act"),
    },
)

_SECONDS = {
    "recorded_s": Column(REAL, "s", "Time between the start and end of the recordings used"),
    "valid_s": Column(REAL, "s", "Time with a reading that no rule masked"),
    "masked_s": Column(REAL, "s", "Time with a reading that a rule masked"),
    "missing_s": Column(REAL, "s", "Time inside a recording without a reading"),
    "n_gaps": Column(COUNT, "", "Stretches of 10 s or more without a reading"),
    "longest_gap_s": Column(REAL, "s", "Longest of them; null without one"),
    "negative_s": Column(REAL, "s", "Valid time with a reading below 0, which is kept"),
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
