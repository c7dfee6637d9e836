"""What is added up for a batch of patients is what is added up for all of them together."""

import numpy as np
import polars as pl
import pytest
from published_settings import PUBLISHED

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.exposures import burden, burden_settings, intensity_duration, summary
from icpcohort.indices import index_settings

WINDOWS = {"early": {"start_h": 0.0, "end_h": 3.0}, "late": {"start_h": 1.0, "end_h": 6.0}}
THRESHOLDS = {"icp": {"above": [18.0, 20.0]}, "cpp": {"below": [60.0]}}
DECLARED = PUBLISHED | {"burden": {"thresholds": THRESHOLDS}}
BURDEN = burden_settings.Settings(
    thresholds=THRESHOLDS,
    inequality="strict",
    integration="trapezoid",
    episode_min=3,
    merge_gap_min=1,
    impaired_above=0.25,
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
    rest = store.empty(contracts.minutes(DECLARED))
    whole = pl.concat([rest, frame], how="diagonal").select(rest.columns)
    return whole.select(pl.lit(patient).alias("patient_id"), pl.all())


ALL = [minutes_of(patient, seed) for seed, patient in enumerate(PATIENTS)]

WAYS = {
    "burden": (
        contracts.BURDEN,
        lambda m: burden.add_up(m, windows=WINDOWS, rules=BURDEN, declared=DECLARED),
    ),
    "by_state": (
        contracts.BURDEN_BY_STATE,
        lambda m: burden.add_up_by_state(
            m, windows=WINDOWS, settings=BURDEN, declared=DECLARED
        ),
    ),
    "summary": (
        contracts.summary(DECLARED),
        lambda m: summary.summarise(
            m,
            windows=WINDOWS,
            indices=index_settings.rules_of(DECLARED),
            settings=summary.Settings(min_cppopt_h=0.5, min_interval_h=1.0, n_cosines=6),
            declared=DECLARED,
        ),
    ),
    "intensity": (
        contracts.INTENSITY,
        lambda m: intensity_duration.count_episodes(
            m,
            windows=WINDOWS,
            rules=intensity_duration.Rules(
                thresholds={
                    "icp": intensity_duration.Thresholds(
                        side="above", first=15.0, last=20.0, step=5.0
                    ),
                    "cpp": intensity_duration.Thresholds(
                        side="below", first=60.0, last=60.0, step=5.0
                    ),
                },
                durations_min=[1, 5, 20],
                inequality="or_equal",
                merge_gap_min=0,
            ),
            declared=DECLARED,
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
