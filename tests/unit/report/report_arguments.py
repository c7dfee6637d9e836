"""The arguments of the report for an invented cohort: settings, plan and invented estimates."""

import runpy
from pathlib import Path

import numpy as np
import polars as pl
from published_settings import DECLARED

from icpcohort import contracts

TABLES = runpy.run_path(str(Path(__file__).with_name("report_tables.py")))
MAIN_WINDOW = TABLES["MAIN_WINDOW"]
make_tables, frame_of = TABLES["make_tables"], TABLES["frame_of"]
SETTINGS = {
    "study": {"title": "Invented cohort", "folder": "study", "time_zero": "injury"},
    "cleaning": {
        "rules": [
            {
                "rule": "range",
                "signal": "icp",
                "min": -10.0,
                "max": 100.0,
                "margin_s": 0,
            }
        ]
    },
    "reactivity": {"n_blocks": 30, "fisher_clip": 0.999, "not_during": ["drain_open"]},
    "burden": {
        "thresholds": {
            "icp": {"above": [18.0, 20.0, 22.0, 25.0]},
            "cpp": {"below": [50.0, 60.0, 70.0]},
        },
        "impaired_above": 0.25,
    },
    "windows": {
        "first_24_h": {"start_h": 0.0, "end_h": 24.0, "min_monitored_h": 6.0},
        "first_72_h": {"start_h": 0.0, "end_h": 72.0, "min_monitored_h": 12.0},
    },
    "cohort": {"main_window": MAIN_WINDOW, "main_outcome": "unfavourable"},
    **DECLARED,
}
MODELS = {
    "unfavourable_by_dose": {
        "question": "Does ICP dose above 20 mmHg go with an unfavourable outcome?",
        "family": "logistic",
        "outcome": "unfavourable",
        "window": MAIN_WINDOW,
        "exposure": "icp_above_20_dose_per_h_mmhg",
        "unit_of_effect": 1.0,
        "adjust_for": ["impact_core_logit"],
        "as_categories": [],
        "reason": "Known before monitoring began.",
        "missing_data": "complete_cases",
    },
    "gose_by_dose": {
        "question": "Does ICP dose above 20 mmHg go with a worse GOSE?",
        "family": "proportional_odds",
        "outcome": "gose_6m_merged",
        "window": MAIN_WINDOW,
        "exposure": "icp_above_20_dose_per_h_mmhg",
        "unit_of_effect": 1.0,
        "adjust_for": ["age_years"],
        "as_categories": [],
        "reason": "A strong known predictor.",
        "missing_data": "complete_cases",
    },
    "death_by_yield": {
        "question": "Does CPPopt yield go with death?",
        "family": "logistic",
        "outcome": "dead",
        "window": MAIN_WINDOW,
        "exposure": "cppopt_yield_percent",
        "unit_of_effect": 10.0,
        "adjust_for": ["impact_core_logit"],
        "as_categories": [],
        "reason": "Known before monitoring began.",
        "missing_data": "complete_cases",
    },
}
CURVED = MODELS["unfavourable_by_dose"] | {"curve_knots": 3}
VERSIONS = {"icpcohort": "0.1.0", "python": "3.11.7", "polars": "2.1.0"}
METHODS = {
    "Signals and artefacts": "Minutes <b>during</b> an open drain & after "
    "craniectomy were left out.",
    "Burden": "Burden was added up by the rectangle rule.",
}


def _fit_rows(adjustment, exposure, effect, others, *, n, n_events):
    """Return rows of ESTIMATES from pairs of log odds ratio and standard error."""
    rows = [(adjustment, "intercept", -0.4, 0.2, "log_odds")]
    rows += [
        (adjustment, term, *values, "log_or")
        for term, values in {exposure: effect, **others}.items()
    ]
    full = []
    for name, term, estimate, se, scale in rows:
        if estimate is None:
            numbers = [None] * 5
            effects = [None] * 3
        else:
            numbers = [estimate, se, estimate - 1.96 * se, estimate + 1.96 * se, 0.03]
            effects = (
                [None] * 3
                if scale == "log_odds"
                else [float(np.exp(numbers[i])) for i in (0, 2, 3)]
            )
        column = None if term == "intercept" else term
        fields = (column, None, None, None, None)
        full.append((name, term, *fields, *numbers, None, None, scale, *effects, n, n_events))
    return full


def make_estimates():
    dose, yields = "icp_above_20_dose_per_h_mmhg", "cppopt_yield_percent"
    models = {
        "unfavourable_by_dose": (
            dose,
            (0.35, 0.13),
            (0.28, 0.14),
            {"impact_core_logit": (0.9, 0.2)},
            78,
            41,
        ),
        "gose_by_dose": (
            dose,
            (0.30, 0.11),
            (0.21, 0.12),
            {"age_years": (0.03, 0.01)},
            77,
            None,
        ),
        "death_by_yield": (
            yields,
            (-0.2, 0.5),
            (None, None),
            {"impact_core_logit": (None, None)},
            74,
            4,
        ),
    }
    estimates = {}
    for name, (exposure, crude, adjusted, others, n, n_events) in models.items():
        rows = _fit_rows("unadjusted", exposure, crude, {}, n=n, n_events=n_events)
        rows += _fit_rows("adjusted", exposure, adjusted, others, n=n, n_events=n_events)
        columns = dict(zip(contracts.ESTIMATES.columns, zip(*rows, strict=True), strict=True))
        estimates[name] = frame_of(columns, contracts.ESTIMATES)
    return estimates


def make_diagnostics():
    made = {}
    for name in MODELS:
        reason = "fewer than 5 events" if name == "death_by_yield" else None
        columns = {
            "adjustment": ["unadjusted", "adjusted", "adjusted"],
            "quantity": ["log_likelihood", "log_likelihood", "events"],
            "kind": ["log_likelihood", "log_likelihood", "events"],
            "value": [-50.2, None if reason else -44.1, 4.0 if reason else 41.0],
            "number": ["real"] * 3,
            "verdict": [None, None, f"not reported: {reason}" if reason else None],
            "reason": [None, None, reason],
        }
        made[name] = frame_of(columns, contracts.DIAGNOSTICS)
    return made


def make_model_flows(n):
    columns = {
        "step": [1, 2, 3],
        "name": ["Cohort of the window", "Outcome known", "Exposure known"],
        "n_in": [n, n, n - 9],
        "n_out": [n, n - 9, n - 14],
        "n_dropped": [0, 9, 5],
        "reason": [None, "outcome_unknown", "exposure_missing"],
        "role": [None, "outcome", "exposure"],
    }
    return {name: frame_of(columns, contracts.MODEL_FLOW) for name in MODELS}


def make_curve():
    """Return a curve of 41 points around a median of 1.0, unadjusted and adjusted."""
    points = np.linspace(0.0, 6.0, 41)
    rows = []
    for fit, slope in (("unadjusted", 0.30), ("adjusted", 0.21)):
        for i, x in enumerate(points):
            middle, half = slope * (x - 1) - 0.01 * (x - 1) ** 2, 0.15 * abs(x - 1)
            numbers = (float(np.exp(middle + k * half)) for k in (0, -1, 1))
            rows.append((fit, float(x), 1.0, "log_or", *numbers, max(0, 12 - i)))
    columns = dict(zip(contracts.EXPOSURE_CURVE.columns, zip(*rows, strict=True), strict=True))
    return frame_of(columns, contracts.EXPOSURE_CURVE)


def make_beside():
    """Return what stands beside the main fits: risks, other fits, a prediction."""
    dose = "icp_above_20_dose_per_h_mmhg"
    risks = {
        "adjustment": ["adjusted"] * 2,
        "outcome": ["unfavourable"] * 2,
        "exposure_value": [0.0, 3.0],
        "risk": [0.41, 0.62],
        "ci_low": [0.30, 0.45],
        "ci_high": [0.53, 0.77],
        "difference": [0.0, 0.21],
        "difference_ci_low": [0.0, 0.04],
        "difference_ci_high": [0.0, 0.38],
        "n": [78, 78],
    }
    other = make_estimates()["gose_by_dose"].filter(term=dose)
    no_reason = pl.lit(None, pl.String).alias("reason")
    no_subgroup = [
        pl.lit(None, pl.String).alias(name) for name in ("subgroup", "subgroup_level")
    ]
    analysis = pl.lit("complete cases").alias("analysis")
    alternatives = other.select(analysis, *no_subgroup, pl.all(), no_reason)
    performance = {
        "adjustment": ["adjusted"],
        "measure": ["c_statistic"],
        "apparent": [0.74],
        "optimism": [0.03],
        "corrected": [0.71],
        "ci_low": [0.62],
        "ci_high": [0.80],
        "n_refits": [198],
    }
    return {
        "risks": {"unfavourable_by_dose": frame_of(risks, contracts.RISKS)},
        "alternatives": {"gose_by_dose": alternatives},
        "performance": {"unfavourable_by_dose": frame_of(performance, contracts.PERFORMANCE)},
        "incidence": {"death_by_yield": make_incidence()},
    }


def make_incidence():
    """Return how many of 78 patients had each of two events by two times."""
    columns = {
        "group": ["all patients"] * 4,
        "event": ["death", "death", "discharge", "discharge"],
        "time_h": [720.0, 4383.0] * 2,
        "incidence": [0.11, 0.21, 0.43, 0.74],
        "se": [0.035, 0.046, 0.056, 0.05],
        "ci_low": [0.055, 0.128, 0.318, 0.621],
        "ci_high": [0.192, 0.305, 0.534, 0.824],
        "n_risk": [36, 4] * 2,
        "n_events": [9, 16, 33, 57],
        "n": [78] * 4,
    }
    return frame_of(columns, contracts.CUMULATIVE_INCIDENCE)


def make_fits(n):
    """Return the tables of all models, as the report takes them."""
    tests = frame_of(
        {
            "adjustment": ["unadjusted", "unadjusted", "adjusted", "adjusted"],
            "quantity": ["exposure_p", "nonlinearity_p"] * 2,
            "kind": ["exposure_p", "nonlinearity_p"] * 2,
            "number": ["p"] * 4,
            "value": [0.012, 0.4, 0.03, 0.55],
            "verdict": [None] * 4,
        },
        contracts.DIAGNOSTICS,
    )
    rows = make_estimates()["unfavourable_by_dose"]
    spline = rows.with_columns(
        pl.when(pl.col("scale") == "log_or")
        .then(pl.lit("spline"))
        .otherwise("scale")
        .alias("scale")
    )
    return {
        "estimates": make_estimates() | {"curved_dose": spline},
        "diagnostics": make_diagnostics() | {"curved_dose": tests},
        "flow": make_model_flows(n),
        "curve": {"curved_dose": make_curve()},
        **make_beside(),
    }


def whole_report():
    """Return the arguments of `html_page.build_report`, for the large cohort."""
    return {
        "title": "Invented cohort <script>alert('x')</script>",
        "settings": SETTINGS,
        "models": MODELS | {"curved_dose": CURVED},
        "tables": make_tables(104, lost=4, seed=20),
        "fits": make_fits(92),
        "methods": METHODS,
        "plan": {
            "locked_on": "2026-01-02",
            "was_blinded": True,
            "fingerprint": "0123456789abcdef" * 4,
        },
        "is_blinded": False,
        "versions": VERSIONS,
        "fingerprints": {"patients.csv": "0f" * 32},
    }


def empty_report():
    """Return the same for a study in which every table is empty."""
    whole = whole_report()
    return whole | {
        "tables": {name: frame.clear() for name, frame in whole["tables"].items()},
        "fits": {table: {} for table in whole["fits"]},
    }
