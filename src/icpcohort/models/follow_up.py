"""Follow-up: how long each patient was at risk of death, and whether death ended it."""

from collections.abc import Sequence

import numpy as np
import polars as pl

from icpcohort.study.blocks import did_you_mean
from icpcohort.study.families import EVENT_SUFFIX, TIME_SUFFIX

HEAPED, LEFT = 0.5, 0.1  # shares of the survivors who end together, and who are left after it


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


def to_event(
    rows: pl.DataFrame, *, outcome: str, event: str, landmark_h: float, horizon_h: float
) -> pl.DataFrame:
    """Add `landmark_h`, `follow_up_h`, `ended_by` and `died` for one of several events.

    Parameters
    ----------
    rows : DataFrame
        Needs `{outcome}_h` [h since the landmark], the time of the first event or of censoring,
        and `{outcome}_event`, which event it was; null where the patient was censored.
    outcome, event : str
    landmark_h, horizon_h : float, h since time zero
        Start and planned end of follow-up.

    Returns
    -------
    DataFrame
        `died` is true where the event ended the follow-up: here it means this event. Any other
        event, and the horizon, ends it too and counts as censoring. `ended_by` is the event by
        the horizon, any of them. `follow_up_h` is null where the time is not known.

    Source: Prentice 1978.
    """
    until = pl.col(outcome + TIME_SUFFIX) + landmark_h
    ended_by = pl.when(until <= horizon_h).then(pl.col(outcome + EVENT_SUFFIX))
    return rows.with_columns(
        landmark_h=pl.lit(landmark_h, pl.Float64),
        follow_up_h=until.clip(upper_bound=horizon_h),
        ended_by=ended_by,
        died=(ended_by == event).fill_null(False),
    )


def unknown_event(rows: pl.DataFrame, *, event: str) -> list[str]:
    """Say when nobody had an event; the name may be wrong, or all may be censored."""
    counts = rows["ended_by"].drop_nulls().value_counts().sort("ended_by")
    known = dict(counts.iter_rows())
    if event in known:
        return []
    if not known:
        return [
            f"nobody had the event '{event}', nor any other by the horizon: all are censored"
        ]
    others = ", ".join(f"{name} ({n})" for name, n in known.items())
    near = did_you_mean(event, known)
    return [f"nobody had the event '{event}', only {others} by the horizon{near}"]


def collapsed(rows: pl.DataFrame) -> list[str]:
    """Say when deaths count after most survivors ended together: only the dying are left then.

    So it is where survivors are known by a score alone, which was given months later, and a
    death keeps its own time: the risk after that hour would approach 1.

    Parameters
    ----------
    rows : DataFrame
        As `times` or `to_event` give them. Others than those who died or had another event are
        survivors.

    Source: censoring must not depend on what is censored (Kaplan 1958); the shares are our own.
    """
    other = pl.col("ended_by").is_not_null() if "ended_by" in rows.columns else pl.lit(False)
    known = rows.filter(pl.col("follow_up_h").is_not_null())
    ends = known.filter(~pl.col("died") & ~other)["follow_up_h"]
    if not ends.len():
        return []
    heaped = ends.value_counts().sort("count", "follow_up_h").row(-1, named=True)
    hour, n_together = heaped["follow_up_h"], heaped["count"]
    n_later = int((ends > hour).sum())
    n_deaths = known.filter(pl.col("died") & (pl.col("follow_up_h") > hour)).height
    if n_deaths == 0 or n_together < HEAPED * ends.len() or n_later > LEFT * ends.len():
        return []
    return [
        f"{n_deaths} events count after {hour:g} h, where the follow-up of {n_together} of "
        f"{ends.len()} survivors ends: only those who die would be at risk; write a horizon_h "
        f"of {hour:g} or less, or fill in last_known_h of the survivors"
    ]


def begun(repeated: pl.DataFrame, name: str) -> pl.DataFrame:
    """Return when each known value of a variable began: `patient_id`, `entry_h`, its value."""
    return (
        repeated.filter(variable=name)
        .select("patient_id", pl.col("from_h").alias("entry_h"), pl.col("value").alias(name))
        .drop_nulls()
    )


def at_landmark(
    rows: pl.DataFrame, *, repeated: pl.DataFrame, names: Sequence[str], landmark_h: float
) -> pl.DataFrame:
    """Add the value of each variable in force at the landmark: the last that began by then.

    Null where none had begun. The end of a value is not asked for: it stays until the next.
    """
    for name in names:
        known = begun(repeated, name).filter(pl.col("entry_h") <= landmark_h)
        last = known.sort("entry_h").group_by("patient_id", maintain_order=True).last()
        rows = rows.join(last.drop("entry_h"), on="patient_id", how="left", validate="m:1")
    return rows


def start_stop(rows: pl.DataFrame, *, later: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """Divide each patient's follow-up where a value is known anew.

    Parameters
    ----------
    rows : DataFrame
        As `times` or `to_event` give them, with each changing column as it was at the landmark;
        no nulls in it.
    later : DataFrames
        Each has `patient_id`, `entry_h` [h since time zero] and one changing column: its value
        from then on. One row per patient and time.

    Returns
    -------
    DataFrame
        Rows in the order of patient and time, each with `entry_h`, `exit_h`, `died` in it, and
        the changing columns as they stood at `entry_h`. A time without a value keeps the one
        before, and the last one stays.

    Source: start-stop rows, Therneau 2000, section 3.7.
    """
    changing = [table.columns[-1] for table in later]
    first = rows.select("patient_id", pl.col("landmark_h").alias("entry_h"), *changing)
    ends = rows.select("patient_id", "landmark_h", "follow_up_h")
    during = (pl.col("entry_h") > pl.col("landmark_h")) & (
        pl.col("entry_h") < pl.col("follow_up_h")
    )
    known = [first]
    for table in later:
        table = table.drop_nulls().join(ends, on="patient_id", how="inner", validate="m:1")
        known.append(table.filter(during).drop("landmark_h", "follow_up_h"))
    spans = (
        pl.concat(known, how="diagonal")
        .group_by("patient_id", "entry_h")
        .agg(pl.col(changing).drop_nulls().first())
        .sort("patient_id", "entry_h")
        .with_columns(pl.col(changing).forward_fill().over("patient_id"))
        .join(rows.drop(changing), on="patient_id", how="left", validate="m:1")
    )
    next_h = pl.col("entry_h").shift(-1).over("patient_id")
    return spans.sort("patient_id", "entry_h").with_columns(
        exit_h=next_h.fill_null(pl.col("follow_up_h")),
        died=pl.col("died") & next_h.is_null(),
    )


def numbers(values: pl.Series) -> "np.ndarray[tuple[int], np.dtype[np.int64]]":
    """Number the different values from 0 in their order."""
    return np.unique(values.cast(pl.String).to_numpy(), return_inverse=True)[1].astype(np.int64)
