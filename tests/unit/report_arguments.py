"""The arguments of the report for an invented cohort: settings, plan and invented estimates."""

import runpy
from pathlib import Path

import numpy as np

from icpcohort import contracts

TABLES = runpy.run_path(str(Path(__file__).with_name("report_tables.py")))
MAIN_WINDOW = TABLES["MAIN_WINDOW"]
make_tables, frame_of = TABLES["make_tables"], TABLES["frame_of"]
SETTINGS = {
    "study": {"title": "Invented cohort", "folder": "study", "time_zero": "injury"},
    "cleaning": {"rules": [{"rule": "range", "signal": "icp", "min_mmhg": -10.0}]},
    "reactivity": {"n_blocks": 30, "fisher_clip": 0.999, "not_during": ["drain_open"]},
    "burden": {
        "icp_above_mmhg": [18.0, 20.0, 22.0, 25.0],
        "cpp_below_mmhg": [50.0, 60.0, 70.0],
    },
    "windows": {
        "first_24_h": {"start_h": 0.0, "end_h": 24.0, "min_monitored_h": 6.0},
        "first_72_h": {"start_h": 0.0, "end_h": 72.0, "min_monitored_h": 12.0},
    },
    "cohort": {"main_window": MAIN_WINDOW},
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
VERSIONS = {"icpcohort": "0.1.0", "python": "3.11.7", "polars": "2.1.0"}
METHODS = {
    "Signals": "Minutes <b>during</b> an open drain & after craniectomy were left out.",
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
        full.append((name, term, *numbers, None, None, scale, *effects, n, n_events))
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
        verdict = "not reported: fewer than 5 events" if name == "death_by_yield" else None
        columns = {
            "adjustment": ["unadjusted", "adjusted", "adjusted"],
            "quantity": ["log_likelihood", "log_likelihood", "events"],
            "value": [-50.2, None if verdict else -44.1, 4.0 if verdict else 41.0],
            "verdict": [None, None, verdict],
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
    }
    return {name: frame_of(columns, contracts.MODEL_FLOW) for name in MODELS}


def whole_report():
    """Return the arguments of `report.render` but the template, for the large cohort."""
    return {
        "title": "Invented cohort <script>alert('x')</script>",
        "settings": SETTINGS,
        "models": MODELS,
        "tables": make_tables(104, lost=4, seed=20),
        "estimates": make_estimates(),
        "diagnostics": make_diagnostics(),
        "model_flows": make_model_flows(92),
        "methods": METHODS,
        "versions": VERSIONS,
    }


def empty_report():
    """Return the same for a study in which every table is empty."""
    whole = whole_report()
    return whole | {
        "tables": {name: frame.clear() for name, frame in whole["tables"].items()},
        "estimates": {},
        "diagnostics": {},
        "model_flows": {},
    }
