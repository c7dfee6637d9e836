"""Covariates after aneurysmal subarachnoid haemorrhage, and the true dose of low PbtO2."""

from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.contracts import COUNT, FLAG, REAL, TEXT

PBTO2_THRESHOLD_MMHG = 20.0  # Okonkwo 2017 (from memory)
UNITS, UNIT_SHARES = ("unit A", "unit B"), (0.6, 0.4)
_WFNS_SHARES = (0.12, 0.18, 0.08, 0.27, 0.35)  # who is monitored has mostly a poor grade
_FISHER_SHARES = (0.01, 0.08, 0.13, 0.28, 0.50)
_TREATMENTS = {"coil": 0.62, "clip": 0.33, "none": 0.05}
_SITES = {"anterior": 0.78, "posterior": 0.18, "none_found": 0.04}
_MEAN_DOSE_MMHG, _MOST_DOSE_MMHG = 1.0, 6.0
_MISSING_SHARE = {"wfns": 0.02, "hunt_hess": 0.08, "modified_fisher": 0.05}

TYPES: dict[str, pl.DataType] = {  # as the dictionaries patient and sah declare them
    **{"patient_id": TEXT, "centre": TEXT, "age_years": REAL, "sex": TEXT},
    **{"wfns": COUNT, "hunt_hess": COUNT, "modified_fisher": COUNT},
    **{"aneurysm_site": TEXT, "aneurysm_treatment": TEXT, "delayed_ischaemia": FLAG},
}


def draw_covariates(*, n_patients: int, seed: int) -> pl.DataFrame:
    """Draw the covariates of adults and the true dose of low PbtO2, none missing.

    Parameters
    ----------
    n_patients : int
        Rows; patients are called S001, S002, ...
    seed : int
        Same seed, same rows.

    Returns
    -------
    DataFrame, one row per patient
        The columns of `TYPES`, and `dose_per_h_true_mmhg`: mean excess of 20 mmHg over PbtO2
        in the first 72 h [mmHg h per h]. A poor WFNS grade goes with a higher dose (it
        confounds dose and outcome), and a higher dose with delayed ischaemia.

    Source: invented; shares are of the order seen in intensive care (from memory).
    """
    rng = np.random.default_rng([seed, 101])
    wfns = rng.choice(np.arange(1, 6), size=n_patients, p=_WFNS_SHARES)
    dose_mmhg = rng.exponential(_MEAN_DOSE_MMHG, n_patients) * np.exp(0.15 * (wfns - 4))
    dose_mmhg = (0.02 + dose_mmhg).clip(max=_MOST_DOSE_MMHG)
    ischaemic = rng.random(n_patients) < 1 / (1 + np.exp(1.6 - 0.5 * dose_mmhg))
    n_digits = max(3, len(str(n_patients)))
    columns = {
        "patient_id": [f"S{i + 1:0{n_digits}d}" for i in range(n_patients)],
        "centre": rng.choice(UNITS, size=n_patients, p=UNIT_SHARES).tolist(),
        "age_years": np.floor(rng.normal(56, 12, n_patients).clip(20, 86)).tolist(),
        "sex": np.where(rng.random(n_patients) < 0.64, "female", "male").tolist(),
        "wfns": wfns.tolist(),
        "hunt_hess": (wfns + rng.integers(-1, 2, n_patients)).clip(1, 5).tolist(),
        "modified_fisher": rng.choice(5, size=n_patients, p=_FISHER_SHARES).tolist(),
        "aneurysm_site": _draw_levels(rng, _SITES, n_patients),
        "aneurysm_treatment": _draw_levels(rng, _TREATMENTS, n_patients),
        "delayed_ischaemia": ischaemic.tolist(),
        "dose_per_h_true_mmhg": dose_mmhg.tolist(),
    }
    schema = {**TYPES, "dose_per_h_true_mmhg": REAL}
    return pl.DataFrame(columns, schema=schema, strict=True)


def _draw_levels(rng: np.random.Generator, shares: dict[str, float], n: int) -> Sequence[str]:
    drawn: list[str] = rng.choice(list(shares), size=n, p=list(shares.values())).tolist()
    return drawn


def remove_values(covariates: pl.DataFrame, *, seed: int) -> pl.DataFrame:
    """Return the columns of `TYPES` with some grades missing, whoever the patient is."""
    rng = np.random.default_rng([seed, 102])
    n = covariates.height
    known: dict[str, NDArray[np.bool_]] = {
        name: rng.random(n) >= share for name, share in _MISSING_SHARE.items()
    }
    return covariates.select(list(TYPES)).with_columns(
        pl.when(pl.Series(is_known)).then(pl.col(name)).alias(name)
        for name, is_known in known.items()
    )
