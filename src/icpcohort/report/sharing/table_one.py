"""Table 1 to share: counts by group that add up, with what is not known as a level."""

from collections.abc import Collection, Mapping, Sequence

import polars as pl

from icpcohort.contracts import Column
from icpcohort.report.sharing import cells as share_cells
from icpcohort.report.sharing.cells import QUARTERS, Cell, Sheet
from icpcohort.report.sharing.disclosure import HIDDEN, Sum
from icpcohort.report.tables import descriptive
from icpcohort.report.tables import table_one as table_one_tables

KNOWN, NOT_KNOWN = "known", "not known"


def table_one(
    analysis: pl.DataFrame,
    *,
    main_window: str,
    variables: Sequence[str],
    groups: table_one_tables.Groups,
    columns: Mapping[str, Column],
    min_cell: int,
) -> Sheet:
    """Return Table 1 as counts: a level not known is a level, so each group adds up.

    `variables` are those of Table 1, of the `columns` of the analysis table; one that nobody
    in the cohort has is not listed.

    Patients whose group is unknown are left out where there are groups, since all less both
    groups would tell of them. There are no groups where one has fewer than `min_cell`.
    """
    cohort = analysis.filter(window=main_window)
    second = groups.in_second
    parts = {
        groups.first: cohort.filter(second.eq_missing(False)),
        groups.second: cohort.filter(second.eq_missing(True)),
    }
    if min(part.height for part in parts.values()) < min_cell:
        parts = {}
    whole = pl.concat(parts.values()) if parts else cohort
    parts = {"both groups" if parts else "all": whole} | parts
    people = {f"table 1, {name}": share_cells.ids(part) for name, part in parts.items()}
    rows = [
        [*map(Cell, ("Patients", "n", name)), share_cells.count(who, key), *[Cell("")] * 5]
        for name, (key, who) in zip(parts, people.items(), strict=True)
    ]
    n, sums, zeros = dict[str, int](), [share_cells.sum_of(list(people))], frozenset[str]()
    for name in table_one_tables.listed(cohort, variables):
        added = _variable(name, columns[name], parts, min_cell=min_cell)
        rows += added.rows
        people |= added.people
        n |= added.n
        sums += added.sums
        zeros |= added.zeros
    head = ("variable", "level", "group", "n", "percent", "median", "q1", "q3", "smd")
    about = f"Patients of the analysis, {main_window}: counts and percentages of the group"
    never = frozenset(people) - {f"table 1, {name}" for name in parts}
    return Sheet(about, head, rows, people, n, [s for s in sums if s.parts], zeros, never)


def _variable(
    name: str, column: Column, parts: Mapping[str, pl.DataFrame], *, min_cell: int
) -> Sheet:
    """Return the rows of a variable; who has a value is counted too, to be held beside n."""
    values = {group: part[name] for group, part in parts.items()}
    counts = {group: _levels(column, part) for group, part in values.items()}
    levels = list(dict.fromkeys(level for of_group in counts.values() for level in of_group))
    keys = {
        (level, group): f"table 1, {column.heading()}, {level}, {group}"
        for level in levels
        for group in parts
    }
    n = {keys[level, group]: counts[group].get(level, 0) for level, group in keys}
    people = {
        f"table 1, {column.heading()} has a value, {group}": share_cells.ids(
            part.filter(pl.col(name).is_not_null())
        )
        for group, part in parts.items()
    }
    sums = [
        Sum(f"table 1, {group}", tuple(keys[level, group] for level in levels))
        for group in parts
    ]
    sums += [share_cells.sum_of([keys[level, group] for group in parts]) for level in levels]
    sums += [
        Sum(f"table 1, {group}", (valued, keys[NOT_KNOWN, group]))
        for group, valued in zip(parts, people, strict=True)
    ]
    named = [level for level in levels if level not in (NOT_KNOWN, KNOWN)]
    needs = [keys[level, group] for level in named for group in parts]
    zeros = frozenset(keys[level, g] for level in named for g in parts if values[g].count())
    rows = _variable_rows(column, values, keys, n, needs=needs, min_cell=min_cell)
    return Sheet("", (), rows, people, n, [one for one in sums if one.parts], zeros)


def _variable_rows(
    column: Column,
    values: Mapping[str, pl.Series],
    keys: Mapping[tuple[str, str], str],
    n: Mapping[str, int],
    *,
    needs: Collection[str],
    min_cell: int,
) -> list[list[Cell]]:
    compared = _difference(column, values, needs, min_cell=min_cell)
    rows = []
    for (level, group), key in keys.items():
        part, whole = values[group], f"table 1, {group}"
        quartiles = [Cell("")] * 3
        if level == KNOWN and column.decimals is not None:
            quartiles = share_cells.quartiles(part, decimals=column.decimals, min_cell=min_cell)
        cells = [Cell(str(n[key]), (key,)), share_cells.percent(key, n[key], whole, part.len())]
        texts = map(Cell, (column.heading(), level, group))
        rows.append([*texts, *cells, *quartiles, compared])
    return rows


def _levels(column: Column, values: pl.Series) -> dict[str, int]:
    """Return how many have each level; of a number only how many are known."""
    known = values.drop_nulls()
    if column.decimals is not None:
        counts = {KNOWN: known.len()}
    elif values.dtype == pl.Boolean():
        counts = {"yes": int(known.sum()), "no": known.len() - int(known.sum())}
    else:
        counted = known.value_counts().sort(values.name)
        counts = {str(level): n for level, n in counted.iter_rows()}
    return counts | {NOT_KNOWN: values.null_count()}


def _difference(
    column: Column,
    values: Mapping[str, pl.Series],
    needs: Collection[str],
    *,
    min_cell: int,
) -> Cell:
    """Return the standardised difference; of a category it could give back a hidden count."""
    if len(values) == 1:
        return Cell("")
    compare = descriptive.of_levels if column.decimals is None else descriptive.of_numbers
    _, first, second = values.values()
    few = min(first.count(), second.count()) < QUARTERS * min_cell
    if column.decimals is not None and few:
        return Cell(HIDDEN)
    return Cell(share_cells.number(compare(first, second), decimals=2).text, tuple(needs))
