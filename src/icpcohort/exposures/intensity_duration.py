"""Intensity and duration: episodes by threshold and length, and their relation to outcome."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, NamedTuple

import numpy as np
import polars as pl

from icpcohort import contracts
from icpcohort.contracts import declared_signals, store
from icpcohort.contracts.burden_columns import Threshold
from icpcohort.contracts.columns import unit_words
from icpcohort.contracts.setting import COMMON_PRACTICE, OF_THE_STUDY, Setting
from icpcohort.exposures import burden
from icpcohort.exposures.window import H_S, Window
from icpcohort.exposures.window import inside as window_of
from icpcohort.indices.correlation import fisher_interval
from icpcohort.indices.index_settings import MINUTE_S

MAP_KEY = ["window", "signal", "side", "threshold", "duration_min"]


_GUIZA = "10 to 40 mmHg by 1, 5 to 360 min: Guiza 2015 (from memory, medium)"


@dataclass(frozen=True, kw_only=True)
class Thresholds:
    """The thresholds of one signal in the map, in its unit."""

    side: Annotated[
        Literal["above", "below"],
        Setting("On which side of a threshold an episode lies", OF_THE_STUDY, "above"),
    ]
    first: Annotated[
        float, Setting("Lowest threshold", _GUIZA, 10.0, at_least=-1000, at_most=10000)
    ]
    last: Annotated[
        float,
        Setting(
            "Highest threshold, above the lowest", _GUIZA, 40.0, at_least=-1000, at_most=10000
        ),
    ]
    step: Annotated[
        float,
        Setting("Distance between two thresholds", _GUIZA, 1.0, at_least=0.01, at_most=1000),
    ]

    def values(self) -> list[float]:
        """Return the thresholds, the last one where the steps meet it."""
        n = int(np.floor((self.last - self.first) / self.step + 1e-9))
        return [self.first + self.step * i for i in range(n + 1)]


@dataclass(frozen=True, kw_only=True)
class Rules:
    """Which episodes are counted."""

    thresholds: Annotated[
        Mapping[str, Thresholds],
        Setting(
            "The signals of the map, each with its thresholds",
            _GUIZA,
            {"icp": {"side": "above", "first": 10.0, "last": 40.0, "step": 1.0}},
            least_items=1,
        ),
    ]
    durations_min: Annotated[
        Sequence[int],
        Setting(
            "Least lengths of an episode in the map, in minutes",
            _GUIZA,
            [5, 15, 60],
            each="A length, in minutes",
            at_least=1,
            at_most=2880,
            least_items=2,
        ),
    ]
    inequality: Annotated[
        Literal["strict", "or_equal"],
        Setting(
            "Whether a pressure on the threshold is beyond it, in the map",
            "on or above the threshold: Guiza 2015 [confirmed]",
            "or_equal",
        ),
    ]
    merge_gap_min: Annotated[
        int,
        Setting(
            "Gaps of up to this many minutes do not end an episode of the map",
            "0 to 5 min (from memory, high)",
            0,
            at_least=0,
            at_most=60,
        ),
    ]


@dataclass(frozen=True, kw_only=True)
class Settings(Rules):
    """Episodes by threshold and duration, and their relation to outcome."""

    min_patients: Annotated[
        int,
        Setting(
            "Patients that a correlation of the map needs",
            COMMON_PRACTICE,
            10,
            at_least=4,
            at_most=100000,
        ),
    ]


def settings_of(section: Mapping[str, Any]) -> Settings:
    """Return the settings from the section `intensity_duration`."""
    return Settings(**{**section, "thresholds": _thresholds_of(section)})


def rules_of(section: Mapping[str, Any]) -> Rules:
    """Return the rules of episodes from the section, without `min_patients`."""
    return Rules(**{**section, "thresholds": _thresholds_of(section)})


def _thresholds_of(section: Mapping[str, Any]) -> dict[str, Thresholds]:
    return {name: Thresholds(**values) for name, values in section["thresholds"].items()}


def count_episodes(
    minutes: pl.DataFrame,
    *,
    windows: Mapping[str, Window],
    rules: Rules,
    declared: Mapping[str, Any],
) -> pl.DataFrame:
    """Count every patient's episodes for each threshold and least duration.

    Parameters
    ----------
    minutes : contracts.minutes of all patients with `patient_id`
    windows : Window by its name
    rules : Rules
    declared : mapping
        The sections that declare signals.

    Returns
    -------
    DataFrame, contracts.INTENSITY
        A row for every patient of `minutes`; without a valid minute the count is null.

    Source: episodes counted for each intensity and duration: Guiza 2015; per 24 h of valid
    time, since who lives longer is monitored longer: our own.
    """
    patients = minutes.select(pl.col("patient_id").unique(maintain_order=True))
    durations = pl.DataFrame(
        {"duration_min": list(rules.durations_min)}, schema={"duration_min": pl.Int64()}
    )
    signals = declared_signals.series(declared)
    columns = [signals[signal].column for signal in rules.thresholds]
    parts = [store.empty(contracts.INTENSITY)]
    for name, window in windows.items():
        inside = window_of(minutes.select("patient_id", "t_s", *columns), window)
        for signal, thresholds in rules.thresholds.items():
            value = pl.col(signals[signal].column)
            hours = inside.group_by("patient_id").agg(
                monitored_h=value.count() * (MINUTE_S / H_S)
            )
            known = patients.join(hours, on="patient_id", how="left", validate="1:1")
            grid = known.join(durations, how="cross").with_columns(
                pl.col("monitored_h").fill_null(0.0),
                window=pl.lit(name),
                signal=pl.lit(signal),
                side=pl.lit(thresholds.side),
            )
            for threshold in thresholds.values():
                beyond = burden.is_beyond(
                    value,
                    Threshold(signal, thresholds.side, threshold, threshold),
                    inequality=rules.inequality,
                )
                lengths = burden.episode_lengths(
                    inside.filter(beyond).select("patient_id", "t_s"),
                    merge_gap_min=rules.merge_gap_min,
                )
                parts.append(_counted(grid, lengths, threshold=threshold))
    return pl.concat(parts).sort(contracts.INTENSITY.key)


def _counted(grid: pl.DataFrame, lengths: pl.DataFrame, *, threshold: float) -> pl.DataFrame:
    """Return contracts.INTENSITY of one window, signal and threshold."""
    durations = grid.select(pl.col("duration_min").unique())
    counts = (
        lengths.join(durations, how="cross")
        .filter(pl.col("length_min") >= pl.col("duration_min"))
        .group_by("patient_id", "duration_min")
        .agg(n_episodes=pl.len().cast(pl.Int64))
    )
    some = pl.col("monitored_h") > 0
    return (
        grid.join(counts, on=["patient_id", "duration_min"], how="left", validate="1:1")
        .with_columns(
            threshold=pl.lit(threshold, pl.Float64()),
            n_episodes=pl.when(some).then(pl.col("n_episodes").fill_null(0)),
        )
        .with_columns(
            episodes_per_24_h=pl.when(some).then(
                pl.col("n_episodes") / pl.col("monitored_h") * 24
            )
        )
        .select(list(contracts.INTENSITY.columns))
    )


class Score(NamedTuple):
    """An outcome scale of the analysis table."""

    column: str
    better: str  # "higher" or "lower"


def score_of(main_outcome: str, outcomes: Mapping[str, Mapping[str, Any]]) -> Score:
    """Return the scale that the main outcome is derived from; without one the flag itself."""
    scale = outcomes[main_outcome].get("of")
    return Score(scale, outcomes[scale]["better"]) if scale else Score(main_outcome, "lower")


def against_outcome(
    intensity: pl.DataFrame, analysis: pl.DataFrame, *, score: Score, min_patients: int
) -> pl.DataFrame:
    """Correlate the frequency of episodes with a score over the patients of each window.

    Parameters
    ----------
    intensity : contracts.INTENSITY
    analysis : contracts.analysis
        Only `window`, `patient_id` and the score are read. Its patients lived to the end of
        the window, so that nobody's monitoring is short because of death.
    score : Score
        The outcome scale, and which way it is better.
    min_patients : int
        With fewer there is no correlation, nor where either is the same in all.

    Returns
    -------
    DataFrame, contracts.INTENSITY_MAP
        Below zero: more episodes, a worse score. A description of the cohort: neighbouring
        cells share their episodes, and the interval of a cell allows for no search.

    Source: Pearson correlation of counts and outcome, cell by cell: Guiza 2015.
    """
    sign = 1.0 if score.better == "higher" else -1.0
    good, often = sign * pl.col(score.column).cast(pl.Float64), pl.col("episodes_per_24_h")
    enough = (pl.len() >= max(min_patients, 4)) & (good.n_unique() > 1) & (often.n_unique() > 1)
    correlations = (
        intensity.join(
            analysis.select("window", "patient_id", score.column),
            on=["window", "patient_id"],
            how="inner",
            validate="m:1",
        )
        .filter(good.is_not_null(), often.is_not_null())
        .group_by(MAP_KEY)
        .agg(
            n_patients=pl.len().cast(pl.Int64),
            n_with_episodes=(pl.col("n_episodes") > 0).sum().cast(pl.Int64),
            correlation=pl.when(enough).then(pl.corr(often, good)),
        )
    )
    every = intensity.select(MAP_KEY).unique()
    table = every.join(correlations, on=MAP_KEY, how="left", validate="1:1").with_columns(
        pl.col("n_patients", "n_with_episodes").fill_null(0)
    )
    limits = [
        (None, None) if r is None else fisher_interval(r, n)
        for r, n in table.select("correlation", "n_patients").iter_rows()
    ]
    return (
        table.with_columns(
            pl.Series("ci_low", [low for low, _ in limits], pl.Float64()),
            pl.Series("ci_high", [high for _, high in limits], pl.Float64()),
        )
        .select(list(contracts.INTENSITY_MAP.columns))
        .sort(contracts.INTENSITY_MAP.key)
    )


def transition(table: pl.DataFrame) -> pl.DataFrame:
    """Return, for each threshold, the least duration at which the correlation is below zero.

    Parameters
    ----------
    table : contracts.INTENSITY_MAP

    Returns
    -------
    DataFrame, contracts.TRANSITION
        Where the correlation first falls below zero from a duration to the next, on the
        straight line between the two; null where it does so at none or at the first.

    Source: contour of zero correlation: Guiza 2015.
    """
    line = contracts.TRANSITION
    group = ["window", "signal", "side", "threshold"]
    r, minutes = pl.col("correlation"), pl.col("duration_min").cast(pl.Float64)
    last_r, last_min = r.shift(1).over(group), minutes.shift(1).over(group)
    falls = (last_r >= 0) & (r < 0)
    at = last_min + last_r / (last_r - r) * (minutes - last_min)
    known = table.filter(r.is_not_null()).sort(contracts.INTENSITY_MAP.key)
    courses = (
        known.with_columns(at=pl.when(falls).then(at))
        .group_by(group)
        .agg(
            duration_min=pl.col("at").drop_nulls().first(),
            below=(r < 0).all(),
        )
        .with_columns(
            course=pl.when(pl.col("duration_min").is_not_null())
            .then(pl.lit("crossing"))
            .when(pl.col("below"))
            .then(pl.lit("below_zero"))
            .otherwise(pl.lit("not_below_zero"))
        )
    )
    return (
        table.select(group)
        .unique()
        .join(courses, on=group, how="left", validate="1:1")
        .with_columns(pl.col("course").fill_null("unknown"))
        .select(list(line.columns))
        .sort(line.key)
    )


def methods_sentence(settings: Settings, *, score: str, declared: Mapping[str, Any]) -> str:
    """Return the report's sentences for the map; `score` is what it is correlated with."""
    signals = declared_signals.series(declared)
    steps = ", ".join(sorted({f"{one.step:g}" for one in settings.thresholds.values()}))
    ranges = [
        _range_words(one, about=signals[name].about)
        for name, one in settings.thresholds.items()
    ]
    durations_min = settings.durations_min
    edge = {"strict": "beyond", "or_equal": "on or beyond"}[settings.inequality]
    return (
        f"Episodes {edge} every threshold {' and '.join(ranges)} in steps of {steps}, lasting"
        f" {min(durations_min)} to {max(durations_min)} min or longer (interruptions up to"
        f" {settings.merge_gap_min} min), were counted per 24 h of valid time and correlated"
        f" (Pearson; Guiza 2015) with {score} in windows of {settings.min_patients} patients"
        " or more; the transition line is where the correlation falls below zero."
    )


def _range_words(thresholds: Thresholds, *, about: contracts.Column) -> str:
    unit = unit_words(about.unit)
    first, last = f"{thresholds.first:g}", f"{thresholds.last:g}"
    way = f"{first} to {last}" if thresholds.side == "above" else f"{last} down to {first}"
    return f"of {about.label} from {way} {unit}".strip()
