"""Shares: how far the answers differ, and which choice moves them."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from icpcohort import contracts
from icpcohort.specifications.joint_test import Joint


def of_choices(
    name: str, question: Mapping[str, Any], table: pl.DataFrame, options: pl.DataFrame
) -> pl.DataFrame:
    """Describe the effects with each option, and the variance that each choice explains.

    Returns
    -------
    DataFrame, contracts.SPECIFICATION_CHOICES

    Source: share of the variance of the conditional means, the first-order sensitivity index:
    Saltelli 2008.
    """
    known = _with_options(table, options)
    rows = []
    for choice, block in question["choices"].items():
        share = first_order_percent(known, choice)
        for number, option in enumerate([block["main"], *block["options"]]):
            effects = known.filter(choice=choice, option=option["label"])["effect"]
            rows.append(
                {
                    "question": name,
                    "choice": choice,
                    "option": option["label"],
                    "choice_words": block["words"],
                    "is_main": number == 0,
                    "reason": option["reason"],
                    "source": option["source"],
                    "n_specifications": len(effects),
                    "effect_median": effects.median(),
                    "effect_low": effects.min(),
                    "effect_high": effects.max(),
                    "choice_variance_percent": share,
                }
            )
    return pl.DataFrame(rows, schema=_types(contracts.SPECIFICATION_CHOICES))


def _with_options(table: pl.DataFrame, options: pl.DataFrame) -> pl.DataFrame:
    """Return one row per choice of each specification that has an estimate."""
    known = table.filter(pl.col("effect").is_not_null())
    return known.join(
        options, on=["question", "specification"], validate="1:m", maintain_order="left_right"
    )


def first_order_percent(known: pl.DataFrame, choice: str) -> float | None:
    """Return the share of the variance of log effects between the options of a choice.

    Null where all effects are the same, or there are fewer than two.
    """
    part = known.filter(choice=choice).with_columns(log=pl.col("effect").log())
    if part.height < 2:
        return None
    logs = part["log"].to_numpy()
    whole = float(np.sum((logs - logs.mean()) ** 2))
    if whole <= 1e-18 * len(logs):
        return None
    means = part.group_by("option", maintain_order=True).agg(
        pl.len().alias("n"), pl.col("log").mean()
    )
    between = float((means["n"] * (means["log"] - logs.mean()) ** 2).sum())
    return 100 * between / whole


def together(
    name: str,
    question: Mapping[str, Any],
    table: pl.DataFrame,
    options: pl.DataFrame,
    *,
    joint: Joint | None,
) -> pl.DataFrame:
    """Say in one row what all specifications of a question show.

    Returns
    -------
    DataFrame, contracts.SPECIFICATION_SUMMARY
        Null where no specification has an estimate. What no choice explains alone is null
        where some have none: the shares of unequal groups overlap.
    """
    known = table.filter(pl.col("effect").is_not_null())
    row: dict[str, Any] = {
        "question": name,
        "words": question["question"],
        "model": question["model"],
        "n_specifications": table.height,
        "n_estimated": known.height,
        "effect_main": table.filter("is_main")["effect"][0],
    }
    if known.height:
        row |= _spread(known)
    if known.height == table.height:
        of_each = [
            first_order_percent(_with_options(table, options), choice)
            for choice in question["choices"]
        ]
        if None not in of_each:
            row["interactions_percent"] = max(0.0, 100 - sum(filter(None, of_each)))
    if joint:
        row |= {
            key: getattr(joint, "p" if key == "p_joint" else key)
            for key in ("mean_z", "p_joint", "n_beyond", "chance_beyond", "p_beyond")
        }
        row["n_permutations"] = joint.n_permutations
    return pl.DataFrame([row], schema=_types(contracts.SPECIFICATION_SUMMARY))


def _spread(known: pl.DataFrame) -> dict[str, Any]:
    excluding = (pl.col("effect_ci_low") > 1) | (pl.col("effect_ci_high") < 1)
    return {
        "effect_median": known["effect"].median(),
        "effect_low": known["effect"].min(),
        "effect_high": known["effect"].max(),
        "percent_above_1": 100 * float((known["effect"] > 1).mean()),  # type: ignore[arg-type]
        "n_excluding_1": known.filter(excluding).height,
    }


def _types(table: contracts.Table) -> dict[str, pl.DataType]:
    return {name: column.dtype for name, column in table.columns.items()}
