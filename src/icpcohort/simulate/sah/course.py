"""Course of the stay and the outcome, from a model whose coefficients are stated.

One number per patient, u, uniform in 0 to 1, decides both the modified Rankin Scale (mRS) at
3 months and death in the unit, so that who dies there has mRS 6:

    logit P(mRS <= k) = theta_k - eta
    rate of death in the unit at t = rate(t) exp(eta_death + per_10_til (TIL(t) - 12) / 10)

eta and eta_death are sums of WFNS grade, age and true dose of low PbtO2. The mRS is the level
in which 1 - u lies, and death comes when the integral of its rate reaches -log(1 - u).
Discharge has a rate and a random number of its own; what comes first ends the stay.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.simulate.physiology import Floats

DEAD = 6  # of the mRS, 0 no symptoms to 6 dead: van Swieten 1988 and later use (from memory)
TIL_MOST = 38  # therapy intensity level, 0 to 38: Zuercher 2016 (from memory)
_TIL_CENTRE, _TIL_START, _TIL_SPREAD = 12.0, 13.0, 4.0
_N_DAYS = 60
_SODIUM_MMOL_L, _SODIUM_SD_MMOL_L = 140.0, 4.0
_SCORED_3M_H, _SCORED_12M_H = (2100.0, 2300.0), (8500.0, 9000.0)
_LATEST_DEATH_3M_H, _DEATHS_12M_H = 1700.0, (2400.0, 7200.0)
_LOST_SHARE, _LOST_AFTER_3M_SHARE = 0.04, 0.06
_STEPS_3M_TO_12M = ((-2, 0.06), (-1, 0.38), (0, 0.48), (1, 0.06), (DEAD, 0.02))


@dataclass(frozen=True)
class Coefficients:
    """The truth; a positive coefficient makes a worse outcome or an earlier event likelier.

    Rates are per hour and hold from the hour before them; before 24 h nobody dies or leaves.
    """

    thetas: tuple[float, ...] = (-2.2, -1.1, -0.4, 0.2, 0.8, 1.4)
    outcome_per_wfns: float = 0.45  # from grade 3
    outcome_per_10_years: float = 0.30  # from 55 years
    outcome_per_dose_mmhg: float = 0.60
    death_rates: tuple[tuple[float, float], ...] = (
        *((24.0, 0.0003), (72.0, 0.0010), (168.0, 0.0003)),
    )
    death_per_wfns: float = 0.40
    death_per_10_years: float = 0.25
    death_per_dose_mmhg: float = 0.50
    death_per_10_til: float = 0.70
    discharge_rates: tuple[tuple[float, float], ...] = (
        *((24.0, 0.001), (72.0, 0.003)),
        *((168.0, 0.008), (336.0, 0.016)),
    )
    discharge_per_dose_mmhg: float = -0.25

    def as_table(self) -> pl.DataFrame:
        """Return one row per term: `model`, `term`, `coefficient`."""
        rows = [("mrs_3m", f"theta {k}", theta) for k, theta in enumerate(self.thetas)]
        for model, prefix in (("mrs_3m", "outcome"), ("death", "death")):
            rows += [
                (model, "wfns - 3", getattr(self, f"{prefix}_per_wfns")),
                (model, "(age_years - 55) / 10", getattr(self, f"{prefix}_per_10_years")),
                (model, "dose_per_h_true_mmhg", getattr(self, f"{prefix}_per_dose_mmhg")),
            ]
        rows.append(("death", "(til - 12) / 10, now", self.death_per_10_til))
        rows.append(("discharge", "dose_per_h_true_mmhg", self.discharge_per_dose_mmhg))
        for model, rates in (("death", self.death_rates), ("discharge", self.discharge_rates)):
            rows += [(model, f"rate from {hour:g} h [1/h]", rate) for hour, rate in rates]
        return pl.DataFrame(rows, schema=["model", "term", "coefficient"], orient="row")


class Course(NamedTuple):
    """What became of the patients, one row per patient, and their daily values.

    `outcomes` has `mrs_3m`, `mrs_12m`, `death_h`, `left_unit_h` and `last_known_h` without
    loss to follow-up; `end_h` is the end of the stay. `daily` is long: `patient_id`,
    `variable` (til, sodium), `from_h`, `to_h`, `value`.
    """

    outcomes: pl.DataFrame
    daily: pl.DataFrame


def draw_course(covariates: pl.DataFrame, *, coefficients: Coefficients, seed: int) -> Course:
    """Draw stay, daily values and outcome of each patient.

    Parameters
    ----------
    covariates : DataFrame, one row per patient
        As `draw_covariates` returns it, without nulls.
    coefficients : Coefficients
    seed : int
    """
    rng = np.random.default_rng([seed, 110])
    n = covariates.height
    dose_mmhg = covariates["dose_per_h_true_mmhg"].to_numpy()
    til = _draw_til(rng, covariates)
    u = rng.random(n)
    discharge_h = np.array(
        [
            _time_of(-np.log(rng.random()), coefficients.discharge_rates, np.full(_N_DAYS, x))
            for x in coefficients.discharge_per_dose_mmhg * dose_mmhg
        ]
    )
    of_til = coefficients.death_per_10_til * (til - _TIL_CENTRE) / 10
    log_ratios = _predictor(covariates, coefficients, "death")[:, None] + of_til
    death_h = np.array(
        [
            _time_of(-np.log1p(-one), coefficients.death_rates, log_ratio)
            for one, log_ratio in zip(u, log_ratios, strict=True)
        ]
    )
    theta = np.array(coefficients.thetas)
    at_most = 1 / (1 + np.exp(_predictor(covariates, coefficients, "outcome")[:, None] - theta))
    mrs_3m = ((1 - u)[:, None] > at_most).sum(axis=1)
    outcomes = _outcomes(rng, mrs_3m, death_h=death_h, discharge_h=discharge_h)
    outcomes = outcomes.insert_column(0, covariates["patient_id"])
    return Course(outcomes, _daily(rng, til, outcomes))


def _predictor(covariates: pl.DataFrame, coefficients: Coefficients, model: str) -> Floats:
    per_wfns, per_10_years, per_dose = (
        getattr(coefficients, f"{model}_per_{name}")
        for name in ("wfns", "10_years", "dose_mmhg")
    )
    return np.asarray(
        per_wfns * (covariates["wfns"].to_numpy() - 3)
        + per_10_years * (covariates["age_years"].to_numpy() - 55) / 10
        + per_dose * covariates["dose_per_h_true_mmhg"].to_numpy()
    )


def _draw_til(rng: np.random.Generator, covariates: pl.DataFrame) -> NDArray[np.int64]:
    """Draw the therapy intensity level of each day, shape (patients, days).

    It begins higher with a poor grade, moves from day to day and falls over two weeks.
    """
    n = covariates.height
    start = _TIL_START + 1.2 * (covariates["wfns"].to_numpy() - 3) + 3 * rng.standard_normal(n)
    days = np.arange(_N_DAYS)
    falling = np.where(days < 4, 1.0, np.exp(-(days - 4) / 7))
    noise, moves = np.zeros((n, _N_DAYS)), rng.standard_normal((n, _N_DAYS))
    noise[:, 0] = moves[:, 0]
    for day in days[1:]:
        noise[:, day] = 0.6 * noise[:, day - 1] + 0.8 * moves[:, day]
    level = start[:, None] * falling + _TIL_SPREAD * noise
    return np.asarray(np.rint(level).clip(0, TIL_MOST), dtype=np.int64)


def _time_of(target: float, rates: tuple[tuple[float, float], ...], log_ratio: Floats) -> float:
    """Return the hour at which a rate's integral is `target`; the log ratio is one per day.

    Later than the last day: infinity.
    """
    edges_h = np.unique([*np.arange(_N_DAYS + 1) * 24.0, *(hour for hour, _ in rates)])
    begin_h = edges_h[:-1]
    step = np.searchsorted([hour for hour, _ in rates], begin_h, side="right")
    base = np.array([0.0, *(rate for _, rate in rates)])[step]
    rate = base * np.exp(log_ratio[(begin_h // 24).astype(int)])
    reached = np.concatenate([[0.0], np.cumsum(rate * np.diff(edges_h))])
    if reached[-1] < target:
        return float(np.inf)
    part = int(np.searchsorted(reached, target)) - 1
    return float(begin_h[part] + (target - reached[part]) / rate[part])


def _outcomes(
    rng: np.random.Generator, mrs_3m: NDArray[np.int64], *, death_h: Floats, discharge_h: Floats
) -> pl.DataFrame:
    """Return stay and outcome; who is dead at 3 months but left alive died in between."""
    n = mrs_3m.size
    in_unit = death_h < discharge_h
    mrs_3m = np.where(in_unit, DEAD, mrs_3m)
    left_h = np.where(in_unit, np.inf, np.minimum(discharge_h, _N_DAYS * 24.0))
    later_h = left_h + rng.random(n) * (_LATEST_DEATH_3M_H - np.minimum(left_h, 1600.0))
    dead_h = np.where(in_unit, death_h, np.where(mrs_3m == DEAD, later_h, np.inf))
    steps, shares = zip(*_STEPS_3M_TO_12M, strict=True)
    moved = mrs_3m + rng.choice(steps, size=n, p=shares)
    mrs_12m = np.where(moved >= DEAD, DEAD, moved.clip(0))
    mrs_12m = np.where(mrs_3m == DEAD, DEAD, mrs_12m)
    late = (mrs_12m == DEAD) & (mrs_3m < DEAD)
    dead_h = np.where(late, rng.uniform(*_DEATHS_12M_H, n), dead_h)
    scored_h = np.where(np.isinf(dead_h), rng.uniform(*_SCORED_12M_H, n), np.inf)
    scores = {"mrs_3m": mrs_3m.tolist(), "mrs_12m": mrs_12m.tolist()}
    hours = {"death_h": dead_h, "left_unit_h": left_h, "last_known_h": scored_h}
    rounded = {name: _hours_or_null(values) for name, values in hours.items()}
    end_h = np.minimum(death_h, left_h)
    return pl.DataFrame({**scores, **rounded, "end_h": _hours_or_null(end_h)})


def _hours_or_null(values_h: Floats) -> pl.Series:
    hours = [round(float(hour), 1) if np.isfinite(hour) else None for hour in values_h]
    return pl.Series(hours, dtype=pl.Float64)


def _daily(
    rng: np.random.Generator, til: NDArray[np.int64], outcomes: pl.DataFrame
) -> pl.DataFrame:
    """Return the daily values up to the end of the stay; some days have no sodium."""
    sodium = np.round(rng.normal(_SODIUM_MMOL_L, _SODIUM_SD_MMOL_L, til.shape))
    sodium[rng.random(til.shape) < 0.1] = np.nan
    rows = []
    for i, (patient_id, end_h) in enumerate(outcomes.select("patient_id", "end_h").rows()):
        for variable, values in (("til", til[i]), ("sodium", sodium[i])):
            for day in range(min(_N_DAYS, int(np.ceil(end_h / 24)))):
                if not np.isnan(values[day]):
                    to_h = min(24.0 * (day + 1), end_h)
                    rows.append((patient_id, variable, 24.0 * day, to_h, float(values[day])))
    columns = ["patient_id", "variable", "from_h", "to_h", "value"]
    return pl.DataFrame(rows, schema=columns, orient="row")


def lose_to_follow_up(outcomes: pl.DataFrame, *, seed: int) -> pl.DataFrame:
    """Return the outcomes as a study records them: a few patients are lost.

    Some of those who left the unit alive were never heard of again; some of those who lived
    at 3 months have no score at 12 months.
    """
    rng = np.random.default_rng([seed, 111])
    n = outcomes.height
    left = pl.col("left_unit_h").is_not_null()
    lost = pl.Series(rng.random(n) < _LOST_SHARE) & left
    later = pl.Series(rng.random(n) < _LOST_AFTER_3M_SHARE) & (pl.col("mrs_3m") < DEAD) & ~lost
    seen_h = pl.Series(np.round(rng.uniform(*_SCORED_3M_H, n), 1))
    kept = pl.when(~lost)
    return outcomes.with_columns(
        kept.then("mrs_3m").alias("mrs_3m"),
        kept.then(pl.when(~later).then("mrs_12m")).alias("mrs_12m"),
        kept.then(pl.when(~later).then("death_h")).alias("death_h"),
        pl.when(lost)
        .then(None)
        .otherwise(pl.when(later).then(seen_h).otherwise("last_known_h"))
        .alias("last_known_h"),
    )
