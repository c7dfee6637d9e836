"""Header names: what the columns of a study table are called, and what is wrong there."""

import difflib
from collections.abc import Collection, Iterator

from icpcohort.study.schema import suggestion
from icpcohort.study.table_columns import OPTIONAL, TABLES, Asked


def problems(
    header: list[str], asked: Asked, *, of_dates: Collection[str], block: str
) -> Iterator[tuple[str, str]]:
    """Yield, by place, a column that is missing, stands twice or looks misspelt.

    Parameters
    ----------
    of_dates : collection of str
        Columns that hold dates, where the settings do not say what dates count from.
    block : str
        What to write into the settings then.
    """
    name, names = asked.name, asked.names
    theirs = {ours: names.get(ours, ours) for ours in asked.contract.columns}
    known = {*theirs.values(), *asked.others}
    free = [column for column in header if column and column not in known]
    absent = [ours for ours, column in theirs.items() if column not in header]
    optional = []
    for ours in absent:
        if ours in names:
            is_ours = ours in (TABLES | OPTIONAL)[name].columns
            place = f"study.columns.{name}.{ours} in config.yaml"
            place = place if is_ours else f"{ours}.column in variables.yaml"
            near = suggestion(theirs[ours], free)
            yield f"column {theirs[ours]}", f"missing; {near} ({place})"
        elif ours in asked.needed:
            near = suggestion(ours, free)
            yours = near.split("'")[1] if near.startswith("did") else "NAME_OF_YOUR_COLUMN"
            line = f"study.columns.{name} the line `{ours}: {yours}`"
            place = f"config.yaml under {line}"
            if ours not in (TABLES | OPTIONAL)[name].columns:
                place = f"variables.yaml under outcomes the line `{ours}: {{column: {yours}}}`"
            more = (
                f", and since {yours} holds dates, under study the line `{block}`"
                if yours in of_dates
                else ""
            )
            yield f"column {ours}", f"missing; add it, or write in {place}{more}"
        else:
            optional.append(ours)
    for column in free:
        near_names = difflib.get_close_matches(column.lower(), optional, n=1, cutoff=0.8)
        if near_names:
            near = near_names[0]
            line = f"study.columns.{name} the line `{near}: {column}`"
            place = f"config.yaml under {line}"
            if near not in (TABLES | OPTIONAL)[name].columns:
                is_outcome = asked.contract.columns[near].role == "outcome"
                section = "outcomes" if is_outcome else "variables"
                line = f"the line `{near}: {{column: {column}}}`"
                place = f"variables.yaml under {section} {line}"
            yield (
                f"column {column}",
                f"not known; did you mean '{near}'? Rename or remove it, or write in {place}",
            )
    for column in sorted({column for column in theirs.values() if header.count(column) > 1}):
        yield f"column {column}", f"stands {header.count(column)} times; keep one"
