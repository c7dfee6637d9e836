"""The sections about the study itself: who, recordings, monitors, measurements."""

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from icpcohort.contracts import declared_indices, declared_signals
from icpcohort.contracts.declared_indices import Index
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
        _reactivity(tables, settings, figures),
    )


def _reason_of_n(
    summary: pl.DataFrame, *, window: str, indices: Sequence[Index]
) -> list[Block]:
    """Say why patients have no main index, and which other indices nobody has."""
    main = indices[0]
    words = [findings.without_index(summary, window=window, index=main)]
    words += [
        findings.without_index(summary, window=window, index=one)
        for one in indices[1:]
        if summary.filter(pl.col("window") == window)[f"{one.name}_mean"].count() == 0
    ]
    return [Paragraph(sentence) for sentence in words if sentence]


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
            cohort.ends_of_monitoring(
                tables["monitoring_ends"], n_left_out=_n_left_out(tables["excluded"])
            ),
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


def _n_left_out(excluded: pl.DataFrame) -> int:
    """Return how many whole patients the group leaves out."""
    return excluded.filter(stage="patient", reason="left_out").height


def _recordings(tables: Tables, settings: Mapping[str, Any], figures: Figures) -> Section:
    without_effect = rules.without_effect(
        tables["events"]["event"].to_list(),
        rules=rules.from_blocks(settings["cleaning"]["rules"]),
        not_during=settings["reactivity"]["not_during"],
    )
    labels = declared_signals.labels(settings)
    blocks: list[Block] = [
        *_drawn("recordings", figures),
        *table(
            "recorded",
            recordings.recorded_time(tables["quality"], tables["recordings"], labels=labels),
            empty="No recording could be used; there is no recorded time.",
        ),
        *table(
            "recorded-by-monitor",
            recordings.recorded_by_monitor(tables["quality"], tables["monitors"]),
        ),
        *table(
            "masked",
            recordings.masked_time(tables["masked"], tables["quality"], labels=labels),
            empty="Nothing was masked.",
        ),
        *table("suspects", recordings.suspects(tables["suspects"])),
        *table(
            "suspects-each",
            recordings.suspects_of_each(tables["suspects"]),
            supplementary=True,
            patient_level=True,
        ),
        *table("lags", recordings.lags(tables["lags"])),
        *table(
            "lags-each",
            recordings.lags_of_each(tables["lags"]),
            supplementary=True,
            patient_level=True,
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
            "left-out-by-group",
            recordings.left_out_by_group(tables["excluded"]),
            patient_level=True,  # a reason in free words may be about one patient
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
    limit = f"{settings['burden']['impaired_above']:g}"
    index = declared_indices.sought(settings)[0]
    of_index = {
        f"{index.name}_above": f"{index.label} above {limit}",
        f"{index.name}_not_above": f"{index.label} not above {limit}",
        f"{index.name}_unknown": f"{index.label} unknown",
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
            exposures.burden(
                tables["burden"].filter(pl.col("window") == window), declared=settings
            ),
            empty="No patient of the cohort has a burden.",
        ),
        *table(
            "burden-by-prx",
            exposures.burden_by_state(
                by_state,
                states=of_index,
                caption=f"Burden by reactivity, {grid.words_of(window)}",
                declared=settings,
            ),
        ),
        *table(
            "burden-by-llr",
            exposures.burden_by_state(
                by_state,
                states=of_llr,
                caption=f"Burden below and above the LLR, {grid.words_of(window)}",
                declared=settings,
            ),
            supplementary=True,
        ),
        *table(
            "burden-other-windows",
            exposures.burden(
                tables["burden"].filter(pl.col("window") != window), declared=settings
            )._replace(caption="Pressure burden in the other windows"),
            supplementary=True,
        ),
        *table(
            "transition",
            exposures.transition(
                tables["transition"].filter(pl.col("window") == window),
                score=score_words.of_main_outcome(settings, columns),
                declared=settings,
            ),
            empty="Episodes were not related to outcome.",
            supplementary=True,
        ),
    ]
    return Section("burden", "Burden", tuple(blocks))


def _reactivity(tables: Tables, settings: Mapping[str, Any], figures: Figures) -> Section:
    window = settings["cohort"]["main_window"]
    main, *others = declared_indices.sought(settings)
    blocks: list[Block] = [
        *_reason_of_n(
            tables["summary"], window=window, indices=declared_indices.all_named(settings)
        ),
        *_drawn("reactivity", figures),
        *table(
            "reactivity",
            reactivity.reactivity(
                tables["summary"].filter(pl.col("window") == window), declared=settings
            ),
            empty="No patient of the cohort has an index.",
        ),
        *table(
            "reactivity-other-windows",
            reactivity.reactivity(
                tables["summary"].filter(pl.col("window") != window), declared=settings
            )._replace(caption="Reactivity indices and optimal CPP in the other windows"),
            supplementary=True,
        ),
        *_of_optima(tables["optima"], main, name="", words=""),
    ]
    for one in others:
        blocks += _of_optima(
            tables["optima"],
            one,
            name=f"-by-{one.name.replace('_', '-')}",
            words=f", by {one.label}",
        )
    return Section("reactivity", "Reactivity and optimal CPP", tuple(blocks))


def _of_optima(optima: pl.DataFrame, index: Index, *, name: str, words: str) -> list[Block]:
    """Return the tables of CPPopt of whole recordings by one index."""
    rows = optima.filter(index=index.name)
    reasons = reactivity.optima_reasons(rows)
    chance = chance_grid.beside_chance(rows, decoupled=index.labels)
    return [
        *table(
            f"optima{name}",
            reasons._replace(caption=f"{reasons.caption}{words}"),
            empty=f"No patient had CPP and {index.label} from which a CPPopt could be sought.",
        ),
        *table(
            f"chance{name}",
            chance._replace(caption=f"{chance.caption}{words}"),
            empty="What chance alone would give was not computed.",
            sortable=False,
        ),
    ]
