"""Levels: what the height of a pressure transducer does to its reading, and where it was."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, NamedTuple

import numpy as np
import polars as pl

from icpcohort.contracts.setting import Setting
from icpcohort.recordings.units import PA_PER_MMHG

STANDARD_GRAVITY_M_S2 = 9.80665
MINUTE_S = 60.0


def hydrostatic_difference_mmhg(
    *, distance_cm: float, angle_deg: float, density_kg_m3: float
) -> float:
    """Return the pressure of the fluid column between two levels of the body.

    Parameters
    ----------
    distance_cm : float, cm
        Distance along the body from the lower to the upper level; not negative.
    angle_deg : float, degrees
        Inclination of that line: 0 flat, 90 upright, negative head down.
    density_kg_m3 : float, kg/m3
        1000 for water, about 1055 for blood.

    Raises
    ------
    ValueError
        Naming every value that is not finite or out of its range.

    Source: hydrostatics, rho g L sin(theta), in conventional mmHg.
    """
    problems = []
    if not 0 <= distance_cm < math.inf:
        problems.append(f"distance_cm {distance_cm} is not a length; write 0 or more")
    if not -90 <= angle_deg <= 90:
        problems.append(f"angle_deg {angle_deg} is not between -90 and 90")
    if not 0 < density_kg_m3 < math.inf:
        problems.append(f"density_kg_m3 {density_kg_m3} is not above 0; blood has about 1055")
    if problems:
        raise ValueError("hydrostatic difference: " + "; ".join(problems))
    height_m = distance_cm / 100 * math.sin(math.radians(angle_deg))
    return density_kg_m3 * STANDARD_GRAVITY_M_S2 * height_m / PA_PER_MMHG


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Level of the arterial transducer."""

    abp_correction: Annotated[
        Literal["none", "hydrostatic"],
        Setting(
            "Whether ABP levelled at the heart is brought to the tragus, where angle and "
            "distance are known",
            "joint UK statement, Thomas 2015 [citation from memory]",
            "none",
        ),
    ]
    fluid_density_kg_m3: Annotated[
        float,
        Setting(
            "Density of the fluid between the two levels",
            "blood about 1055, water 1000 [from memory]",
            1055.0,
            at_least=900,
            at_most=1200,
        ),
    ]


class Level(NamedTuple):
    """Where the arterial transducer is, from some time on; None where it was not noted."""

    abp_level: str | None
    bed_angle_deg: float | None
    heart_to_tragus_cm: float | None


def apply(
    trends: pl.DataFrame,
    *,
    patient: Mapping[str, Any],
    events: Sequence[Mapping[str, Any]],
    settings: Settings,
) -> pl.DataFrame:
    """State the level of ABP in each block and, if asked for, bring it to the tragus.

    Parameters
    ----------
    trends : DataFrame, one row per 10-s block
        t_s, abp_mmhg as recorded.
    patient : abp_level, bed_angle_deg, heart_to_tragus_cm
    events : rows of contracts.EVENTS of the patient
        A `level_change` holds from its start to its end, or to the next one; before and
        after, what `patient` says holds. What a change does not state is not known.
    settings : Settings

    Returns
    -------
    DataFrame
        `trends` with abp_mmhg of the stated level, `abp_level_used` (tragus, heart or unknown;
        null without ABP) and `abp_shift_mmhg`, what was added to ABP as recorded.

    Source: MAP for CPP at the level of the tragus: joint UK statement, Thomas 2015.
    """
    t_s = trends["t_s"].to_numpy()
    stretch = np.zeros(t_s.size, np.int64)
    effects: list[tuple[str, float]] = []
    for start_s, end_s, held in _in_order(patient, events):
        stretch[(t_s >= start_s) & (t_s < end_s)] = len(effects)
        effects.append(_effect(held, settings))
    level, shift_mmhg = (pl.Series(of_each) for of_each in zip(*effects, strict=True))
    has_abp = pl.col("abp_mmhg").is_not_null()
    return trends.with_columns(
        pl.when(has_abp).then(level.gather(stretch)).alias("abp_level_used"),
        pl.when(has_abp).then(shift_mmhg.gather(stretch)).alias("abp_shift_mmhg"),
    ).with_columns(abp_mmhg=pl.col("abp_mmhg") + pl.col("abp_shift_mmhg"))


def _in_order(
    patient: Mapping[str, Any], events: Sequence[Mapping[str, Any]]
) -> list[tuple[float, float, Level]]:
    """Return start, end and level of each stretch; a later one overrides an earlier."""
    changes = sorted(
        (event for event in events if event["event"] == "level_change"),
        key=lambda event: float(event["start_s"]),
    )
    stretches = [(-math.inf, math.inf, _level_of(patient))]
    for change in changes:
        end_s = math.inf if change["end_s"] is None else float(change["end_s"])
        stretches.append((float(change["start_s"]), end_s, _level_of(change)))
    return stretches


def _level_of(row: Mapping[str, Any]) -> Level:
    return Level(row["abp_level"], row["bed_angle_deg"], row["heart_to_tragus_cm"])


def _effect(held: Level, settings: Settings) -> tuple[str, float]:
    """Return the level that ABP is of in the results, and what is added to it."""
    angle_deg, distance_cm = held.bed_angle_deg, held.heart_to_tragus_cm
    wanted = held.abp_level == "heart" and settings.abp_correction == "hydrostatic"
    if wanted and angle_deg is not None and distance_cm is not None:
        column_mmhg = hydrostatic_difference_mmhg(
            distance_cm=distance_cm,
            angle_deg=angle_deg,
            density_kg_m3=settings.fluid_density_kg_m3,
        )
        return "tragus", -column_mmhg
    return held.abp_level or "unknown", 0.0


def common(abp_level_used: pl.Expr) -> pl.Expr:
    """Return the one level of several rows, "mixed" where they differ, null where none is."""
    known = abp_level_used.drop_nulls()
    return pl.when(known.n_unique() > 1).then(pl.lit("mixed")).otherwise(known.first())


def of_minutes(trends: pl.DataFrame, minutes: pl.DataFrame) -> pl.DataFrame:
    """Add to minutes the level of the blocks that they are made of."""
    ends = ((pl.col("t_s") / MINUTE_S).floor() + 1) * MINUTE_S
    levels = trends.group_by(ends).agg(common(pl.col("abp_level_used")).alias("abp_level_used"))
    return minutes.join(levels, on="t_s", how="left", validate="1:1", maintain_order="left")


def methods_sentence(settings: Settings) -> str:
    """Return the report's sentence for `apply`."""
    if settings.abp_correction == "none":
        return (
            "Arterial pressure was used as recorded, not corrected for the level of its"
            " transducer, which is stated for each patient where it was noted."
        )
    return (
        "Arterial pressure levelled at the heart was brought to the tragus (Thomas 2015) by the"
        f" column of fluid between them (density {settings.fluid_density_kg_m3:g} kg/m3,"
        " distance times the sine of the bed's angle) where angle and distance were noted;"
        " where they were not, and where the level is unknown, it was used as recorded."
    )
