"""The tables that stand beside a model's estimates, for its page and the report alike."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.report.tables import model_words as report_models
from icpcohort.report.tables.grids import Grid, words_of
from icpcohort.report.tables.table_one import (
    MINUS,
    MISSING,
    format_estimate,
    format_number,
    format_p,
)

N_CURVE_ROWS = 9  # of the points of a curve, as many are written out
MEASURE_WORDS = {
    "c_statistic": "c statistic",
    "brier": "Brier score",
    "calibration_intercept": "Calibration intercept",
    "calibration_slope": "Calibration slope",
}


def overview(
    plans: Mapping[str, Mapping[str, Any]],
    fits: Mapping[str, Mapping[str, pl.DataFrame]],
) -> Grid:
    """Return the exposure of every model in one row, unadjusted and adjusted."""
    rows = []
    for name, plan in plans.items():
        exposure = report_models.exposure_words(str(plan["exposure"])).removeprefix("the ")
        estimates = fits["estimates"].get(name, store.empty(contracts.ESTIMATES))
        found = {
            row["adjustment"]: row
            for row in estimates.filter(pl.col("term") == plan["exposure"]).to_dicts()
        }
        rows.append(
            [
                words_of(name),
                f"{exposure}, per {plan['unit_of_effect']:g}",
                report_models.outcome_words(plan),
                *_effect_and_p(found.get("unadjusted"), plan),
                *_effect_and_p(found.get("adjusted"), plan),
                report_models.counts(next(iter(found.values()))) if found else MISSING,
            ]
        )
    head = [
        *("Model", "Exposure", "Outcome", "Unadjusted (95 % CI)", "p"),
        *("Adjusted (95 % CI)", "p", "n"),
    ]
    note = (
        "Ratios but for linear models, which give differences. A curve has no single estimate; "
        "its tests stand with the model."
    )
    return Grid("Estimates of the exposure in every model", head, rows, note)


def _effect_and_p(row: Mapping[str, Any] | None, plan: Mapping[str, Any]) -> list[str]:
    if plan.get("curve_knots"):
        return ["a curve", MISSING]
    if row is None or row["effect"] is None:
        return ["not reported", MISSING]
    words = format_estimate(row["effect"], row["effect_ci_low"], row["effect_ci_high"])
    return [words, format_p(row["p"])]


def risks(table: pl.DataFrame, *, plan: Mapping[str, Any]) -> Grid:
    """Return risks, or means, at the stated exposure values (`contracts.RISKS`)."""
    rows = []
    ordered = table.sort(
        "adjustment", "outcome", "exposure_value", descending=[True, False, False]
    )
    for row in ordered.to_dicts():
        limits = (row["difference_ci_low"], row["difference_ci_high"])
        first = row["difference"] == 0 and limits[0] == limits[1]
        rows.append(
            [
                _risk_of(row["outcome"]),
                f"{row['exposure_value']:g}",
                row["adjustment"],
                format_estimate(row["risk"], row["ci_low"], row["ci_high"]),
                "reference" if first else format_estimate(row["difference"], *limits),
                format_number(row["n"], decimals=0),
            ]
        )
    value, what = _exposure(plan), "Mean" if plan["family"] == "linear" else "Risk"
    head = ["Outcome", value, "Fit", f"{what} (95 % CI)", "Difference (95 % CI)", "n"]
    note = (
        "Mean over the patients of the fit, had every one of them the stated exposure; the "
        "difference is against the first value. It describes these patients; what a changed "
        "exposure would bring is not known."
    )
    return Grid(
        "Means at the exposure" if what == "Mean" else "Absolute risks", head, rows, note
    )


def alternatives(table: pl.DataFrame, *, plan: Mapping[str, Any]) -> Grid:
    """Return the exposure in every fit beside the main one (`contracts.ALTERNATIVES`)."""
    rows = [
        [
            _other_fit(row["analysis"]),
            row["adjustment"],
            format_estimate(row["effect"], row["effect_ci_low"], row["effect_ci_high"])
            if row["reason"] is None
            else f"not reported: {report_models.plain(row['reason'])}",
            format_p(row["p"]),
            report_models.counts(row),
        ]
        for row in table.filter(term=plan["exposure"])
        .sort("adjustment", "analysis", descending=[True, False])
        .to_dicts()
    ]
    head = ["Analysis", "Fit", f"{_measure(table)} (95 % CI)", "p", "n"]
    note = (
        f"Of the exposure, per {plan['unit_of_effect']:g} more: {_exposure(plan)}. "
        "Where outcomes were drawn or values imputed, events are those of the first completed "
        "data set."
    )
    return Grid("Beside the main fit", head, rows, note)


def performance(table: pl.DataFrame) -> Grid:
    """Return how well a prediction does (`contracts.PERFORMANCE`)."""
    rows = [
        [
            MEASURE_WORDS.get(row["measure"], words_of(row["measure"])),
            row["adjustment"],
            # an apparent calibration is 0 and 1 but for rounding
            format_number(
                None if row["apparent"] is None else round(row["apparent"], 6), decimals=2
            ),
            format_estimate(row["corrected"], row["ci_low"], row["ci_high"]),
            format_number(row["n_refits"], decimals=0),
        ]
        for row in table.sort("adjustment", "measure", descending=[True, False]).to_dicts()
    ]
    head = ["Measure", "Fit", "Apparent", "Corrected for optimism (95 % CI)", "Refits, n"]
    note = "Patients and events are those of the estimates."
    return Grid("Prediction", head, rows, note)


def curve(table: pl.DataFrame, *, plan: Mapping[str, Any]) -> Grid:
    """Return some points along a curved exposure (`contracts.EXPOSURE_CURVE`)."""
    rows = []
    for _, part in table.sort(
        "adjustment", "exposure_value", descending=[True, False]
    ).group_by("adjustment", maintain_order=True):
        step = max(1, (part.height - 1) // (N_CURVE_ROWS - 1))
        rows += [
            [
                format_number(row["exposure_value"], decimals=2),
                row["adjustment"],
                format_estimate(row["effect"], row["effect_ci_low"], row["effect_ci_high"]),
            ]
            for row in part.gather_every(step).to_dicts()
        ]
    against = format_number(table["reference_value"][0], decimals=2) if table.height else ""
    head = [_exposure(plan), "Fit", f"{_measure(table)} (95 % CI)"]
    note = f"Against the median, {against}. The limits hold for each point by itself."
    return Grid("Along the curve", head, rows, note)


def comparisons(table: pl.DataFrame) -> Grid:
    """Return the p values held over each group, beside their estimates."""
    rows = [
        [
            words_of(row["model"]),
            words_of(row["group"]),
            f"{report_models.exposure_words(row['term'])}, {row['adjustment']}",
            format_estimate(row["effect"], row["effect_ci_low"], row["effect_ci_high"]),
            report_models.counts(row),
            format_p(row["p"]),
            format_p(row["p_adjusted"]),
            f"{row['method'].capitalize()}, {row['n_tests']} tests",
        ]
        for row in table.sort("group", "model").to_dicts()
    ]
    head = ["Model", "Group", "Exposure", "Effect (95 % CI)", "n", "p", "p held", "By"]
    note = (
        "p held: over all models of the group. The interval is for the comparison alone. "
        f"{MISSING}: no estimate; the model still counts as a test of its group."
    )
    return Grid("Models that are tested together", head, rows, note)


def _risk_of(outcome: str) -> str:
    return report_models.plain(outcome).replace("<=", "\u2264")


def _other_fit(analysis: str) -> str:
    """Return the name of a companion in words: a cut of a score, a subgroup, or as it is."""
    column, _, level = analysis.removeprefix("subgroup ").partition(": ")
    if level:
        return f"{report_models.term_words(column)}: {level}"
    return report_models.plain(analysis).replace("<=", "≤").replace("shift -", f"shift {MINUS}")


def _exposure(plan: Mapping[str, Any]) -> str:
    words = report_models.exposure_words(str(plan["exposure"])).removeprefix("the ")
    return words[:1].upper() + words[1:]


def _measure(table: pl.DataFrame) -> str:
    """Return what the effects of a table are called."""
    scale = next((one for one in table["scale"] if one in report_models.EFFECT_WORDS), "")
    return report_models.EFFECT_WORDS.get(scale, "effect").capitalize()
