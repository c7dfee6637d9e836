"""Model words: what the report calls a model's terms and outcome, and one careful sentence."""

import re
from collections.abc import Mapping
from typing import Any

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import burden_columns
from icpcohort.contracts.columns import unit_words
from icpcohort.report.tables import cautions
from icpcohort.report.tables.grid import is_of_reactivity, words_of
from icpcohort.report.tables.numbers import format_estimate, format_number, format_p
from icpcohort.study import plan_cautions
from icpcohort.study.families import EFFECTS, FAMILIES

EFFECT_WORDS = {scale: effect.words for scale, effect in EFFECTS.items()}


Columns = Mapping[str, contracts.Column]  # of the analysis table
FOLLOW_UP = {"follow_up_h": "the length of follow-up"}


def words_of_outcome(name: str, columns: Columns) -> str | None:
    """Return what a finding calls an outcome; None for what is none.

    A scale or a number by its label, all else in full.
    """
    column = columns.get(name)
    if column is None or column.role != "outcome":
        return FOLLOW_UP.get(name)
    return column.label if column.kind in ("score", "count", "number") else column.in_full


def counts(row: Mapping[str, Any]) -> str:
    """Return the patients of a fit and, where there are any, those with the outcome."""
    n = format_number(row["n"], decimals=0)
    return n if row["n_events"] is None else f"{n} ({row['n_events']} with the outcome)"


def plain(text: str, columns: Columns) -> str:
    """Return a sentence with the names of outcomes and covariates in words."""
    covariates = {
        name: column.heading()
        for name, column in columns.items()
        if column.role == "covariate" and "_" in name
    }
    outcomes = {name: words_of_outcome(name, columns) for name in (*FOLLOW_UP, *columns)}
    known = covariates | {name: words for name, words in outcomes.items() if words}
    names = "|".join(sorted(known, key=len, reverse=True))
    return re.sub(rf"\b({names})\b", lambda match: known[match[0]], text)


def term_words(term: Mapping[str, Any], columns: Columns) -> str:
    """Return a term in words, from its fields in `contracts.ESTIMATES` or `DIAGNOSTICS`."""
    if term["part"] is not None:
        return f"{term['variable']} (curve, part {term['part']})"
    words = column_words(term["variable"], columns)
    if term["modifier"] is not None:
        words = f"{words} x {column_words(term['modifier'], columns)}"
    if term["level"] is None:
        return words
    against = f" (reference {term['reference']})" if term["reference"] is not None else ""
    return f"{words}: {term['level']}{against}"


def column_words(name: str, columns: Columns) -> str:
    """Return a column of the analysis table in words."""
    if name in columns and columns[name].role == "covariate":
        return columns[name].heading()
    return exposure_words(name, columns).removeprefix("the ")


def exposure_words(name: str, columns: Columns) -> str:
    """Return an exposure in words with its unit; an unknown name stays as it is."""
    column = columns.get(name)
    if column is None:
        return burden_columns.words(name) or name
    if column.role == "exposure" and column.in_full != column.about:
        return column.in_full
    if is_of_reactivity(name):
        return f"the {lower_first(column.heading())}"
    unit = unit_words(column.unit)
    return f"{lower_first(column.about)} ({unit})" if unit else lower_first(column.about)


def lower_first(text: str) -> str:
    """Return `text` with a small first letter, unless it begins with an abbreviation."""
    first = text.split(" ", 1)[0]
    return text[:1].lower() + text[1:] if first[1:].islower() else text


def upper_first(text: str) -> str:
    """Return `text` with a capital, unless its first word has one already, as mRS has."""
    first = text.split(" ", 1)[0]
    return text if first != first.lower() else text[:1].upper() + text[1:]


def outcome_words(plan: Mapping[str, Any], columns: Columns) -> str:
    """Return the outcome of a plan with its direction."""
    outcome, kind = str(plan["outcome"]), FAMILIES[str(plan["family"])].outcome.kind
    if event := plan.get("event"):
        return words_of(str(event), columns)
    column = columns.get(outcome)
    if column is None:
        return words_of(outcome, columns)
    if kind == "score":
        worse = "higher" if column.better == "lower" else "lower"
        return f"a worse ({worse}) {column.label}"
    return words_of_outcome(outcome, columns) or words_of(outcome, columns)


def finding(
    plan: Mapping[str, Any],
    *,
    estimates: pl.DataFrame,
    diagnostics: pl.DataFrame,
    curve: pl.DataFrame,
    columns: Columns,
    declared: Mapping[str, Any],
) -> str:
    """Return what a model found, without a word of cause.

    First what its plan needs as a caution (`plan_cautions.of_plan`, to which `declared` goes)
    and the standards that the adjusted fit fails, then how its interval reads, then both
    estimates with interval, p and n. A fit that was withheld is named with the
    reason from its diagnostics. Whether an interval holds "no difference" is judged on the
    unrounded limits.
    """
    rows = {
        row["adjustment"]: row for row in estimates.filter(term=plan["exposure"]).to_dicts()
    }
    exposure = exposure_words(plan["exposure"], columns)
    outcome = outcome_words(plan, columns)
    exposure += _level_words(plan, diagnostics, columns)
    sentences = [
        f"{upper_first(_in_words(caution, columns))}."
        for caution in plan_cautions.of_plan(plan, columns=columns, declared=declared)
    ]
    is_adjusted = plan["adjust_for"] or plan.get("time_varying") or plan.get("interaction")
    fits = ("adjusted", "unadjusted") if is_adjusted else ("unadjusted",)
    for fit in fits:
        row = rows.get(fit)
        if curved := _curve_words(diagnostics, curve, fit=fit):
            if fit == fits[0]:
                sentences += [cautions.sentence(diagnostics, fit=fit)]
            sentences.append(
                f"The {fit} association of {exposure} with {outcome} was fitted as a curve: "
                f"{curved}, n = {counts(row_of(estimates, fit))}."
            )
        elif row is None or row["effect"] is None:
            why = (
                "; ".join(plain(why, columns) for why in reasons(diagnostics, fit=fit))
                or "no estimate of the exposure"
            )
            sentences.append(
                f"The {fit} association of {exposure} with {outcome} is not reported: {why}."
            )
        else:
            if fit == fits[0]:
                sentences += [cautions.sentence(diagnostics, fit=fit)]
                sentences += [_reading(row, exposure, outcome, fit=fit)]
            sentences.append(_fit_words(row, unit_of_effect=plan["unit_of_effect"]))
        sentences += _interaction_words(plan, diagnostics, fit=fit)
    return " ".join(filter(None, sentences))


def _in_words(sentence: str, columns: Columns) -> str:
    """Return a sentence with the names of columns in words."""
    names = [name for name in re.findall(r"\w+", sentence) if "_" in name]
    for name in names:
        sentence = sentence.replace(name, column_words(name, columns), 1)
    return sentence


def _level_words(plan: Mapping[str, Any], diagnostics: pl.DataFrame, columns: Columns) -> str:
    """Return the level in which the slope of an interaction's exposure is; else nothing."""
    modifier = plan.get("interaction")
    if modifier is None:
        return ""
    levels = diagnostics.filter(kind="reference", variable=modifier)["level"]
    if levels.is_empty():
        return ""
    return f" in the level {levels[0]} of {lower_first(column_words(modifier, columns))}"


def _interaction_words(
    plan: Mapping[str, Any], diagnostics: pl.DataFrame, *, fit: str
) -> list[str]:
    p = diagnostics.filter(adjustment=fit, quantity="interaction_p")["value"].to_list()
    if not plan.get("interaction") or not p or p[0] is None:
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
    effects = _quartile_words(curve.filter(adjustment=fit))
    if value["exposure_p"] is None:
        few = "too few clusters to test the curve; its whole course stands with the model"
        return f"{effects}{few}"
    return (
        f"{effects}"
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
    effects = [
        f"{format_estimate(row['effect'], row['effect_ci_low'], row['effect_ci_high'])} at "
        f"{format_number(row['exposure_value'], decimals=2)}".replace("(", "(95 % CI ", 1)
        for row in rows
    ]
    measure = EFFECT_WORDS.get(rows[0]["scale"], "effect")
    against = format_number(rows[0]["reference_value"], decimals=2)
    return f"{measure} {' and '.join(effects)}, against the median {against}; "


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
    """Return why a fit was withheld; empty when it was not."""
    rows = diagnostics.filter(adjustment=fit).sort("quantity")
    return rows["reason"].drop_nulls().unique(maintain_order=True).to_list()


def _reading(row: Mapping[str, Any], exposure: str, outcome: str, *, fit: str) -> str:
    """Return how an interval reads; one without limits says nothing of an association."""
    effect = EFFECTS[row["scale"]]
    null, what = effect.none, f"{effect.of} of {outcome}" if effect.is_ratio else outcome
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
        f"No clear association of {exposure} with {what}: the {fit} interval includes "
        f"{null:g}, which does not show that there is none."
    )
