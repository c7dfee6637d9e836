"""What if: the report's sections on other decisions, on the plan, and on what it could show."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from icpcohort.report.sections.blocks import (
    Block,
    Link,
    Paragraph,
    PictureBlock,
    Section,
    table,
)
from icpcohort.report.tables.grid import Grid, words_of
from icpcohort.report.tables.model_words import Columns
from icpcohort.report.tables.numbers import MISSING, format_number, format_p, format_percent

Tables = Mapping[str, pl.DataFrame]


def specifications(tables: Tables, figures: Mapping[str, PictureBlock]) -> Section:
    """Return the section on every way in which a question could have been answered."""
    parts = []
    for row in tables["specification_summary"].iter_rows(named=True):
        name = row["question"]
        choices = tables["specification_choices"].filter(question=name)
        blocks: list[Block] = [
            Paragraph(in_words(row, choices), (Link(f"table-choices-{name}"),)),
            *([figures[figure]] if (figure := f"specifications-{name}") in figures else []),
            *table(f"choices-{name}", of_choices(choices), sortable=False),
            *table(f"reasons-{name}", of_reasons(choices), sortable=False, supplementary=True),
        ]
        parts.append(Section(f"question-{name}", row["words"], tuple(blocks)))
    empty = () if parts else (Paragraph("No other decision was declared.", empty=True),)
    return Section("specifications", "Other defensible decisions", empty, tuple(parts))


def in_words(row: Mapping[str, Any], choices: pl.DataFrame) -> str:
    """Return the paragraph on one question from its row of the summary and its choices."""
    n = choices["choice"].n_unique()
    text = (
        f"{n} choices combine to {row['n_specifications']} specifications, of which "
        f"{row['n_estimated']} could be estimated."
    )
    if not row["n_estimated"]:
        return text
    low, high, median = (
        format_number(row[f"effect_{name}"], decimals=2) for name in ("low", "high", "median")
    )
    n_above = round(row["percent_above_1"] * row["n_estimated"] / 100)
    text += (
        f" Odds ratios for one standard deviation of the exposure ran from {low} to {high}, "
        f"median {median}; {n_above} ({format_percent(n_above, row['n_estimated'])}) were "
        f"above 1, and the 95 % interval of {row['n_excluding_1']} excluded 1. {_main(row)}"
    )
    return f"{text} {_most(choices)}{_joint(row)}"


def _main(row: Mapping[str, Any]) -> str:
    if row["effect_main"] is None:
        return "The main one, that of the plan, could not be estimated."
    main = format_number(row["effect_main"], decimals=2)
    return f"The main one, that of the plan, gave {main}."


def _most(choices: pl.DataFrame) -> str:
    known = choices.drop_nulls("choice_variance_percent").sort(
        "choice_variance_percent", descending=True
    )
    if known.is_empty():
        return ""
    most = known.row(0, named=True)
    share = format_number(most["choice_variance_percent"], decimals=0)
    return f"What moved the estimates most was: {most['choice_words']} ({share} % of variance)."


def _joint(row: Mapping[str, Any]) -> str:
    if row["p_joint"] is None:
        return ""
    verdict = "Distinguished" if row["p_joint"] < 0.05 else "Not distinguished"
    return (
        f" {verdict} from chance at the 5 % level by the mean z of all: "
        f"{format_number(row['mean_z'], decimals=2)}, p = {format_p(row['p_joint'])} by "
        f"{row['n_permutations']} permutations of the exposure, which keep outcome, adjustment "
        f"and cohorts. Beside it, {row['n_beyond']} specifications had a z beyond 1.96 on its "
        f"side (p = {format_p(row['p_beyond'])}). z is of the score test, which is nearer to "
        "its distribution than the interval's in small samples and may differ from it."
    )


def of_choices(choices: pl.DataFrame) -> Grid:
    """Return the effects with each option (`contracts.SPECIFICATION_CHOICES` of a question)."""
    rows = []
    for row in choices.iter_rows(named=True):
        low, high, median = (
            format_number(row[f"effect_{name}"], decimals=2)
            for name in ("low", "high", "median")
        )
        spread = MISSING if row["effect_median"] is None else f"{median} ({low} to {high})"
        rows.append(
            [
                row["option"],
                row["choice_words"],
                "yes" if row["is_main"] else "no",
                str(row["n_specifications"]),
                spread,
                format_number(row["choice_variance_percent"], decimals=0),
            ]
        )
    head = [
        *("Option", "Choice", "In the plan", "Specifications"),
        *("Odds ratio, median (lowest to highest)", "Variance explained by the choice (%)"),
    ]
    note = (
        "Odds ratios for one standard deviation of the exposure, over all combinations of the "
        "other choices; where a choice changes nothing (the same patients, the same exposure), "
        "the same estimate counts more than once. Variance of log odds ratios that a choice "
        "explains alone; what is left lies in combinations."
    )
    return Grid("Estimates with each option", head, rows, note)


def of_reasons(choices: pl.DataFrame) -> Grid:
    """Return why each option is defensible, as declared."""
    columns = ("option", "choice_words", "reason", "source")
    rows = [[row[name] for name in columns] for row in choices.iter_rows(named=True)]
    return Grid(
        "Why each option is defensible", ["Option", "Choice", "Why", "Source"], rows, ""
    )


def plan(tables: Tables, words: str, columns: Columns) -> Section:
    """Return the section on the plan: whether it was locked, and what has changed since."""
    blocks: list[Block] = [
        Paragraph(words, (Link("table-plan-changes"),)),
        *table("plan-status", of_status(tables["plan_status"], columns)),
        *table("plan-changes", of_changes(tables["plan_changes"]), sortable=False),
    ]
    return Section("plan-lock", "The plan and what became of it", tuple(blocks))


def of_status(status: pl.DataFrame, columns: Columns) -> Grid:
    """Return whether each model is as planned (`contracts.PLAN_STATUS`)."""
    rows = [
        [
            words_of(row["model"], columns),
            row["status"],
            str(row["n_changes"]),
            str(row["n_unexplained"]),
        ]
        for row in status.iter_rows(named=True)
    ]
    head = ["Model", "Since the lock", "Changes that concern it", "Without a reason"]
    return Grid("Models since the plan was locked", head, rows, "")


def of_changes(changes: pl.DataFrame) -> Grid:
    """Return every change with the author's reason (`contracts.PLAN_CHANGES`)."""
    rows = [
        [
            row["what"],
            row["locked"] or MISSING,
            row["now"] or MISSING,
            row["when"] or MISSING,
            row["why"] or "no reason was given",
        ]
        for row in changes.iter_rows(named=True)
    ]
    head = ["What", "As locked", "Now", "When", "Why"]
    return Grid("Changes since the plan was locked", head, rows, "")


def precision(tables: Tables, columns: Columns) -> list[Block]:
    """Return what this study could have shown, and what more patients would."""
    rows = []
    for (model,), part in tables["planning"].group_by("model", maintain_order=True):
        now, *more = part.sort("n").to_dicts()
        cells = [words_of(str(model), columns), format_number(now["n"], decimals=0)]
        for row in (now, *more):
            smallest = format_number(row["smallest_ratio"], decimals=2)
            cells.append(f"{smallest}; {format_number(row['ci_factor'], decimals=2)}")
        rows.append(cells)
    head = ["Model", "n", "As now", "Twice as many", "4 times", "8 times"]
    note = (
        "In each cell: the smallest ratio that 80 % of studies of this size would find "
        "(two-sided p < 0.05), and the factor by which a 95 % limit differs from the estimate. "
        "From the standard error of this study, which falls with the root of n. A ratio nearer "
        "to 1 than the smallest was beyond what this study could show: its absence here is no "
        "evidence."
    )
    grid = Grid(
        "What this study could have shown, and what more patients would", head, rows, note
    )
    return table("planning", grid, sortable=False)
