"""What is added up for a batch of patients is what is added up for all of them together."""

import numpy as np
import polars as pl
import pytest

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.exposures import burden, intensity_duration, summary
from icpcohort.indices import correlation

WINDOWS = {"early": {"start_h": 0.0, "end_h": 3.0}, "late": {"start_h": 1.0, "end_h": 6.0}}
THRESHOLDS = {"icp_above_mmhg": [18.0, 20.0], "cpp_below_mmhg": [60.0]}
BURDEN = burden.Settings(
    **THRESHOLDS,
    inequality="strict",
    integration="trapezoid",
    episode_min=3,
    merge_gap_min=1,
    impaired_prx=0.25,
)
PATIENTS = [f"P{i:02d}" for i in range(9)]


def minutes_of(patient, seed):
    """Some hours with gaps; of some patients no PRx, of one nothing."""
    draw = np.random.default_rng(seed)
    n = 0 if seed == 4 else int(draw.integers(90, 420))
    columns = {"t_s": 60.0 * np.arange(1, n + 1)}
    for name, level in (("icp_mmhg", 19.0), ("abp_mmhg", 82.0), ("cpp_mmhg", 62.0)):
        columns[name] = level + draw.normal(0, 3, n).cumsum() / 9
    if seed % 3:
        columns |= {"prx": draw.uniform(-1, 1, n), "cppopt_mmhg": 65 + draw.normal(0, 2, n)}
        columns["llr_mmhg"] = columns["cppopt_mmhg"] - 8
    frame = pl.DataFrame(
        columns, schema_overrides=dict.fromkeys(columns, pl.Float64)
    ).with_columns(
        pl.when(pl.Series(draw.random(n) > 0.1)).then(name).alias(name)
        for name in columns
        if name != "t_s"
    )
    rest = store.empty(contracts.MINUTES)
    whole = pl.concat([rest, frame], how="diagonal").select(rest.columns)
    return whole.select(pl.lit(patient).alias("patient_id"), pl.all())


ALL = [minutes_of(patient, seed) for seed, patient in enumerate(PATIENTS)]

WAYS = {
    "burden": (
        contracts.BURDEN,
        lambda m: burden.add_up(m, windows=WINDOWS, rules=BURDEN),
    ),
    "by_state": (
        contracts.BURDEN_BY_STATE,
        lambda m: burden.add_up_by_state(m, windows=WINDOWS, settings=BURDEN),
    ),
    "summary": (
        contracts.SUMMARY,
        lambda m: summary.summarise(
            m,
            windows=WINDOWS,
            scale=correlation.Scale(averaging="fisher", fisher_clip=0.999),
            settings=summary.Settings(min_cppopt_h=0.5, min_prx_interval_h=1.0, n_cosines=6),
        ),
    ),
    "intensity": (
        contracts.INTENSITY,
        lambda m: intensity_duration.count_episodes(
            m,
            windows=WINDOWS,
            rules=intensity_duration.Rules(
                icp_from_mmhg=15.0,
                icp_to_mmhg=20.0,
                cpp_from_mmhg=60.0,
                cpp_to_mmhg=60.0,
                step_mmhg=5.0,
                durations_min=[1, 5, 20],
                inequality="or_equal",
                merge_gap_min=0,
            ),
        ),
    ),
}


@pytest.mark.parametrize("way", WAYS)
def test_batches_put_together_are_the_table_of_all_patients(way):
    table, add_up = WAYS[way]
    together = add_up(pl.concat(ALL)).select(list(table.columns)).sort(table.key)
    batches = [ALL[0::3], ALL[1::3], ALL[2::3]]
    parts = pl.concat([add_up(pl.concat(batch)) for batch in batches])
    assert parts.select(list(table.columns)).sort(table.key).equals(together)
    assert together["patient_id"].n_unique() == len(PATIENTS) - 1  # one has no minutes
    numbers = [name for name, column in table.columns.items() if column.dtype == pl.Float64]
    assert sum(together[name].count() for name in numbers) > 100
