"""What minutes become: indices, curves, CPPopt, burden, and the summary of each window."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from icpcohort.contracts import declared_indices, declared_signals, reactivity_doses
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
    lower_first,
)

_LEVEL = {
    "abp_level_used": Column(
        TEXT, "", "Level that ABP is of: tragus, heart, unknown, or mixed; null without ABP"
    )
}
_PULSE = {
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
}


def minutes(declared: Mapping[str, Any]) -> Table:
    """Return the contract of the minutes of a study.

    Parameters
    ----------
    declared : mapping
        Sections of the settings by their names, those that declare columns: `signals` and
        `derived_signals` (a mean each), `indices` (a column each), and `optimal_cpp.by`
        (CPPopt by each; by the main one with plain names).
    """
    of_each = declared_signals.series(declared)
    recorded = declared_signals.recorded(declared)
    main_signal = of_each[next(iter(recorded))].about.label
    columns = {
        "t_s": T_END_S,
        "tier": Column(
            TEXT, "", f"Tier of the {main_signal} readings; the coarsest, null without one"
        ),
        **(_LEVEL if "abp" in recorded else {}),
        **{
            one.column: replace(
                one.about, about=f"Mean {lower_first(one.about.about)} of the minute"
            )
            for one in of_each.values()
        },
        **(_PULSE if "icp" in recorded else {}),
        **declared_indices.columns(declared),
    }
    for index in declared_indices.by(declared):
        columns |= _cppopt(declared, index)
    return Table(
        "minutes/<patient>.parquet",
        "Minute means and indices of one patient",
        ("t_s",),
        columns,
    )


def _cppopt(declared: Mapping[str, Any], index: str) -> dict[str, Column]:
    """Return the columns of CPPopt by an index; those by the main one have plain names."""
    label = declared_indices.columns(declared)[index].label
    columns = {
        "cppopt_mmhg": Column(
            REAL, "mm[Hg]", f"Optimal CPP: lowest point of {label} against CPP", "CPPopt"
        ),
        "llr_mmhg": Column(REAL, "mm[Hg]", "Lower limit of reactivity", "LLR"),
        "ulr_mmhg": Column(REAL, "mm[Hg]", "Upper limit of reactivity", "ULR"),
        "llr_bins_mmhg": Column(REAL, "mm[Hg]", "Lower limit where the bins themselves cross"),
        "ulr_bins_mmhg": Column(REAL, "mm[Hg]", "Upper limit where the bins themselves cross"),
        "cppopt_edge_fraction": Column(
            REAL, "1", "Share of one-sided curves in the weight of CPPopt"
        ),
    }
    if index == declared_indices.main(declared):
        return columns
    return {
        declared_indices.by_index(name, index): replace(
            column,
            about=column.about if label in column.about else f"{column.about}, by {label}",
            label=f"{column.label} by {label}",
        )
        for name, column in columns.items()
    }


CURVES = Table(
    "curves/<patient>.parquet",
    "An index by CPP over the whole recording of one patient, and the fitted parabola",
    ("index", "cpp_mmhg"),
    {
        "index": Column(TEXT, "", "Index by which CPPopt is sought"),
        "cpp_mmhg": Column(REAL, "mm[Hg]", "Centre of the CPP bin", "CPP"),
        "n_minutes": Column(COUNT, "min", "Minutes in the bin"),
        "index_mean": Column(
            REAL,
            "1",
            "Mean of the index in the bin, on the scale on which it is averaged",
            decimals=2,
            formerly="prx",
        ),
        "index_fitted": Column(
            REAL,
            "1",
            "Fitted index; null where the curve is not accepted",
            formerly="prx_fitted",
        ),
    },
)

OPTIMA = Table(
    "optima.parquet",
    "One row per patient and index: CPPopt of the whole recording, or why there is none",
    ("patient_id", "index"),
    {
        "patient_id": PATIENT_ID,
        "index": Column(TEXT, "", "Index by which CPPopt is sought"),
        "cppopt_mmhg": Column(REAL, "mm[Hg]", "CPPopt of the whole recording", "CPPopt"),
        "llr_mmhg": Column(REAL, "mm[Hg]", "Lower limit of reactivity of that curve", "LLR"),
        "ulr_mmhg": Column(REAL, "mm[Hg]", "Upper limit of reactivity of that curve", "ULR"),
        "llr_bins_mmhg": Column(REAL, "mm[Hg]", "Lower limit where the bins themselves cross"),
        "ulr_bins_mmhg": Column(REAL, "mm[Hg]", "Upper limit where the bins themselves cross"),
        "one_sided": Column(FLAG, "", "Whether CPPopt is the last bin of a one-sided curve"),
        "r_squared": Column(REAL, "1", "Weighted R2 of the parabola"),
        "curvature_z": Column(REAL, "1", "Curvature in its standard errors, also if rejected"),
        "cppopt_asymmetric_mmhg": Column(
            REAL, "mm[Hg]", "Lowest point of a curve that may be steeper on one side"
        ),
        "parabola_bias_mmhg": Column(
            REAL, "mm[Hg]", "CPPopt less that lowest point: what a parabola is off by"
        ),
        "cppopt_ci_low_mmhg": Column(
            REAL, "mm[Hg]", "Lower 95 % limit of CPPopt (bootstrap of the asymmetric curve)"
        ),
        "cppopt_ci_high_mmhg": Column(
            REAL, "mm[Hg]", "Upper 95 % limit of CPPopt (bootstrap of the asymmetric curve)"
        ),
        "ci_upward_fraction": Column(
            REAL, "1", "Resamples whose asymmetric curve rises on both sides / all"
        ),
        "p_chance": Column(
            REAL,
            "1",
            "p of no U: share of surrogates (series decoupled) that rise as steeply",
        ),
        "chance_percent": Column(REAL, "%", "Surrogates with a CPPopt of the whole recording"),
        "chance_cppopt_sd_mmhg": Column(
            REAL, "mm[Hg]", "Standard deviation of CPPopt over these surrogates"
        ),
        "cppopt_yield_percent": Column(REAL, "%", "Minutes with CPPopt / minutes with CPP"),
        "chance_yield_percent": Column(REAL, "%", "Mean of that yield over the surrogates"),
        "p_rolled": Column(
            REAL,
            "1",
            "p of no relation to CPP: share of rolls (index moved along CPP) that rise as "
            "steeply",
        ),
        "rolled_percent": Column(REAL, "%", "Rolls with a CPPopt of the whole recording"),
        "rolled_yield_percent": Column(REAL, "%", "Mean of the minutes' yield over the rolls"),
        "n_minutes": Column(COUNT, "min", "Minutes with CPP and the index"),
        "reason": Column(TEXT, "", "Why there is no CPPopt; null when there is one"),
    },
)

BURDEN = Table(
    "burden.parquet",
    "Burden: one row per patient, window, signal, side and threshold",
    ("patient_id", "window", "signal", "side", "threshold", "upper_threshold"),
    {
        "patient_id": PATIENT_ID,
        "window": WINDOW,
        "signal": Column(TEXT, "", "Declared signal, as icp or cpp"),
        "side": Column(TEXT, "", "above or below the threshold, or outside of two"),
        "threshold": Column(
            REAL,
            "",
            "Threshold, or the lower of two, in the unit of the row",
            formerly="threshold_mmhg",
        ),
        "upper_threshold": Column(
            REAL, "", "The upper of two thresholds; with one, the same as threshold"
        ),
        "unit": Column(TEXT, "", "Unit of the signal and its thresholds (UCUM)"),
        "dose": Column(
            REAL,
            "",
            "Time integral of the excess over the threshold, in the unit of the row times h",
            "Dose",
            formerly="dose_mmhg_h",
        ),
        "monitored_h": Column(REAL, "h", "Valid minutes of the signal in the window"),
        "dose_per_h": Column(
            REAL,
            "",
            "Dose / hours that were integrated, in the unit of the row",
            "Dose per monitored hour",
            decimals=2,
            formerly="dose_per_h_mmhg",
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
    "Burden of the minutes in one state alone; the rest as in `burden.parquet`",
    ("patient_id", "window", "state", "signal", "side", "threshold", "upper_threshold"),
    {
        "patient_id": PATIENT_ID,
        "window": WINDOW,
        "state": Column(
            TEXT,
            "",
            "Of the main index, as prx: prx_above, prx_not_above or prx_unknown; cpp_below_llr,"
            " cpp_not_below_llr or llr_unknown",
        ),
        **{k: v for k, v in BURDEN.columns.items() if k not in ("patient_id", "window")},
    },
)

INTENSITY = Table(
    "intensity.parquet",
    "Episodes of one patient by threshold and least duration",
    ("patient_id", "window", "signal", "threshold", "duration_min"),
    {
        "patient_id": PATIENT_ID,
        "window": WINDOW,
        "signal": Column(TEXT, "", "Declared signal, as icp or cpp"),
        "side": Column(TEXT, "", "above or below the threshold"),
        "threshold": Column(
            REAL, "", "Threshold, in the signal's unit", formerly="threshold_mmhg"
        ),
        "duration_min": Column(COUNT, "min", "Least length of an episode"),
        "monitored_h": Column(REAL, "h", "Valid minutes of the signal in the window"),
        "n_episodes": Column(
            COUNT, "", "Episodes as long or longer; null without valid minutes"
        ),
        "episodes_per_24_h": Column(REAL, "1/d", "Episodes / valid time"),
    },
)

_LEVEL_OF_WINDOW = {
    "abp_level_used": Column(
        TEXT,
        "",
        "Level that ABP is of: tragus, heart, unknown, or mixed; null without ABP",
        role="covariate",
        known="in the window",
    ),
}
_PULSE_OF_WINDOW = {
    "amp_mean_mmhg": Column(REAL, "mm[Hg]", "Mean AMP"),
    "amp_h": Column(REAL, "h", "Minutes with AMP in the window"),
    "peak_to_trough_mean_mmhg": Column(REAL, "mm[Hg]", "Mean peak-to-trough amplitude of ICP"),
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
}
_CPPOPT_OF_WINDOW = {
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
    "percent_time_above_ulr": Column(REAL, "%", "Minutes with CPP > ULR / minutes with both"),
    "percent_time_below_llr_bins": Column(
        REAL, "%", "Minutes with CPP < the bins' own LLR / minutes with both"
    ),
}


def summary(declared: Mapping[str, Any]) -> Table:
    """Return the contract of the summary of each window; see `minutes` for `declared`."""
    of_each = declared_signals.series(declared)
    recorded = declared_signals.recorded(declared)
    first = next(iter(recorded))
    indices = declared_indices.columns(declared)
    by = declared_indices.by(declared)
    main_label = of_each[first].about.label
    columns = {"patient_id": PATIENT_ID, "window": WINDOW, "tier": _tier(main_label)}
    columns |= _LEVEL_OF_WINDOW if "abp" in recorded else {}
    columns["monitored_h"] = Column(
        REAL,
        "h",
        f"Valid minutes of {main_label} in the window",
        f"{main_label} monitored in the window",
    )
    for name, one in of_each.items():
        columns[mean_name(name, one)] = replace(
            one.about, about=f"Mean {one.about.label}", label="", in_full=""
        )
    columns |= _PULSE_OF_WINDOW if "icp" in recorded else {}
    for name, index in indices.items():
        columns[f"{name}_mean"] = Column(REAL, "1", f"Mean {index.label}", decimals=2)
        columns |= _interval_of_mean(name, index.label) if name in by else {}
    for name, one in of_each.items():
        if name != first:
            columns[f"{name}_h"] = _hours_with(one.about.label, is_cpp=name == "cpp")
    for name, index in indices.items():
        columns[f"{name}_h"] = Column(REAL, "h", f"Minutes with {index.label} in the window")
    for name in by:
        columns |= _cppopt_of_window(declared, name)
    columns |= reactivity_doses.of_index(by[0], indices[by[0]].label)
    if reactivity_doses.RAP in indices:
        columns |= reactivity_doses.of_rap(indices[reactivity_doses.RAP].label)
    return Table(
        "summary.parquet",
        "One row per patient and window: what a model may use as exposure",
        ("patient_id", "window"),
        columns,
        role="exposure",
    )


def mean_name(signal: str, one: declared_signals.Series) -> str:
    """Return the summary's column of a signal's mean: `icp_mean_mmhg` of `icp_mmhg`."""
    return f"{signal}_mean{one.column.removeprefix(signal)}"


def _tier(signal: str) -> Column:
    return Column(
        TEXT,
        "",
        f"Coarsest tier of the minutes of {signal} in the window",
        "Sampling of the recordings",
        role="covariate",
        known="in the window",
    )


def _interval_of_mean(index: str, label: str) -> dict[str, Column]:
    return {
        f"{index}_mean_ci_{end}": Column(
            REAL, "1", f"{side} 95 % limit of mean {label}, serial dependence allowed for"
        )
        for end, side in (("low", "Lower"), ("high", "Upper"))
    }


def _hours_with(label: str, *, is_cpp: bool) -> Column:
    about = f"Minutes with {label} in the window"
    return Column(REAL, "h", f"{about}, the denominator of the yield" if is_cpp else about)


def _cppopt_of_window(declared: Mapping[str, Any], index: str) -> dict[str, Column]:
    """Return what a window has of CPPopt by an index; by the main one with plain names."""
    label = declared_indices.columns(declared)[index].label
    columns = (
        _CPPOPT_OF_WINDOW
        | reactivity_doses.OF_CPPOPT
        | {
            "cppopt_yield_percent": Column(
                REAL,
                "%",
                f"Minutes with CPPopt / minutes with CPP; null where {label} is impossible",
                "CPPopt yield (% of minutes with CPP)",
            )
        }
    )
    if index == declared_indices.main(declared):
        return columns
    return {
        summary_by_index(name, index): replace(
            column,
            about=f"{column.about}, by {label}",
            label=f"{column.label}, by {label}",
            in_full="",
        )
        for name, column in columns.items()
    }


def summary_by_index(column: str, index: str) -> str:
    """Return the name that a column of CPPopt has by another index than the main one.

    A column that begins with a unit or ends with none has the index last:
    `percent_time_below_llr_by_rac`.
    """
    if column.startswith("percent_time_"):
        return f"{column}_by_{index}"
    return declared_indices.by_index(column, index)
