"""Follow-up: how long each patient was at risk of death, and whether death ended it."""

import numpy as np
import polars as pl


def times(rows: pl.DataFrame, *, landmark_h: float, horizon_h: float) -> pl.DataFrame:
    """Add `landmark_h`, `follow_up_h` and `died` to the rows of a window.

    Parameters
    ----------
    rows : DataFrame
        Needs `survival_h` [h since the landmark] and `died`.
    landmark_h, horizon_h : float, h since time zero
        Start and planned end of follow-up.

    Returns
    -------
    DataFrame
        Who died after the horizon lived to it. `follow_up_h` is null where the survival is not
        known.

    Source: common practice.
    """
    until = pl.col("survival_h") + landmark_h
    return rows.with_columns(
        landmark_h=pl.lit(landmark_h, pl.Float64),
        follow_up_h=until.clip(upper_bound=horizon_h),
        died=(pl.col("died") & (until <= horizon_h)).fill_null(False),
    )


def start_stop(rows: pl.DataFrame, *, updates: pl.DataFrame, exposure: str) -> pl.DataFrame:
    """Divide each patient's follow-up where the exposure is known anew.

    Parameters
    ----------
    rows : DataFrame
        As `times` gives them, with the exposure until the landmark; no nulls in it.
    updates : DataFrame, contracts.UPDATES
        The exposure from time zero until `until_h`, once a day.
    exposure : str

    Returns
    -------
    DataFrame
        Rows in the order of patient and time, each with `entry_h`, `exit_h`, `died` in it, and
        the exposure as it stood at `entry_h`. A day without a value keeps the one before, and
        after the end of monitoring the last one stays.

    Source: start-stop rows, Therneau 2000, section 3.7.
    """
    first = rows.select("patient_id", pl.col("landmark_h").alias("entry_h"), exposure)
    later = updates.select("patient_id", pl.col("until_h").alias("entry_h"), exposure)
    ends = rows.select("patient_id", "landmark_h", "follow_up_h")
    later = later.drop_nulls(exposure).join(ends, on="patient_id", how="inner", validate="m:1")
    later = later.filter(
        (pl.col("entry_h") > pl.col("landmark_h")) & (pl.col("entry_h") < pl.col("follow_up_h"))
    )
    known = pl.concat([first, later.select(first.columns)]).sort("patient_id", "entry_h")
    spans = known.join(rows.drop(exposure), on="patient_id", how="left", validate="m:1")
    next_h = pl.col("entry_h").shift(-1).over("patient_id")
    return spans.with_columns(
        exit_h=next_h.fill_null(pl.col("follow_up_h")),
        died=pl.col("died") & next_h.is_null(),
    )


def numbers(values: pl.Series) -> "np.ndarray[tuple[int], np.dtype[np.int64]]":
    """Number the different values from 0 in their order."""
    return np.unique(values.cast(pl.String).to_numpy(), return_inverse=True)[1].astype(np.int64)
