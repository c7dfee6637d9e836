"""Planning: what a model could have shown, and what it would with more patients."""

import math
from collections.abc import Mapping

import polars as pl
from scipy.stats import t

from icpcohort import contracts
from icpcohort.study.families import RATIOS

TIMES = (1, 2, 4, 8)
POWER, LEVEL = 0.8, 0.05


def expected(
    estimates: Mapping[str, pl.DataFrame],
    *,
    exposures: Mapping[str, str],
    units: Mapping[str, float],
) -> pl.DataFrame:
    """Say, for each model with a ratio, what more patients of the same kind would show.

    Parameters
    ----------
    estimates : mapping of model name to contracts.ESTIMATES
    exposures : mapping of model name to the term of its exposure
    units : mapping of model name to its unit of effect

    Returns
    -------
    DataFrame, contracts.PLANNING
        For as many patients as now, and 2, 4 and 8 times as many: the factor between an
        estimate and a limit of its 95 % interval, and the smallest ratio that would be found
        (two-sided p < 0.05) in 80 % of such studies. A model without an adjusted estimate, or
        unadjusted where it has no adjustment, has no row.

    Source: variance falls with 1/n; smallest effect of a two-sided Wald test: (z(0.975) +
    z(0.80)) standard errors, as in Hsieh 1998; of a fit with degrees of freedom both are
    Student's t with these: more patients bring no more clusters. The standard error is that of
    the study at its own estimate, not at no effect.
    """
    rows = []
    for model, table in estimates.items():
        exposed = table.filter(
            pl.col("term") == exposures[model],
            pl.col("scale").is_in(RATIOS),
            pl.col("se").is_not_null(),
        ).sort("adjustment")  # adjusted before unadjusted
        if exposed.is_empty():
            continue
        row = exposed.row(0, named=True)
        df = math.inf if row["df"] is None else row["df"]
        reach, with_power = (float(t.ppf(p, df)) for p in (1 - LEVEL / 2, POWER))
        for times in TIMES:
            se = row["se"] * units[model] / math.sqrt(times)
            rows.append(
                {
                    "model": model,
                    "n": row["n"] * times,
                    "times_now": times,
                    "ci_factor": math.exp(reach * se),
                    "smallest_ratio": math.exp((reach + with_power) * se),
                }
            )
    types = {name: column.dtype for name, column in contracts.PLANNING.columns.items()}
    return pl.DataFrame(rows, schema=types)


def names(
    models: Mapping[str, Mapping[str, object]],
) -> tuple[dict[str, str], dict[str, float]]:
    """Return the exposures and units of effect of a plan, for `expected`."""
    return (
        {name: str(plan["exposure"]) for name, plan in models.items()},
        {name: float(str(plan["unit_of_effect"])) for name, plan in models.items()},
    )
