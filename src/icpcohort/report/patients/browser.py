"""The patient browser: one page with all that is known of each patient, for the group alone."""

import json
from collections.abc import Mapping, Sequence
from typing import Any

import jinja2
import polars as pl
from markupsafe import Markup

from icpcohort import contracts
from icpcohort.contracts import (
    Column,
    Table,
    burden_columns,
    declared_indices,
    declared_signals,
)
from icpcohort.contracts.columns import unit_words
from icpcohort.exposures.intensity_duration import score_of
from icpcohort.report.figures.names import NOT_FOR_SHARING
from icpcohort.report.patients import cohort_picture
from icpcohort.report.patients import facts as patient_rows
from icpcohort.report.patients.facts import Section, value_words
from icpcohort.report.sections.content import SHORT_CAUTION
from icpcohort.report.tables.grid import words_of
from icpcohort.report.tables.numbers import MISSING, format_number

WHO = ("age_years", "sex")  # of these, what the study declares stands in the list
FILTERS = (
    "in the analysis",
    "not in the analysis",
    "with a CPPopt",
    "with a recording left out",
)


def render(
    *,
    template: str,
    tables: Mapping[str, pl.DataFrame],
    model_dropped: Mapping[str, pl.DataFrame],
    models: Mapping[str, Mapping[str, Any]],
    windows: Sequence[str],
    settings: Mapping[str, Any],
) -> str:
    """Return the browser as the text of an HTML file that lies beside the folder of pictures.

    The list of patients is in the page; what is known of each is data that the page's own
    script shows when one is chosen. Nothing comes from the network.

    Parameters
    ----------
    template : str
        The text of the jinja2 template; what it inserts is escaped.
    tables, model_dropped, models, windows : see `facts.sections`
    settings : mapping
        Of `cohort` the main window, of the list's exposures, and the main outcome, whose scale
        is in the list; and the sections that declare columns, see `contracts.analysis`.
    """
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    facts = patient_rows.sections(
        tables, model_dropped=model_dropped, models=models, windows=windows, declared=settings
    )
    patients = cohort_picture.in_order(
        tables["patients"]["patient_id"].to_list(), tables["quality"]
    )
    head, rows = overview(patients, tables, settings=settings)
    page = environment.from_string(template).render(
        short_caution=SHORT_CAUTION,
        not_for_sharing=NOT_FOR_SHARING,
        window=words_of(settings["cohort"]["main_window"]),
        head=head,
        rows=rows,
        filters=FILTERS,
        data=Markup(as_data(facts, patients)),
    )
    return page.rstrip("\n") + "\n"


def overview(
    patients: Sequence[str], tables: Mapping[str, pl.DataFrame], *, settings: Mapping[str, Any]
) -> tuple[list[str], list[dict[str, Any]]]:
    """Return the headings of the list, and the cells and matching filters of each patient.

    The dose is that of the first threshold of the settings.
    """
    of = {
        name: {row["patient_id"]: row for row in table.to_dicts()}
        for name, table in _one_row_per_patient(tables, settings).items()
    }
    first = next(burden_columns.thresholds(settings))
    about = declared_signals.series(settings)[first.signal].about
    unit = unit_words(about.unit)
    dose = f"{about.label} dose {first.side} {first.values()} {unit} ({unit}·h/h)"
    index, known = declared_indices.main(settings), _who(settings)
    summary = contracts.summary(settings).columns
    head = [
        "Patient",
        *(column.heading() for column in known.values()),
        *("Recordings used", "Valid ICP (h)", summary["icp_mean_mmhg"].heading(), dose),
        *(
            summary[f"{index}_mean"].heading(),
            contracts.OPTIMA.columns["cppopt_mmhg"].heading(),
        ),
        *("95 % interval", "Analysis"),
    ]
    rows = []
    for patient in patients:
        row = {name: by_patient.get(patient, {}) for name, by_patient in of.items()}
        rows.append(
            {
                "cells": _cells(patient, row, known, settings),
                "holds": _holding(row),
                "id": patient,
            }
        )
    return head, rows


def _who(settings: Mapping[str, Any]) -> dict[str, Column]:
    """Return the columns of the list that say who a patient is, and how it ended."""
    columns = contracts.analysis(settings).columns
    score = score_of(settings["cohort"]["main_outcome"], settings["outcomes"]).column
    return {name: columns[name] for name in (*WHO, score) if name in columns}


def _one_row_per_patient(
    tables: Mapping[str, pl.DataFrame], settings: Mapping[str, Any]
) -> dict[str, pl.DataFrame]:
    """Return tables of one row per patient, those of windows for the main window alone."""
    here = pl.col("window") == settings["cohort"]["main_window"]
    used = (
        tables["recordings"]
        .group_by("patient_id")
        .agg(n_used=(pl.col("status") == "used").sum(), n_listed=pl.len())
    )
    first = next(burden_columns.thresholds(settings))
    return {
        "patient": tables["patients"],
        "outcome": tables["outcomes"],
        "optimum": tables["optima"].filter(index=declared_indices.main(settings)),
        "used": used,
        "quality": tables["quality"].filter(pl.col("signal") == "icp"),
        "summary": tables["summary"].filter(here),
        "dose": tables["burden"].filter(here, **first._asdict()),
        "analysis": tables["analysis"].filter(here),
        "dropped": tables["dropped"].filter(here),
    }


def _cells(
    patient: str,
    row: Mapping[str, Mapping[str, Any]],
    known: Mapping[str, Column],
    declared: Mapping[str, Any],
) -> list[str]:
    summary, index = contracts.summary(declared), declared_indices.main(declared)
    of_patient = {**row["patient"], **row["outcome"]}
    valid_s = row["quality"].get("valid_s")
    ends = [
        _number(row["optimum"], contracts.OPTIMA, f"cppopt_ci_{side}_mmhg")
        for side in ("low", "high")
    ]
    return [
        patient,
        *(value_words(of_patient.get(name), column) for name, column in known.items()),
        f"{row['used'].get('n_used', 0)} of {row['used'].get('n_listed', 0)}",
        format_number(None if valid_s is None else valid_s / 3600, decimals=1),
        _number(row["summary"], summary, "icp_mean_mmhg"),
        _number(row["dose"], contracts.BURDEN, "dose_per_h"),
        _number(row["summary"], summary, f"{index}_mean"),
        _number(row["optimum"], contracts.OPTIMA, "cppopt_mmhg"),
        MISSING if MISSING in ends else " to ".join(ends),
        "in" if row["analysis"] else words_of(row["dropped"].get("reason")),
    ]


def _number(row: Mapping[str, Any], table: Table, name: str) -> str:
    """Return a value of a patient's row of a table with the decimals of its column."""
    return format_number(row.get(name), decimals=table.columns[name].decimals or 0)


def _holding(row: Mapping[str, Mapping[str, Any]]) -> str:
    """Return the numbers of the filters that hold for a patient, as `FILTERS` counts them."""
    holds = (
        bool(row["analysis"]),
        not row["analysis"],
        row["optimum"].get("cppopt_mmhg") is not None,
        row["used"].get("n_used", 0) < row["used"].get("n_listed", 0),
    )
    return " ".join(str(i) for i, one in enumerate(holds) if one)


def as_data(facts: Sequence[Section], patients: Sequence[str]) -> str:
    """Return the sections as JSON that may stand in a page, every text once.

    `words` holds the texts; `sections` their captions, heads and what is said without rows;
    `patients` of each, section by section, rows of cells, a cell being its place in `words`.
    """
    words: dict[str, int] = {}
    coded = {
        patient: [
            [[words.setdefault(cell, len(words)) for cell in row] for row in one.rows[patient]]
            if patient in one.rows
            else []
            for one in facts
        ]
        for patient in patients
    }
    heads = [{"caption": one.caption, "head": one.head, "empty": one.empty} for one in facts]
    text = json.dumps(
        {"words": list(words), "sections": heads, "patients": coded},
        ensure_ascii=False,
        separators=(",", ":"),
    )
    for sign in "<>&\u2028\u2029":  # so that no text of the data ends the element it is in
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text
