"""Kaplan-Meier: survival without a model, its interval, and the cumulative hazard."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.stats import norm

from icpcohort.models.design import Array

Flags = npt.NDArray[np.bool_]


class Curve(NamedTuple):
    """Survival just after each time at which somebody died."""

    time_h: Array
    survival: Array
    hazard: Array  # Nelson-Aalen
    variance_of_log: Array  # Greenwood's, of the log of survival


def curve(entry_h: Array, exit_h: Array, died: Flags) -> Curve:
    """Estimate survival of patients at risk from `entry_h` (excluded) to `exit_h` (included).

    Source: Kaplan 1958; Greenwood 1926; Nelson 1972.
    """
    time_h = np.unique(exit_h[died])
    starts, ends, deaths = np.sort(entry_h), np.sort(exit_h), np.sort(exit_h[died])
    n_risk = np.searchsorted(starts, time_h) - np.searchsorted(ends, time_h)
    d = np.searchsorted(deaths, time_h, "right") - np.searchsorted(deaths, time_h)
    with np.errstate(divide="ignore"):
        variance = np.cumsum(np.where(n_risk > d, d / (n_risk * (n_risk - d)), np.inf))
    return Curve(time_h, np.cumprod(1 - d / n_risk), np.cumsum(d / n_risk), variance)


def at(time_h: Array, steps: Curve) -> tuple[Array, Array, Array]:
    """Return survival, cumulative hazard and variance of log survival at any times."""
    i = np.searchsorted(steps.time_h, time_h, "right")
    return (
        np.concatenate([[1.0], steps.survival])[i],
        np.concatenate([[0.0], steps.hazard])[i],
        np.concatenate([[0.0], steps.variance_of_log])[i],
    )


def limits(survival: float, variance_of_log: float, *, form: str) -> tuple[float, float]:
    """Return 95 % limits of a survival strictly between 0 and 1.

    Parameters
    ----------
    form : {"log", "log_log"}
        The two common forms disagree: "log" is the default of R's `survfit` and is cut at 1;
        "log_log" stays between 0 and 1 by itself.

    Source: Kalbfleisch 1980.
    """
    half = norm.ppf(0.975) * np.sqrt(variance_of_log)
    if form == "log":
        return survival * np.exp(-half), min(1.0, survival * np.exp(half))
    if form == "log_log":
        log = np.log(survival)
        return float(np.exp(log * np.exp(-half / log))), float(np.exp(log * np.exp(half / log)))
    raise ValueError(f"kaplan_meier.limits: form {form!r} is unknown; write log or log_log")
