"""The tables that stand beside a model's estimates, for its page and the report alike."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.contracts.columns import unit_words
from icpcohort.report.tables import model_words
from icpcohort.report.tables.grid import Grid, words_of
from icpcohort.report.tables.model_words import (
    Columns,
    column_words,
    plain,
    term_words,
    words_of_outcome,
)
from icpcohort.report.tables.numbers import (
    MINUS,
    MISSING,
    format_estimate,
    format_number,
    format_p,
)
from icpcohort.study.families import EFFECTS, FAMILIES

N_CURVE_ROWS = 9  # of the points of a curve, as many are written out
EXPECTED_WORDS = {  # what a model expects of a patient, and the caption of the table
    "risk": ("Risk", "Absolute risks"),
    "mean": ("Mean", "Means at the exposure"),
    "count": ("Expected count", "Expected counts at the exposure"),
}
MEASURE_WORDS = {
    "c_statistic": "c statistic",
    "brier": "Brier score",
    "calibration_intercept": "Calibration intercept",
    "calibration_slope": "Calibration slope",
}


def overview(
    plans: Mapping[str, Mapping[str, Any]],
    fits: Mapping[str, Mapping[str, pl.DataFrame]],
    *,
    columns: Columns,
) -> Grid:
    """Return the exposure of every model in one row, unadjusted and adjusted."""
    rows = []
    for name, plan in plans.items():
        exposure = model_words.exposure_words(str(plan["exposure"]), columns).removeprefix(
            "the "
        )
        estimates = fits["estimates"].get(name, store.empty(contracts.ESTIMATES))
        of_fits = {
            row["adjustment"]: row
            for row in estimates.filter(pl.col("term") == plan["exposure"]).to_dicts()
        }
        rows.append(
            [
                words_of(name, columns),
                f"{exposure}, per {plan['unit_of_effect']:g}",
                model_words.outcome_words(plan, columns),
                *_effect_and_p(of_fits.get("unadjusted"), plan),
                *_effect_and_p(of_fits.get("adjusted"), plan),
                model_words.counts(next(iter(of_fits.values()))) if of_fits else MISSING,
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


def risks(table: pl.DataFrame, *, plan: Mapping[str, Any], columns: Columns) -> Grid:
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
                _risk_of(row["outcome"], columns),
                f"{row['exposure_value']:g}",
                row["adjustment"],
                format_estimate(row["risk"], row["ci_low"], row["ci_high"]),
                "reference" if first else format_estimate(row["difference"], *limits),
                format_number(row["n"], decimals=0),
            ]
        )
    value = exposure_heading(plan, columns)
    what, caption = EXPECTED_WORDS[FAMILIES[str(plan["family"])].outcome.expected]
    head = ["Outcome", value, "Fit", f"{what} (95 % CI)", "Difference (95 % CI)", "n"]
    note = (
        "Mean over the patients of the fit, had every one of them the stated exposure; the "
        "difference is against the first value. It describes these patients; what a changed "
        "exposure would bring is not known."
    )
    return Grid(caption, head, rows, note)


def alternatives(table: pl.DataFrame, *, plan: Mapping[str, Any], columns: Columns) -> Grid:
    """Return the exposure in every fit beside the main one (`contracts.ALTERNATIVES`)."""
    rows = [
        [
            _other_fit(row, columns),
            row["adjustment"],
            format_estimate(row["effect"], row["effect_ci_low"], row["effect_ci_high"])
            if row["reason"] is None
            else f"not reported: {model_words.plain(row['reason'], columns)}",
            format_p(row["p"]),
            model_words.counts(row),
        ]
        for row in table.filter(term=plan["exposure"])
        .sort("adjustment", "analysis", descending=[True, False])
        .to_dicts()
    ]
    head = ["Analysis", "Fit", f"{_measure(table)} (95 % CI)", "p", "n"]
    note = (
        f"Of the exposure, per {plan['unit_of_effect']:g} more: "
        f"{exposure_heading(plan, columns)}. "
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


def curve(table: pl.DataFrame, *, plan: Mapping[str, Any], columns: Columns) -> Grid:
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
    head = [exposure_heading(plan, columns), "Fit", f"{_measure(table)} (95 % CI)"]
    note = f"Against the median, {against}. The limits hold for each point by itself."
    return Grid("Along the curve", head, rows, note)


def comparisons(table: pl.DataFrame, *, columns: Columns) -> Grid:
    """Return the p values adjusted for each group, beside their estimates."""
    rows = [
        [
            words_of(row["model"], columns),
            words_of(row["group"], columns),
            f"{model_words.exposure_words(row['term'], columns)}, {row['adjustment']}",
            format_estimate(row["effect"], row["effect_ci_low"], row["effect_ci_high"]),
            model_words.counts(row),
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


def _risk_of(outcome: str, columns: Columns) -> str:
    return model_words.plain(outcome, columns).replace("<=", "\u2264").replace(">=", "\u2265")


def _other_fit(row: Mapping[str, Any], columns: Columns) -> str:
    """Return the name of a companion in words: a cut of a score, a subgroup, or as it is."""
    if row["subgroup"] is not None:
        return f"{column_words(row['subgroup'], columns)}: {row['subgroup_level']}"
    return _risk_of(row["analysis"], columns).replace("shift -", f"shift {MINUS}")


def exposure_heading(plan: Mapping[str, Any], columns: Columns) -> str:
    """Return the exposure of a plan in words, with a capital letter."""
    words = model_words.exposure_words(str(plan["exposure"]), columns).removeprefix("the ")
    return model_words.upper_first(words)


def _measure(table: pl.DataFrame) -> str:
    """Return what the effects of a table are called."""
    scale = next((one for one in table["scale"] if one in model_words.EFFECT_WORDS), "")
    return model_words.EFFECT_WORDS.get(scale, "effect").capitalize()


QUANTITY_WORDS = {
    "c_statistic": "c statistic",
    "e_value": "E-value of the estimate",
    "e_value_limit": "E-value of the nearer limit",
    "log_likelihood_null": "log likelihood without terms",
    "max_influence_se": "largest influence of one patient, in standard errors",
    "max_missing_information": "largest fraction of missing information",
    "max_variance_inflation": "largest variance inflation factor",
    "mcfadden_r2": "McFadden R2",
    "outcome_sd": "standard deviation of the outcome",
    "r_squared": "R squared",
    "unit_per_range": "unit of the effect per range of the exposure",
}
DECIMALS = {"count": 0, "percent": 0, "per_parameter": 1}  # of a value by its `number`


def estimates(
    table: pl.DataFrame,
    *,
    plan: Mapping[str, Any],
    diagnostics: pl.DataFrame,
    columns: Columns,
) -> Grid:
    """Return the effects of one model, unadjusted and adjusted side by side.

    `table` keeps `contracts.ESTIMATES`, `diagnostics` names the reference levels; `plan` is
    the model's block of the analysis plan.
    """
    shown = table.filter(pl.col("scale").is_in(list(EFFECTS)))
    exposure = str(plan["exposure"])
    terms = shown.unique("term").sort(pl.col("variable") != exposure, "term")
    rows = []
    for term in terms.to_dicts():
        name = term["term"]
        per = (
            f", per {plan['unit_of_effect']:g}" if name == exposure else _per_one(term, columns)
        )
        cells = [
            cell
            for fit in ("unadjusted", "adjusted")
            for cell in _effect_cells(shown, name, fit)
        ]
        rows.append([f"{term_words(term, columns)}{per}", *cells])
    head = [
        "Term",
        "Unadjusted (95 % CI)",
        "p",
        "n / events",
        "Adjusted (95 % CI)",
        "p",
        "n / events",
    ]
    curved = (
        "The exposure is a curve and has no single row. " if plan.get("curve_knots") else ""
    )
    note = (
        f"{curved}Only the exposure answers the question of the model; the other rows adjust, "
        "and have no reading of their own. An en dash: the term is not in that fit. "
        "Events are the patients with the outcome. Intercepts and thresholds are in "
        f"estimates.parquet.{_references(diagnostics, columns)}"
    )
    return Grid("Estimates, unadjusted and adjusted", head, rows, note)


def _per_one(term: Mapping[str, Any], columns: Columns) -> str:
    """Return the unit of an adjustment that has a slope; empty for a level, flag or text."""
    column = columns.get(term["variable"])
    if column is None or not column.dtype.is_numeric() or term["level"] is not None:
        return ""
    unit = unit_words(column.unit)
    is_in_words = not unit or unit in term_words(term, columns)
    return ", per 1" if is_in_words else f", per 1 ({unit})"


def _references(diagnostics: pl.DataFrame, columns: Columns) -> str:
    """Return the level that the levels of each category stand against."""
    rows = diagnostics.filter(kind="reference").sort("quantity")
    of_each = dict(rows.select("variable", "verdict").iter_rows())
    words = [f"{column_words(name, columns)}: {level}" for name, level in of_each.items()]
    return f" Reference levels: {'; '.join(words)}." if words else ""


def _effect_cells(shown: pl.DataFrame, term: str, fit: str) -> list[str]:
    fits = shown.filter(term=term, adjustment=fit).to_dicts()
    if not fits:
        return [MISSING, MISSING, MISSING]
    row = fits[0]
    words = format_estimate(row["effect"], row["effect_ci_low"], row["effect_ci_high"])
    events = "" if row["n_events"] is None else f" / {row['n_events']}"
    return [words, format_p(row["p"]), f"{format_number(row['n'], decimals=0)}{events}"]


def diagnostics(table: pl.DataFrame, *, columns: Columns) -> Grid:
    """Return what says how far a fit can be trusted (`contracts.DIAGNOSTICS`)."""
    rows = [
        [
            _quantity_words(row, columns),
            row["adjustment"],
            _value_words(row),
            plain(row["verdict"], columns) if row["verdict"] else MISSING,
        ]
        for row in table.sort("quantity", "adjustment", descending=[False, True]).to_dicts()
    ]
    return Grid("Diagnostics", ["Quantity", "Fit", "Value", "What follows"], rows, "")


def _quantity_words(row: Mapping[str, Any], columns: Columns) -> str:
    """Return what a diagnostic looked at, and what it is about."""
    kind, about = row["kind"], row["variable"]
    if about is None:
        return QUANTITY_WORDS.get(kind, words_of(kind))
    if kind == "reference":
        return f"reference level: {column_words(about, columns)}"
    if kind == "n_with_level":
        known = words_of_outcome(about, columns)
        return f"n with {known} of {row['level']}" if known else words_of(row["quantity"])
    return f"{words_of(kind)}: {term_words(row, columns)}"


def _value_words(row: Mapping[str, Any]) -> str:
    """Return a value with as many digits as its kind of number deserves."""
    value, number = row["value"], row["number"]
    if value is not None and number == "yes_no":
        return "yes" if value else "no"
    if number == "p":
        return format_p(value)
    return format_number(value, decimals=DECIMALS.get(number, 2))


def model_flow(table: pl.DataFrame, *, columns: Columns) -> Grid:
    """Return the way from the cohort to the rows of the fit (`contracts.MODEL_FLOW`)."""
    rows = [
        [
            _step_words(row, columns),
            *(str(row[name]) for name in ("n_in", "n_dropped", "n_out")),
            words_of(row["reason"], columns) if row["n_dropped"] else MISSING,
        ]
        for row in table.sort("step").to_dicts()
    ]
    head = ["Step", "Before, n", "Left, n", "After, n", "Reason"]
    return Grid("From the cohort to the fit", head, rows, "")


def not_in_fit(table: pl.DataFrame, *, columns: Columns) -> str:
    """Return why the fit has fewer patients than the window (`contracts.MODEL_FLOW`)."""
    steps = table.sort("step").to_dicts()
    if not steps:
        return ""
    n_in, n_out = steps[0]["n_in"], steps[-1]["n_out"]
    left = [
        f"{row['n_dropped']} {_reason_words(row, columns)}" for row in steps if row["n_dropped"]
    ]
    why = f"; not in it: {', '.join(left)}" if left else ""
    return f" {n_out} of {n_in} patients of the window are in the fit{why}."


def _reason_words(step: Mapping[str, Any], columns: Columns) -> str:
    """Return why patients left; a missing adjustment value is named by its column."""
    if step["role"] == "adjustment":
        return f"without {column_words(step['variable'], columns)}"
    if step["role"] == "exposure":
        return "without exposure"
    return words_of(step["reason"] or "no_reason_noted", columns)


def _step_words(step: Mapping[str, Any], columns: Columns) -> str:
    """Return a step in words, with what must be known."""
    name = step["variable"]
    if name is None:
        return str(step["name"])
    words = words_of_outcome(name, columns) or column_words(name, columns)
    return f"{model_words.upper_first(words)} is known"
