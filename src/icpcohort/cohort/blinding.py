"""Blinding: outcomes shuffled among patients, so that a run reveals nothing about them.

Source: blinded analysis, common practice in physics: MacCoun 2015.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np
import polars as pl

from icpcohort import contracts
from icpcohort.contracts.setting import OF_THE_STUDY, Setting

WARNING = (
    "Blinded run: outcomes, with times of death and discharge, are shuffled among patients. "
    "Nothing here is a result. The plan is locked with: icpcohort plan lock STUDY"
)


@dataclass(frozen=True, kw_only=True)
class Settings:
    """The analysis plan and when outcomes are seen."""

    blinded_until_locked: Annotated[
        bool,
        Setting(
            "Whether outcomes are shuffled among patients until the plan is locked with "
            "`icpcohort plan lock`",
            "MacCoun 2015 (from memory)",
            True,
        ),
    ]
    seed: Annotated[
        int,
        Setting(
            "Start of the random numbers of the shuffle",
            OF_THE_STUDY,
            1,
            at_least=0,
            at_most=2147483647,
        ),
    ]


def outcomes_of(declared: Mapping[str, Any]) -> list[str]:
    """Return the columns of patients that are known afterwards; see `contracts.patients`."""
    columns = contracts.patients(declared).columns
    return [name for name, column in columns.items() if column.known == "afterwards"]


def shuffled(patients: pl.DataFrame, *, outcomes: Sequence[str], seed: int) -> pl.DataFrame:
    """Give the outcomes of patients to other patients, each with its times, at random.

    Parameters
    ----------
    patients : DataFrame of `contracts.patients`
    outcomes : sequence of str
        Columns that are shuffled together; see `outcomes_of`.
    seed : int

    Returns
    -------
    DataFrame
        The same rows and columns. Who had which outcome does not matter to the result: it
        follows from the outcomes that occur, the patients' identifiers and the seed alone.
    """
    rows = patients.sort("patient_id")
    values = rows.select(outcomes).sort(outcomes, nulls_last=True)
    order = np.random.default_rng(seed).permutation(rows.height)
    exchanged = rows.with_columns(values[order.tolist()].get_columns())
    return patients.select("patient_id").join(
        exchanged, on="patient_id", how="left", validate="1:1", maintain_order="left"
    )
