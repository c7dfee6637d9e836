"""What models give: estimates, risks, diagnostics, and Table 1."""

from icpcohort.contracts.cohort import FLOW
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

TERM_FIELDS = {
    "variable": Column(TEXT, "", "Column of the analysis table; null for an intercept"),
    "level": Column(TEXT, "", "Level of that column, or of the modifier; null for a number"),
    "reference": Column(TEXT, "", "Level that `level` stands against"),
    "part": Column(COUNT, "", "Part of a curve, 1 being the straight one; else null"),
    "modifier": Column(
        TEXT, "", "Column whose levels have different slopes of `variable`; else null"
    ),
}

ESTIMATES = Table(
    "models/<model>/estimates.parquet",
    "One row per term of a fitted model, unadjusted and adjusted",
    ("adjustment", "term"),
    {
        "adjustment": Column(TEXT, "", "unadjusted or adjusted"),
        "term": Column(TEXT, "", "Term, as named in the analysis table, with its level"),
        **TERM_FIELDS,
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

PLANNING = Table(
    "tables/planning.parquet",
    "One row per model and number of patients: what such a study would show",
    ("model", "times_now"),
    {
        "model": Column(TEXT, "", "Model of the analysis plan"),
        "n": Column(COUNT, "", "Patients in the fit"),
        "times_now": Column(COUNT, "", "Number of patients as a multiple of this study's"),
        "ci_factor": Column(
            REAL, "1", "Expected ratio of an estimate and a limit of its 95 % interval"
        ),
        "smallest_ratio": Column(
            REAL, "1", "Smallest ratio for the unit of effect that 80 % of studies would find"
        ),
    },
)

ALTERNATIVES = Table(
    "models/<model>/alternatives.parquet",
    "Other fits beside the main one: complete cases, shifted outcomes, single cuts, subgroups",
    ("analysis", "adjustment", "term"),
    {
        "analysis": Column(TEXT, "", "What differs from the main fit"),
        "subgroup": Column(TEXT, "", "Column of a subgroup; null for any other fit"),
        "subgroup_level": Column(TEXT, "", "Level of that column"),
        **ESTIMATES.columns,
        "reason": Column(TEXT, "", "Why there is no estimate; null where there is one"),
    },
)

RISKS = Table(
    "models/<model>/risks.parquet",
    "Absolute risk, or mean, if every patient of the fit had the stated exposure",
    ("adjustment", "outcome", "exposure_value"),
    {
        "adjustment": Column(TEXT, "", "unadjusted or adjusted"),
        "outcome": Column(
            TEXT, "", "Outcome that the risk is of; for a score, at or below each cut"
        ),
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

CUMULATIVE_INCIDENCE = Table(
    "models/<model>/incidence.parquet",
    "How many had each event by each time, the others being events too; empty without an event",
    ("group", "event", "time_h"),
    {
        "group": Column(TEXT, "", "All patients of the fit, or those on one side of the split"),
        "event": Column(TEXT, "", "Event, as named in the outcome"),
        "time_h": Column(REAL, "h", "Time since time zero; follow-up starts at the landmark"),
        "incidence": Column(
            REAL, "1", "Share of the patients with the event by then (Aalen and Johansen)"
        ),
        "se": Column(REAL, "1", "Standard error"),
        "ci_low": Column(
            REAL, "1", "Lower 95 % limit, through log(-log); null while nobody had the event"
        ),
        "ci_high": Column(REAL, "1", "Upper 95 % limit"),
        "n_risk": Column(COUNT, "", "Patients still at risk just before"),
        "n_events": Column(COUNT, "", "Patients with the event by then"),
        "n": Column(COUNT, "", "Patients of the group"),
        "split_value": Column(REAL, "1", "Value of the exposure that divides the groups"),
    },
)

REPEATED_VALUES = Table(
    "repeated_values.parquet",
    "Values that change while a patient is followed: one row per patient, variable and value",
    ("patient_id", "variable", "from_h"),
    {
        "patient_id": PATIENT_ID,
        "variable": Column(TEXT, "", "Variable, as declared"),
        "from_h": Column(REAL, "h", "When the value began, since time zero"),
        "to_h": Column(REAL, "h", "When it ended; null where the next one ends it"),
        "value": Column(REAL, "1", "The value; null where it was not recorded"),
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
        "p_adjusted": Column(
            REAL, "1", "p adjusted for the tests of the group; null without an estimate"
        ),
        "n": Column(COUNT, "", "Patients in the fit"),
        "n_events": Column(COUNT, "", "Patients with the outcome; null where none is counted"),
        "method": Column(TEXT, "", "holm or hochberg"),
        "n_tests": Column(COUNT, "", "Models of the group, those without an estimate too"),
    },
)

DIAGNOSTICS = Table(
    "models/<model>/diagnostics.parquet",
    "One row per quantity that says how far a fit can be trusted",
    ("adjustment", "quantity"),
    {
        "adjustment": Column(TEXT, "", "unadjusted or adjusted"),
        "quantity": Column(TEXT, "", "What was looked at"),
        "kind": Column(TEXT, "", "The same without what it is about, which follows"),
        **TERM_FIELDS,
        "value": Column(REAL, "1", "Its value; null when it is a statement"),
        "number": Column(
            TEXT, "", "What the value is: yes_no, count, percent, p, per_parameter or real"
        ),
        "verdict": Column(TEXT, "", "What follows from it; null when nothing does"),
        "reason": Column(TEXT, "", "Why the fit is not reported; null where it is"),
    },
)

MODEL_FLOW = Table(
    "models/<model>/flow.parquet",
    "From the cohort of the window to the rows of the fit",
    ("step",),
    {name: column for name, column in FLOW.columns.items() if name != "window"}
    | {
        "variable": Column(TEXT, "", "Column that must be known; null for another step"),
        "role": Column(TEXT, "", "Its role: outcome, exposure, clusters or adjustment"),
    },
)

MODEL_DROPPED = Table(
    "models/<model>/dropped.parquet",
    "One row per patient of the cohort who is not in the fit, with the reason",
    ("patient_id",),
    {
        "patient_id": PATIENT_ID,
        "step": Column(COUNT, "", "Step of the model's flow at which the patient left"),
        "reason": REASON,
        "detail": DETAIL,
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
