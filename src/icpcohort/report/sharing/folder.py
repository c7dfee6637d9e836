"""Share: the folder that may leave the group, or no folder at all."""

import itertools
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import polars as pl

from icpcohort.contracts import Column, atomic_write, bibliography, declared_signals
from icpcohort.contracts.setting import Setting
from icpcohort.report.formats.csv_cells import as_csv
from icpcohort.report.sharing import cells, disclosure
from icpcohort.report.sharing import sheets as share_sheets
from icpcohort.report.sharing import table_one as share_table_one
from icpcohort.report.sharing.cells import Cell, People, Sheet
from icpcohort.report.sharing.disclosure import HIDDEN, Counts, Sum
from icpcohort.report.tables import table_one


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What may leave the group: results/share."""

    min_cell: Annotated[
        int,
        Setting(
            "The smallest count of patients that is shown in results/share; medians need four "
            "times as many",
            "5: common practice, no source; data holders ask for 5, 6, 10 or 11 (from memory)",
            5,
            at_least=3,
            at_most=100,
        ),
    ]


class NotSafeError(ValueError):
    """The folder would reveal single patients; the text lists every place."""


def files(
    *,
    tables: Mapping[str, pl.DataFrame],
    models: Mapping[str, Mapping[str, Any]],
    estimates: Mapping[str, pl.DataFrame],
    dropped: Mapping[str, pl.DataFrame],
    methods: Mapping[str, str],
    main_window: str,
    variables: Sequence[str],
    groups: table_one.Groups,
    columns: Mapping[str, Column],
    min_cell: int,
    declared: Mapping[str, Any],
) -> dict[str, str]:
    """Return the text of every file of the folder by its name, `names.FILES`.

    Parameters
    ----------
    tables : mapping of table name to DataFrame
        The names of `reads.SHARE.tables`, as in the contracts. What a category without
        stated levels says, such as a centre, is called by numbers, the largest first.
    models, estimates, dropped : by model name
        The plan; `contracts.ESTIMATES`; `contracts.MODEL_DROPPED`.
    methods : mapping of heading to paragraph
    main_window : str
        The window of Table 1.
    variables : names of the rows of Table 1, in order
    groups : the two groups of Table 1
    columns : mapping of name to Column
        Those of the analysis table.
    min_cell : int
        The smallest count that is shown.
    declared : mapping
        Sections of the settings that declare columns.

    Raises
    ------
    NotSafeError
        If after hiding a small count could still be worked out.
    """
    described = share_table_one.table_one(
        _with_numbers(tables["analysis"], columns),
        main_window=main_window,
        variables=variables,
        groups=groups,
        columns=columns,
        min_cell=min_cell,
    )
    sheets = _sheets(tables, described, min_cell=min_cell, declared=declared)
    sheets["estimates.csv"] = share_sheets.estimates(
        tables["analysis"], models=models, fitted=estimates, dropped=dropped, min_cell=min_cell
    )
    counts = counts_of(sheets, min_cell=min_cell)
    hidden = disclosure.hide(counts, min_cell=min_cell)
    _refuse(disclosure.exposed(counts, hidden, min_cell=min_cell))
    shown = {name: _shown(sheet, hidden) for name, sheet in sheets.items()}
    texts = {name: as_csv(sheet.head, shown[name]) for name, sheet in sheets.items()}
    paragraphs = [f"## {heading}\n\n{text}\n" for heading, text in methods.items()]
    cited = bibliography.section_of(methods.values())
    texts["methods.md"] = "\n".join(filter(None, ["# Methods\n", *paragraphs, cited]))
    texts["README.md"] = _readme(sheets, shown, min_cell=min_cell)
    return texts


def identifiers(
    tables: Mapping[str, pl.DataFrame], *, columns: Mapping[str, Column]
) -> frozenset[str]:
    """Return every name that must not stand in the folder, of the tables that `files` takes.

    Parameters
    ----------
    columns : mapping of name to Column
        Those of the analysis table.
    """
    patients = tables["patients"]
    texts = (
        patients["patient_id"],
        *(patients[name] for name in _free_categories(patients, columns)),
        *(tables["recordings"]["recording_id"], tables["recordings"]["path"]),
        tables["monitors"]["monitor_id"],
    )
    return frozenset(str(one) for values in texts for one in values.drop_nulls())


def write(
    texts: Mapping[str, str],
    paths: Sequence[str | Path],
    *,
    identifiers: Collection[str],
    min_cell: int,
) -> None:
    """Write the files and read each back; if one is not safe, all are removed.

    Raises
    ------
    NotSafeError
        If a file has an identifier, a date or a small count.
    """
    places = [Path(path) for path in paths]
    for place in places:
        atomic_write.write(place, texts[place.name])
    read = {place.name: place.read_text(encoding="utf-8") for place in places}
    problems = disclosure.problems(read, identifiers=identifiers, min_cell=min_cell)
    if problems:
        for place in places:
            place.unlink()
    _refuse(problems)


def _refuse(problems: list[str]) -> None:
    if problems:
        lines = "\n".join(f"  {line}" for line in problems)
        raise NotSafeError(
            f"results/share: {len(problems)} problem(s); nothing is shared\n{lines}"
        )


def _sheets(
    tables: Mapping[str, pl.DataFrame],
    described: Sheet,
    *,
    min_cell: int,
    declared: Mapping[str, Any],
) -> dict[str, Sheet]:
    listed = frozenset(tables["patients"]["patient_id"].to_list())
    cohort = tables["analysis"].select("window", "patient_id")
    burden, summary = (
        tables[name].join(cohort, on=["window", "patient_id"], how="semi")
        for name in ("burden", "summary")
    )
    return {
        "flow.csv": share_sheets.flow(
            listed, tables["flow"], tables["dropped"], min_cell=min_cell
        ),
        "table1.csv": described,
        "recorded.csv": share_sheets.recorded(
            tables["quality"], labels=declared_signals.labels(declared), min_cell=min_cell
        ),
        "monitors.csv": share_sheets.monitors(tables["monitors"], min_cell=min_cell),
        "burden.csv": share_sheets.burden(burden, min_cell=min_cell, declared=declared),
        "reactivity.csv": share_sheets.reactivity(
            summary, min_cell=min_cell, declared=declared
        ),
    }


def _free_categories(table: pl.DataFrame, columns: Mapping[str, Column]) -> list[str]:
    """Return the categories whose levels the study does not state, such as centres."""
    return [
        name
        for name, column in columns.items()
        if column.kind == "category" and not column.levels and name in table.columns
    ]


def _with_numbers(analysis: pl.DataFrame, columns: Mapping[str, Column]) -> pl.DataFrame:
    """Name what a free category says by number, the largest first: its words may name people.

    Which unit a centre was is for the group to know.
    """
    for name in _free_categories(analysis, columns):
        sizes = (
            analysis[name]
            .drop_nulls()
            .value_counts()
            .sort("count", name, descending=[True, False])
        )
        numbers = {
            one: f"{name.replace('_', ' ')} {i}" for i, one in enumerate(sizes[name], start=1)
        }
        analysis = analysis.with_columns(
            pl.col(name).replace_strict(numbers, default=None, return_dtype=pl.String())
        )
    return analysis


def counts_of(sheets: Mapping[str, Sheet], *, min_cell: int) -> Counts:
    """Return the counts of all sheets, with what binds those of one sheet to another's.

    Two counts of the same patients are one count. Where a count holds all patients of another
    and fewer than `min_cell` besides, these are a small count, shown nowhere.
    """
    people: dict[str, People] = {}
    n: dict[str, int] = {}
    sums: list[Sum] = []
    for sheet in sheets.values():
        people |= sheet.people
        n |= sheet.n
        sums += sheet.sums
    first: dict[People, str] = {}
    for name, who in people.items():
        if who and first.setdefault(who, name) != name:
            sums.append(Sum(first[who], (name,)))
    n |= {name: len(who) for name, who in people.items()}
    between = {}
    for inner, outer in itertools.permutations(first, 2):
        if 0 < len(outer) - len(inner) < min_cell and inner < outer:
            rest = f"{first[outer]} but not {first[inner]}"
            between[rest] = len(outer) - len(inner)
            sums.append(Sum(first[outer], (first[inner], rest)))
    zeros = frozenset().union(*(sheet.zeros for sheet in sheets.values()))
    never = frozenset(between).union(*(sheet.never for sheet in sheets.values()))
    return Counts(n | between, sums, never, zeros)


def _shown(sheet: Sheet, hidden: frozenset[str]) -> list[list[str]]:
    return [[_text(cell, hidden) for cell in row] for row in sheet.rows]


def _text(cell: Cell, hidden: frozenset[str]) -> str:
    return HIDDEN if cell.text and hidden.intersection(cell.needs) else cell.text


def _readme(
    sheets: Mapping[str, Sheet], shown: Mapping[str, list[list[str]]], *, min_cell: int
) -> str:
    lines = [
        f"| `{name}` | {sheet.about} | {sum(row.count(HIDDEN) for row in shown[name])} of "
        f"{sum(map(len, shown[name]))} |"
        for name, sheet in sheets.items()
    ]
    least = cells.QUARTERS * min_cell
    listed = "\n".join([*lines, "| `methods.md` | What was done, as it ran | none |"])
    return f"""\
# What may leave the group

Aggregated results of a study of recorded data, for research and not for treatment. No row is of
one patient; there is no identifier, no calendar date, and centres are numbered, as are the
values of any other variable whose levels the study does not state.

`{HIDDEN}` stands for a value that is withheld. An empty cell does not apply.

| file | what it has | withheld |
|---|---|---|
{listed}

## What is withheld, and why

* A count of 1 to {min_cell - 1}; and of 0 where it would tell of everybody else in a group.
* As many other counts as it takes until adding and subtracting all counts of all files leaves
  at least {min_cell + 1} possible values of each. This holds for counts of the same patients in
  different files, and for the difference of two counts of which one holds the other.
* Percentages, intervals and standardised differences that would give a withheld count back.
* Medians and quartiles of fewer than {least} values: {min_cell} in each quarter. Smallest and
  largest values, dots and curves of single patients, and rows of reasons are not here at all.
* Estimates that rest on fewer than {min_cell} people with the outcome, without it, or at one
  value of an exposure with few values; and terms beside the exposure.
* In `table1.csv`, patients whose group is unknown; and both groups, if one has fewer than
  {min_cell} patients.

The minimum is the setting `share.min_cell`. Threshold and secondary suppression are those of
the Handbook on Statistical Disclosure Control for Outputs (Griffiths 2019) and of Statistical
Disclosure Control (Hundepool 2012), both from memory.

What else is published of the same patients (a paper, a second run with other settings) can be
held beside these files, and the check knows nothing of it.
"""
