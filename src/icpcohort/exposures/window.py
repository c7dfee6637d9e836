"""Window: a fixed horizon since time zero, and the minutes that lie inside it."""

from typing import Annotated, TypedDict

import polars as pl

from icpcohort.contracts.setting import OF_THE_STUDY, Setting
from icpcohort.indices.index_settings import MINUTE_S

H_S = 3600.0


class Window(TypedDict):
    """One exposure window."""

    start_h: Annotated[
        float,
        Setting("Start since time zero, in hours", OF_THE_STUDY, 0.0, at_least=0, at_most=8760),
    ]
    end_h: Annotated[
        float,
        Setting(
            "End since time zero, in hours; the landmark: patients who died or left before it"
            " are not in the window",
            "landmark analysis: Anderson 1983 (from memory)",
            24.0,
            above=0,
            at_most=8760,
        ),
    ]
    min_monitored_h: Annotated[
        float,
        Setting(
            "Valid hours of ICP that a patient needs inside the window",
            OF_THE_STUDY,
            6.0,
            at_least=0,
            at_most=8760,
        ),
    ]


def inside(minutes: pl.DataFrame, window: Window) -> pl.DataFrame:
    """Return the minutes that lie wholly inside a window; `t_s` [s] is a minute's end."""
    first_s, last_s = window["start_h"] * H_S, window["end_h"] * H_S
    return minutes.filter((pl.col("t_s") - MINUTE_S >= first_s) & (pl.col("t_s") <= last_s))
