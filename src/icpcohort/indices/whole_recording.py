"""Optima: CPPopt of a whole recording, its interval, and what chance alone would give."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.indices import bootstrap, cppopt, reactivity, surrogates
from icpcohort.indices.cpp_curve import CurveRules
from icpcohort.indices.cppopt import or_none


@dataclass(frozen=True)
class UncertaintyRules:
    """Settings of `bootstrap.interval` and `surrogates.chance`, and the seed of both."""

    seed: int
    n_resamples: int
    block_min: int
    min_upward_fraction: float
    surrogate: str
    n_surrogates: int
    n_yield_surrogates: int


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
    not_during: Sequence[str],
    minute_min_valid_fraction: float,
    correlations: reactivity.CorrelationRules,
    curve: CurveRules,
    windows_min: Sequence[int],
    min_valid_fraction: float,
    uncertainty: UncertaintyRules,
) -> Optimum:
    """Fit the curve of all minutes of one patient, with its uncertainty.

    Parameters
    ----------
    trends, minutes : contracts.TRENDS, contracts.MINUTES of the patient; may be empty
    events, not_during, minute_min_valid_fraction, correlations
        As for `reactivity.to_minutes`, so that surrogates are treated like the recording.
    windows_min, min_valid_fraction
        Of `cppopt.for_minutes`. The whole recording's curve asks for as many minutes as
        the shortest of these windows.
    uncertainty : UncertaintyRules
        Every patient has random streams of their own, of the seed and `patient_id`.
    """
    if minutes.is_empty():
        return Optimum(
            store.empty(contracts.CURVES),
            _row(patient_id, {"n_minutes": 0, "reason": "no_data"}),
        )
    whole = cppopt.for_recording(
        minutes, min_minutes=min_valid_fraction * min(windows_min), rules=curve
    )
    given = surrogates.pressures(
        trends,
        events=events,
        not_during=not_during,
        correlations=correlations,
    )
    found = dict(whole.optimum)
    found["cppopt_yield_percent"] = or_none(surrogates.yield_percent(minutes, given.closed))
    if found["cppopt_mmhg"] is not None:
        interval = bootstrap.interval(
            minutes,
            block_min=uncertainty.block_min,
            n_resamples=uncertainty.n_resamples,
            min_upward_fraction=uncertainty.min_upward_fraction,
            generator=generator_of(uncertainty.seed, patient_id, stream=1),
            rules=curve,
        )
        found["cppopt_ci_low_mmhg"] = or_none(interval.low)
        found["cppopt_ci_high_mmhg"] = or_none(interval.high)
        found["ci_upward_fraction"] = interval.upward_fraction
    if found["n_minutes"] > 0:
        chance = surrogates.chance(
            given,
            minutes,
            minute_min_valid_fraction=minute_min_valid_fraction,
            correlations=correlations,
            windows_min=windows_min,
            min_valid_fraction=min_valid_fraction,
            rules=curve,
            surrogate=uncertainty.surrogate,
            n_surrogates=uncertainty.n_surrogates,
            n_yield_surrogates=uncertainty.n_yield_surrogates,
            generator=generator_of(uncertainty.seed, patient_id, stream=2),
        )
        found["p_chance"] = or_none(chance.p)
        found["chance_percent"] = or_none(chance.percent)
        found["chance_cppopt_sd_mmhg"] = or_none(chance.cppopt_sd_mmhg)
        found["chance_yield_percent"] = or_none(chance.yield_percent)
    return Optimum(whole.curve, _row(patient_id, found))


def generator_of(seed: int, patient_id: str, *, stream: int) -> np.random.Generator:
    """Return a random stream of the patient's own, the same on every machine."""
    digest = hashlib.sha256(patient_id.encode()).digest()
    return np.random.default_rng([seed, stream, int.from_bytes(digest[:8])])


def _row(patient_id: str, found: Mapping[str, Any]) -> pl.DataFrame:
    given = {"patient_id": patient_id, **found}
    schema = {name: column.dtype for name, column in contracts.OPTIMA.columns.items()}
    return pl.DataFrame([{name: given.get(name) for name in schema}], schema=schema)


def methods_sentence(
    *,
    seed: int,
    n_resamples: int,
    block_min: int,
    min_upward_fraction: float,
    surrogate: str,
    n_surrogates: int,
    n_yield_surrogates: int,
) -> str:
    """Return the report's sentences for `of_recording`, from the same settings."""
    interval = bootstrap.methods_sentence(
        block_min=block_min, n_resamples=n_resamples, min_upward_fraction=min_upward_fraction
    )
    chance = surrogates.methods_sentence(
        surrogate=surrogate,
        n_surrogates=n_surrogates,
        n_yield_surrogates=n_yield_surrogates,
    )
    return f"{interval} {chance} Random numbers began at seed {seed} and the patient's name."
