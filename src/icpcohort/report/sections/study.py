"""The sections about the study itself: who, recordings, monitors, measurements."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from icpcohort.report.sections import findings
from icpcohort.report.sections.blocks import Block, Paragraph, PictureBlock, Section, table
from icpcohort.report.tables import (
    cohort,
    exposures,
    grid,
    reactivity,
    recordings,
    score_words,
)
from icpcohort.report.tables import monitors as monitor_grids
from icpcohort.report.tables import reactivity as chance_grid
from icpcohort.report.tables.model_words import Columns
from icpcohort.signals import rules

Tables = Mapping[str, pl.DataFrame]
Figures = Mapping[str, PictureBlock]  # by their names
FIGURES = {  # of each section, in their order; those of models are in `model_section`
    "who": ("flow",),
    "recordings": ("recorded",),
    "monitors": ("drift",),
    "burden": ("burden", "burden-by-state", "intensity", "intensity-outcome"),
    "reactivity": ("reactivity", "curves"),
}


def all_of(
    tables: Tables, *, settings: Mapping[str, Any], columns: Columns, figures: Figures
) -> tuple[Section, ...]:
    """Return the sections in the order in which they are asked for.

    Parameters
    ----------
    tables : mapping of table name to DataFrame
        As `content.build` takes it, burden and summary of the cohort alone.
    settings : mapping
        The settings as run.
    columns : mapping of name to Column
        Those of the analysis table.
    figures : mapping of figure name to block
        A figure of `FIGURES` that is not among them is not in this report.
    """
    return (
        _who(tables, columns, figures),
        _recordings(tables, settings, figures),
        _monitors(tables, figures),
        _burden(tables, settings, columns, figures),
        _reactivity(tables, figures, window=str(settings["cohort"]["main_window"])),
    )


def _reason_of_n(summary: pl.DataFrame, *, window: str) -> list[Block]:
    words = findings.without_prx(summary, window=window)
    return [Paragraph(words)] if words else []


def _drawn(section: str, figures: Figures) -> list[Block]:
    return [figures[name] for name in FIGURES[section] if name in figures]


def _who(tables: Tables, columns: Columns, figures: Figures) -> Section:
    blocks: list[Block] = [
        *_drawn("who", figures),
        *table(
            "one",
            cohort.table_one(tables["table1"], columns=columns),
            empty="There is no patient to describe.",
            sortable=False,
        ),
        *table(
            "ends",
            cohort.ends_of_monitoring(tables["monitoring_ends"]),
            empty="There is no patient whose monitoring could end.",
            supplementary=True,
        ),
        *table(
            "flow",
            cohort.flow(tables["flow"]),
            empty="No flow of patients was recorded.",
            supplementary=True,
            sortable=False,
        ),
        *table(
            "dropped",
            cohort.dropped(tables["dropped"]),
            empty="No patient left.",
            supplementary=True,
            patient_level=True,
        ),
    ]
    return Section("who", "Who is in the study", tuple(blocks))


def _recordings(tables: Tables, settings: Mapping[str, Any], figures: Figures) -> Section:
    without_effect = rules.without_effect(
        tables["events"]["event"].to_list(),
        rules=rules.from_blocks(settings["cleaning"]["rules"]),
        not_during=settings["reactivity"]["not_during"],
    )
    blocks: list[Block] = [
        *_drawn("recordings", figures),
        *table(
            "recorded",
            recordings.recorded_time(tables["quality"], tables["recordings"]),
            empty="No recording could be used; there is no recorded time.",
        ),
        *table(
            "recorded-by-monitor",
            recordings.recorded_by_monitor(tables["quality"], tables["monitors"]),
        ),
        *table(
            "masked",
            recordings.masked_time(tables["masked"], tables["quality"]),
            empty="Nothing was masked.",
        ),
        *table(
            "abp-levels",
            recordings.abp_levels(tables["summary"], window=settings["cohort"]["main_window"]),
            empty="No patient has arterial pressure in the window.",
        ),
        *table(
            "left-out",
            recordings.excluded_reasons(tables["excluded"]),
            empty="No recording was left out.",
        ),
        *table(
            "left-out-each",
            recordings.excluded_rows(tables["excluded"]),
            supplementary=True,
            patient_level=True,
        ),
        *table(
            "events",
            recordings.events(tables["events"], without_effect=without_effect),
            empty="No event was noted.",
        ),
    ]
    return Section("recordings", "How good the recordings are", tuple(blocks))


def _monitors(tables: Tables, figures: Figures) -> Section:
    monitors = tables["monitors"]
    blocks: list[Block] = [
        *_drawn("monitors", figures),
        *table(
            "monitors",
            monitor_grids.monitor_kinds(monitors),
            empty="No monitor was described.",
            sortable=False,
        ),
        *table("complications", monitor_grids.complications(monitors)),
        *table(
            "complications-by-kind",
            monitor_grids.complications_by_kind(monitors),
            supplementary=True,
        ),
    ]
    return Section("monitors", "Monitors", tuple(blocks))


def _burden(
    tables: Tables, settings: Mapping[str, Any], columns: Columns, figures: Figures
) -> Section:
    window = settings["cohort"]["main_window"]
    by_state = tables["burden_by_state"].filter(pl.col("window") == window)
    limit = f"{settings['burden']['impaired_prx']:g}"
    of_prx = {
        "prx_above": f"PRx above {limit}",
        "prx_not_above": f"PRx not above {limit}",
        "prx_unknown": "PRx unknown",
    }
    of_llr = {
        "cpp_below_llr": "CPP below LLR",
        "cpp_not_below_llr": "CPP not below LLR",
        "llr_unknown": "LLR unknown",
    }
    blocks: list[Block] = [
        *_drawn("burden", figures),
        *table(
            "burden",
            exposures.burden(tables["burden"].filter(pl.col("window") == window)),
            empty="No patient of the cohort has a burden.",
        ),
        *table(
            "burden-by-prx",
            exposures.burden_by_state(
                by_state,
                states=of_prx,
                caption=f"Burden by reactivity, {grid.words_of(window)}",
            ),
        ),
        *table(
            "burden-by-llr",
            exposures.burden_by_state(
                by_state,
                states=of_llr,
                caption=f"Burden below and above the LLR, {grid.words_of(window)}",
            ),
            supplementary=True,
        ),
        *table(
            "burden-other-windows",
            exposures.burden(tables["burden"].filter(pl.col("window") != window))._replace(
                caption="Pressure burden in the other windows"
            ),
            supplementary=True,
        ),
        *table(
            "transition",
            exposures.transition(
                tables["transition"].filter(pl.col("window") == window),
                score=score_words.of_main_outcome(settings, columns),
            ),
            empty="Episodes were not related to outcome.",
            supplementary=True,
        ),
    ]
    return Section("burden", "Burden", tuple(blocks))


def _reactivity(tables: Tables, figures: Figures, *, window: str) -> Section:
    blocks: list[Block] = [
        *_reason_of_n(tables["summary"], window=window),
        *_drawn("reactivity", figures),
        *table(
            "reactivity",
            reactivity.reactivity(tables["summary"].filter(pl.col("window") == window)),
            empty="No patient of the cohort has an index.",
        ),
        *table(
            "reactivity-other-windows",
            reactivity.reactivity(
                tables["summary"].filter(pl.col("window") != window)
            )._replace(caption="Reactivity indices and optimal CPP in the other windows"),
            supplementary=True,
        ),
        *table(
            "optima",
            reactivity.optima_reasons(tables["optima"]),
            empty="No patient had CPP and PRx from which a CPPopt could be sought.",
        ),
        *table(
            "chance",
            chance_grid.beside_chance(tables["optima"]),
            empty="What chance alone would give was not computed.",
            sortable=False,
        ),
    ]
    return Section("reactivity", "Reactivity and optimal CPP", tuple(blocks))
