"""The report: one HTML page from the results tables, and nothing that is not in them."""

import re
from collections.abc import Mapping
from typing import Any

import jinja2
import polars as pl
from markupsafe import Markup

from icpcohort import (
    chance_grid,
    cleaning,
    contracts,
    figures,
    grids,
    model_grids,
    model_section,
    recording_grids,
    store,
    svg,
)
from icpcohort.contracts import Table
from icpcohort.tables import (
    format_median,
    format_number,
    format_percent,
    format_share,
)

CONTRACTS = {
    "patients": contracts.PATIENTS,
    "recordings": contracts.RECORDINGS,
    "excluded": contracts.EXCLUDED,
    "quality": contracts.QUALITY,
    "masked": contracts.MASKED,
    "monitors": contracts.MONITORS,
    "events": contracts.EVENTS,
    "optima": contracts.OPTIMA,
    "burden": contracts.BURDEN,
    "burden_by_state": contracts.BURDEN_BY_STATE,
    "intensity": contracts.INTENSITY,
    "intensity_map": contracts.INTENSITY_MAP,
    "transition": contracts.TRANSITION,
    "summary": contracts.SUMMARY,
    "outcomes": contracts.OUTCOMES,
    "flow": contracts.FLOW,
    "dropped": contracts.DROPPED,
    "table1": contracts.TABLE_ONE,
    "monitoring_ends": contracts.MONITORING_END_BY_OUTCOME,
    "comparisons": contracts.COMPARISONS,
}
ONLY_NAMED = ("analysis", "curves")  # their columns depend on the settings, or are added to
SHORT_CAUTION = (
    "Research use on recorded data. Not a medical device; not for bedside decisions or for "
    "choosing a patient’s target. Local protocols and licensed practice come first. "
    "Association is not causation. A cut of 20 versus 22 mmHg lies within the drift of a "
    "sensor. PRx is not interpretable with an open drain or after craniectomy."
)
# what a line break must not tear: a short bracket, "n = 78", "20 mmHg"
TIED = re.compile(r"\([^()]{1,28}\)|\b[pn] [=<] [\d.]+|[\d)] (?:mmHg|%|h\b)")
CAUTIONS = (
    "This report describes recorded data for research. It is not a medical device and must not "
    "be used for bedside decisions or for choosing the target of a patient.",
    "Local protocols and licensed practice come first.",
    "Association is not causation. Patients with high pressure differ from others in ways that "
    "no adjustment holds in full.",
    "A cut of 20 versus 22 mmHg lies within the drift of a sensor. Burden, CPP and CPPopt move "
    "with the zero of the sensor; correlations such as PRx do not.",
    "PRx is not interpretable with an open drain or after craniectomy.",
    "Estimates belong to the patients who stayed in the analysis; the flow of patients says "
    "who did not.",
)


def render(
    *,
    template: str,
    title: str,
    settings: Mapping[str, Any],
    models: Mapping[str, Mapping[str, Any]],
    tables: Mapping[str, pl.DataFrame],
    fits: figures.Fits,
    methods: Mapping[str, str],
    versions: Mapping[str, str],
) -> str:
    """Return the report as the text of one HTML file that needs nothing else.

    Parameters
    ----------
    template : str
        The text of the jinja2 template; what it inserts is escaped.
    title : str
        Title of the study.
    settings : mapping
        The settings as run; `cohort.main_window` names the window of Table 1 and the figures.
    models : mapping of model name to its plan
        A model of the plan without estimates is told as not reported.
    tables : mapping of table name to DataFrame
        The names of `CONTRACTS`, `analysis`, and `curves` with `patient_id`. Any may be empty.
        Burden and indices are told of the patients in the analysis of their window; curves
        and optima of every patient who has one.
    fits : mapping of table name to a mapping of model name to DataFrame
        The names of `model_section.CONTRACTS`.
    methods : mapping of heading to paragraph
        Sentences of the stages, in order.
    versions : mapping of component to version

    Raises
    ------
    ValueError
        If a table is missing or breaks its contract; all problems together.
    """
    _check(tables, fits)
    window = str(settings["cohort"]["main_window"])
    tables = figures.of_the_cohort(tables)
    pictures = figures.all_pictures(tables, fits, models=models, window=window)
    context = {
        "title": title,
        "window": grids.words_of(window),
        "what": _what(tables, window=window),
        "short_caution": SHORT_CAUTION,
        "cautions": [*CAUTIONS, *_drift_caution(tables["monitors"])],
        "findings": _findings(tables, window=window),
        "models": model_section.sections(models, fits, pictures=pictures),
        "figures": {name: Markup(svg.inline(made)) for name, made in pictures.items()},
        "captions": {name: made.caption for name, made in pictures.items()},
        "grids": _grids(tables, settings=settings),
        "methods": methods,
        "definitions": grids.definitions(),
        "settings": [
            grids.settings(settings, caption="Settings as run"),
            grids.settings(models, caption="Analysis plan as run"),
        ],
        "versions": grids.versions(versions),
    }
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["tied"] = tie
    return environment.from_string(template).render(context)


def tie(text: str) -> str:
    """Return `text` with spaces that do not break inside a number with its unit or interval."""
    return TIED.sub(lambda found: found[0].replace(" ", "\u00a0"), text)


def _check(given: Mapping[str, pl.DataFrame], fits: figures.Fits) -> None:
    wanted: list[tuple[str, pl.DataFrame, Table]] = [
        (name, given[name], table) for name, table in CONTRACTS.items() if name in given
    ]
    for name, table in model_section.CONTRACTS.items():
        frames = fits.get(name, {})
        wanted += [(f"{table.path}, {model}", frame, table) for model, frame in frames.items()]
    found = [
        f"{name}: missing; hand it over, empty if need be"
        for names, handed in (
            ((*CONTRACTS, *ONLY_NAMED), given),
            (model_section.CONTRACTS, fits),
        )
        for name in names
        if name not in handed
    ]
    found += [
        f"{name}: {line}"
        for name, frame, table in wanted
        for line in store.problems(frame, table)
    ]
    if found:
        lines = "\n".join(f"  {line}" for line in found)
        raise ValueError(f"report.render: {len(found)} problem(s)\n{lines}")


def _grids(
    given: Mapping[str, pl.DataFrame], *, settings: Mapping[str, Any]
) -> dict[str, grids.Grid]:
    return {
        "table_one": grids.table_one(given["table1"]),
        "monitoring_ends": grids.ends_of_monitoring(given["monitoring_ends"]),
        "flow": grids.flow(given["flow"]),
        "dropped": grids.dropped(given["dropped"]),
        "recorded": recording_grids.recorded_time(given["quality"], given["recordings"]),
        "masked": recording_grids.masked_time(given["masked"], given["quality"]),
        "abp_levels": recording_grids.abp_levels(
            given["summary"], window=settings["cohort"]["main_window"]
        ),
        "excluded_reasons": recording_grids.excluded_reasons(given["excluded"]),
        "excluded_rows": recording_grids.excluded_rows(given["excluded"]),
        "monitor_kinds": grids.monitor_kinds(given["monitors"]),
        "complications": grids.complications(given["monitors"]),
        "events": recording_grids.events(
            given["events"],
            without_effect=cleaning.without_effect(
                given["events"]["event"].to_list(),
                rules=settings["cleaning"]["rules"],
                not_during=settings["reactivity"]["not_during"],
            ),
        ),
        "burden": grids.burden(given["burden"]),
        "reactivity": grids.reactivity(given["summary"]),
        "optima": grids.optima_reasons(given["optima"]),
        "chance": chance_grid.beside_chance(given["optima"]),
        "comparisons": model_grids.comparisons(given["comparisons"]),
    }


def _what(given: Mapping[str, pl.DataFrame], *, window: str) -> str:
    n_patients = given["patients"].height
    n_used = given["recordings"].filter(pl.col("status") == "used").height
    n_cohort = given["analysis"].filter(pl.col("window") == window).height
    return (
        f"A retrospective cohort study of intracranial pressure (ICP): {n_patients} patients, "
        f"{n_used} recordings used, {n_cohort} patients in the analysis of the main window "
        f"({grids.words_of(window)})."
    )


def _findings(given: Mapping[str, pl.DataFrame], *, window: str) -> list[str]:
    """Return the sentences on who was studied, how long, and what was measured."""
    found = [
        _cohort_sentence(given, window=window),
        _recordings_sentence(given),
        _burden_sentence(given["burden"], window=window),
        _reactivity_sentence(given["summary"], window=window),
    ]
    return [sentence for sentence in found if sentence]


def _cohort_sentence(given: Mapping[str, pl.DataFrame], *, window: str) -> str:
    steps = given["flow"].filter(pl.col("window") == window).sort("step")
    if steps.is_empty():
        return "No patient entered the study."
    n_in, n_out = steps["n_in"].to_list()[0], steps["n_out"].to_list()[-1]
    unfavourable = given["analysis"].filter(pl.col("window") == window)["unfavourable"]
    known = unfavourable.drop_nulls()
    share = format_share(int(known.sum()), known.len())
    outcome = (
        f"of {known.len()} with a known outcome it was unfavourable in {share}"
        if known.len()
        else "the outcome of none of them is known"
    )
    return (
        f"{n_out} of {n_in} patients ({format_percent(n_out, n_in)}) are in the analysis of "
        f"the {grids.words_of(window)}; {outcome}."
    )


def _recordings_sentence(given: Mapping[str, pl.DataFrame]) -> str:
    icp = given["quality"].filter(pl.col("signal") == "icp")
    if given["recordings"].is_empty():
        return "No recording was listed."
    n_excluded = given["recordings"].filter(pl.col("status") == "excluded").height
    left_out = f"{n_excluded} of {given['recordings'].height} recordings could not be used."
    if icp.is_empty():
        return f"No ICP was recorded. {left_out}"
    hours = [
        format_number(sum(icp[name]) / 3600, decimals=0) for name in ("valid_s", "recorded_s")
    ]
    return (
        f"{hours[0]} of {hours[1]} recorded hours of ICP are valid (n = {icp.height} "
        f"patients). {left_out}"
    )


def _burden_sentence(burden: pl.DataFrame, *, window: str) -> str:
    rows = burden.filter(pl.col("window") == window, pl.col("signal") == "icp")
    rows = rows.filter(pl.col("percent_time").is_not_null()).sort("threshold_mmhg")
    parts = [
        f"{threshold:g} mmHg: {format_median(part['percent_time'], decimals=1)} %, "
        f"n = {part.height}"
        for (threshold,), part in rows.group_by("threshold_mmhg", maintain_order=True)
    ]
    if not parts:
        return "No patient of the cohort has an ICP burden in the main window."
    return f"Time with ICP above the threshold, median (IQR) of valid time: {'; '.join(parts)}."


def _reactivity_sentence(summary: pl.DataFrame, *, window: str) -> str:
    rows = summary.filter(pl.col("window") == window)
    prx, yields = rows["prx_mean"].drop_nulls(), rows["cppopt_yield_percent"].drop_nulls()
    if prx.is_empty():
        return (
            "No patient of the cohort has a pressure reactivity index (PRx) in the main window."
        )
    found, yields_found = format_median(prx, decimals=2), format_median(yields, decimals=1)
    return (
        f"Mean pressure reactivity index (PRx), median (IQR): {found}, n = {prx.len()}. "
        f"Optimal CPP (CPPopt) was found in {yields_found} % of the minutes with CPP, "
        f"n = {yields.len()}."
    )


def _drift_caution(monitors: pl.DataFrame) -> list[str]:
    drift = monitors["drift_at_removal_mmhg"].drop_nulls()
    if drift.is_empty():
        return ["In this study no drift at removal was noted."]
    return [
        "In this study the drift at removal was, median (IQR), "
        f"{format_median(drift, decimals=1)} mmHg (n = {drift.len()} of {monitors.height} "
        "monitors)."
    ]
