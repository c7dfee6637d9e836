"""Findings: what was found, in sentences made from numbers, each with its table."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from icpcohort.contracts import burden_columns, declared_indices, declared_signals
from icpcohort.contracts.columns import unit_words
from icpcohort.contracts.declared_indices import Index
from icpcohort.report.sections.blocks import Item, Link
from icpcohort.report.tables import exposures, grid, reactivity
from icpcohort.report.tables import monitors as monitor_grids
from icpcohort.report.tables import recordings as recording_grids
from icpcohort.report.tables.numbers import (
    format_median,
    format_number,
    format_percent,
    format_share,
)

TOO_COARSE = ("minutes", "hourly")  # of which no PRx is possible
_OF_THE_COHORT = ("figure-flow", "table-one")
_OF_MONITORS = ("table-complications", "table-monitors")
_OF_BURDEN = ("table-burden", "figure-burden")
_OF_INDICES = ("table-reactivity", "figure-reactivity")


def points(
    tables: Mapping[str, pl.DataFrame],
    *,
    window: str,
    main_outcome: str,
    declared: Mapping[str, Any],
) -> list[Item]:
    """Return who was studied, how long, and what was measured.

    Parameters
    ----------
    tables : mapping of table name to DataFrame
        As `content.build` takes it, burden and summary of the cohort alone.
    window : str
        The window that the sentences are about.
    main_outcome : str
        The flag that counts as unfavourable.
    declared : mapping
        Sections of the settings that declare columns.
    """
    summary, index = tables["summary"], declared_indices.sought(declared)[0]
    findings = [
        (
            "cohort",
            "Patients.",
            _cohort_sentence(tables, window=window, main_outcome=main_outcome),
            _OF_THE_COHORT,
        ),
        ("recordings", "Recordings.", _recordings_sentence(tables), ["table-recorded"]),
        ("monitors", "Monitors.", _monitors_sentence(tables["monitors"]), _OF_MONITORS),
        (
            "burden",
            "Burden.",
            _burden_sentence(tables["burden"], window=window, declared=declared),
            _OF_BURDEN,
        ),
        (
            "reactivity",
            "Reactivity.",
            f"{_reactivity_sentence(summary, window=window, index=index)} "
            f"{without_index(summary, window=window, index=index)}",
            _OF_INDICES,
        ),
        (
            "chance",
            "Chance.",
            _chance_sentence(tables["optima"], index=index),
            ["table-chance"],
        ),
    ]
    return [
        Item(sentence.strip(), tuple(map(Link, targets)), f"finding-{name}", head)
        for name, head, sentence, targets in findings
        if sentence.strip()
    ]


def lead(tables: Mapping[str, pl.DataFrame], *, window: str) -> str:
    """Return one sentence that says what the study is."""
    n_patients = tables["patients"].height
    n_used = tables["recordings"].filter(pl.col("status") == "used").height
    n_cohort = tables["analysis"].filter(pl.col("window") == window).height
    return (
        f"A retrospective cohort study of intracranial pressure (ICP): {n_patients} patients, "
        f"{n_used} recordings used, {n_cohort} patients in the analysis of the main window "
        f"({grid.words_of(window)})."
    )


def drift(monitors: pl.DataFrame) -> str:
    """Return how much the study's sensors drifted."""
    known = monitors["drift_at_removal_mmhg"].drop_nulls()
    if known.is_empty():
        return "In this study no drift at removal was noted."
    return (
        "In this study the drift at removal was, median (IQR), "
        f"{format_median(known, decimals=1)} mmHg (n = {known.len()} of {monitors.height} "
        "monitors)."
    )


def _cohort_sentence(
    tables: Mapping[str, pl.DataFrame], *, window: str, main_outcome: str
) -> str:
    steps = tables["flow"].filter(pl.col("window") == window).sort("step")
    if steps.is_empty():
        return "No patient entered the study."
    n_in, n_out = steps["n_in"].to_list()[0], steps["n_out"].to_list()[-1]
    unfavourable = tables["analysis"].filter(pl.col("window") == window)[main_outcome]
    known = unfavourable.drop_nulls()
    share = format_share(int(known.sum()), known.len())
    outcome = (
        f"of {known.len()} with a known outcome it was unfavourable in {share}"
        if known.len()
        else "the outcome of none of them is known"
    )
    return (
        f"{n_out} of {n_in} patients ({format_percent(n_out, n_in)}) are in the analysis of "
        f"the {grid.words_of(window)}; {outcome}."
    )


def _recordings_sentence(tables: Mapping[str, pl.DataFrame]) -> str:
    icp = tables["quality"].filter(pl.col("signal") == "icp")
    if tables["recordings"].is_empty():
        return "No recording was listed."
    excluded = tables["recordings"].filter(pl.col("status") == "excluded")
    by_group = excluded.filter(pl.col("reason") == "left_out").height
    further = f" and {by_group} were left out by the group" if by_group else ""
    n, n_all = excluded.height - by_group, tables["recordings"].height
    left_out = f"{n} of {n_all} recordings could not be used{further}."
    left_out = f"{left_out} {recording_grids.out_of_step(tables['lags'])}".strip()
    if icp.is_empty():
        return f"No ICP was recorded. {left_out}"
    hours = [
        format_number(sum(icp[name]) / 3600, decimals=0) for name in ("valid_s", "recorded_s")
    ]
    return (
        f"{hours[0]} of {hours[1]} recorded hours of ICP are valid (n = {icp.height} "
        f"patients). {left_out}"
    )


def _burden_sentence(burden: pl.DataFrame, *, window: str, declared: Mapping[str, Any]) -> str:
    """Return the time beyond the thresholds of the first signal and side of the settings."""
    first = next(burden_columns.thresholds(declared))
    about = declared_signals.series(declared)[first.signal].about
    rows = burden.filter(pl.col("window") == window, pl.col("percent_time").is_not_null())
    parts = [
        f"{threshold.values()} {unit_words(about.unit)}: "
        f"{format_median(part['percent_time'], decimals=1)} %, n = {part.height}"
        for threshold, _, part in exposures.in_order(rows, declared)
        if threshold[:2] == first[:2]
    ]
    if not parts:
        return f"No patient of the cohort has an {about.label} burden in the main window."
    return (
        f"Time with {about.label} {first.side} the threshold, median (IQR) of valid time:"
        f" {'; '.join(parts)}."
    )


def _reactivity_sentence(summary: pl.DataFrame, *, window: str, index: Index) -> str:
    rows = summary.filter(pl.col("window") == window)
    means, yields = (
        rows[name].drop_nulls() for name in (f"{index.name}_mean", "cppopt_yield_percent")
    )
    if means.is_empty():
        return f"No patient of the cohort has a {index.in_full()} in the main window."
    means_words, yields_words = (
        format_median(values, decimals=decimals)
        for values, decimals in ((means, 2), (yields, 1))
    )
    return (
        f"Mean {index.in_full()}, median (IQR): {means_words}, n = {means.len()}. "
        f"Optimal CPP (CPPopt) was found in {yields_words} % of the minutes with CPP, "
        f"n = {yields.len()}."
    )


def limits(
    tables: Mapping[str, pl.DataFrame],
    *,
    window: str,
    main_outcome: str,
    declared: Mapping[str, Any],
) -> list[Item]:
    """Return what limits this study in particular, each with its table."""
    cohort = tables["analysis"].filter(pl.col("window") == window)
    n_all = tables["patients"].height
    level = cohort["abp_level_used"].drop_nulls()
    unknown = cohort[main_outcome].null_count()
    unsure = int((level != "tragus").sum())
    sentences = [
        (
            "table-suspects",
            recording_grids.hard_to_believe(tables["suspects"], n_patients=n_all),
        ),
        ("table-monitors", drift(tables["monitors"])),
        (
            "table-flow",
            f"{n_all - cohort.height} of {n_all} patients are not in the analysis of the "
            f"{grid.words_of(window)}; they may differ from those who are."
            if cohort.height < n_all
            else "",
        ),
        (
            "table-one",
            f"The outcome of {unknown} of {cohort.height} patients is unknown."
            if unknown
            else "",
        ),
        (
            "table-abp-levels",
            f"In {unsure} of {level.len()} patients the arterial pressure is not known to be "
            "at the level of the tragus: CPP may be too high in them."
            if unsure
            else "",
        ),
        (
            "table-reactivity",
            without_index(
                tables["summary"], window=window, index=declared_indices.sought(declared)[0]
            ),
        ),
    ]
    return [Item(words, (Link(target),)) for target, words in sentences if words]


def without_index(summary: pl.DataFrame, *, window: str, index: Index) -> str:
    """Return why patients of the cohort have no mean of an index; empty when all have one."""
    rows = summary.filter(pl.col("window") == window)
    without = rows.filter(pl.col(f"{index.name}_mean").is_null())
    if without.is_empty():
        return ""
    coarse = pl.col("tier").is_in(TOO_COARSE).fill_null(False)
    no_abp = pl.col("abp_mean_mmhg").is_null()
    counts = {
        "sampled less often than every 10 s": without.filter(coarse).height,
        "without arterial pressure": without.filter(~coarse & no_abp).height,
        "without enough valid readings together": without.filter(~coarse & ~no_abp).height,
    }
    known = {why: n for why, n in counts.items() if n}
    reasons = ", ".join(f"{'all' if len(known) == 1 else n} {why}" for why, n in known.items())
    return (
        f"{without.height} of {rows.height} patients of the cohort have no {index.label}:"
        f" {reasons}."
    )


def _monitors_sentence(monitors: pl.DataFrame) -> str:
    parts = []
    for name in ("haemorrhage", "infection", "malfunction"):
        known = monitors[name].drop_nulls()
        if known.len():
            n = int(known.sum())
            parts.append(
                f"{name} in {n} of {known.len()} ({format_percent(n, known.len())}; exact "
                f"95 % CI {monitor_grids.limits(known, method='exact')} %)"
            )
    if not parts:
        return ""
    return f"Of {monitors.height} monitors: {'; '.join(parts)}. {drift(monitors)}"


def _chance_sentence(optima: pl.DataFrame, *, index: Index) -> str:
    """Return how often a CPPopt was found, beside how often chance alone gives one."""
    tried = optima.filter(pl.col("p_chance").is_not_null(), index=index.name)
    if tried.is_empty():
        return ""
    n, n_optima = tried.height, tried["cppopt_mmhg"].count()
    bent = int((tried["p_chance"] <= reactivity.P_CHANCE).sum())
    rolled = tried["p_rolled"].drop_nulls()
    related = int((rolled <= reactivity.P_CHANCE).sum())
    more = f"{100 * (1 - reactivity.P_CHANCE):g}"
    by_rolls = (
        f", and than {more} % of rolls of the index along CPP in "
        f"{format_share(related, rolled.len())} of {rolled.len()} who allow it"
        if rolled.len()
        else ""
    )
    return (
        f"CPPopt of the whole recording was found in {format_share(n_optima, n)} of {n} "
        f"patients with CPP and {index.label}, and in "
        f"{reactivity.percent_of_all(tried['chance_percent'])}; the U was "
        f"steeper than {more} % of surrogates without that coupling in {format_share(bent, n)}"
        f"{by_rolls}."
    )
