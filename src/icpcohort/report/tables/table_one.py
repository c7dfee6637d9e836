"""Table 1: the cohort described by outcome or by exposure."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import Column, store
from icpcohort.report.tables import descriptive
from icpcohort.report.tables.numbers import MISSING, format_median, format_percent


class Groups(NamedTuple):
    """The two groups of Table 1: their names, and which patients belong to the second."""

    first: str
    second: str
    in_second: pl.Expr  # null where the group is unknown


def groups_of(
    by: str,
    *,
    exposure: str,
    exposed_above: float,
    main_outcome: str,
    columns: Mapping[str, Column],
) -> Groups:
    """Return the groups by outcome, or by an exposure above a value in the exposure's unit.

    `main_outcome` is the flag that counts as unfavourable; `columns` are those of the analysis
    table.

    Raises
    ------
    ValueError
        If `by` is neither "outcome" nor "exposure".
    """
    if by == "outcome":
        return Groups("Favourable", "Unfavourable", pl.col(main_outcome))
    if by == "exposure":
        words, limit = columns[exposure].heading(), f"{exposed_above:g}"
        return Groups(
            f"{words} up to {limit}",
            f"{words} above {limit}",
            pl.col(exposure) > exposed_above,
        )
    raise ValueError(f"cohort.table_one.by: {by!r} is unknown; write outcome or exposure")


def table_one(
    analysis: pl.DataFrame,
    *,
    main_window: str,
    variables: Sequence[str],
    groups: Groups,
    columns: Mapping[str, Column],
) -> pl.DataFrame:
    """Return Table 1 of the patients in `main_window`, by two groups.

    Parameters
    ----------
    analysis : DataFrame, one row per window and patient
        `contracts.analysis`. Null covariates are counted as missing, in all and in each group,
        and are in no percentage, median or difference.
    main_window : str
        Only the rows of this window are described.
    variables : sequence of str
        Columns of the analysis table, in their order in Table 1.
    groups : Groups
        A patient whose group is unknown is described under `unknown`, and in no difference.
    columns : mapping of name to Column
        Those of the analysis table.

    Returns
    -------
    DataFrame
        `contracts.TABLE_ONE`. Continuous variables: median (quartiles). Categories: one row
        a level, count/denominator (percentage), the denominator being the group's patients
        with a value; of a yes/no variable only "yes". A variable that nobody has is not listed.
        Without patients there is only the row of counts. The first row of a
        variable has its standardised difference and what is missing.

    Source: von Elm 2007, items 14a and 14b; quartiles as in `format_median`, differences as in
    `balance`.
    """
    cohort = analysis.filter(pl.col("window") == main_window)
    second = groups.in_second
    parts = {
        "overall": cohort,
        "group_1": cohort.filter(second.eq_missing(False)),
        "group_2": cohort.filter(second.eq_missing(True)),
        "unknown": cohort.filter(second.is_null()),
    }
    counts = {name: str(part.height) for name, part in parts.items()}
    rows: list[dict[str, object]] = [
        {"variable": "Patients", "level": "n"} | counts | dict.fromkeys(_N_MISSING, 0)
    ]
    for name in listed(cohort, variables):
        rows += _rows_of(name, columns[name], parts)
    group_names = {"group_1_is": groups.first, "group_2_is": groups.second}
    frame = pl.DataFrame(
        [{"row": number} | group_names | row for number, row in enumerate(rows, start=1)],
        schema={name: column.dtype for name, column in contracts.TABLE_ONE.columns.items()},
    )
    store.check(frame, contracts.TABLE_ONE, "table_one.table_one")
    return frame


_N_MISSING = {"n_missing": "overall", "n_missing_1": "group_1", "n_missing_2": "group_2"}


def listed(cohort: pl.DataFrame, variables: Sequence[str]) -> list[str]:
    """Return the variables of which anybody in the cohort has a value, in their order."""
    return [name for name in variables if cohort[name].count()]


def _rows_of(
    variable: str, column: Column, parts: dict[str, pl.DataFrame]
) -> list[dict[str, object]]:
    values = {name: part[variable] for name, part in parts.items()}
    about: dict[str, object] = {"variable": column.heading()}
    compare = descriptive.of_levels if column.decimals is None else descriptive.of_numbers
    first: dict[str, object] = {"smd": compare(values["group_1"], values["group_2"])}
    first |= {name: values[part].null_count() for name, part in _N_MISSING.items()}
    levels = _levels(values["overall"])
    if column.decimals is not None:
        medians = {
            name: format_median(part, decimals=column.decimals) for name, part in values.items()
        }
        rows = [about | {"level": "median (IQR)"} | medians]
    else:
        rows = [
            about
            | {"level": "yes" if level is True else str(level)}
            | {name: _share(part, level) for name, part in values.items()}
            for level in levels
        ]
    return [rows[0] | first, *rows[1:]]


def _levels(values: pl.Series) -> Sequence[object]:
    present: list[object] = values.drop_nulls().unique().sort().to_list()
    if values.dtype == pl.Boolean() and present:
        return [True]
    return present


def _share(values: pl.Series, level: object) -> str:
    known = values.drop_nulls()
    n = int((known == level).sum())
    percent = format_percent(n, known.len())
    return percent if percent == MISSING else f"{n}/{known.len()} ({percent})"
