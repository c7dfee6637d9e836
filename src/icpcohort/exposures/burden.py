"""Burden: dose, time and episodes of a signal beyond thresholds, in fixed windows.

Also for the minutes of a state alone: the main index above a limit or not, CPP below LLR or
not.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import burden_columns, declared_indices, declared_signals, store
from icpcohort.contracts.burden_columns import Threshold
from icpcohort.contracts.columns import unit_words
from icpcohort.exposures.burden_settings import Rules, Settings
from icpcohort.exposures.window import H_S, Window
from icpcohort.exposures.window import inside as window_of
from icpcohort.indices.index_settings import MINUTE_S


def excess(value: pl.Expr, beyond: Threshold) -> pl.Expr:
    """Return how far a value lies beyond a threshold: zero when not, null when unknown."""
    return _signed(value, beyond).clip(0)


def _signed(value: pl.Expr, beyond: Threshold) -> pl.Expr:
    """Return how far a value lies beyond a threshold, below zero when it does not."""
    if beyond.side == "above":
        return value - beyond.threshold
    if beyond.side == "below":
        return beyond.threshold - value
    return pl.max_horizontal(beyond.threshold - value, value - beyond.upper_threshold)


def is_beyond(value: pl.Expr, beyond: Threshold, *, inequality: str) -> pl.Expr:
    """Return whether a value lies beyond a threshold; null when unknown.

    Parameters
    ----------
    inequality : {"strict", "or_equal"}
        Whether the threshold itself is not beyond, or is: with readings in whole mmHg the
        two differ by all minutes on it. A dose is the same.
    """
    is_strict = inequality == "strict"
    low, high = pl.lit(beyond.threshold), pl.lit(beyond.upper_threshold)
    above = value > high if is_strict else value >= high
    below = value < low if is_strict else value <= low
    return {"above": above, "below": below, "outside": below | above}[beyond.side]


def dose_parts(
    beyond: Threshold, *, rule: str, interval_s: float, over: Sequence[str]
) -> pl.Expr:
    """Return each sample's part of the dose, in the unit times h, from `t_s` and `value`.

    Parameters
    ----------
    rule : {"rectangle", "trapezoid", "crossing"}
        "rectangle": a sample stands for `interval_s`. The others join a sample to the next
        when that is `interval_s` away: "trapezoid" joins the clipped excess, "crossing" the
        values, cut exactly where they cross the threshold (outside of a range: each of the
        two thresholds by itself). Gaps contribute nothing.
    over : columns that keep patients and windows apart

    Source: pressure-time dose: Vik 2008; Sheth 2013. Strict inequality makes no difference to a
    dose.
    """
    value = pl.col("value")
    if rule == "rectangle":
        return excess(value, beyond) * (interval_s / H_S)
    if beyond.side == "outside":
        signal, _, low, high = beyond
        below, above = (
            dose_parts(one, rule=rule, interval_s=interval_s, over=over)
            for one in (
                Threshold(signal, "below", low, low),
                Threshold(signal, "above", high, high),
            )
        )
        return below + above
    signed = _signed(value, beyond)
    next_s, next_signed = pl.col("t_s").shift(-1), signed.shift(-1)
    if over:
        next_s, next_signed = next_s.over(over), next_signed.over(over)
    touches = (next_s - pl.col("t_s") - interval_s).abs() < interval_s / 2
    ends = signed.clip(0) + next_signed.clip(0)
    crosses = (signed > 0) != (next_signed > 0)
    part = (
        pl.when(crosses).then(ends / (signed - next_signed).abs())
        if rule == "crossing"
        else None
    )
    share = part.otherwise(1.0) if part is not None else pl.lit(1.0)
    return pl.when(touches).then(ends / 2 * share * (interval_s / H_S))


def add_up(
    minutes: pl.DataFrame,
    *,
    windows: Mapping[str, Window],
    rules: Rules,
    declared: Mapping[str, Any],
) -> pl.DataFrame:
    """Add up the burden of every patient in every window.

    Parameters
    ----------
    minutes : contracts.minutes of all patients with `patient_id`
        A minute belongs to a window when it lies wholly inside it.
    windows : Window by its name
    rules : Rules
        An episode has `episode_min` minutes beyond the threshold or more; up to
        `merge_gap_min` minutes in between that are not, or are missing, do not end it and
        do not count in its length.
    declared : mapping
        The sections that declare signals, and `burden.thresholds`.

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
    return _over_thresholds(
        minutes, patients=patients, windows=windows, rules=rules, declared=declared
    )


def columns_of_minutes(declared: Mapping[str, Any]) -> list[str]:
    """Return the columns of the minutes that `add_up` and `add_up_by_state` read."""
    states = (declared_indices.main(declared), "cpp_mmhg", "llr_mmhg")
    return list(dict.fromkeys((*declared_signals.columns(declared), *states)))


def _over_thresholds(
    minutes: pl.DataFrame,
    *,
    patients: pl.DataFrame,
    windows: Mapping[str, Window],
    rules: Rules,
    declared: Mapping[str, Any],
) -> pl.DataFrame:
    """Return contracts.BURDEN of `minutes`, with a row for each of `patients`."""
    signals = declared_signals.series(declared)
    beyond = list(burden_columns.thresholds(declared))
    columns = {signals[one.signal].column for one in beyond}
    parts = [store.empty(contracts.BURDEN)]
    for name, window in windows.items():
        inside = window_of(minutes.select("patient_id", "t_s", *sorted(columns)), window)
        for one in beyond:
            signal = signals[one.signal]
            parts.append(
                _one_burden(
                    inside.select("patient_id", "t_s", value=pl.col(signal.column)),
                    one,
                    patients=patients,
                    rules=rules,
                ).with_columns(window=pl.lit(name), unit=pl.lit(signal.about.unit))
            )
    columns_of_table = list(contracts.BURDEN.columns)
    return pl.concat([part.select(columns_of_table) for part in parts]).sort(
        contracts.BURDEN.key
    )


def add_up_by_state(
    minutes: pl.DataFrame,
    *,
    windows: Mapping[str, Window],
    settings: Settings,
    declared: Mapping[str, Any],
) -> pl.DataFrame:
    """Add up the burden of the minutes in each state alone.

    Parameters
    ----------
    minutes, windows : see `add_up`
    settings : Settings
        `impaired_above` is the limit of the main index between two states.
    declared : mapping
        As in `add_up`, and `optimal_cpp.by`, whose first index is the main one.

    Returns
    -------
    DataFrame, contracts.BURDEN_BY_STATE
        The states of the index (above, not above, unknown) hold every minute once, and so do
        those of LLR (below, not below, unknown): hours, and doses by rectangles, add up
        to those of `add_up`. A minute of another state interrupts an episode.

    Source: burden by the state of autoregulation: Guiza 2015 (tolerance is shorter when it is
    impaired; from memory).
    """
    index = declared_indices.main(declared)
    is_above = pl.col(index) > settings.impaired_above
    below_llr = pl.col("cpp_mmhg") < pl.col("llr_mmhg")
    states = {
        f"{index}_above": is_above.fill_null(False),
        f"{index}_not_above": ~is_above.fill_null(True),
        f"{index}_unknown": is_above.is_null(),
        "cpp_below_llr": below_llr.fill_null(False),
        "cpp_not_below_llr": ~below_llr.fill_null(True),
        "llr_unknown": below_llr.is_null(),
    }
    patients = minutes.select(pl.col("patient_id").unique(maintain_order=True))
    parts = [
        _over_thresholds(
            minutes.filter(test),
            patients=patients,
            windows=windows,
            rules=settings,
            declared=declared,
        ).with_columns(state=pl.lit(state))
        for state, test in states.items()
    ]
    table = contracts.BURDEN_BY_STATE
    return pl.concat(parts).select(list(table.columns)).sort(table.key)


def _one_burden(
    minutes: pl.DataFrame, threshold: Threshold, *, patients: pl.DataFrame, rules: Rules
) -> pl.DataFrame:
    """Return one row per patient for one threshold and window."""
    part = dose_parts(
        threshold, rule=rules.integration, interval_s=MINUTE_S, over=["patient_id"]
    )
    beyond = is_beyond(pl.col("value"), threshold, inequality=rules.inequality)
    n = pl.col("value").count()
    sums = (
        minutes.with_columns(part=part, beyond=beyond)
        .group_by("patient_id", maintain_order=True)
        .agg(
            n=n,
            integrated_h=pl.col("part").count() * (MINUTE_S / H_S),
            dose=pl.when(pl.col("part").count() > 0).then(pl.col("part").sum()),
            percent_time=pl.when(n > 0).then(100 * pl.col("beyond").sum() / n),
        )
    )
    episodes = _episodes(minutes.filter(beyond), rules=rules)
    table = patients.join(sums, on="patient_id", how="left", validate="1:1").join(
        episodes, on="patient_id", how="left", validate="1:1"
    )
    some = pl.col("n").fill_null(0) > 0
    return table.with_columns(
        signal=pl.lit(threshold.signal),
        side=pl.lit(threshold.side),
        threshold=pl.lit(threshold.threshold, pl.Float64()),
        upper_threshold=pl.lit(threshold.upper_threshold, pl.Float64()),
        monitored_h=pl.col("n").fill_null(0) * (MINUTE_S / H_S),
        dose_per_h=pl.col("dose") / pl.col("integrated_h"),
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


def widen(burden: pl.DataFrame, declared: Mapping[str, Any]) -> pl.DataFrame:
    """Turn the burden into one row per patient and window, with `burden_columns.wide`.

    Parameters
    ----------
    burden : contracts.BURDEN
    declared : see `burden_columns.thresholds`
    """
    wide = burden.select("patient_id", "window").unique(maintain_order=True)
    for one in burden_columns.thresholds(declared):
        rows = burden.filter(**one._asdict()).select(
            "patient_id",
            "window",
            *(
                pl.col(measure).alias(burden_columns.name(one, measure, declared))
                for measure in burden_columns.MEASURES
            ),
        )
        wide = wide.join(rows, on=["patient_id", "window"], how="left", validate="1:1")
    return wide


def methods_sentence(settings: Settings, *, declared: Mapping[str, Any]) -> str:
    """Return the report's sentences for `add_up`."""
    index = declared_indices.sought(declared)[0].label
    how = {
        "rectangle": "the rectangle rule on minute means",
        "trapezoid": "the trapezoidal rule on the clipped minute means",
        "crossing": "straight lines between minute means, cut where they cross the threshold",
    }[settings.integration]
    edge = {"strict": "strictly", "or_equal": "or on it"}[settings.inequality]
    return (
        f"Burden was computed for {_beyond_words(declared)} ({edge}):"
        f" dose (Vik 2008; Sheth 2013) by {how}, dose per monitored hour, percent of monitored"
        f" time (Bogli 2025), and episodes of {settings.episode_min} min or more beyond the"
        f" threshold, not ended by interruptions of up to {settings.merge_gap_min} min, which"
        " do not count in their length. Gaps and masked time count in neither numerator nor"
        " denominator; all other time does, also after a craniectomy. It was also added up for"
        f" the minutes with {index} above {settings.impaired_above:.2f} and not above (Guiza"
        " 2015), and with CPP below LLR and not below."
    )


def _beyond_words(declared: Mapping[str, Any]) -> str:
    """Return signals with their thresholds: ICP above 18, 20 mmHg and CPP below 60 mmHg."""
    values: dict[tuple[str, str], list[str]] = {}
    for one in burden_columns.thresholds(declared):
        values.setdefault((one.signal, one.side), []).append(one.values())
    signals = declared_signals.series(declared)
    words = []
    for (signal, side), of_side in values.items():
        about = signals[signal].about
        text = f"{about.label} {side} {', '.join(of_side)} {unit_words(about.unit)}"
        words.append(text.strip())
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))
