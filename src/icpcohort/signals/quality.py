"""Quality: how each second of a patient and of a recording is counted, as tables."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.signals.overlaps import Combined
from icpcohort.signals.trends import Summary


class Quality(NamedTuple):
    """Four tables, each under the contract of its name."""

    quality: pl.DataFrame
    masked: pl.DataFrame
    recording_quality: pl.DataFrame
    recording_masked: pl.DataFrame


def account(
    patient_id: str, joined: Combined, recorded: Sequence[tuple[Mapping[str, Any], Summary]]
) -> Quality:
    """Account for the seconds of one patient, and of each recording by itself.

    Parameters
    ----------
    joined : Combined
        The recordings on one clock: each second once.
    recorded : rows of contracts.recordings that are used, each with its summary

    Returns
    -------
    Quality
        In every row recorded_s = valid_s + masked_s + missing_s, and masked_s is the sum over
        its reasons: exactly, as `accounts` counts. A patient whose recordings overlap has
        fewer seconds than their sum.
    """
    tiers = " + ".join(sorted({str(row["tier"]) for row, _ in recorded}))
    who = {"patient_id": pl.lit(patient_id)}
    each = [
        (who | {name: pl.lit(row[name]) for name in ("recording_id", "tier")}, summary)
        for row, summary in recorded
    ]
    return Quality(
        _rows([joined.seconds.with_columns(**who, tier=pl.lit(tiers))], contracts.QUALITY),
        _rows([joined.masked.with_columns(**who)], contracts.MASKED),
        _rows(
            [summary.seconds.with_columns(**keys) for keys, summary in each],
            contracts.RECORDING_QUALITY,
        ),
        _rows(
            [summary.masked.with_columns(**keys) for keys, summary in each],
            contracts.RECORDING_MASKED,
        ),
    )


def _rows(parts: Sequence[pl.DataFrame], table: contracts.Table) -> pl.DataFrame:
    return pl.concat(
        [store.empty(table), *(part.select(list(table.columns)) for part in parts)]
    )
