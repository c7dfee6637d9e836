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
from icpcohort.indices import bootstrap, cppopt, surrogates
from icpcohort.indices.cppopt import or_none
from icpcohort.indices.curve_settings import Rules


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
    """Contracts CURVES and OPTIMA (one row)."""

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
    """Fit the curve of all minutes of one patient, with its uncertainty.

    Parameters
    ----------
    trends, minutes : contracts.trends, contracts.MINUTES of the patient; may be empty
    events, minute_min_valid_fraction, rules
        As for `minutes.compute`, so that surrogates are treated like the recording.
    settings : Settings
        Every patient has random streams of their own, of the seed and `patient_id`.
    """
    if minutes.is_empty():
        return Optimum(
            store.empty(contracts.CURVES),
            _row(patient_id, {"n_minutes": 0, "reason": "no_data"}),
        )
    whole = cppopt.for_recording(minutes, rules=rules)
    pressures = surrogates.pressures(trends, events=events, rules=rules.prx)
    optimum = dict(whole.optimum)
    optimum["cppopt_yield_percent"] = or_none(
        surrogates.yield_percent(minutes, pressures.closed)
    )
    if optimum["cppopt_mmhg"] is not None:
        interval = bootstrap.interval(
            minutes,
            settings=settings,
            generator=generator_of(settings.seed, patient_id, stream=1),
            rules=rules,
        )
        optimum["cppopt_ci_low_mmhg"] = or_none(interval.low)
        optimum["cppopt_ci_high_mmhg"] = or_none(interval.high)
        optimum["ci_upward_fraction"] = interval.upward_fraction
    if optimum["n_minutes"] > 0:
        chance = surrogates.chance(
            pressures,
            minutes,
            minute_min_valid_fraction=minute_min_valid_fraction,
            rules=rules,
            settings=settings,
            generator=generator_of(settings.seed, patient_id, stream=2),
        )
        optimum["p_chance"] = or_none(chance.p)
        optimum["chance_percent"] = or_none(chance.percent)
        optimum["chance_cppopt_sd_mmhg"] = or_none(chance.cppopt_sd_mmhg)
        optimum["chance_yield_percent"] = or_none(chance.yield_percent)
    return Optimum(whole.curve, _row(patient_id, optimum))


def generator_of(seed: int, patient_id: str, *, stream: int) -> np.random.Generator:
    """Return a random stream of the patient's own, the same on every machine."""
    digest = hashlib.sha256(patient_id.encode()).digest()
    return np.random.default_rng([seed, stream, int.from_bytes(digest[:8])])


def _row(patient_id: str, optimum: Mapping[str, Any]) -> pl.DataFrame:
    row = {"patient_id": patient_id, **optimum}
    schema = {name: column.dtype for name, column in contracts.OPTIMA.columns.items()}
    return pl.DataFrame([{name: row.get(name) for name in schema}], schema=schema)


def methods_sentence(settings: Settings) -> str:
    """Return the report's sentences for `of_recording`."""
    return (
        f"{bootstrap.methods_sentence(settings)} {surrogates.methods_sentence(settings)} Random"
        f" numbers began at seed {settings.seed} and the patient's name."
    )
