"""Summary: each patient's minutes summed up for each exposure window."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated

import numpy as np
import polars as pl

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.contracts.setting import COMMON_PRACTICE, Setting
from icpcohort.exposures import autocorrelated_mean
from icpcohort.exposures.window import Window
from icpcohort.exposures.window import inside as window_of
from icpcohort.indices.correlation import Scale, from_scale, mean_correlation, to_scale
from icpcohort.indices.reactivity import INDICES
from icpcohort.signals import transducer_level

NEAR_MMHG = 5.0
HOURS = (
    "amp_h",
    "p2p1_eligible_h",
    "cpp_h",
    "prx_h",
    "cppopt_h",
    "llr_h",
    "ulr_h",
    "llr_bins_h",
)
TIERS = ("waveform", "seconds", "ten_seconds", "minutes", "hourly")


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Summary of each patient's minutes in each exposure window."""

    min_cppopt_h: Annotated[
        float,
        Setting(
            "With fewer hours of CPPopt (or LLR) in a window, the values computed from them "
            "are null",
            COMMON_PRACTICE,
            1.0,
            at_least=0,
            at_most=1000,
        ),
    ]
    min_prx_interval_h: Annotated[
        float,
        Setting(
            "With fewer hours of PRx in a window, its mean has no interval",
            "own choice: with less, the interval is too short where PRx changes slowly "
            "(computed)",
            6.0,
            at_least=0,
            at_most=1000,
        ),
    ]
    n_cosines: Annotated[
        int,
        Setting(
            "How many of the slowest cosines give the long-run variance of PRx; with more, "
            "the interval is shorter and allows for less slow change",
            "equally weighted cosine estimator: Muller 2007; Lazarus 2018 (from memory); 6: "
            "own choice, by simulation",
            6,
            at_least=2,
            at_most=200,
        ),
    ]


def summarise(
    minutes: pl.DataFrame,
    *,
    windows: Mapping[str, Window],
    scale: Scale,
    settings: Settings,
) -> pl.DataFrame:
    """Summarise every patient of `minutes` in every window.

    Parameters
    ----------
    minutes : contracts.MINUTES of all patients with `patient_id`
    windows : Window by its name
    scale : correlation.Scale
        On which the indices are averaged.
    settings : Settings

    Returns
    -------
    DataFrame, contracts.SUMMARY
        What rests on no minute is null, and the hours are 0. The yield is null without PRx.

    Source: yield over minutes with CPP, and time within 5 mmHg of CPPopt: COGiTATE
    2021; time below LLR: Donnelly 2017.
    """
    patients = minutes.select(pl.col("patient_id").unique(maintain_order=True))
    parts = [store.empty(contracts.SUMMARY)]
    for name, window in windows.items():
        inside = window_of(minutes, window)
        rows = inside.group_by("patient_id", maintain_order=True).agg(
            *_measures(scale, min_cppopt_h=settings.min_cppopt_h)
        )
        intervals = _prx_intervals(inside, scale=scale, settings=settings)
        rows = rows.join(intervals, on="patient_id", how="left", validate="1:1")
        table = patients.join(rows, on="patient_id", how="left", validate="1:1").with_columns(
            pl.lit(name).alias("window"),
            pl.col("monitored_h", *HOURS).fill_null(0.0),
        )
        parts.append(table.select(list(contracts.SUMMARY.columns)))
    return pl.concat(parts).sort(contracts.SUMMARY.key)


def _prx_intervals(minutes: pl.DataFrame, *, scale: Scale, settings: Settings) -> pl.DataFrame:
    """Return the interval of each patient's mean PRx, on the scale on which it is averaged.

    Null with less than `settings.min_prx_interval_h` of PRx.
    """
    rows = []
    least = 60 * settings.min_prx_interval_h
    enough = minutes.select("patient_id", "prx").filter(
        pl.col("prx").count().over("patient_id") >= least
    )
    for (patient_id,), rows_of_one in enough.group_by("patient_id", maintain_order=True):
        prx = rows_of_one["prx"].fill_null(np.nan).to_numpy()
        z = to_scale(prx, scale)
        interval = autocorrelated_mean.interval_of_mean(z, n_cosines=settings.n_cosines)
        limits = from_scale(np.array(interval), scale).clip(-1, 1)
        rows.append((patient_id, *limits.tolist()))
    names = {name: pl.Float64() for name in ("prx_mean_ci_low", "prx_mean_ci_high")}
    schema = {"patient_id": pl.String(), **names}
    return pl.DataFrame(rows, schema=schema, orient="row").with_columns(
        pl.col(list(names)).fill_nan(None)
    )


def _measures(scale: Scale, *, min_cppopt_h: float) -> list[pl.Expr]:
    delta = pl.col("cpp_mmhg") - pl.col("cppopt_mmhg")
    beyond = {
        "below_llr": pl.col("cpp_mmhg") < pl.col("llr_mmhg"),
        "above_ulr": pl.col("cpp_mmhg") > pl.col("ulr_mmhg"),
        "below_llr_bins": pl.col("cpp_mmhg") < pl.col("llr_bins_mmhg"),
    }
    enough = delta.count() >= 60 * min_cppopt_h
    from_cppopt = {
        "within_5_of": delta.abs() <= NEAR_MMHG,
        "over_5_below": delta < -NEAR_MMHG,
        "over_5_above": delta > NEAR_MMHG,
    }
    coarseness = pl.col("tier").replace_strict(list(TIERS), range(len(TIERS)), default=None)
    return [
        pl.col("tier").get((coarseness.fill_null(-1)).arg_max()).alias("tier"),
        transducer_level.common(pl.col("abp_level_used")).alias("abp_level_used"),
        (pl.col("icp_mmhg").count() / 60).alias("monitored_h"),
        *(
            pl.col(f"{name}_mmhg").mean().alias(f"{name}_mean_mmhg")
            for name in ("icp", "abp", "cpp", "amp")
        ),
        (pl.col("amp_mmhg").count() / 60).alias("amp_h"),
        pl.col("peak_to_trough_mmhg").mean().alias("peak_to_trough_mean_mmhg"),
        pl.col("p2_p1_ratio").mean().alias("p2_p1_ratio_mean"),
        (pl.col("p2p1_eligible_s").sum() / 3600).alias("p2p1_eligible_h"),
        _percent(pl.col("p2p1_found_s").sum(), pl.col("p2p1_eligible_s").sum()).alias(
            "p2p1_yield_percent"
        ),
        *(mean_correlation(pl.col(name), scale).alias(f"{name}_mean") for name in INDICES),
        (pl.col("cpp_mmhg").count() / 60).alias("cpp_h"),
        (pl.col("prx").count() / 60).alias("prx_h"),
        (delta.count() / 60).alias("cppopt_h"),
        *(
            (test.count() / 60).alias(f"{name.split('_', 1)[1]}_h")
            for name, test in beyond.items()
        ),
        pl.when(pl.col("prx").count() > 0)
        .then(_percent(delta.count(), pl.col("cpp_mmhg").count()))
        .alias("cppopt_yield_percent"),
        pl.when(enough)
        .then(pl.col("cppopt_mmhg").filter(pl.col("cpp_mmhg").is_not_null()).mean())
        .alias("cppopt_mean_mmhg"),
        pl.when(enough).then(delta.mean()).alias("delta_cpp_mean_mmhg"),
        *(
            pl.when(enough)
            .then(_percent(test.sum(), delta.count()))
            .alias(f"percent_time_{name}_cppopt")
            for name, test in from_cppopt.items()
        ),
        *(
            pl.when(test.count() >= 60 * min_cppopt_h)
            .then(_percent(test.sum(), test.count()))
            .alias(f"percent_time_{name}")
            for name, test in beyond.items()
        ),
    ]


def _percent(part: pl.Expr, whole: pl.Expr) -> pl.Expr:
    return pl.when(whole > 0).then(100 * part / whole)


def methods_sentence(settings: Settings) -> str:
    """Return the report's sentences for `summarise`."""
    return (
        "The 95 % interval of a patient's mean PRx allows for overlapping windows and slow"
        f" change: its long-run variance is that along the {settings.n_cosines} slowest cosines"
        " of the exposure window (Muller 2007; Lazarus 2018), with Student's t of as many"
        " degrees of freedom; under"
        f" {settings.min_prx_interval_h:g} h of PRx it is not given. It tells how far the mean"
        " would move over another stretch of the same course, and nothing of a sensor's own"
        " error. The yield of CPPopt is the share of minutes with CPP that have one, given for"
        " patients with PRx. Mean CPPopt, the distance of CPP from it and time within 5 mmHg"
        " of it (COGiTATE 2021), below and above, are over minutes with both, time below LLR"
        " (Donnelly 2017) or above ULR over"
        f" minutes with CPP and that limit; under {settings.min_cppopt_h:g} h of them they are"
        " not given."
    )
