"""Attrition: filters that return what they drop, with the reason."""

from typing import NamedTuple

import polars as pl


class Split(NamedTuple):
    """The two halves of a filtered table; heights add up to the height before."""

    kept: pl.DataFrame
    dropped: pl.DataFrame  # the columns of `kept` plus `reason`


def split(rows: pl.DataFrame, *, drop_when: pl.Expr, reason: str) -> Split:
    """Divide `rows` by a test that must be true or false in every row.

    Raises
    ------
    ValueError
        If the test is null in any row: such a row would be lost from both halves.
    """
    drop = rows.select(drop_when.alias("drop"))["drop"]
    if drop.null_count():
        raise ValueError(
            f"attrition.split {reason!r}: the test is null in {drop.null_count()} of "
            f"{rows.height} rows; decide what null means with fill_null()"
        )
    return Split(rows.filter(~drop), rows.filter(drop).with_columns(reason=pl.lit(reason)))
