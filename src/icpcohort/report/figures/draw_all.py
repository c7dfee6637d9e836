"""The figures of the report, all of them, in order, from the results tables."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import declared_indices, declared_signals, store
from icpcohort.report.figures import (
    burden,
    exposure_curve,
    flow,
    forest,
    intensity,
    names,
    reactivity,
    recordings,
    specifications,
)
from icpcohort.report.figures.canvas import Picture
from icpcohort.report.tables import score_words
from icpcohort.report.tables.model_words import Columns

Tables = Mapping[str, pl.DataFrame]
Fits = Mapping[str, Mapping[str, pl.DataFrame]]  # table -> model -> rows
PER_WINDOW = ("burden", "burden_by_state", "intensity", "summary")


def all_pictures(
    tables: Tables,
    fits: Fits,
    *,
    models: Mapping[str, Mapping[str, Any]],
    settings: Mapping[str, Any],
    columns: Columns,
) -> dict[str, Picture]:
    """Return every figure of the report by its name, in the order of `figure_names`.

    Parameters
    ----------
    tables : mapping of table name to DataFrame
        The names of `reads.FIGURES.tables`; `curves` with `patient_id`. Others are passed over.
    fits : mapping of table name to a mapping of model name to DataFrame
        The names of `reads.FIGURES.of_models`.
    models : mapping of model name to its block of the plan
        One with a curved exposure has a figure of its own.
    settings : mapping
        Of `cohort` the main window and the main outcome, of `burden` the limit of the main
        index between the states of `burden_by_state`; and the sections that declare columns.
    columns : mapping of name to Column
        Those of the analysis table.

    Returns
    -------
    dict of str to Picture
        A figure without data says so in words; none is left out. One in which each patient
        can be seen has `patient_level`, and its description says that it is not for sharing.
    """
    of_cohort = of_the_cohort(tables)
    window = str(settings["cohort"]["main_window"])
    score = score_words.of_main_outcome(settings, columns)
    index = declared_indices.sought(settings)[0]
    curves, optima = (of_cohort[name].filter(index=index.name) for name in ("curves", "optima"))
    drawn = [
        flow.flow_diagram(of_cohort["flow"], window=window),
        recordings.recorded_time(
            of_cohort["quality"],
            of_cohort["masked"],
            labels=declared_signals.labels(settings),
        ),
        recordings.drift(of_cohort["monitors"]),
        burden.burden_distribution(of_cohort["burden"], window=window, declared=settings),
        burden.burden_by_state(
            of_cohort["burden_by_state"],
            window=window,
            impaired_above=settings["burden"]["impaired_above"],
            declared=settings,
        ),
        intensity.intensity_map(of_cohort["intensity"], window=window, declared=settings),
        intensity.outcome_map(
            of_cohort["intensity_map"],
            of_cohort["transition"],
            window=window,
            score=score,
            declared=settings,
        ),
        reactivity.reactivity_distribution(
            of_cohort["summary"], optima, window=window, index=index
        ),
        reactivity.reactivity_curves(curves, optima, index=index),
        forest.forest_plot(fits["estimates"], models=models, columns=columns),
    ]
    drawn += [
        exposure_curve.exposure_curve(
            fits["curve"].get(name, store.empty(contracts.EXPOSURE_CURVE)),
            model=name,
            plan=plan,
            estimates=fits["estimates"].get(name, store.empty(contracts.ESTIMATES)),
            diagnostics=fits["diagnostics"].get(name, store.empty(contracts.DIAGNOSTICS)),
            columns=columns,
        )
        for name, plan in models.items()
        if names.is_curved(plan)
    ]
    drawn += [
        specifications.specification_curve(
            question,
            specifications=of_cohort["specifications"],
            options=of_cohort["specification_options"],
            choices=of_cohort["specification_choices"],
            summary=of_cohort["specification_summary"],
        )
        for question in of_cohort["specification_summary"]["question"]
    ]
    return {picture.name: _marked(picture) for picture in drawn}


def _marked(picture: Picture) -> Picture:
    if picture.is_empty or picture.name not in names.DRAW_EACH_PATIENT:
        return picture
    description = f"{picture.description} {names.NOT_FOR_SHARING}"
    return picture._replace(description=description, patient_level=True)


def of_the_cohort(tables: Tables) -> dict[str, pl.DataFrame]:
    """Keep burden and indices of the patients who are in the analysis of their window."""
    cohort = tables["analysis"].select("window", "patient_id")
    kept = {
        name: tables[name].join(cohort, on=["window", "patient_id"], how="semi")
        for name in PER_WINDOW
    }
    return {**tables, **kept}
