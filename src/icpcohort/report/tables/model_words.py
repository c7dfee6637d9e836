"""What the report says of each model: its table, its diagnostics, and one careful sentence."""

import re
from collections.abc import Mapping
from typing import Any

import polars as pl

from icpcohort import contracts
from icpcohort.exposures import burden
from icpcohort.report.tables.grids import REACTIVITY, Grid, unit_words, words_of
from icpcohort.report.tables.table_one import (
    MISSING,
    VARIABLES,
    format_estimate,
    format_number,
    format_p,
)

# Intercepts, thresholds and the parts of a curve have no effect to show.
NO_EFFECT_SCALES = ("log_odds", "log_risk", "log_hazard", "mean", "threshold", "spline")
NOT_REPORTED = "not reported"  # how the verdict of a withheld fit begins
EFFECT_WORDS = {
    "log_or": "odds ratio",
    "log_hr": "hazard ratio",
    "log_rr": "risk ratio",
    "difference": "difference",
}
OUTCOME_WORDS = {
    "unfavourable": "an unfavourable outcome",
    "unfavourable_sliding": "a GOSE below the cut of the patient's prognostic band",
    "dead": "death",
    "dead_by_horizon": "death by the horizon of the settings",
    "gose_6m": "GOSE",
    "gose_6m_merged": "GOSE (2 and 3 merged)",
    "follow_up_h": "the length of follow-up",
}
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
}
YES_OR_NO = ("reported", "converged")
LABELS = {variable.column: variable.words for variable in VARIABLES}
COUNTED = ("n_", "percent_")  # how the name of a whole number begins


def estimates(
    table: pl.DataFrame, *, plan: Mapping[str, Any], diagnostics: pl.DataFrame
) -> Grid:
    """Return the effects of one model, unadjusted and adjusted side by side.

    `table` keeps `contracts.ESTIMATES`, `diagnostics` names the reference levels; `plan` is
    the model's block of the analysis plan.
    """
    shown = table.filter(~pl.col("scale").is_in(NO_EFFECT_SCALES))
    exposure = str(plan["exposure"])
    order = sorted(set(shown["term"]), key=lambda term: (not term.startswith(exposure), term))
    rows = []
    for term in order:
        per = f", per {plan['unit_of_effect']:g}" if term == exposure else _per_one(term)
        cells = [
            cell
            for fit in ("unadjusted", "adjusted")
            for cell in _effect_cells(shown, term, fit)
        ]
        rows.append([f"{term_words(term)}{per}", *cells])
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
        f"estimates.parquet.{_references(diagnostics)}"
    )
    return Grid("Estimates, unadjusted and adjusted", head, rows, note)


def _per_one(term: str) -> str:
    """Return the unit of an adjustment that has a slope; empty for a level, flag or text."""
    column = contracts.analysis({}).columns.get(term)
    if column is None or not column.dtype.is_numeric():
        return ""
    unit = unit_words(column.unit)
    told = not unit or unit in term_words(term)
    return ", per 1" if told else f", per 1 ({unit})"


def _references(diagnostics: pl.DataFrame) -> str:
    """Return the level that the levels of each category stand against."""
    rows = diagnostics.filter(pl.col("quantity").str.starts_with("reference_"))
    told = dict(rows.sort("quantity").select("quantity", "verdict").iter_rows())
    words = [f"{term_words(q.removeprefix('reference_'))}: {v}" for q, v in told.items()]
    return f" Reference levels: {'; '.join(words)}." if words else ""


def _effect_cells(shown: pl.DataFrame, term: str, fit: str) -> list[str]:
    found = shown.filter(term=term, adjustment=fit).to_dicts()
    if not found:
        return [MISSING, MISSING, MISSING]
    row = found[0]
    words = format_estimate(row["effect"], row["effect_ci_low"], row["effect_ci_high"])
    events = "" if row["n_events"] is None else f" / {row['n_events']}"
    return [words, format_p(row["p"]), f"{format_number(row['n'], decimals=0)}{events}"]


def counts(row: Mapping[str, Any]) -> str:
    """Return the patients of a fit and, where there are any, those with the outcome."""
    n = format_number(row["n"], decimals=0)
    return n if row["n_events"] is None else f"{n} ({row['n_events']} with the outcome)"


def diagnostics(table: pl.DataFrame) -> Grid:
    """Return what says how far a fit can be trusted (`contracts.DIAGNOSTICS`)."""
    rows = [
        [
            _quantity_words(row["quantity"]),
            row["adjustment"],
            _value_words(row["quantity"], row["value"]),
            plain(row["verdict"]) if row["verdict"] else MISSING,
        ]
        for row in table.sort("quantity", "adjustment", descending=[False, True]).to_dicts()
    ]
    return Grid("Diagnostics", ["Quantity", "Fit", "Value", "What follows"], rows, "")


def _quantity_words(quantity: str) -> str:
    kind, _, about = quantity.partition(" ")
    if about:  # one test a term
        return f"{words_of(kind)}: {term_words(about)}"
    if quantity.startswith("reference_"):
        return f"reference level: {term_words(quantity.removeprefix('reference_'))}"
    for outcome, words in OUTCOME_WORDS.items():
        if quantity.startswith(f"n_{outcome}_") and outcome.startswith("gose"):
            level = quantity.removeprefix(f"n_{outcome}_")
            if "_" not in level:
                return f"n with {words} of {level}"
    return QUANTITY_WORDS.get(quantity, words_of(quantity))


def _value_words(quantity: str, value: float | None) -> str:
    """Return a value with as many digits as its kind deserves."""
    kind = quantity.partition(" ")[0]
    if value is not None and kind in YES_OR_NO:
        return "yes" if value else "no"
    if kind.endswith("_p"):
        return format_p(value)
    whole = kind.startswith(COUNTED) or kind.endswith("_df")
    per = kind.endswith("per_parameter")
    return format_number(value, decimals=0 if whole else 1 if per else 2)


def plain(text: str) -> str:
    """Return a sentence with the names of outcomes and covariates in words."""
    covariates = {name: words for name, words in LABELS.items() if "_" in name}
    known = covariates | OUTCOME_WORDS
    names = "|".join(sorted(known, key=len, reverse=True))
    return re.sub(rf"\b({names})\b", lambda found: known[found[0]], text)


def model_flow(table: pl.DataFrame) -> Grid:
    """Return the way from the cohort to the rows of the fit (`contracts.MODEL_FLOW`)."""
    rows = [
        [
            _step_words(row["name"]),
            *(str(row[name]) for name in ("n_in", "n_dropped", "n_out")),
            words_of(row["reason"]) if row["n_dropped"] else MISSING,
        ]
        for row in table.sort("step").to_dicts()
    ]
    head = ["Step", "Before, n", "Left, n", "After, n", "Reason"]
    return Grid("From the cohort to the fit", head, rows, "")


def not_in_fit(table: pl.DataFrame) -> str:
    """Return why the fit has fewer patients than the window (`contracts.MODEL_FLOW`)."""
    steps = table.sort("step").to_dicts()
    if not steps:
        return ""
    n_in, n_out = steps[0]["n_in"], steps[-1]["n_out"]
    left = [f"{row['n_dropped']} {_reason_words(row)}" for row in steps if row["n_dropped"]]
    why = f"; not in it: {', '.join(left)}" if left else ""
    return f" {n_out} of {n_in} patients of the window are in the fit{why}."


def _reason_words(step: Mapping[str, Any]) -> str:
    """Return why patients left; a missing value is named by its column."""
    column, missing, _ = str(step["reason"] or "no_reason_noted").partition("_missing")
    return f"without {term_words(column)}" if missing else words_of(column)


def _step_words(name: str) -> str:
    """Return a step in words; `... is known` begins with the name of a column."""
    column, known, _ = name.partition(" is known")
    if not known:
        return name
    words = OUTCOME_WORDS.get(column) or term_words(column)
    return f"{words[:1].upper()}{words[1:]} is known"


def term_words(term: str) -> str:
    """Return a term of a model in words, with its level."""
    exposure, product, modifier = term.partition(" x ")
    if product:
        return f"{term_words(exposure)} x {term_words(modifier)}"
    name, _, level = term.partition(": ")
    known = contracts.analysis({}).columns
    words = known[name].about if name in known else exposure_words(name).removeprefix("the ")
    words = LABELS.get(name, words)
    return f"{words}: {level}" if level else words


def exposure_words(name: str) -> str:
    """Return an exposure in words with its unit; an unknown name stays as it is."""
    if words := burden.column_words(name):
        return words
    if name in REACTIVITY:
        return f"the {lower_first(REACTIVITY[name][0])}"
    column = contracts.analysis({}).columns.get(name)
    if column is None:
        return name
    unit = unit_words(column.unit)
    return f"{lower_first(column.about)} ({unit})" if unit else lower_first(column.about)


def lower_first(text: str) -> str:
    """Return `text` with a small first letter, unless it begins with an abbreviation."""
    first = text.split(" ", 1)[0]
    return text[:1].lower() + text[1:] if first[1:].islower() else text


def outcome_words(plan: Mapping[str, Any]) -> str:
    """Return the outcome of a plan with its direction."""
    outcome = str(plan["outcome"])
    if plan["family"] == "proportional_odds":
        score = "GOSE" if outcome.startswith("gose") else outcome
        return f"a worse (lower) {score}"
    if plan["family"] == "linear" and outcome.startswith("gose"):
        return "GOSE"
    return OUTCOME_WORDS.get(outcome, words_of(outcome))


def finding(
    plan: Mapping[str, Any],
    *,
    estimates: pl.DataFrame,
    diagnostics: pl.DataFrame,
    curve: pl.DataFrame,
) -> str:
    """Return what a model found, without a word of cause.

    First how the adjusted interval reads, then both estimates with interval, p and n. A fit
    that was withheld is told with the reason from its diagnostics. Whether an interval holds
    "no difference" is judged on the unrounded limits.
    """
    rows = {
        row["adjustment"]: row for row in estimates.filter(term=plan["exposure"]).to_dicts()
    }
    exposure, outcome = exposure_words(plan["exposure"]), outcome_words(plan)
    exposure += _level_words(plan, diagnostics)
    told = []
    for fit in ("adjusted", "unadjusted"):
        row = rows.get(fit)
        if curved := _curve_words(diagnostics, curve, fit=fit):
            told.append(
                f"The {fit} association of {exposure} with {outcome} was fitted as a curve: "
                f"{curved}, n = {counts(row_of(estimates, fit))}."
            )
        elif row is None or row["effect"] is None:
            why = (
                "; ".join(map(plain, reasons(diagnostics, fit=fit)))
                or "no estimate of the exposure"
            )
            told.append(
                f"The {fit} association of {exposure} with {outcome} is not reported: {why}."
            )
        else:
            told += [_reading(row, exposure, outcome)] if fit == "adjusted" else []
            told.append(_fit_words(row, unit_of_effect=plan["unit_of_effect"]))
        told += _interaction_words(plan, diagnostics, fit=fit)
    return " ".join(told)


def _level_words(plan: Mapping[str, Any], diagnostics: pl.DataFrame) -> str:
    """Return the level in which the slope of an interaction's exposure is; else nothing."""
    modifier = plan.get("interaction")
    rows = diagnostics.filter(quantity=f"reference_{modifier}")
    if rows.is_empty():
        return ""
    level = rows["verdict"][0].split(", the most frequent")[0]
    return f" in the level {level} of {lower_first(term_words(str(modifier)))}"


def _interaction_words(
    plan: Mapping[str, Any], diagnostics: pl.DataFrame, *, fit: str
) -> list[str]:
    p = diagnostics.filter(adjustment=fit, quantity="interaction_p")["value"].to_list()
    if not plan.get("interaction") or not p:
        return []
    words = f"p = {format_p(p[0])} for a difference between its levels ({fit})"
    return [f"{words}; the other levels stand beside the main fit.".replace("= <", "< ")]


def row_of(table: pl.DataFrame, fit: str) -> dict[str, Any]:
    """Return any row of a fit, for its n and events."""
    return table.filter(adjustment=fit).row(0, named=True)


def _curve_words(diagnostics: pl.DataFrame, curve: pl.DataFrame, *, fit: str) -> str:
    """Return effects and the two tests of a curved exposure; empty for a straight one."""
    of_fit = diagnostics.filter(adjustment=fit)
    value = dict(of_fit.select("quantity", "value").iter_rows())
    if "nonlinearity_p" not in value:
        return ""
    return (
        f"{_quartile_words(curve.filter(adjustment=fit))}"
        f"p = {format_p(value['exposure_p'])} for the exposure as a whole, "
        f"p = {format_p(value['nonlinearity_p'])} for a departure from a straight line; "
        "its whole course stands with the model"
    ).replace("p = <", "p < ")


def _quartile_words(curve: pl.DataFrame) -> str:
    """Return the effect at the points of a curve nearest to the quartiles of the patients."""
    if curve.is_empty():
        return ""
    share = pl.col("n_nearest").cum_sum() / pl.col("n_nearest").sum()
    along = curve.sort("exposure_value").with_columns(share=share)
    rows = [along.filter(pl.col("share") >= part).row(0, named=True) for part in (0.25, 0.75)]
    told = [
        f"{format_estimate(row['effect'], row['effect_ci_low'], row['effect_ci_high'])} at "
        f"{format_number(row['exposure_value'], decimals=2)}".replace("(", "(95 % CI ", 1)
        for row in rows
    ]
    measure = EFFECT_WORDS.get(rows[0]["scale"], "effect")
    against = format_number(rows[0]["reference_value"], decimals=2)
    return f"{measure} {' and '.join(told)}, against the median {against}; "


def _fit_words(row: Mapping[str, Any], *, unit_of_effect: float) -> str:
    effect = EFFECT_WORDS.get(row["scale"], "effect")
    words = format_estimate(row["effect"], row["effect_ci_low"], row["effect_ci_high"])
    interval = words.replace("(", "(95 % CI ", 1) if row["effect_ci_low"] is not None else words
    p = format_p(row["p"])
    return (
        f"{row['adjustment'].capitalize()} {effect} {interval} per {unit_of_effect:g} more, "
        f"p {p if p.startswith('<') else f'= {p}'}, n = {counts(row)}."
    )


def reasons(diagnostics: pl.DataFrame, *, fit: str) -> list[str]:
    """Return why a fit was withheld, from the verdicts that say so; empty when it was not."""
    verdicts = diagnostics.filter(adjustment=fit).sort("quantity")["verdict"].drop_nulls()
    withheld = [v for v in verdicts if v.lower().startswith(NOT_REPORTED)]
    return list(dict.fromkeys(v[len(NOT_REPORTED) :].strip(" :") for v in withheld))


def _reading(row: Mapping[str, Any], exposure: str, outcome: str) -> str:
    """Return how an interval reads; one without limits says nothing of an association."""
    null = 0.0 if row["scale"] == "difference" else 1.0
    measure = EFFECT_WORDS.get(row["scale"], "effect").removesuffix(" ratio")
    what = outcome if null == 0.0 else f"{measure} of {outcome}"
    low, high = row["effect_ci_low"], row["effect_ci_high"]
    if low is None or high is None:
        return f"No interval could be estimated for {exposure} with {what}."
    if low > null or high < null:
        side = "higher" if row["effect"] > null else "lower"
        limit = format_number(low if low > null else high, decimals=2)
        barely = limit == format_number(null, decimals=2)
        just = f", by an interval that just excludes {null:g}" if barely else ""
        return f"Higher values of {exposure} were associated with {side} {what}{just}."
    return (
        f"No clear association of {exposure} with {what}: the adjusted interval includes "
        f"{null:g}, which does not show that there is none."
    )
