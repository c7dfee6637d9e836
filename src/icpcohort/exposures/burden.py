"""Burden: dose, time and episodes of pressure beyond thresholds, in fixed windows.

Also for the minutes of a state alone: PRx above a limit or not, CPP below LLR or not.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Annotated, Any, Literal

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import burden_columns, store
from icpcohort.contracts.setting import Setting
from icpcohort.exposures.window import H_S, Window
from icpcohort.exposures.window import inside as window_of
from icpcohort.indices.reactivity import MINUTE_S


@dataclass(frozen=True, kw_only=True)
class Rules:
    """How the minutes beyond a threshold are added up."""

    icp_above_mmhg: Annotated[
        Sequence[float],
        Setting(
            "Thresholds of ICP; burden is what lies above",
            "18 and 22 mmHg: Sorrentino 2012 [confirmed]; above 22: Carney 2017 [confirmed]",
            [18.0, 20.0, 22.0, 25.0],
            each="A threshold",
            at_least=1,
            at_most=150,
            least_items=1,
        ),
    ]
    cpp_below_mmhg: Annotated[
        Sequence[float],
        Setting(
            "Thresholds of CPP; burden is what lies below",
            "target 60 to 70 mmHg: Carney 2017 [confirmed]",
            [50.0, 60.0, 70.0],
            each="A threshold",
            at_least=1,
            at_most=250,
            least_items=1,
        ),
    ]
    inequality: Annotated[
        Literal["strict", "or_equal"],
        Setting(
            "Whether a pressure on the threshold is beyond it: strict (no) or or_equal (yes)",
            "above 22: Carney 2017 [confirmed]; the two differ with readings in whole mmHg",
            "strict",
        ),
    ]
    integration: Annotated[
        Literal["rectangle", "trapezoid", "crossing"],
        Setting(
            "Rule by which minute means are added up to a dose",
            "common practice, no source: rectangles on minute means are simple and additive "
            "over gaps; a ramp from 18 to 24 mmHg in 10 min has 0.222 mmHg h above 20 exactly,"
            " 0.333 by trapezoids (computed)",
            "rectangle",
        ),
    ]
    episode_min: Annotated[
        int,
        Setting(
            "Shortest stretch beyond the threshold that is an episode, in minutes",
            "5 min (from memory, high); 15 min above 20 mmHg is another definition [confirmed]",
            5,
            at_least=1,
            at_most=1440,
        ),
    ]
    merge_gap_min: Annotated[
        int,
        Setting(
            "Gaps of up to this many minutes do not end an episode",
            "0 to 5 min (from memory, high)",
            1,
            at_least=0,
            at_most=60,
        ),
    ]


@dataclass(frozen=True, kw_only=True)
class Settings(Rules):
    """Dose, time and episodes beyond a threshold."""

    impaired_prx: Annotated[
        float,
        Setting(
            "Burden is also added up separately for the minutes with PRx above this",
            "0.25 for survival: Sorrentino 2012 [confirmed], for a patient's mean; a single "
            "minute exceeds it by chance in 9 % (computed)",
            0.25,
            above=-1,
            below=1,
        ),
    ]


def excess(pressure: pl.Expr, *, threshold_mmhg: float, side: str) -> pl.Expr:
    """Return how far a pressure lies beyond a threshold: zero when not, null when unknown."""
    beyond = pressure - threshold_mmhg if side == "above" else threshold_mmhg - pressure
    return beyond.clip(0)


def is_beyond(
    pressure: pl.Expr, *, threshold_mmhg: float, side: str, inequality: str
) -> pl.Expr:
    """Return whether a pressure lies beyond a threshold; null when unknown.

    Parameters
    ----------
    inequality : {"strict", "or_equal"}
        Whether the threshold itself is not beyond, or is: with readings in whole mmHg the
        two differ by all minutes on it. A dose is the same.
    """
    if side == "above":
        return (
            pressure > threshold_mmhg if inequality == "strict" else pressure >= threshold_mmhg
        )
    return pressure < threshold_mmhg if inequality == "strict" else pressure <= threshold_mmhg


def dose_parts(
    *, threshold_mmhg: float, side: str, rule: str, interval_s: float, over: Sequence[str]
) -> pl.Expr:
    """Return each sample's part of the dose, in mmHg h, from columns `t_s` and `pressure_mmhg`.

    Parameters
    ----------
    rule : {"rectangle", "trapezoid", "crossing"}
        "rectangle": a sample stands for `interval_s`. The others join a sample to the next
        when that is `interval_s` away: "trapezoid" joins the clipped excess, "crossing" the
        pressures, cut exactly where they cross the threshold. Gaps contribute nothing.
    over : columns that keep patients and windows apart

    Source: pressure-time dose: Vik 2008; Sheth 2013. Strict inequality makes no difference to a
    dose.
    """
    x = excess(pl.col("pressure_mmhg"), threshold_mmhg=threshold_mmhg, side=side)
    if rule == "rectangle":
        return x * (interval_s / H_S)
    signed = pl.col("pressure_mmhg") - threshold_mmhg
    signed = signed if side == "above" else -signed
    next_s, next_signed = pl.col("t_s").shift(-1), signed.shift(-1)
    if over:
        next_s, next_signed = next_s.over(over), next_signed.over(over)
    touches = (next_s - pl.col("t_s") - interval_s).abs() < interval_s / 2
    ends = x + next_signed.clip(0)
    crosses = (signed > 0) != (next_signed > 0)
    part = (
        pl.when(crosses).then(ends / (signed - next_signed).abs())
        if rule == "crossing"
        else None
    )
    share = part.otherwise(1.0) if part is not None else pl.lit(1.0)
    return pl.when(touches).then(ends / 2 * share * (interval_s / H_S))


def add_up(
    minutes: pl.DataFrame, *, windows: Mapping[str, Window], rules: Rules
) -> pl.DataFrame:
    """Add up the burden of every patient in every window.

    Parameters
    ----------
    minutes : contracts.MINUTES of all patients with `patient_id`
        A minute belongs to a window when it lies wholly inside it.
    windows : Window by its name
    rules : Rules
        An episode has `episode_min` minutes beyond the threshold or more; up to
        `merge_gap_min` minutes in between that are not, or are missing, do not end it and
        do not count in its length.

    Returns
    -------
    DataFrame, contracts.BURDEN
        A row for every patient of `minutes`. Without a valid minute in the window
        everything but `monitored_h` is null, never zero. The hourly dose is over the hours
        that the rule integrates: with "trapezoid" and "crossing" those between two minutes.

    Source: hourly dose, percent time: Bogli 2025; episodes of 5 min: common in the literature
    (from memory).
    """
    patients = minutes.select(pl.col("patient_id").unique(maintain_order=True))
    return _over_thresholds(minutes, patients=patients, windows=windows, rules=rules)


def _over_thresholds(
    minutes: pl.DataFrame,
    *,
    patients: pl.DataFrame,
    windows: Mapping[str, Window],
    rules: Rules,
) -> pl.DataFrame:
    """Return contracts.BURDEN of `minutes`, with a row for each of `patients`."""
    parts = [store.empty(contracts.BURDEN)]
    for name, window in windows.items():
        inside = window_of(minutes.select("patient_id", "t_s", "icp_mmhg", "cpp_mmhg"), window)
        for signal, side, threshold_mmhg in burden_columns.thresholds(asdict(rules)):
            pressure = pl.col(f"{signal}_mmhg").alias("pressure_mmhg")
            parts.append(
                _one_burden(
                    inside.select("patient_id", "t_s", pressure),
                    patients=patients,
                    threshold_mmhg=threshold_mmhg,
                    side=side,
                    rules=rules,
                ).with_columns(window=pl.lit(name), signal=pl.lit(signal))
            )
    columns = list(contracts.BURDEN.columns)
    return pl.concat([part.select(columns) for part in parts]).sort(contracts.BURDEN.key)


def add_up_by_state(
    minutes: pl.DataFrame, *, windows: Mapping[str, Window], settings: Settings
) -> pl.DataFrame:
    """Add up the burden of the minutes in each state alone.

    Parameters
    ----------
    minutes, windows : see `add_up`
    settings : Settings
        `impaired_prx` is the limit of PRx between two states.

    Returns
    -------
    DataFrame, contracts.BURDEN_BY_STATE
        The states of PRx (above, not above, unknown) hold every minute once, and so do those
        of LLR (below, not below, unknown): hours, and doses by rectangles, add up to those of
        `add_up`. A minute of another state interrupts an episode.

    Source: burden by the state of autoregulation: Guiza 2015 (tolerance is shorter when it is
    impaired; from memory).
    """
    prx_above = pl.col("prx") > settings.impaired_prx
    below_llr = pl.col("cpp_mmhg") < pl.col("llr_mmhg")
    states = {
        "prx_above": prx_above.fill_null(False),
        "prx_not_above": ~prx_above.fill_null(True),
        "prx_unknown": prx_above.is_null(),
        "cpp_below_llr": below_llr.fill_null(False),
        "cpp_not_below_llr": ~below_llr.fill_null(True),
        "llr_unknown": below_llr.is_null(),
    }
    patients = minutes.select(pl.col("patient_id").unique(maintain_order=True))
    parts = [
        _over_thresholds(
            minutes.filter(test), patients=patients, windows=windows, rules=settings
        ).with_columns(state=pl.lit(state))
        for state, test in states.items()
    ]
    table = contracts.BURDEN_BY_STATE
    return pl.concat(parts).select(list(table.columns)).sort(table.key)


def _one_burden(
    minutes: pl.DataFrame,
    *,
    patients: pl.DataFrame,
    threshold_mmhg: float,
    side: str,
    rules: Rules,
) -> pl.DataFrame:
    """Return one row per patient for one signal, threshold and window."""
    part = dose_parts(
        threshold_mmhg=threshold_mmhg,
        side=side,
        rule=rules.integration,
        interval_s=MINUTE_S,
        over=["patient_id"],
    )
    beyond = is_beyond(
        pl.col("pressure_mmhg"),
        threshold_mmhg=threshold_mmhg,
        side=side,
        inequality=rules.inequality,
    )
    n = pl.col("pressure_mmhg").count()
    sums = (
        minutes.with_columns(part=part, beyond=beyond)
        .group_by("patient_id", maintain_order=True)
        .agg(
            n=n,
            integrated_h=pl.col("part").count() * (MINUTE_S / H_S),
            dose_mmhg_h=pl.when(pl.col("part").count() > 0).then(pl.col("part").sum()),
            percent_time=pl.when(n > 0).then(100 * pl.col("beyond").sum() / n),
        )
    )
    episodes = _episodes(minutes.filter(beyond), rules=rules)
    table = patients.join(sums, on="patient_id", how="left", validate="1:1").join(
        episodes, on="patient_id", how="left", validate="1:1"
    )
    some = pl.col("n").fill_null(0) > 0
    return table.with_columns(
        threshold_mmhg=pl.lit(threshold_mmhg, pl.Float64()),
        side=pl.lit(side),
        monitored_h=pl.col("n").fill_null(0) * (MINUTE_S / H_S),
        dose_per_h_mmhg=pl.col("dose_mmhg_h") / pl.col("integrated_h"),
        n_episodes=pl.when(some).then(pl.col("n_episodes").fill_null(0).cast(pl.Int64())),
    )


def episode_lengths(beyond: pl.DataFrame, *, merge_gap_min: int) -> pl.DataFrame:
    """Return patient_id and length_min of each stretch of minutes beyond a threshold.

    Parameters
    ----------
    beyond : DataFrame
        `patient_id` and `t_s` of the minutes beyond it alone.
    merge_gap_min : see `add_up`
    """
    apart = pl.col("t_s").diff().over("patient_id") > (merge_gap_min + 1.5) * MINUTE_S
    return (
        beyond.sort("patient_id", "t_s")
        .with_columns(episode=apart.fill_null(True).cum_sum())
        .group_by("patient_id", "episode", maintain_order=True)
        .agg(length_min=pl.len().cast(pl.Float64))
        .drop("episode")
    )


def _episodes(beyond: pl.DataFrame, *, rules: Rules) -> pl.DataFrame:
    """Return n_episodes and longest_episode_min of each patient who has an episode."""
    return (
        episode_lengths(beyond, merge_gap_min=rules.merge_gap_min)
        .filter(pl.col("length_min") >= rules.episode_min)
        .group_by("patient_id", maintain_order=True)
        .agg(n_episodes=pl.len(), longest_episode_min=pl.col("length_min").max())
    )


def widen(burden: pl.DataFrame, thresholds: Mapping[str, Any]) -> pl.DataFrame:
    """Turn the burden into one row per patient and window, with `burden_columns.wide`.

    Parameters
    ----------
    burden : contracts.BURDEN
    thresholds : see `burden_columns.thresholds`
    """
    wide = burden.select("patient_id", "window").unique(maintain_order=True)
    for signal, side, threshold_mmhg in burden_columns.thresholds(thresholds):
        rows = burden.filter(signal=signal, side=side, threshold_mmhg=threshold_mmhg).select(
            "patient_id",
            "window",
            *(
                pl.col(measure).alias(
                    burden_columns.name(
                        signal=signal,
                        side=side,
                        threshold_mmhg=threshold_mmhg,
                        measure=measure,
                    )
                )
                for measure in burden_columns.MEASURES
            ),
        )
        wide = wide.join(rows, on=["patient_id", "window"], how="left", validate="1:1")
    return wide


def methods_sentence(settings: Settings) -> str:
    """Return the report's sentences for `add_up`."""
    how = {
        "rectangle": "the rectangle rule on minute means",
        "trapezoid": "the trapezoidal rule on the clipped minute means",
        "crossing": "straight lines between minute means, cut where they cross the threshold",
    }[settings.integration]
    edge = {"strict": "strictly", "or_equal": "or on it"}[settings.inequality]
    above = ", ".join(f"{t:g}" for t in settings.icp_above_mmhg)
    below = ", ".join(f"{t:g}" for t in settings.cpp_below_mmhg)
    return (
        f"Burden was computed for ICP above {above} mmHg and CPP below {below} mmHg ({edge}):"
        f" dose (Vik 2008; Sheth 2013) by {how}, dose per monitored hour, percent of monitored"
        f" time (Bogli 2025), and episodes of {settings.episode_min} min or more beyond the"
        f" threshold, not ended by interruptions of up to {settings.merge_gap_min} min, which"
        " do not count in their length. Gaps and masked time count in neither numerator nor"
        " denominator; all other time does, also after a craniectomy. It was also added up for"
        f" the minutes with PRx above {settings.impaired_prx:.2f} and not above (Guiza 2015),"
        " and with CPP below LLR and not below."
    )
