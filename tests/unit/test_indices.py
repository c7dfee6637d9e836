import numpy as np
import polars as pl
import pytest

from icpcohort import contracts, curves, indices, reactivity, store

CORRELATIONS = reactivity.CorrelationRules(
    block_s=10.0,
    n_blocks=30,
    step_s=60.0,
    min_valid_fraction=0.5,
    long_n_minutes=20,
    averaging="fisher",
    fisher_clip=0.999,
)
CURVE = curves.CurveRules(
    block_s=10.0,
    averaging="fisher",
    fisher_clip=0.999,
    cpp_average="mean",
    weighting="count",
    min_span_mmhg=0.0,
    min_span_prx=0.0,
    min_r_squared=0.0,
    one_sided="reject",
    edge_weight=0.5,
    window_weighting="r_squared",
    cpp_average_min=5,
    bin_width_mmhg=5.0,
    bin_min_mmhg=40.0,
    bin_max_mmhg=120.0,
    min_bin_fraction=0.02,
    min_bins=4,
    min_curvature_z=1.645,
    n_blocks=30,
    reactivity_limit_prx=0.30,
)


def _trends(*, abp_interval_s=1.0, hours=12):
    """A patient whose ICP follows ABP the more, the farther CPP is from 75 mmHg."""
    draw = np.random.default_rng(2)
    n = 360 * hours
    cpp = 75 + 14 * np.sin(np.arange(n) / 700)
    rho = np.clip(0.004 * (cpp - 75) ** 2 - 0.1, -0.9, 0.9)
    wave, own = draw.normal(size=(2, n))
    icp = 12 + 2 * (rho * wave + np.sqrt(1 - rho**2) * own)
    table = pl.DataFrame({"t_s": 10.0 * np.arange(n), "icp_mmhg": icp})
    return table.with_columns(
        abp_mmhg=pl.Series(cpp + 12 + 4 * wave),
        amp_mmhg=pl.lit(None, pl.Float64()),
        pulse_rate_per_min=pl.lit(None, pl.Float64()),
        icp_valid_fraction=pl.lit(1.0),
        abp_valid_fraction=pl.lit(1.0),
        icp_interval_s=pl.lit(1.0),
        abp_interval_s=pl.lit(abp_interval_s),
    ).with_columns(cpp_mmhg=pl.col("abp_mmhg") - pl.col("icp_mmhg"))


def _compute(trends, events=()):
    done = indices.compute(
        "P1",
        trends,
        events=events,
        minute_min_valid_fraction=0.5,
        correlations=CORRELATIONS,
        not_during=["drain_open"],
        curve=CURVE,
        windows_min=[240],
        min_valid_fraction=0.5,
    )
    store.check(done.minutes, contracts.MINUTES, "minutes")
    store.check(done.curve, contracts.CURVES, "curve")
    store.check(done.optimum, contracts.OPTIMA, "optimum")
    return done


def test_the_lowest_point_is_found():
    done = _compute(_trends())
    assert done.optimum["cppopt_mmhg"][0] == pytest.approx(75.0, abs=2.0)
    assert done.minutes["cppopt_mmhg"].count() > 100


def test_nothing_that_follows_from_prx_is_given_while_the_drain_is_open():
    events = [{"event": "drain_open", "start_s": 36_000.0, "end_s": 39_600.0}]
    minutes = _compute(_trends(), events).minutes
    during = minutes.filter((pl.col("t_s") > 36_000) & (pl.col("t_s") - 60 < 39_600))
    assert during.height == 60
    for name in ("prx", "pax", "rac", "rap", "lprx", "cppopt_mmhg", "llr_mmhg", "ulr_mmhg"):
        assert during[name].null_count() == 60, name
    assert minutes.filter(pl.col("t_s") > 39_660)["prx"].count() > 0


@pytest.mark.parametrize(
    ("interval_s", "prx", "lprx"), [(10, True, True), (60, False, True), (3600, False, False)]
)
def test_a_pressure_that_is_only_held_gives_no_index(interval_s, prx, lprx):
    minutes = _compute(_trends(abp_interval_s=float(interval_s))).minutes
    assert (minutes["prx"].count() > 0) == prx
    assert (minutes["lprx"].count() > 0) == lprx
    assert minutes["cpp_mmhg"].null_count() == 0


def test_a_patient_without_data_has_tables_without_rows_and_a_reason():
    done = _compute(store.empty(contracts.TRENDS))
    assert (done.minutes.height, done.curve.height) == (0, 0)
    assert done.optimum["reason"].to_list() == ["no_data"]
