"""Optima: CPPopt of a whole recording, its interval, and what chance alone would give."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, NamedTuple

import numpy as np
import polars as pl

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.contracts.setting import OF_THE_STUDY, Setting
from icpcohort.indices import bootstrap, cppopt, curve_settings, surrogates
from icpcohort.indices.cppopt import or_none
from icpcohort.indices.minutes import Rules


@dataclass(frozen=True, kw_only=True)
class Settings(surrogates.Settings, bootstrap.Settings):
    """Interval of a recording's CPPopt, and what chance alone would give."""

    seed: Annotated[
        int,
        Setting(
            "Start of the random numbers, together with the patient's identifier",
            OF_THE_STUDY,
            1,
            at_least=0,
            at_most=4294967295,
        ),
    ]


class Optimum(NamedTuple):
    """Contracts CURVES and OPTIMA (one row for each index)."""

    curve: pl.DataFrame
    row: pl.DataFrame


def of_recording(
    patient_id: str,
    trends: pl.DataFrame,
    minutes: pl.DataFrame,
    *,
    events: Sequence[Mapping[str, Any]],
    minute_min_valid_fraction: float,
    rules: Rules,
    settings: Settings,
) -> Optimum:
    """Fit the curves of all minutes of one patient, with their uncertainty.

    Parameters
    ----------
    trends, minutes : contracts.trends, contracts.minutes of the patient; may be empty
    events, minute_min_valid_fraction, rules
        As for `minutes.compute`, so that surrogates are treated like the recording.
    settings : Settings
        Every patient has random streams of their own, of the seed and `patient_id`; those of
        another index than the main one, of its name too.

    Returns
    -------
    Optimum
        One curve, and one row, for each index by which CPPopt is sought.
    """
    if minutes.is_empty():
        rows = [
            _row(patient_id, {"index": name, "n_minutes": 0, "reason": "no_data"})
            for name in rules.curves
        ]
        return Optimum(store.empty(contracts.CURVES), pl.concat(rows))
    made = []
    for name, of_curve in rules.curves.items():
        pair = surrogates.coupled(
            trends,
            events=events,
            minute_min_valid_fraction=minute_min_valid_fraction,
            block_s=rules.block_s,
            rules=of_curve.index,
            declared=rules.declared,
        )
        curve, optimum = _by_one_index(
            minutes.select(
                "t_s", "cpp_mmhg", name, cppopt_mmhg=rules.column("cppopt_mmhg", name)
            ),
            pair,
            whose=patient_id if of_curve is rules.main else f"{patient_id} by {name}",
            minute_min_valid_fraction=minute_min_valid_fraction,
            rules=of_curve,
            settings=settings,
        )
        made.append(Optimum(curve, _row(patient_id, {"index": name, **optimum})))
    return Optimum(*(pl.concat(parts) for parts in zip(*made, strict=True)))


def _by_one_index(
    minutes: pl.DataFrame,
    pair: surrogates.Coupled,
    *,
    whose: str,
    minute_min_valid_fraction: float,
    rules: curve_settings.Rules,
    settings: Settings,
) -> cppopt.WholeCurve:
    """Return the curve by one index, and its row; `whose` are the random streams."""
    curve, optimum = cppopt.for_recording(minutes, rules=rules)
    optimum["cppopt_yield_percent"] = or_none(surrogates.yield_percent(minutes, pair.closed))
    if optimum["cppopt_mmhg"] is not None:
        interval = bootstrap.interval(
            minutes,
            settings=settings,
            generator=generator_of(settings.seed, whose, stream=1),
            rules=rules,
        )
        lowest_mmhg = interval.lowest_mmhg
        optimum["cppopt_asymmetric_mmhg"] = or_none(lowest_mmhg)
        optimum["parabola_bias_mmhg"] = or_none(optimum["cppopt_mmhg"] - lowest_mmhg)
        optimum["cppopt_ci_low_mmhg"] = or_none(interval.low)
        optimum["cppopt_ci_high_mmhg"] = or_none(interval.high)
        optimum["ci_upward_fraction"] = interval.upward_fraction
    if optimum["n_minutes"] > 0:
        chance = surrogates.chance(
            pair,
            minutes,
            minute_min_valid_fraction=minute_min_valid_fraction,
            rules=rules,
            settings=settings,
            generator=generator_of(settings.seed, whose, stream=2),
        )
        optimum["p_chance"] = or_none(chance.p)
        optimum["chance_percent"] = or_none(chance.percent)
        optimum["chance_cppopt_sd_mmhg"] = or_none(chance.cppopt_sd_mmhg)
        optimum["chance_yield_percent"] = or_none(chance.yield_percent)
        rolled = surrogates.rolled(
            minutes,
            closed=pair.closed,
            rules=rules,
            settings=settings,
            generator=generator_of(settings.seed, whose, stream=3),
        )
        optimum["p_rolled"] = or_none(rolled.p)
        optimum["rolled_percent"] = or_none(rolled.percent)
        optimum["rolled_yield_percent"] = or_none(rolled.yield_percent)
    return cppopt.WholeCurve(curve, optimum)


def generator_of(seed: int, patient_id: str, *, stream: int) -> np.random.Generator:
    """Return a random stream of the patient's own, the same on every machine."""
    digest = hashlib.sha256(patient_id.encode()).digest()
    return np.random.default_rng([seed, stream, int.from_bytes(digest[:8])])


def _row(patient_id: str, optimum: Mapping[str, Any]) -> pl.DataFrame:
    row = {"patient_id": patient_id, **optimum}
    schema = {name: column.dtype for name, column in contracts.OPTIMA.columns.items()}
    return pl.DataFrame([{name: row.get(name) for name in schema}], schema=schema)


def methods_sentence(settings: Settings, *, decoupled: tuple[str, str]) -> str:
    """Return the report's sentences for `of_recording`."""
    chance = surrogates.methods_sentence(settings, decoupled=decoupled)
    return (
        f"{bootstrap.methods_sentence(settings)} {chance} Random"
        f" numbers began at seed {settings.seed} and the patient's name."
    )
