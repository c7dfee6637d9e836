"""An invented cohort of 104 patients in every table that the report reads.

The values are drawn, with a fixed seed, to be spread as in a published cohort; they were never
measured, and no result may be read from them.
"""

import numpy as np
import polars as pl
from published_settings import DECLARED, PUBLISHED

from icpcohort import contracts
from icpcohort.contracts import burden_columns, store
from icpcohort.exposures import intensity_duration
from icpcohort.report import reads
from icpcohort.report.tables import table_one
from icpcohort.specifications import joint_test, shares

WINDOWS = {"first_24_h": 24.0, "first_72_h": 72.0}
MAIN_WINDOW = "first_72_h"
OF_MMHG = {"dose": "dose_mmhg_h", "dose_per_h": "dose_per_h_mmhg"}  # names of wide columns


def frame_of(columns, table):
    """Return a table of the contract; columns that are not given are null."""
    n = max(len(values) for values in columns.values())
    frame = pl.DataFrame(
        {name: columns.get(name, [None] * n) for name in table.columns},
        schema={name: column.dtype for name, column in table.columns.items()},
        strict=False,
    )
    store.check(frame, table, table.path)
    return frame


def _some(draw, values, *, missing):
    return [None if draw.random() < missing else v for v in values]


def make_patients(n, *, seed):
    draw = np.random.default_rng(seed)
    motor = draw.choice(
        ["1", "2", "3", "4", "5", "6", "untestable"],
        n,
        p=[0.18, 0.08, 0.1, 0.14, 0.3, 0.1, 0.1],
    )
    gose = draw.choice(range(1, 9), n, p=[0.22, 0.03, 0.17, 0.12, 0.14, 0.12, 0.12, 0.08])
    columns = {
        "patient_id": [f"p{i:03d}" for i in range(1, n + 1)],
        "centre": draw.choice(["north", "south"], n).tolist(),
        "age_years": draw.gamma(6, 7.5, n).clip(16, 89).round(1).tolist(),
        "sex": draw.choice(["male", "female"], n, p=[0.76, 0.24]).tolist(),
        "gcs_total": draw.integers(3, 12, n).tolist(),
        "gcs_motor": _some(draw, motor.tolist(), missing=0.03),
        "pupils_reactive": _some(
            draw, draw.choice([0, 1, 2], n, p=[0.15, 0.15, 0.7]).tolist(), missing=0.04
        ),
        "hypoxia": _some(draw, (draw.random(n) < 0.2).tolist(), missing=0.1),
        "hypotension": (draw.random(n) < 0.15).tolist(),
        "marshall_class": draw.integers(2, 7, n).tolist(),
        "traumatic_sah": (draw.random(n) < 0.5).tolist(),
        "glucose_mmol_l": _some(draw, draw.normal(8.5, 2.5, n).round(1).tolist(), missing=0.2),
        "haemoglobin_g_dl": draw.normal(12.5, 2.0, n).round(1).tolist(),
        "gose_6m": _some(draw, gose.tolist(), missing=0.1),
    }
    return frame_of(columns, contracts.patients(DECLARED))


def make_outcomes(patients, *, seed):
    draw = np.random.default_rng(seed)
    gose = patients["gose_6m"].to_list()
    risk = draw.beta(2, 2, patients.height).round(3).tolist()
    columns = {
        "patient_id": patients["patient_id"].to_list(),
        "gose_6m": gose,
        "gose_6m_merged": [None if g is None else max(g, 3) if g > 1 else 1 for g in gose],
        "unfavourable": [None if g is None else g <= 4 for g in gose],
        "dead": [None if g is None else g == 1 for g in gose],
        "impact_core_unfavourable": risk,
        "impact_core_mortality": [r / 2 for r in risk],
        "rotterdam": draw.integers(1, 7, patients.height).tolist(),
        "impact_core_logit": [float(np.log(r / (1 - r))) for r in risk],
    }
    return frame_of(columns, contracts.outcomes(DECLARED))


def make_recordings(patients, *, seed):
    draw = np.random.default_rng(seed)
    n = patients.height
    tier = draw.choice(["waveform", "ten_seconds", "minutes"], n, p=[0.15, 0.7, 0.15]).tolist()
    excluded = set(draw.choice(n, 4, replace=False).tolist()) if n > 4 else {0}
    columns = {
        "recording_id": [f"r{i:03d}" for i in range(1, n + 1)],
        "patient_id": patients["patient_id"].to_list(),
        "path": [f"recordings/r{i:03d}.csv" for i in range(1, n + 1)],
        "format": ["csv"] * n,
        "tier": [None if i in excluded else t for i, t in enumerate(tier)],
        "status": ["excluded" if i in excluded else "used" for i in range(n)],
        "reason": ["truncated" if i in excluded else None for i in range(n)],
    }
    return frame_of(columns, contracts.recordings({}))


def make_excluded(recordings):
    left_out = recordings.filter(pl.col("status") == "excluded")
    columns = {
        "stage": ["recordings"] * left_out.height,
        "patient_id": left_out["patient_id"].to_list(),
        "recording_id": left_out["recording_id"].to_list(),
        "reason": left_out["reason"].to_list(),
        "detail": ["The file ends before its header says; copy it again"] * left_out.height,
    }
    return frame_of(columns, contracts.EXCLUDED)


def make_quality(recordings, *, seed):
    draw = np.random.default_rng(seed)
    rows = []
    used = recordings.filter(pl.col("status") == "used")
    for patient, tier in used.select("patient_id", "tier").iter_rows():
        recorded_s = float(draw.uniform(20, 110) * 3600)
        for signal in ("icp", "abp"):
            masked_s = recorded_s * float(draw.beta(1.5, 20))
            missing_s = recorded_s * float(draw.beta(1.5, 30))
            rows.append(
                {
                    "patient_id": patient,
                    "signal": signal,
                    "tier": tier,
                    "recorded_s": recorded_s,
                    "valid_s": recorded_s - masked_s - missing_s,
                    "masked_s": masked_s,
                    "missing_s": missing_s,
                    "n_gaps": 3,
                    "longest_gap_s": missing_s / 2,
                    "negative_s": 60.0,
                }
            )
    return frame_of({name: [row[name] for row in rows] for name in rows[0]}, contracts.QUALITY)


def make_masked(quality):
    shares = {"range": 0.25, "drain_open": 0.75}
    rows = [
        {
            "patient_id": row["patient_id"],
            "signal": row["signal"],
            "reason": reason,
            "masked_s": share * row["masked_s"],
        }
        for row in quality.iter_rows(named=True)
        for reason, share in shares.items()
    ]
    return frame_of({name: [row[name] for row in rows] for name in rows[0]}, contracts.MASKED)


def make_lags(recordings):
    """Return two parts of every third recording: in step, out of step, not clear, in turn."""
    rows = {name: [] for name in contracts.LAGS.columns}
    kinds = [(0.05, True), (4.2, True), (31.0, False)]
    for number, row in enumerate(recordings.gather_every(3).iter_rows(named=True)):
        lag_s, is_clear = kinds[number % 3]
        for part in range(2):
            values = (
                *(row["patient_id"], *[row["recording_id"]] * 2, 300.0 + 600 * part),
                *(lag_s + 0.1 * part, 0.9 if is_clear else 0.4, 0.3, is_clear, None),
            )
            for name, value in zip(rows, values, strict=True):
                rows[name].append(value)
    return frame_of(rows, contracts.LAGS)


def make_suspects(recordings):
    """Return one suspicion for the first of them, one for a whole patient, of other kinds."""
    first, second = recordings.head(2).iter_rows(named=True)
    rows = [
        (first["patient_id"], first["recording_id"], "unit", "icp", 0.0, 7200.0),
        (second["patient_id"], "", "drift", "icp", 0.0, 36000.0),
    ]
    seen = ("ICP is 1.6 mmHg (medians)", "monitor m002 read +9.0 mmHg at removal")
    rows = [(*row, words, "the export") for row, words in zip(rows, seen, strict=True)]
    columns = zip(*rows, strict=True)
    return frame_of(
        dict(zip(contracts.SUSPECTS.columns, map(list, columns), strict=True)),
        contracts.SUSPECTS,
    )


def make_monitors(patients, *, seed):
    draw = np.random.default_rng(seed)
    n = patients.height
    kinds = ["strain_gauge", "fibre_optic", "pneumatic", "ventricular_drain"]
    columns = {
        "monitor_id": [f"m{i:03d}" for i in range(1, n + 1)],
        "patient_id": patients["patient_id"].to_list(),
        "kind": draw.choice(kinds, n, p=[0.5, 0.3, 0.05, 0.15]).tolist(),
        "fixation": draw.choice(["bolt", "tunnelled"], n).tolist(),
        "drift_at_removal_mmhg": _some(
            draw, draw.normal(-0.6, 2.0, n).round(1).tolist(), missing=0.35
        ),
        "haemorrhage": _some(draw, (draw.random(n) < 0.03).tolist(), missing=0.2),
        "infection": (draw.random(n) < 0.02).tolist(),
        "malfunction": (draw.random(n) < 0.06).tolist(),
        "replaced": (draw.random(n) < 0.05).tolist(),
    }
    return frame_of(columns, contracts.MONITORS)


def make_events(patients, *, seed):
    draw = np.random.default_rng(seed)
    n = patients.height // 2
    start_s = draw.uniform(0, 2e5, n)
    ends = (start_s + draw.uniform(600, 9000, n)).tolist()
    events = draw.choice(["drain_open", "rezero", "transport", "craniectomy"], n).tolist()
    columns = {
        "patient_id": patients["patient_id"].to_list()[:n],
        "event": events,
        "start_s": start_s.tolist(),
        "end_s": [None if e == "craniectomy" else t for e, t in zip(events, ends, strict=True)],
    }
    return frame_of(columns, contracts.EVENTS)


def make_curves(patients, *, seed):
    draw = np.random.default_rng(seed)
    rows = []
    for patient in patients["patient_id"].to_list():
        optimum_mmhg, base = draw.normal(74, 7), draw.normal(0.0, 0.15)
        for centre_mmhg in np.arange(42.5, 120, 5):
            n_minutes = int(
                900
                * np.exp(-(((centre_mmhg - optimum_mmhg) / 11) ** 2))
                * draw.uniform(0.5, 1.2)
            )
            if n_minutes >= 20:
                fitted = base + 0.0006 * (centre_mmhg - optimum_mmhg) ** 2
                prx = np.tanh(np.arctanh(np.clip(fitted, -0.9, 0.9)) + draw.normal(0, 0.09))
                numbers = (float(centre_mmhg), n_minutes, float(prx), float(fitted))
                rows.append((patient, "prx", *numbers))
    names = ("patient_id", *contracts.CURVES.columns)
    return pl.DataFrame(rows, schema=names, orient="row")


def make_optima(patients, *, seed):
    draw = np.random.default_rng(seed)
    n = patients.height
    optima = _some(draw, draw.normal(74, 7, n).round(1).tolist(), missing=0.25)
    columns = {
        "patient_id": patients["patient_id"].to_list(),
        "index": ["prx"] * n,
        "cppopt_mmhg": optima,
        "n_minutes": draw.integers(900, 5000, n).tolist(),
        "reason": ["no_minimum_inside" if optimum is None else None for optimum in optima],
    }
    return frame_of(columns, contracts.OPTIMA)


def make_burden(patients, *, seed):
    draw = np.random.default_rng(seed)
    rows = []
    sides = (("icp", "above", (18.0, 20.0, 22.0, 25.0)), ("cpp", "below", (50.0, 60.0, 70.0)))
    for window, hours in WINDOWS.items():
        for i, patient in enumerate(patients["patient_id"].to_list()):
            severity, seen = draw.gamma(0.8, 1.4), i % 17 != 3
            monitored_h = float(hours * draw.uniform(0.5, 0.98))
            for signal, side, thresholds in sides:
                for threshold in thresholds:
                    steps = (threshold - 18) if signal == "icp" else (70 - threshold) / 2
                    dose = max(0.0, float(severity * np.exp(-steps / 3) - 0.05))
                    percent = float(100 * (1 - np.exp(-dose / 3)))
                    rows.append(
                        (patient, window, signal, side, threshold, threshold, "mm[Hg]")
                        + (
                            (
                                dose * monitored_h,
                                monitored_h,
                                dose,
                                percent,
                                int(dose * 9),
                                dose * 40 or None,
                            )
                            if seen
                            else (None,) * 6
                        )
                    )
    return frame_of(
        dict(zip(contracts.BURDEN.columns, zip(*rows, strict=True), strict=True)),
        contracts.BURDEN,
    )


def make_burden_by_state(burden):
    """Give impaired minutes a third of the time and most of the dose, and leave some out."""
    shares = {"prx_above": (0.3, 1.6), "prx_not_above": (0.6, 0.7), "cpp_below_llr": (0.1, 2.0)}
    parts = [
        burden.with_columns(
            pl.lit(state).alias("state"),
            pl.col("monitored_h") * time,
            pl.col("dose") * time * excess,
            pl.col("dose_per_h") * excess,
            (pl.col("percent_time") * excess).clip(0, 100),
        )
        for state, (time, excess) in shares.items()
    ]
    table = contracts.BURDEN_BY_STATE
    made = pl.concat(parts).select(list(table.columns)).sort(table.key)
    store.check(made, table, table.path)
    return made


def make_intensity(patients, *, seed):
    """Count fewer episodes the higher and the longer; every ninth patient has no signal."""
    draw = np.random.default_rng(seed)
    rows = []
    for window, hours in WINDOWS.items():
        for i, patient in enumerate(patients["patient_id"].to_list()):
            monitored_h = float(hours * draw.uniform(0.5, 0.98)) if i % 9 else 0.0
            severity = float(draw.gamma(0.8, 1.4))
            for signal, side, levels in (
                ("cpp", "below", (50.0, 60.0, 70.0)),
                ("icp", "above", (16.0, 20.0, 24.0)),
            ):
                for threshold in levels:
                    far = (70 - threshold) / 5 if signal == "cpp" else (threshold - 16) / 4
                    for duration in (5, 15, 60):
                        n = int(20 * severity * np.exp(-far) * 5 / duration)
                        n = n if monitored_h else None
                        often = None if n is None else n / monitored_h * 24
                        key = (patient, window, signal, side, threshold, duration)
                        rows.append((*key, monitored_h, n, often))
    columns = dict(zip(contracts.INTENSITY.columns, zip(*rows, strict=True), strict=True))
    return frame_of(columns, contracts.INTENSITY).sort(contracts.INTENSITY.key)


def make_summary(patients, *, seed):
    draw = np.random.default_rng(seed)
    n = patients.height
    frames = []
    for window, hours in WINDOWS.items():
        icp = draw.normal(14, 4.5, n).round(2)
        columns = {
            "patient_id": patients["patient_id"].to_list(),
            "window": [window] * n,
            "abp_level_used": ["tragus", "unknown"] * (n // 2) + ["heart"] * (n % 2),
            "monitored_h": (hours * draw.uniform(0.5, 0.98, n)).tolist(),
            "icp_mean_mmhg": icp.tolist(),
            "abp_mean_mmhg": (icp + 72).tolist(),
            "cpp_mean_mmhg": draw.normal(72, 7, n).tolist(),
            "prx_mean": _some(draw, np.tanh(draw.normal(0.05, 0.2, n)).tolist(), missing=0.08),
            "cppopt_yield_percent": _some(
                draw, (100 * draw.beta(4, 4, n)).tolist(), missing=0.08
            ),
            "cppopt_mean_mmhg": _some(draw, draw.normal(74, 6, n).tolist(), missing=0.2),
            "percent_time_within_5_of_cppopt": _some(
                draw, (100 * draw.beta(4, 5, n)).tolist(), missing=0.2
            ),
            "percent_time_below_llr": _some(
                draw, (100 * draw.beta(2, 9, n)).tolist(), missing=0.3
            ),
        }
        frames.append(frame_of(columns, contracts.summary({})))
    return pl.concat(frames)


def make_flow(n, *, lost):
    """Return the account of both windows; `lost` patients leave at each of three steps."""
    names = [
        "Patients of the study",
        "Aged 16 years or more",
        "A usable ICP recording",
        "Alive and in the unit at the landmark",
    ]
    reasons = [None, "under_age", "no_usable_recording", "left_before_landmark"]
    rows = []
    for window in WINDOWS:
        left = n
        for step, (name, reason) in enumerate(zip(names, reasons, strict=True), start=1):
            dropped = 0 if step == 1 else lost
            rows.append((window, step, name, left, left - dropped, dropped, reason))
            left -= dropped
    return frame_of(
        dict(zip(contracts.FLOW.columns, zip(*rows, strict=True), strict=True)), contracts.FLOW
    )


def make_dropped(patients, *, lost):
    steps = {2: "under_age", 3: "no_usable_recording", 4: "left_before_landmark"}
    left = [
        (window, patient, step, steps[step], "See the flow")
        for window in WINDOWS
        for step, patient in zip(
            sorted([*steps] * lost), patients["patient_id"].to_list()[: 3 * lost], strict=True
        )
    ]
    if not left:
        return store.empty(contracts.DROPPED)
    return frame_of(
        dict(zip(contracts.DROPPED.columns, zip(*left, strict=True), strict=True)),
        contracts.DROPPED,
    )


def make_analysis(made, *, lost):
    kept = made["patients"][3 * lost :]
    covariates = kept.drop("gose_6m").join(made["outcomes"], on="patient_id", validate="1:1")
    wide = (
        made["burden"]
        .with_columns(
            stem=pl.format("{}_{}_{}", "signal", "side", pl.col("threshold").cast(pl.Int64()))
        )
        .pivot("stem", index=["patient_id", "window"], values=list(burden_columns.MEASURES))
    )
    wide = wide.rename(
        {
            f"{measure}_{stem}": f"{stem}_{OF_MMHG.get(measure, measure)}"
            for measure in burden_columns.MEASURES
            for stem in (
                "icp_above_18",
                "icp_above_20",
                "icp_above_22",
                "icp_above_25",
                "cpp_below_50",
                "cpp_below_60",
                "cpp_below_70",
            )
        }
    )
    summary = made["summary"].join(wide, on=["patient_id", "window"], validate="1:1")
    nobody = {n: pl.lit(None, c.dtype) for n, c in contracts.SURVIVAL.items()}
    return summary.join(covariates, on="patient_id", validate="m:1").with_columns(**nobody)


def make_monitoring_ends():
    columns = {
        "window": [MAIN_WINDOW] * 2,
        "outcome": ["favourable", "unfavourable"],
        "reason": ["left_unit", "death"],
        "n": [30, 12],
        "n_group": [40, 60],
        "percent": [75.0, 20.0],
        "until_median_h": [61.5, None],
        "until_q1_h": [40.0, None],
        "until_q3_h": [70.0, None],
    }
    return frame_of(columns, contracts.MONITORING_END_BY_OUTCOME)


def make_comparisons():
    columns = {
        "group": ["dose", "dose"],
        "model": ["death_by_yield", "unfavourable_by_dose"],
        "term": ["cppopt_yield_percent", "icp_above_20_dose_per_h_mmhg"],
        "adjustment": ["adjusted", "adjusted"],
        "effect": [None, 1.32],
        "effect_ci_low": [None, 1.01],
        "effect_ci_high": [None, 1.74],
        "p": [None, 0.045],
        "p_adjusted": [None, 0.09],
        "n": [74, 78],
        "n_events": [4, 41],
        "method": ["holm", "holm"],
        "n_tests": [2, 2],
    }
    return frame_of(columns, contracts.COMPARISONS)


def make_whatif():
    """Return 2 x 2 specifications of one question, a changed plan, and what it could show."""
    effects = [1.32, 1.21, 0.97, None]
    specifications = {
        "question": ["dose"] * 4,
        "specification": [1, 2, 3, 4],
        "is_main": [True, False, False, False],
        "exposure": ["icp_above_20_dose_per_h_mmhg", "icp_above_22_dose_per_h_mmhg"] * 2,
        "outcome": ["unfavourable"] * 4,
        "window": [MAIN_WINDOW] * 4,
        "effect": effects,
        "effect_ci_low": [1.01, 0.93, 0.71, None],
        "effect_ci_high": [1.74, 1.58, 1.33, None],
        "n": [78, 78, 70, 9],
        "reason": [None, None, None, "not reported: fewer than 5 events"],
    }
    pairs = [("threshold", "20 mmHg", 0), ("threshold", "22 mmHg", 1)]
    pairs += [("sensor", "as recorded", 0), ("sensor", "2 mmHg high", 1)]
    taken = [(0, 2), (1, 2), (0, 3), (1, 3)]
    options = {
        "question": ["dose"] * 8,
        "specification": [n for n in range(1, 5) for _ in range(2)],
        "choice": [pairs[i][0] for both in taken for i in both],
        "option": [pairs[i][1] for both in taken for i in both],
    }
    table = frame_of(specifications, contracts.SPECIFICATIONS)
    of_options = frame_of(options, contracts.SPECIFICATION_OPTIONS)
    block = {"reason": "It is defensible & tried", "source": "common practice, no source"}
    choices = {
        name: {
            "words": name.capitalize(),
            "main": block | {"label": first},
            "options": [block | {"label": other}],
        }
        for name, first, other in (
            ("threshold", "20 mmHg", "22 mmHg"),
            ("sensor", "as recorded", "2 mmHg high"),
        )
    }
    asked = {"question": "Does dose go with outcome?", "model": "unfavourable_by_dose"}
    asked |= {"choices": choices}
    joint = joint_test.Joint(np.array([2.1]), 1.2, 0.21, 1, 3.0, 0.4, 199)
    changes = {
        "what": ["settings: burden.inequality", "code: burden"],
        "locked": ["strict", "0123"],
        "now": ["or_equal", "4567"],
        "when": ["2026-02-01", None],
        "why": ["A reviewer <asked> for it.", None],
    }
    status = {
        "model": ["unfavourable_by_dose"],
        "status": ["changed after the lock"],
        "n_changes": [2],
        "n_unexplained": [1],
    }
    planned = {
        "model": ["unfavourable_by_dose"] * 4,
        "n": [78, 156, 312, 624],
        "times_now": [1, 2, 4, 8],
        "ci_factor": [1.32, 1.21, 1.15, 1.1],
        "smallest_ratio": [1.48, 1.32, 1.21, 1.15],
    }
    return {
        "specifications": table,
        "specification_options": of_options,
        "specification_choices": shares.of_choices("dose", asked, table, of_options),
        "specification_summary": shares.together("dose", asked, table, of_options, joint=joint),
        "plan_changes": frame_of(changes, contracts.PLAN_CHANGES),
        "plan_status": frame_of(status, contracts.PLAN_STATUS),
        "planning": frame_of(planned, contracts.PLANNING),
    }


def make_tables(n, *, lost, seed):
    """Return every table of the report for `n` patients; 3 x `lost` of them leave."""
    patients = make_patients(n, seed=seed)
    recordings = make_recordings(patients, seed=seed + 1)
    quality = make_quality(recordings, seed=seed + 2)
    made = {
        "patients": patients,
        "recordings": recordings,
        "excluded": make_excluded(recordings),
        "quality": quality,
        "masked": make_masked(quality),
        "lags": make_lags(recordings),
        "suspects": make_suspects(recordings),
        "monitors": make_monitors(patients, seed=seed + 3),
        "events": make_events(patients, seed=seed + 4),
        "curves": make_curves(patients, seed=seed + 5),
        "optima": make_optima(patients, seed=seed + 6),
        "burden": make_burden(patients, seed=seed + 7),
        "summary": make_summary(patients, seed=seed + 8),
        "outcomes": make_outcomes(patients, seed=seed + 9),
        "flow": make_flow(n, lost=lost),
        "dropped": make_dropped(patients, lost=lost),
    }
    made["analysis"] = make_analysis(made, lost=lost)
    made["burden_by_state"] = make_burden_by_state(made["burden"])
    made["intensity"] = make_intensity(patients, seed=seed + 10)
    made["intensity_map"] = intensity_duration.against_outcome(
        made["intensity"],
        made["analysis"],
        score=intensity_duration.score_of("unfavourable", DECLARED["outcomes"]),
        min_patients=10,
    )
    made["transition"] = intensity_duration.transition(made["intensity_map"])
    groups = table_one.groups_of(
        "outcome",
        exposure="prx_mean",
        exposed_above=0.0,
        main_outcome="unfavourable",
        columns=contracts.analysis(DECLARED).columns,
    )
    made["comparisons"] = make_comparisons()
    made |= make_whatif()
    made["monitoring_ends"] = make_monitoring_ends()
    made["table1"] = table_one.table_one(
        made["analysis"],
        main_window=MAIN_WINDOW,
        variables=PUBLISHED["cohort"]["table_one"]["rows"],
        groups=groups,
        columns=contracts.analysis(DECLARED).columns,
    )
    return {name: made[name] for name in reads.TABLES}
