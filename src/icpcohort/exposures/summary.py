"""Summary: each patient's minutes summed up for each exposure window."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np
import polars as pl

from icpcohort import contracts
from icpcohort.contracts import declared_indices, declared_signals, store
from icpcohort.contracts.indices import mean_name, summary_by_index
from icpcohort.contracts.reactivity_doses import ABOVE, RAP
from icpcohort.contracts.setting import COMMON_PRACTICE, Setting
from icpcohort.exposures import autocorrelated_mean, reactivity_doses
from icpcohort.exposures.window import Window
from icpcohort.exposures.window import inside as window_of
from icpcohort.indices.correlation import Scale, from_scale, mean_correlation, to_scale
from icpcohort.signals import transducer_level

NEAR_MMHG = 5.0
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
    min_interval_h: Annotated[
        float,
        Setting(
            "With fewer hours of an index in a window, its mean has no interval",
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
            "How many of the slowest cosines give the long-run variance of an index; with "
            "more, the interval is shorter and allows for less slow change",
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
    indices: Mapping[str, Scale],
    settings: Settings,
    declared: Mapping[str, Any],
) -> pl.DataFrame:
    """Summarise every patient of `minutes` in every window.

    Parameters
    ----------
    minutes : contracts.minutes of all patients with `patient_id`
    windows : Window by its name
    indices : mapping of each index to the scale on which it is averaged
        As `index_settings.rules_of` gives them.
    settings : Settings
    declared : mapping
        The sections that `contracts.minutes` reads.

    Returns
    -------
    DataFrame, contracts.summary of what is declared
        What rests on no minute is null, and the hours are 0. The yield is null without the
        index.

    Source: yield over minutes with CPP, and time within 5 mmHg of CPPopt: COGiTATE
    2021; time below LLR: Donnelly 2017.
    """
    patients = minutes.select(pl.col("patient_id").unique(maintain_order=True))
    contract = contracts.summary(declared)
    # a dose ends so too: it is an integral, and missing is not zero
    hours = [n for n in contract.columns if n.endswith("_h") and "_dose_" not in n]
    measures = _measures(indices, min_cppopt_h=settings.min_cppopt_h, declared=declared)
    parts = [store.empty(contract)]
    for name, window in windows.items():
        inside = window_of(minutes, window)
        rows = inside.group_by("patient_id", maintain_order=True).agg(*measures)
        for index in declared_indices.by(declared):
            intervals = _intervals(inside, index, scale=indices[index], settings=settings)
            rows = rows.join(intervals, on="patient_id", how="left", validate="1:1")
        table = patients.join(rows, on="patient_id", how="left", validate="1:1").with_columns(
            pl.lit(name).alias("window"),
            pl.col(hours).fill_null(0.0),
        )
        parts.append(table.select(list(contract.columns)))
    return pl.concat(parts).sort(contract.key)


def _intervals(
    minutes: pl.DataFrame, index: str, *, scale: Scale, settings: Settings
) -> pl.DataFrame:
    """Return the interval of each patient's mean index, on the scale on which it is averaged.

    Null with less than `settings.min_interval_h` of it.
    """
    rows = []
    least = 60 * settings.min_interval_h
    enough = minutes.select("patient_id", index).filter(
        pl.col(index).count().over("patient_id") >= least
    )
    for (patient_id,), rows_of_one in enough.group_by("patient_id", maintain_order=True):
        z = to_scale(rows_of_one[index].fill_null(np.nan).to_numpy(), scale)
        interval = autocorrelated_mean.interval_of_mean(z, n_cosines=settings.n_cosines)
        limits = from_scale(np.array(interval), scale).clip(-1, 1)
        rows.append((patient_id, *limits.tolist()))
    names = {name: pl.Float64() for name in (f"{index}_mean_ci_low", f"{index}_mean_ci_high")}
    schema = {"patient_id": pl.String(), **names}
    return pl.DataFrame(rows, schema=schema, orient="row").with_columns(
        pl.col(list(names)).fill_nan(None)
    )


def _measures(
    indices: Mapping[str, Scale], *, min_cppopt_h: float, declared: Mapping[str, Any]
) -> list[pl.Expr]:
    """Return every column of `contracts.summary` that is made of minutes."""
    signals = declared_signals.series(declared)
    recorded = declared_signals.recorded(declared)
    coarseness = pl.col("tier").replace_strict(list(TIERS), range(len(TIERS)), default=None)
    first = signals[next(iter(recorded))].column
    measures = [
        pl.col("tier").get((coarseness.fill_null(-1)).arg_max()).alias("tier"),
        (pl.col(first).count() / 60).alias("monitored_h"),
    ]
    if "abp" in recorded:
        level = transducer_level.common(pl.col("abp_level_used"))
        measures.append(level.alias("abp_level_used"))
    for name, one in signals.items():
        measures.append(pl.col(one.column).mean().alias(mean_name(name, one)))
        measures.append((pl.col(one.column).count() / 60).alias(f"{name}_h"))
    measures += _of_pulse() if "icp" in recorded else []
    for name, scale in indices.items():
        measures.append(mean_correlation(pl.col(name), scale).alias(f"{name}_mean"))
        measures.append((pl.col(name).count() / 60).alias(f"{name}_h"))
    for name in declared_indices.by(declared):
        measures += _of_cppopt(name, min_cppopt_h=min_cppopt_h, declared=declared)
    doses = reactivity_doses.of_index(declared_indices.main(declared))
    doses |= reactivity_doses.of_rap() if RAP in indices else {}
    measures += [measure.alias(name) for name, measure in doses.items()]
    return measures


def _of_pulse() -> list[pl.Expr]:
    return [
        pl.col("amp_mmhg").mean().alias("amp_mean_mmhg"),
        (pl.col("amp_mmhg").count() / 60).alias("amp_h"),
        pl.col("peak_to_trough_mmhg").mean().alias("peak_to_trough_mean_mmhg"),
        pl.col("p2_p1_ratio").mean().alias("p2_p1_ratio_mean"),
        (pl.col("p2p1_eligible_s").sum() / 3600).alias("p2p1_eligible_h"),
        _percent(pl.col("p2p1_found_s").sum(), pl.col("p2p1_eligible_s").sum()).alias(
            "p2p1_yield_percent"
        ),
    ]


def _of_cppopt(
    index: str, *, min_cppopt_h: float, declared: Mapping[str, Any]
) -> list[pl.Expr]:
    """Return what a window has of CPPopt by one index; by the main one with plain names."""
    is_main = index == declared_indices.main(declared)

    def minute(name: str) -> pl.Expr:
        return pl.col(name if is_main else declared_indices.by_index(name, index))

    delta = pl.col("cpp_mmhg") - minute("cppopt_mmhg")
    beyond = {
        "below_llr": pl.col("cpp_mmhg") < minute("llr_mmhg"),
        "above_ulr": pl.col("cpp_mmhg") > minute("ulr_mmhg"),
        "below_llr_bins": pl.col("cpp_mmhg") < minute("llr_bins_mmhg"),
    }
    enough = delta.count() >= 60 * min_cppopt_h
    from_cppopt = {
        "within_5_of": delta.abs() <= NEAR_MMHG,
        "over_5_below": delta < -NEAR_MMHG,
        "over_5_above": delta > NEAR_MMHG,
    }
    measures = {
        "cppopt_h": delta.count() / 60,
        **{f"{name.split('_', 1)[1]}_h": test.count() / 60 for name, test in beyond.items()},
        "cppopt_yield_percent": pl.when(pl.col(index).count() > 0).then(
            _percent(delta.count(), pl.col("cpp_mmhg").count())
        ),
        "cppopt_mean_mmhg": pl.when(enough).then(
            minute("cppopt_mmhg").filter(pl.col("cpp_mmhg").is_not_null()).mean()
        ),
        "delta_cpp_mean_mmhg": pl.when(enough).then(delta.mean()),
        **{
            f"percent_time_{name}_cppopt": pl.when(enough).then(
                _percent(test.sum(), delta.count())
            )
            for name, test in from_cppopt.items()
        },
        **{
            f"percent_time_{name}": pl.when(test.count() >= 60 * min_cppopt_h).then(
                _percent(test.sum(), test.count())
            )
            for name, test in beyond.items()
        },
        **reactivity_doses.of_cppopt(
            pl.col("cpp_mmhg"),
            minute("cppopt_mmhg"),
            minute("llr_mmhg"),
            min_cppopt_h=min_cppopt_h,
        ),
    }
    return [
        measure.alias(name if is_main else summary_by_index(name, index))
        for name, measure in measures.items()
    ]


def _percent(part: pl.Expr, whole: pl.Expr) -> pl.Expr:
    return pl.when(whole > 0).then(100 * part / whole)


def methods_sentence(settings: Settings, *, index: str) -> str:
    """Return the report's sentences for `summarise`; `index` is the main one's label."""
    return (
        f"The 95 % interval of a patient's mean {index} allows for overlapping windows and slow"
        f" change: its long-run variance is that along the {settings.n_cosines} slowest cosines"
        " of the exposure window (Muller 2007; Lazarus 2018), with Student's t of as many"
        " degrees of freedom; under"
        f" {settings.min_interval_h:g} h of PRx it is not given. It tells how far the mean"
        " would move over another stretch of the same course if"
        f" {index} forgets within an hour or two (of slower series the interval is too short),"
        " and nothing of a sensor's own error. The yield of CPPopt is the share of minutes with"
        f" CPP that have one, given for patients with {index}. Mean CPPopt, the distance of CPP"
        " from it and time within 5 mmHg of it (COGiTATE 2021), below and above, are over"
        " minutes with both, time below LLR (Donnelly 2017) or above ULR over"
        f" minutes with CPP and that limit; under {settings.min_cppopt_h:g} h of them they are"
        " not given. Doses below LLR, and below and above CPPopt, are time integrals of the"
        " excess over the same minutes. Time and dose above"
        f" {' and '.join(f'{t:g}' for t in ABOVE)} are of {index} (Sorrentino 2012; CAHR-TBI"
        " 2023), over minutes with it; zones of RAP (Czosnyka 1996) over minutes with RAP."
    )
