"""Plan: which patient gets which recordings: format, units, names, flaws."""

from dataclasses import dataclass, replace

import numpy as np

INTERVAL_S = {"seconds": 1.0, "ten_seconds": 10.0, "minutes": 60.0}
MIXED = "mixed"
_TIER_SHARES = {"ten_seconds": 0.45, "minutes": 0.30, "seconds": 0.25}
_WAVEFORM_LAYOUTS = (
    ("wfdb_16", 125.0),
    ("edf_c", 50.0),
    ("wfdb_212", 50.0),
    ("edf_d", 62.5),
    ("wfdb_segments", 50.0),
    ("wfdb_16", 50.0),
    ("edf_c", 50.0),
    ("wfdb_16", 100.0),
    ("edf_c", 50.0),
    ("wfdb_212", 62.5),
    ("wfdb_16", 50.0),
    ("edf_c", 50.0),
    ("wfdb_16", 50.0),
    ("edf_c", 100.0),
)
_NUMERIC_LAYOUTS = {
    "seconds": (
        *("wfdb_16", "parquet", "edf_c", "wfdb_16", "parquet", "csv"),
        *("edf_c", "parquet", "wfdb_16", "parquet", "edf_c", "parquet"),
    ),
    "ten_seconds": ("csv", "parquet", "wfdb_16", "edf_c", "parquet", "csv", "wfdb_16"),
    "minutes": ("csv", "parquet", "csv", "parquet", "edf_c"),
}
FLAWS = (  # flaw, and the tier and layout of the recording that has it
    ("missing_file", "ten_seconds", "csv"),
    ("truncated", "seconds", "wfdb_16"),
    ("no_signal", "ten_seconds", "parquet"),
    ("few_hours", "minutes", "csv"),
)
_MIN_NUMERICS_FOR_FLAWS = 12
_FEW_HOURS = 4.0
_NAMES = (("ICP", "ABP"), ("ICP", "ART"), ("Intracranial pressure", "ABP"), ("ICP1", "ART"))
_UNITS = (("mmHg", "mmHg"), ("kPa", "kPa"), ("cmH2O", "mmHg"))
_UNIT_SHARES = (0.76, 0.12, 0.12)
_NUMERIC_STEP = {"mmHg": 0.1, "kPa": 0.01, "cmH2O": 0.1}
_WAVEFORM_STEP = {"mmHg": 0.01, "kPa": 0.002, "cmH2O": 0.02}
_SUFFIXES = {"csv": ".csv", "parquet": ".parquet", "edf_c": ".edf", "edf_d": ".edf"}


@dataclass(frozen=True)
class Recording:
    """One recording before its signals exist. Times count from time zero."""

    recording_id: str
    patient_id: str
    tier: str  # waveform, seconds, ten_seconds or minutes
    layout: str  # wfdb_16, wfdb_212, wfdb_segments, edf_c, edf_d, csv or parquet
    fs_hz: float
    abp_fs_hz: float
    start_s: float
    duration_s: float
    gap_s: tuple[float, float] | None  # since the recording's start; nothing was recorded
    icp_name: str
    abp_name: str
    icp_unit: str
    abp_unit: str
    icp_step: float  # smallest difference that the file can hold, in its unit
    abp_step: float
    unit_in_file: bool
    names_in_list: bool  # the channels are named in the list of recordings
    extra: str | None  # "temperature", "ecg" or none
    flaw: str | None

    @property
    def file_name(self) -> str:
        """Name of the file that the list of recordings points to."""
        return self.recording_id + _SUFFIXES.get(self.layout, ".hea")

    @property
    def format(self) -> str:
        """Format as the list of recordings states it."""
        return self.layout.split("_")[0]


def draw_recordings(
    patient_ids: list[str],
    *,
    n_waveforms: int,
    waveform_h: tuple[float, float],
    numeric_h: tuple[float, float],
    numeric_tier: str,
    seed: int,
) -> dict[str, list[Recording]]:
    """Return the planned recordings of each patient, in the order of `patient_ids`.

    The first `n_waveforms` of a shuffled order get waveforms, five layouts in turn; the
    others get numbers once a second, 10 s or minute, or of one `numeric_tier` alone. From 12
    numeric patients on, each of `FLAWS` is given to one patient, where there is a recording
    of its tier and layout. Durations are whole minutes.
    """
    rng = np.random.default_rng([seed, 10])
    order = [patient_ids[i] for i in rng.permutation(len(patient_ids))]
    plans: dict[str, list[Recording]] = {}
    for i, patient_id in enumerate(order[:n_waveforms]):
        plans[patient_id] = [_waveform(rng, patient_id, order=i, waveform_h=waveform_h)]
    numerics = order[n_waveforms:]
    seen = dict.fromkeys(INTERVAL_S, 0)
    for i, tier in enumerate(_tiers(rng, len(numerics), numeric_tier=numeric_tier)):
        layouts = _NUMERIC_LAYOUTS[tier]
        layout = layouts[seen[tier] % len(layouts)]
        recording = _numeric(rng, numerics[i], tier=tier, layout=layout, numeric_h=numeric_h)
        plans[numerics[i]] = [_variant(recording, order=seen[tier])]
        seen[tier] += 1
    if len(numerics) >= _MIN_NUMERICS_FOR_FLAWS:
        _give_flaws(plans, numerics)
    for patient_id in numerics[7::20]:
        plans[patient_id] = _in_two(rng, plans[patient_id][0])
    return {patient_id: plans[patient_id] for patient_id in patient_ids}


def _tiers(rng: np.random.Generator, n: int, *, numeric_tier: str) -> list[str]:
    if numeric_tier != MIXED:
        return [numeric_tier] * n
    counts = {tier: int(share * n) for tier, share in _TIER_SHARES.items()}
    counts["ten_seconds"] += n - sum(counts.values())
    tiers = [tier for tier, count in counts.items() for _ in range(count)]
    return [tiers[i] for i in rng.permutation(n)]


def _waveform(
    rng: np.random.Generator, patient_id: str, *, order: int, waveform_h: tuple[float, float]
) -> Recording:
    layout, fs_hz = _WAVEFORM_LAYOUTS[order % len(_WAVEFORM_LAYOUTS)]
    low_h, high_h = waveform_h
    if fs_hz >= 100:  # the densest ones are short, for the size of the folder
        high_h = low_h + (high_h - low_h) / 4
    duration_s = 60.0 * np.floor(60 * rng.uniform(low_h, high_h))
    icp_unit, abp_unit = {5: _UNITS[1], 8: _UNITS[2]}.get(order, _UNITS[0])
    gap_s = None
    if layout in ("edf_d", "wfdb_segments"):
        gap_start_s = 60.0 * np.floor(rng.uniform(0.35, 0.65) * duration_s / 60)
        gap_s = (float(gap_start_s), float(gap_start_s + 60 * rng.integers(4, 13)))
    coarse = layout == "wfdb_212"
    return Recording(
        recording_id=f"{patient_id}_r1",
        patient_id=patient_id,
        tier="waveform",
        layout=layout,
        fs_hz=fs_hz,
        abp_fs_hz=100.0 if order == 6 else fs_hz,
        start_s=float(rng.integers(3 * 3600, 12 * 3600)),
        duration_s=float(duration_s),
        gap_s=gap_s,
        icp_name="ICP",
        abp_name=("ABP", "ART")[order % 2],
        icp_unit=icp_unit,
        abp_unit=abp_unit,
        icp_step=0.05 if coarse else _WAVEFORM_STEP[icp_unit],
        abp_step=0.1 if coarse else _WAVEFORM_STEP[abp_unit],
        unit_in_file=True,
        names_in_list=False,
        extra={1: "temperature", 2: "ecg"}.get(order),
        flaw=None,
    )


def _numeric(
    rng: np.random.Generator,
    patient_id: str,
    *,
    tier: str,
    layout: str,
    numeric_h: tuple[float, float],
) -> Recording:
    icp_unit, abp_unit = _UNITS[rng.choice(len(_UNITS), p=_UNIT_SHARES)]
    icp_name, abp_name = _NAMES[rng.choice(2 if layout == "edf_c" else 4)]
    fs_hz = 1 / INTERVAL_S[tier]
    return Recording(
        recording_id=f"{patient_id}_r1",
        patient_id=patient_id,
        tier=tier,
        layout=layout,
        fs_hz=fs_hz,
        abp_fs_hz=fs_hz,
        start_s=60.0 * int(rng.integers(3 * 60, 12 * 60)),
        duration_s=float(60.0 * np.floor(60 * rng.uniform(*numeric_h))),
        gap_s=None,
        icp_name=icp_name,
        abp_name=abp_name,
        icp_unit=icp_unit,
        abp_unit=abp_unit,
        icp_step=_NUMERIC_STEP[icp_unit],
        abp_step=_NUMERIC_STEP[abp_unit],
        unit_in_file=True,
        names_in_list=False,
        extra=None,
        flaw=None,
    )


def _variant(recording: Recording, *, order: int) -> Recording:
    """Give every so many recordings of a tier an oddity that real exports have."""
    if recording.layout in ("csv", "parquet") and order % 8 == 4:
        recording = replace(recording, unit_in_file=False)
    if order % 12 == 2:
        recording = replace(recording, extra="temperature")
    if order % 13 == 6 and recording.icp_unit == recording.abp_unit == "mmHg":
        recording = replace(recording, icp_step=1.0, abp_step=1.0)
    if recording.tier == "seconds" and order == 3:
        recording = replace(
            recording, icp_name="PRESS 3", abp_name="PRESS 1", names_in_list=True
        )
    return recording


def _give_flaws(plans: dict[str, list[Recording]], numerics: list[str]) -> None:
    for flaw, tier, layout in FLAWS:
        for patient_id in numerics:
            recording = plans[patient_id][0]
            if (recording.tier, recording.layout, recording.flaw) == (tier, layout, None):
                if flaw == "few_hours":
                    recording = replace(recording, duration_s=_FEW_HOURS * 3600)
                if flaw == "no_signal":
                    recording = replace(recording, extra="temperature")
                plans[patient_id] = [replace(recording, flaw=flaw)]
                break


def _in_two(rng: np.random.Generator, whole: Recording) -> list[Recording]:
    """Return two recordings with 1-4 h between them; a flawed one stays alone."""
    if whole.flaw is not None or whole.duration_s < 16 * 3600:
        return [whole]
    first_s = 60.0 * int(whole.duration_s * rng.uniform(0.4, 0.6) / 60)
    gap_s = 60.0 * int(rng.integers(60, 240))
    second = replace(
        whole,
        recording_id=whole.patient_id + "_r2",
        start_s=whole.start_s + first_s + gap_s,
        duration_s=whole.duration_s - first_s - gap_s,
    )
    return [replace(whole, duration_s=first_s), second]


def cut_at_death(recordings: list[Recording], *, death_h: float | None) -> list[Recording]:
    """Return the recordings as far as the patient lived, in whole minutes; none under 1 h."""
    if death_h is None:
        return recordings
    cut = []
    for recording in recordings:
        left_s = 60.0 * int((death_h * 3600 - recording.start_s) / 60)
        if left_s < min(recording.duration_s, 3600.0):
            continue
        duration_s = min(recording.duration_s, left_s)
        gap_s = recording.gap_s
        if gap_s is not None and gap_s[1] >= duration_s:
            gap_s = (duration_s - 1800, duration_s - 1500)
        cut.append(replace(recording, duration_s=duration_s, gap_s=gap_s))
    return cut
