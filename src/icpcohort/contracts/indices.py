"""What minutes become: indices, curves, CPPopt, burden, and the summary of each window."""

from icpcohort.contracts.columns import (
    COUNT,
    FLAG,
    PATIENT_ID,
    REAL,
    T_END_S,
    TEXT,
    WINDOW,
    Column,
    Table,
)

MINUTES = Table(
    "minutes/<patient>.parquet",
    "Minute means and indices of one patient",
    ("t_s",),
    {
        "t_s": T_END_S,
        "tier": Column(TEXT, "", "Tier of the ICP readings; the coarsest, null without one"),
        "abp_level_used": Column(
            TEXT, "", "Level that ABP is of: tragus, heart, unknown, or mixed; null without ABP"
        ),
        "icp_mmhg": Column(REAL, "mm[Hg]", "Mean intracranial pressure of the minute", "ICP"),
        "abp_mmhg": Column(REAL, "mm[Hg]", "Mean arterial blood pressure of the minute", "ABP"),
        "cpp_mmhg": Column(
            REAL, "mm[Hg]", "Mean cerebral perfusion pressure of the minute", "CPP"
        ),
        "amp_mmhg": Column(REAL, "mm[Hg]", "Mean amplitude of the ICP pulse's fundamental"),
        "peak_to_trough_mmhg": Column(REAL, "mm[Hg]", "Mean peak-to-trough amplitude of ICP"),
        "p2_p1_ratio": Column(REAL, "1", "Mean P2 / P1 of the ICP pulse"),
        "p2p1_eligible_s": Column(
            REAL,
            "s",
            "Blocks of the minute in which P2 / P1 was sought",
            formerly="shape_sought_s",
        ),
        "p2p1_found_s": Column(
            REAL, "s", "Blocks of the minute that have P2 / P1", formerly="shape_found_s"
        ),
        "prx": Column(
            REAL,
            "1",
            "Pressure reactivity index: moving correlation of ICP and ABP",
            "PRx",
            decimals=2,
        ),
        "pax": Column(REAL, "1", "Moving correlation of AMP and ABP"),
        "rac": Column(REAL, "1", "Moving correlation of AMP and CPP"),
        "rap": Column(REAL, "1", "Moving correlation of AMP and ICP"),
        "lprx": Column(REAL, "1", "Low-frequency PRx: moving correlation of minute means"),
        "cppopt_mmhg": Column(
            REAL, "mm[Hg]", "Optimal CPP: lowest point of PRx against CPP", "CPPopt"
        ),
        "llr_mmhg": Column(REAL, "mm[Hg]", "Lower limit of reactivity", "LLR"),
        "ulr_mmhg": Column(REAL, "mm[Hg]", "Upper limit of reactivity", "ULR"),
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
        "cpp_mmhg": Column(REAL, "mm[Hg]", "Centre of the CPP bin", "CPP"),
        "n_minutes": Column(COUNT, "min", "Minutes in the bin"),
        "prx": Column(REAL, "1", "Mean PRx of the bin through Fisher z", "PRx", decimals=2),
        "prx_fitted": Column(REAL, "1", "Fitted PRx; null where the curve is not accepted"),
    },
)

OPTIMA = Table(
    "optima.parquet",
    "One row per patient: CPPopt of the whole recording, or why there is none",
    ("patient_id",),
    {
        "patient_id": PATIENT_ID,
        "cppopt_mmhg": Column(REAL, "mm[Hg]", "CPPopt of the whole recording", "CPPopt"),
        "llr_mmhg": Column(REAL, "mm[Hg]", "Lower limit of reactivity of that curve", "LLR"),
        "ulr_mmhg": Column(REAL, "mm[Hg]", "Upper limit of reactivity of that curve", "ULR"),
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
        "chance_yield_percent": Column(REAL, "%", "Mean of that yield over the surrogates"),
        "n_minutes": Column(COUNT, "min", "Minutes with CPP and PRx"),
        "reason": Column(TEXT, "", "Why there is no CPPopt; null when there is one"),
    },
)

BURDEN = Table(
    "burden.parquet",
    "Pressure burden: one row per patient, window, signal, side and threshold",
    ("patient_id", "window", "signal", "side", "threshold_mmhg"),
    {
        "patient_id": PATIENT_ID,
        "window": WINDOW,
        "signal": Column(TEXT, "", "icp or cpp"),
        "side": Column(TEXT, "", "above or below the threshold"),
        "threshold_mmhg": Column(REAL, "mm[Hg]", "Threshold"),
        "dose_mmhg_h": Column(
            REAL, "mm[Hg].h", "Time integral of the excess over the threshold", "Dose"
        ),
        "monitored_h": Column(REAL, "h", "Valid minutes of the signal in the window"),
        "dose_per_h_mmhg": Column(
            REAL,
            "mm[Hg]",
            "Dose / hours that were integrated",
            "Dose per monitored hour",
            decimals=2,
        ),
        "percent_time": Column(
            REAL,
            "%",
            "Share of the valid minutes beyond the threshold",
            "Percent of monitored time",
        ),
        "n_episodes": Column(
            COUNT,
            "",
            "Episodes beyond the threshold, as the settings define them",
            "Number of episodes",
            decimals=1,
        ),
        "longest_episode_min": Column(
            REAL,
            "min",
            "Minutes beyond the threshold in the longest episode; null without one",
            "Longest episode",
        ),
    },
    role="exposure",
)

BURDEN_BY_STATE = Table(
    "burden_by_state.parquet",
    "Pressure burden of the minutes in one state alone; the rest as in `burden.parquet`",
    ("patient_id", "window", "state", "signal", "side", "threshold_mmhg"),
    {
        "patient_id": PATIENT_ID,
        "window": WINDOW,
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
        "patient_id": PATIENT_ID,
        "window": WINDOW,
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
    "One row per patient and window: what a model may use as exposure",
    ("patient_id", "window"),
    {
        "patient_id": PATIENT_ID,
        "window": WINDOW,
        "tier": Column(
            TEXT,
            "",
            "Coarsest tier of the minutes of ICP in the window",
            "Sampling of the recordings",
            role="covariate",
            known="in the window",
        ),
        "abp_level_used": Column(
            TEXT,
            "",
            "Level that ABP is of: tragus, heart, unknown, or mixed; null without ABP",
            role="covariate",
            known="in the window",
        ),
        "monitored_h": Column(
            REAL, "h", "Valid minutes of ICP in the window", "ICP monitored in the window"
        ),
        "icp_mean_mmhg": Column(REAL, "mm[Hg]", "Mean ICP"),
        "abp_mean_mmhg": Column(REAL, "mm[Hg]", "Mean ABP"),
        "cpp_mean_mmhg": Column(REAL, "mm[Hg]", "Mean CPP"),
        "amp_mean_mmhg": Column(REAL, "mm[Hg]", "Mean AMP"),
        "amp_h": Column(REAL, "h", "Minutes with AMP in the window"),
        "peak_to_trough_mean_mmhg": Column(
            REAL, "mm[Hg]", "Mean peak-to-trough amplitude of ICP"
        ),
        "p2_p1_ratio_mean": Column(REAL, "1", "Mean P2 / P1 of the ICP pulse"),
        "p2p1_eligible_h": Column(
            REAL,
            "h",
            "Blocks with a pulse, sampled fast enough for P2 / P1, in the window",
            formerly="shape_sought_h",
        ),
        "p2p1_yield_percent": Column(
            REAL,
            "%",
            "Blocks with P2 / P1 / blocks in which it was sought",
            formerly="shape_yield_percent",
        ),
        "prx_mean": Column(REAL, "1", "Mean PRx", decimals=2),
        "prx_mean_ci_low": Column(
            REAL, "1", "Lower 95 % limit of mean PRx, serial dependence allowed for"
        ),
        "prx_mean_ci_high": Column(
            REAL, "1", "Upper 95 % limit of mean PRx, serial dependence allowed for"
        ),
        "pax_mean": Column(REAL, "1", "Mean PAx", decimals=2),
        "rac_mean": Column(REAL, "1", "Mean RAC", decimals=2),
        "rap_mean": Column(REAL, "1", "Mean RAP", decimals=2),
        "lprx_mean": Column(REAL, "1", "Mean L-PRx", decimals=2),
        "cpp_h": Column(
            REAL, "h", "Minutes with CPP in the window, the denominator of the yield"
        ),
        "prx_h": Column(REAL, "h", "Minutes with PRx in the window"),
        "cppopt_mean_mmhg": Column(REAL, "mm[Hg]", "Mean CPPopt"),
        "cppopt_h": Column(REAL, "h", "Minutes with CPP and CPPopt in the window"),
        "llr_h": Column(REAL, "h", "Minutes with CPP and LLR in the window"),
        "ulr_h": Column(REAL, "h", "Minutes with CPP and ULR in the window"),
        "llr_bins_h": Column(REAL, "h", "Minutes with CPP and the bins' own LLR in the window"),
        "cppopt_yield_percent": Column(
            REAL,
            "%",
            "Minutes with CPPopt / minutes with CPP; null where PRx is impossible",
            "CPPopt yield (% of minutes with CPP)",
        ),
        "delta_cpp_mean_mmhg": Column(
            REAL, "mm[Hg]", "Mean of CPP - CPPopt", "Mean of CPP − CPPopt"
        ),
        "percent_time_within_5_of_cppopt": Column(
            REAL,
            "%",
            "Minutes with |CPP - CPPopt| <= 5 mmHg / minutes with both",
            "Time with CPP within 5 mmHg of CPPopt",
        ),
        "percent_time_over_5_below_cppopt": Column(
            REAL,
            "%",
            "Minutes with CPP - CPPopt < -5 mmHg / minutes with both",
            "Time with CPP over 5 mmHg below CPPopt",
        ),
        "percent_time_over_5_above_cppopt": Column(
            REAL,
            "%",
            "Minutes with CPP - CPPopt > 5 mmHg / minutes with both",
            "Time with CPP over 5 mmHg above CPPopt",
        ),
        "percent_time_below_llr": Column(
            REAL, "%", "Minutes with CPP < LLR / minutes with both", "Time with CPP below LLR"
        ),
        "percent_time_above_ulr": Column(
            REAL, "%", "Minutes with CPP > ULR / minutes with both"
        ),
        "percent_time_below_llr_bins": Column(
            REAL, "%", "Minutes with CPP < the bins' own LLR / minutes with both"
        ),
    },
    role="exposure",
)
