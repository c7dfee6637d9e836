"""What a study brings: its own tables after reading, and the values that were translated."""

from collections.abc import Mapping
from typing import Any

from icpcohort.contracts import declared_signals, variables
from icpcohort.contracts.columns import COUNT, FLAG, PATIENT_ID, REAL, TEXT, Column, Table

LEVEL = {
    "abp_level": Column(TEXT, "", "Where the arterial transducer is zeroed: tragus or heart"),
    "bed_angle_deg": Column(REAL, "deg", "Angle of the trunk above the horizontal"),
    "heart_to_tragus_cm": Column(REAL, "cm", "Distance along the body from heart to tragus"),
}

TIMES = {
    "death_h": Column(
        REAL,
        "h",
        "Death since time zero; null if alive when last known",
        role="outcome",
        kind="time",
    ),
    "left_unit_h": Column(
        REAL, "h", "Discharge from the unit since time zero, alive", role="outcome", kind="time"
    ),
    "last_known_h": Column(
        REAL, "h", "Last known to be alive since time zero", role="outcome", kind="time"
    ),
}


def patients(declared: Mapping[str, Any]) -> Table:
    """Return the contract of the table of patients.

    Parameters
    ----------
    declared : mapping
        Sections of the settings by their names: of `variables` and `outcomes`, those that the
        table records have a column each.
    """
    return Table(
        "patients.parquet",
        "One row per patient: covariates and outcomes as the study recorded them",
        ("patient_id",),
        {
            "patient_id": PATIENT_ID,
            **variables.recorded(declared.get("variables", {}), role="covariate"),
            **variables.recorded(declared.get("outcomes", {}), role="outcome"),
            **TIMES,
            **LEVEL,
        },
        role="covariate",
    )


_LISTED = {
    "recording_id": Column(TEXT, "", "Identifier of the recording"),
    "patient_id": PATIENT_ID,
    "path": Column(TEXT, "", "File, relative to the study folder; a WFDB record ends in .hea"),
    "format": Column(TEXT, "", "wfdb, edf, bdf, csv or parquet"),
    "start_s": Column(REAL, "s", "Start since the patient's time zero"),
}
_CLOCK = {
    "time_column": Column(
        TEXT,
        "",
        "Column of the times in CSV or Parquet, where the names in the settings do not find it",
    ),
    "clock_zone": Column(
        TEXT,
        "",
        "Time zone of a local clock in CSV or Parquet, as Europe/Vienna; an offset from UTC, "
        "as +01:00; or none, where only differences count",
    ),
}


def recording_list(declared: Mapping[str, Any]) -> Table:
    """Return the list of recordings, with a channel and a unit for every declared signal.

    Parameters
    ----------
    declared : mapping
        Sections of the settings by their names, of which `signals` is read.
    """
    label = declared_signals.labels(declared)
    channels = {
        f"{name}_channel": Column(
            TEXT, "", f"{label[name]} channel, where the aliases in the settings do not find it"
        )
        for name in label
    }
    units = {
        f"{name}_unit": Column(
            TEXT, "", f"Unit of {label[name]}, where the file does not state it"
        )
        for name in label
    }
    return Table(
        "recordings.csv",
        "One row per recording, as listed by the study",
        ("recording_id",),
        _LISTED | channels | units | _CLOCK,
    )


MONITOR_TYPES = ("strain_gauge", "fibre_optic", "pneumatic", "ventricular_drain")

MONITORS = Table(
    "monitors.parquet",
    "One row per monitor: kind, placement, calibration, drift, complications",
    ("monitor_id",),
    {
        "monitor_id": Column(TEXT, "", "Identifier of the monitor"),
        "patient_id": PATIENT_ID,
        "kind": Column(TEXT, "", f"{', '.join(MONITOR_TYPES[:-1])} or {MONITOR_TYPES[-1]}"),
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
            REAL, "mm[Hg]", "Reading against atmosphere at removal", "Drift at removal"
        ),
        "waveform_seen": Column(FLAG, "", "A pulsatile waveform was seen after insertion"),
        "jugular_response": Column(FLAG, "", "ICP rose on jugular compression"),
        "haemorrhage": Column(
            FLAG, "", "Haemorrhage along the track on imaging", "Haemorrhage along the track"
        ),
        "infection": Column(FLAG, "", "Infection attributed to the monitor"),
        "malfunction": Column(FLAG, "", "The monitor failed", "Malfunction"),
        "replaced": Column(FLAG, "", "The monitor was replaced", "Replaced"),
    },
)

EVENT_KINDS = (
    *("drain_open", "craniectomy", "rezero", "level_change"),
    *("transport", "disconnected", "artefact"),
)

EVENTS = Table(
    "events.parquet",
    "One row per interval noted at the bedside or by hand afterwards",
    ("patient_id", "event", "start_s"),
    {
        "patient_id": PATIENT_ID,
        "event": Column(TEXT, "", ", ".join(EVENT_KINDS)),
        "start_s": Column(REAL, "s", "Start since time zero"),
        "end_s": Column(REAL, "s", "End since time zero; null while it lasted to the end"),
        **{
            name: Column(column.dtype, column.unit, f"{column.about}, from a level_change on")
            for name, column in LEVEL.items()
        },
    },
)

LEFT_OUT = Table(
    "left_out.csv",
    "One row per patient or recording that the group leaves out, with its reason",
    ("patient_id", "recording_id"),
    {
        "patient_id": PATIENT_ID,
        "recording_id": Column(TEXT, "", "Recording; empty when the whole patient is meant"),
        "reason": Column(TEXT, "", "Why, in the group's words, which stay within the group"),
    },
)

RECODINGS = Table(
    "recodings.parquet",
    "One row per value of the study's tables that the settings translate, and how often it "
    "occurs",
    ("table", "column", "from", "to"),
    {
        "table": Column(TEXT, "", "patients, recordings, monitors, events or repeated"),
        "column": Column(TEXT, "", "Our name of the column; of repeated values the variable"),
        "from": Column(TEXT, "", "Value in the study's table"),
        "to": Column(TEXT, "", "Our value; empty for missing"),
        "n": Column(COUNT, "", "Rows; 0 for a translation that no row needed"),
    },
)
