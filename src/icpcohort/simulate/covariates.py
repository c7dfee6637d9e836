"""Simulated covariates, the stated outcome model, and values that go missing."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.contracts import COUNT, FLAG, REAL, TEXT

MOTOR_LEVELS = ("1", "2", "3", "4", "5", "6", "untestable")
MOTOR_SHARES = (0.16, 0.10, 0.10, 0.18, 0.30, 0.10, 0.06)
UNITS = ("unit A", "unit B", "unit C")
UNIT_SHARES = (0.45, 0.33, 0.22)
_MISSING_SHARE = {
    "gcs_motor": 0.05,
    "pupils_reactive": 0.05,
    "hypoxia": 0.04,
    "hypotension": 0.04,
    "marshall_class": 0.05,
    "traumatic_sah": 0.05,
    "epidural_mass": 0.05,
    "glucose_mmol_l": 0.12,
    "haemoglobin_g_dl": 0.12,
}
_MISSING_BY_UNIT = {"unit A": 0.7, "unit B": 1.0, "unit C": 1.6}
_MISSING_OVER_60_YEARS, _MISSING_OTHERS = 1.4, 0.9


@dataclass(frozen=True)
class OutcomeModel:
    """Proportional odds of the GOSE: logit P(GOSE <= k) = theta_k + the terms below.

    A positive coefficient makes a worse outcome more likely.
    """

    thetas: tuple[float, ...] = (-2.90, -2.79, -1.99, -1.46, -0.66, 0.04, 0.97)
    per_10_years_over_45: float = 0.30
    motor: Mapping[str, float] = field(
        default_factory=lambda: MappingProxyType(
            {"1": 1.3, "2": 1.3, "3": 0.9, "4": 0.5, "5": 0.0, "6": 0.0, "untestable": 0.6}
        )
    )
    per_unreactive_pupil: float = 0.50
    per_dose_mmhg: float = 0.45

    def as_table(self) -> pl.DataFrame:
        """Return one row per term: `term`, `coefficient`."""
        terms = {f"theta {k}": theta for k, theta in enumerate(self.thetas, start=1)}
        terms["(age_years - 45) / 10"] = self.per_10_years_over_45
        terms |= {f"gcs_motor {level}": value for level, value in self.motor.items()}
        terms["2 - pupils_reactive"] = self.per_unreactive_pupil
        terms["dose_per_h_true_mmhg"] = self.per_dose_mmhg
        return pl.DataFrame({"term": list(terms), "coefficient": list(terms.values())})


TYPES: dict[str, pl.DataType] = {  # as the dictionaries patient and tbi declare them
    **{"patient_id": TEXT, "centre": TEXT, "age_years": REAL, "sex": TEXT},
    **{"gcs_total": COUNT, "gcs_motor": TEXT, "pupils_reactive": COUNT},
    **{"hypoxia": FLAG, "hypotension": FLAG, "marshall_class": COUNT},
    **{"traumatic_sah": FLAG, "epidural_mass": FLAG},
    **{"cisterns": TEXT, "midline_shift_mm": REAL, "ventricular_blood": FLAG},
    **{"glucose_mmol_l": REAL, "haemoglobin_g_dl": REAL},
}


def draw_covariates(*, n_patients: int, seed: int) -> pl.DataFrame:
    """Draw the covariates of adults after traumatic brain injury, none missing.

    Parameters
    ----------
    n_patients : int
        Rows; patients are called P001, P002, ...
    seed : int
        Same seed, same rows.

    Returns
    -------
    DataFrame, one row per patient
        The columns of `TYPES`. Cisterns and midline
        shift go with the Marshall class. `gcs_total` is null where the motor score is
        untestable: there is no total then.

    Source: invented; shares are of the order seen in severe head injury (from memory).
    """
    rng = np.random.default_rng([seed, 1])
    motor = rng.choice(MOTOR_LEVELS, size=n_patients, p=MOTOR_SHARES)
    severe = np.isin(motor, ("1", "2", "untestable"))
    pupils = _draw_pupils(rng, severe)
    marshall = rng.choice(
        np.arange(1, 7), size=n_patients, p=(0.05, 0.42, 0.17, 0.05, 0.26, 0.05)
    )
    scans = _draw_scans(marshall, seed=seed)
    n_digits = max(3, len(str(n_patients)))
    columns = {
        "patient_id": [f"P{i + 1:0{n_digits}d}" for i in range(n_patients)],
        "centre": rng.choice(UNITS, size=n_patients, p=UNIT_SHARES).tolist(),
        "age_years": np.floor(16 + 69.99 * rng.beta(1.5, 2.0, n_patients)).tolist(),
        "sex": np.where(rng.random(n_patients) < 0.26, "female", "male").tolist(),
        "gcs_total": _draw_totals(rng, motor),
        "gcs_motor": motor.tolist(),
        "pupils_reactive": pupils.tolist(),
        "hypoxia": (rng.random(n_patients) < np.where(severe, 0.26, 0.14)).tolist(),
        "hypotension": (rng.random(n_patients) < np.where(severe, 0.22, 0.11)).tolist(),
        "marshall_class": marshall.tolist(),
        "traumatic_sah": (rng.random(n_patients) < 0.55).tolist(),
        "epidural_mass": (
            rng.random(n_patients) < np.where(marshall >= 5, 0.25, 0.06)
        ).tolist(),
        **scans,
        "glucose_mmol_l": np.round(rng.lognormal(np.log(7.8), 0.27, n_patients), 1).tolist(),
        "haemoglobin_g_dl": np.round(rng.normal(12.6, 1.8, n_patients).clip(6, 18), 1).tolist(),
    }
    return pl.DataFrame(columns, schema=TYPES, strict=True)


def _draw_scans(marshall: NDArray[np.int64], *, seed: int) -> dict[str, list[Any]]:
    """Draw what the Rotterdam score needs beside the Marshall class, from a stream of its own.

    Source: the classes' definitions (Marshall 1991); the shares are invented.
    """
    rng = np.random.default_rng([seed, 6])
    n = marshall.size
    narrow = (marshall == 3) | ((marshall >= 4) & (rng.random(n) < 0.6))
    absent = narrow & (rng.random(n) < 0.35)
    wide_mm = 5.5 + rng.exponential(4.0, n)
    shift_mm = np.where(
        (marshall == 4) | ((marshall >= 5) & (rng.random(n) < 0.5)),
        wide_mm,
        np.where(marshall == 1, 0.0, rng.uniform(0, 5, n)),
    )
    return {
        "cisterns": np.where(
            absent, "absent", np.where(narrow, "compressed", "normal")
        ).tolist(),
        "midline_shift_mm": np.round(shift_mm.clip(max=25), 1).tolist(),
        "ventricular_blood": (rng.random(n) < 0.25).tolist(),
    }


def _draw_pupils(rng: np.random.Generator, severe: NDArray[np.bool_]) -> NDArray[np.int64]:
    draw = rng.random(severe.size)
    none = draw < np.where(severe, 0.28, 0.08)
    one = ~none & (draw < np.where(severe, 0.46, 0.19))
    return np.where(none, 0, np.where(one, 1, 2))


def _draw_totals(rng: np.random.Generator, motor: NDArray[np.str_]) -> list[int | None]:
    """Motor score plus an eye (1-4) and a verbal (1-5) score that go with it."""
    eye_and_verbal = 2 + rng.binomial(7, 0.18, motor.size)
    return [
        None if level == "untestable" else int(level) + int(rest)
        for level, rest in zip(motor, eye_and_verbal, strict=True)
    ]


def draw_doses(*, n_patients: int, seed: int) -> pl.Series:
    """Draw hourly ICP doses above 20 mmHg [mmHg] without simulating any signal.

    For tests of models on more patients than it is worth simulating signals for: a third
    have none, the others an exponential one with mean 1.5, at most 6 mmHg. Source: invented.
    """
    rng = np.random.default_rng([seed, 2])
    doses_mmhg = rng.exponential(1.5, n_patients).clip(max=6.0)
    doses_mmhg[rng.random(n_patients) < 1 / 3] = 0.0
    return pl.Series("dose_per_h_true_mmhg", doses_mmhg)


def draw_outcomes(
    covariates: pl.DataFrame, *, coefficients: OutcomeModel, seed: int
) -> pl.Series:
    """Draw the GOSE at 6 months from the stated model.

    Parameters
    ----------
    covariates : DataFrame, any number of rows
        Needs `age_years`, `gcs_motor`, `pupils_reactive` and `dose_per_h_true_mmhg` [mmHg],
        without nulls.
    coefficients : OutcomeModel
    seed : int

    Returns
    -------
    Series of Int64, `gose_true`
        1 (dead) to 8 (upper good recovery), in the order of the rows.

    Raises
    ------
    ValueError
        Naming every needed column that is absent or has nulls, and unknown motor scores.
    """
    _refuse_incomplete(covariates, coefficients)
    motor = [coefficients.motor[level] for level in covariates["gcs_motor"]]
    predictor = (
        coefficients.per_10_years_over_45 * (covariates["age_years"].to_numpy() - 45) / 10
        + np.array(motor)
        + coefficients.per_unreactive_pupil * (2 - covariates["pupils_reactive"].to_numpy())
        + coefficients.per_dose_mmhg * covariates["dose_per_h_true_mmhg"].to_numpy()
    )
    at_most = 1 / (1 + np.exp(-(np.array(coefficients.thetas)[None, :] + predictor[:, None])))
    draw = np.random.default_rng([seed, 3]).random(covariates.height)
    gose = 1 + (draw[:, None] > at_most).sum(axis=1)
    return pl.Series("gose_true", gose, dtype=pl.Int64)


def _refuse_incomplete(covariates: pl.DataFrame, coefficients: OutcomeModel) -> None:
    needed = ("age_years", "gcs_motor", "pupils_reactive", "dose_per_h_true_mmhg")
    problems = [f"{name}: missing; add it" for name in needed if name not in covariates.columns]
    problems += [
        f"{name}: {covariates[name].null_count()} null; give complete covariates"
        for name in needed
        if name in covariates.columns and covariates[name].null_count()
    ]
    if not problems:
        unknown = sorted(set(covariates["gcs_motor"]) - set(coefficients.motor))
        problems += [
            f"gcs_motor: {level!r} has no coefficient; give it one" for level in unknown
        ]
    if problems:
        lines = "\n".join(f"  {line}" for line in problems)
        raise ValueError(f"draw_outcomes: {len(problems)} problem(s)\n{lines}")


def draw_early_deaths(covariates: pl.DataFrame, *, n_deaths: int, seed: int) -> pl.Series:
    """Choose who dies within 72 h, and when [h]; null for all others.

    The choice depends on age and motor score only, so that given these it tells nothing of
    the GOSE that `draw_outcomes` draws: the outcome model also holds among the survivors.
    """
    rng = np.random.default_rng([seed, 4])
    motor = np.isin(covariates["gcs_motor"].to_numpy(), ("1", "2", "untestable"))
    weight = np.exp(0.2 * (covariates["age_years"].to_numpy() - 45) / 10 + 0.8 * motor)
    dying = rng.choice(covariates.height, size=n_deaths, replace=False, p=weight / weight.sum())
    death_h: list[float | None] = [None] * covariates.height
    for row, hour in zip(dying, rng.uniform(26, 70, n_deaths), strict=True):
        death_h[int(row)] = round(float(hour), 1)
    return pl.Series("death_h", death_h, dtype=pl.Float64)


def remove_values(covariates: pl.DataFrame, *, seed: int) -> pl.DataFrame:
    """Return the covariates with values missing at random given unit and age.

    Age and sex stay complete. A missing motor score takes the total with it: both stand on
    the same chart.
    """
    rng = np.random.default_rng([seed, 5])
    over_60 = (covariates["age_years"] > 60).to_numpy()
    factor = np.array([_MISSING_BY_UNIT[unit] for unit in covariates["centre"]])
    factor *= np.where(over_60, _MISSING_OVER_60_YEARS, _MISSING_OTHERS)
    gone = {
        name: pl.Series(rng.random(covariates.height) < share * factor)
        for name, share in _MISSING_SHARE.items()
    }
    gone["gcs_total"] = gone["gcs_motor"]
    return covariates.with_columns(
        pl.when(~column).then(pl.col(name)).alias(name) for name, column in gone.items()
    )
