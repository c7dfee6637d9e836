"""Updates: the burden at the end of each day, for exposures that change with time."""

import math
from collections.abc import Mapping
from typing import Any

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.exposures import burden, burden_settings
from icpcohort.exposures.window import H_S

DAY_H = 24.0


def day_by_day(
    minutes: pl.DataFrame, *, rules: burden_settings.Rules, declared: Mapping[str, Any]
) -> pl.DataFrame:
    """Return each patient's burden from time zero to the end of each day.

    Parameters
    ----------
    minutes : contracts.minutes of all patients with `patient_id`
    rules : burden_settings.Rules
    declared : as in `burden.add_up`

    Returns
    -------
    DataFrame, contracts.updates of what is declared
        A row for every day up to the one of the patient's last minute; only the past of
        `until_h` is in it.

    Source: `burden.add_up`, with windows that grow by a day.
    """
    table = contracts.updates(declared)
    last_h = minutes.group_by("patient_id").agg(last_h=pl.col("t_s").max() / H_S)
    days = [store.empty(table)]
    n_days = math.ceil(float(last_h["last_h"].max() or 0.0) / DAY_H)  # type: ignore[arg-type]
    for day in range(1, n_days + 1):
        until_h = day * DAY_H
        seen = last_h.filter(pl.col("last_h") > until_h - DAY_H).select("patient_id")
        so_far = burden.add_up(
            minutes.join(seen, on="patient_id", how="semi"),
            windows={"so_far": {"start_h": 0.0, "end_h": until_h, "min_monitored_h": 0.0}},
            rules=rules,
            declared=declared,
        )
        wide = burden.widen(so_far, declared)
        days.append(wide.with_columns(until_h=pl.lit(until_h)).select(list(table.columns)))
    return pl.concat(days).sort(table.key)
