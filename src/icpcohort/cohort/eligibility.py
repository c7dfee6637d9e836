"""Eligibility: the rules of the settings, as questions to every patient who is left."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

import polars as pl

from icpcohort.study import cohort_rules


class Step(NamedTuple):
    """One question to every patient left; `drop_when` is never null."""

    name: str
    reason: str
    drop_when: pl.Expr
    detail: pl.Expr


def facts(
    recordings: pl.DataFrame, monitors: pl.DataFrame, events: pl.DataFrame
) -> pl.DataFrame:
    """Return what the rules ask of the tables with several rows a patient.

    Parameters
    ----------
    recordings, monitors, events
        Contracts RECORDINGS, MONITORS and EVENTS; of the first only what was used counts.

    Returns
    -------
    DataFrame, one row a patient that any of them names
        `monitoring_start_h` [h] and `monitoring_end_h` [h]: first and last moment of the
        recordings; `monitor_kinds`: the different kinds; `craniectomy_h` [h]: the first one;
        `monitor_removed_h` [h]: the last removal, null while any monitor has none. Null where
        a table has no row of the patient.
    """
    used = recordings.filter(pl.col("status") == "used").group_by("patient_id")
    removed = pl.when(pl.col("removal_h").null_count() == 0).then(pl.col("removal_h").max())
    parts = (
        used.agg(
            monitoring_start_h=pl.col("start_s").min() / 3600,
            monitoring_end_h=pl.col("end_s").max() / 3600,
        ),
        monitors.group_by("patient_id").agg(
            monitor_kinds=pl.col("kind").unique().sort(), monitor_removed_h=removed
        ),
        events.filter(pl.col("event") == "craniectomy")
        .group_by("patient_id")
        .agg(craniectomy_h=pl.col("start_s").min() / 3600),
    )
    first, *others = parts
    for other in others:
        first = first.join(other, on="patient_id", how="full", coalesce=True, validate="1:1")
    return first.sort("patient_id")


def steps_of(rules: Sequence[Mapping[str, Any]], *, window: Mapping[str, float]) -> list[Step]:
    """Return the questions that lead to one window's cohort, in the order of the rules.

    Parameters
    ----------
    rules : sequence of mappings
        `cohort.eligibility` of the settings: each has the `rule` of its kind and the
        parameters of that kind. `if_missing` says whether a patient without the value leaves,
        under a reason of its own, or stays.
    window : start_h, end_h [h], min_monitored_h [h]

    Raises
    ------
    ValueError
        With every line of `cohort_rules.problems`.

    Source: numbers and reasons at each stage: STROBE items 13a and 13b; RECORD item 13.1.
    """
    found = cohort_rules.problems(rules)
    if found:
        raise ValueError("cohort.eligibility: " + "; ".join(found))
    return [step for rule in rules for step in STEPS[rule["rule"]]({**rule, **window})]


# --- one function a kind of rule; it gets the rule's parameters and the window's -------------


def _usable_recording(_: Mapping[str, Any]) -> list[Step]:
    return [
        Step(
            "Usable ICP recording",
            "no_usable_recording",
            ~pl.col("has_recording"),
            pl.lit("no recording could be used; see excluded.parquet"),
        )
    ]


def _age(asked: Mapping[str, Any]) -> list[Step]:
    low, high = asked["min_years"], asked["max_years"]
    age = pl.col("age_years")
    return [
        *_known("Age", "age", age, asked),
        Step(
            f"Age {low:g} to {high:g} years",
            "age_outside",
            _false(~age.is_between(low, high)),
            pl.format("age {} years", age),
        ),
    ]


def _gcs_total(asked: Mapping[str, Any]) -> list[Step]:
    low, high, score = asked["min_score"], asked["max_score"], pl.col("gcs_total")
    return [
        *_known("Glasgow Coma Scale", "gcs", score, asked),
        Step(
            f"Glasgow Coma Scale {low} to {high}",
            "gcs_outside",
            _false(~score.is_between(low, high)),
            pl.format("Glasgow Coma Scale {}", score),
        ),
    ]


def _monitoring_start(asked: Mapping[str, Any]) -> list[Step]:
    start_h, within_h = pl.col("monitoring_start_h"), asked["within_h"]
    return [
        Step(
            f"First recording begins within {within_h:g} h of time zero",
            "monitored_too_late",
            _false(start_h > within_h),
            pl.format("first recording begins at {} h", start_h.round(1)),
        ),
    ]


def _monitor_kind(asked: Mapping[str, Any]) -> list[Step]:
    kinds, allowed = pl.col("monitor_kinds"), asked["kinds"]
    other = kinds.list.eval(~pl.element().is_in(allowed)).list.any()
    return [
        *_known("Kind of monitor", "monitor_kind", kinds, asked),
        Step(
            f"Monitors only of kind {' or '.join(allowed)}".replace("_", " "),
            "other_monitor",
            _false(other),
            pl.format("monitors: {}", kinds.list.join(", ")),
        ),
    ]


def _craniectomy(asked: Mapping[str, Any]) -> list[Step]:
    at_h, when = pl.col("craniectomy_h"), asked["none_before"]
    limit_h = pl.col("monitoring_start_h") if when == "monitoring" else asked["end_h"]
    words = "monitoring" if when == "monitoring" else f"{asked['end_h']:g} h"
    return [
        Step(
            f"No craniectomy before {words}",
            "craniectomy",
            _false(at_h < limit_h),
            pl.format("craniectomy at {} h", at_h.round(1)),
        )
    ]


def _landmark(asked: Mapping[str, Any]) -> list[Step]:
    """Return the questions on death and discharge.

    The landmark is the window's end: who died or left the unit before it is not in the
    analysis, because no exposure of the whole window exists for them (immortal time).

    Source: Anderson 1983, J Clin Oncol 1:710.
    """
    end_h, left_h = asked["end_h"], pl.col("left_unit_h")
    undated = (pl.col("gose_6m") == 1) & pl.col("death_h").is_null()
    return [
        Step(
            "Time of death known, if dead",
            "death_time_unknown",
            _false(undated & (left_h.is_null() | (left_h < end_h))),
            pl.lit("GOSE 1 without the time of death: alive at the landmark or not"),
        ),
        Step(
            f"Alive at {end_h:g} h",
            "died_before_landmark",
            _false(pl.col("death_h") < end_h),
            pl.format("died at {} h", pl.col("death_h")),
        ),
        Step(
            f"In the unit at {end_h:g} h",
            "left_before_landmark",
            _false(left_h < end_h),
            pl.format("left the unit at {} h", left_h),
        ),
    ]


def _monitored_hours(asked: Mapping[str, Any]) -> list[Step]:
    start_h, end_h, min_h = (asked[n] for n in ("start_h", "end_h", "min_monitored_h"))
    return [
        Step(
            f"At least {min_h:g} h of valid ICP between {start_h:g} and {end_h:g} h",
            "monitored_too_short",
            pl.col("monitored_h") < min_h,
            pl.format("{} h monitored", pl.col("monitored_h").round(1)),
        )
    ]


def _covered_share(asked: Mapping[str, Any]) -> list[Step]:
    start_h, end_h, least = asked["start_h"], asked["end_h"], asked["min_fraction"]
    share = pl.col("monitored_h") / (end_h - start_h)
    return [
        Step(
            f"Valid ICP in {100 * least:g} % of the time between {start_h:g} and {end_h:g} h",
            "covered_too_little",
            share < least,
            pl.format("valid in {} % of the window", (100 * share).round(1)),
        )
    ]


def _tier(asked: Mapping[str, Any]) -> list[Step]:
    tier, allowed = pl.col("tier"), asked["tiers"]
    return [
        Step(
            f"Recordings in the window sampled as {' or '.join(allowed)}".replace("_", " "),
            "other_tier",
            ~tier.is_in(allowed).fill_null(False),
            pl.format("sampled as {}", tier.fill_null("nothing").str.replace("_", " ")),
        )
    ]


STEPS: dict[str, Callable[[Mapping[str, Any]], list[Step]]] = {
    "usable_recording": _usable_recording,
    "age": _age,
    "gcs_total": _gcs_total,
    "monitoring_start": _monitoring_start,
    "monitor_kind": _monitor_kind,
    "craniectomy": _craniectomy,
    "landmark": _landmark,
    "monitored_hours": _monitored_hours,
    "covered_share": _covered_share,
    "tier": _tier,
}


def _known(words: str, code: str, value: pl.Expr, asked: Mapping[str, Any]) -> list[Step]:
    """Return the question whether the value is there, where a patient without it leaves."""
    if asked["if_missing"] == "keep":
        return []
    detail = pl.lit(f"no {words[0].lower() + words[1:]} in the study's tables")
    return [Step(f"{words} known", f"{code}_unknown", value.is_null(), detail)]


def _false(test: pl.Expr) -> pl.Expr:
    """Let a patient whose value is missing stay: `_known` has asked for it, or nothing asks."""
    return test.fill_null(False)


def in_words(rules: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return a phrase for each rule that a patient may fail, for the methods text."""
    words = {
        "age": "age of {min_years:g} to {max_years:g} years",
        "gcs_total": "a Glasgow Coma Scale of {min_score} to {max_score}",
        "monitoring_start": "a first recording that begins within {within_h:g} h of time zero",
        "monitor_kind": "monitors only of kind {kinds_in_words}",
        "craniectomy": "no craniectomy before {before_in_words}",
        "covered_share": "valid ICP in {min_percent:g} % of the window or more",
        "tier": "recordings sampled as {tiers_in_words}",
    }
    missing = {
        "keep": " (patients without the value stay)",
        "drop": " (patients without the value leave)",
    }
    return [
        words[rule["rule"]].format(
            **rule,
            min_percent=100 * rule.get("min_fraction", 0.0),
            kinds_in_words=" or ".join(rule.get("kinds", ())).replace("_", " "),
            tiers_in_words=" or ".join(rule.get("tiers", ())).replace("_", " "),
            before_in_words={"monitoring": "monitoring", "landmark": "the landmark"}.get(
                rule.get("none_before", ""), ""
            ),
        )
        + missing.get(rule.get("if_missing", ""), "")
        for rule in rules
        if rule["rule"] in words
    ]
