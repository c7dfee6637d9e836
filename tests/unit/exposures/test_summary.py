import polars as pl
import pytest
from published_settings import PUBLISHED

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.exposures import summary
from icpcohort.indices import index_settings

WINDOWS = {"w": {"start_h": 0.0, "end_h": 24.0}}


def _summarise(n, **columns):
    table = pl.DataFrame({"t_s": [60.0 * (i + 1) for i in range(n)]}).with_columns(
        patient_id=pl.lit("P1"), **{name: pl.Series(values) for name, values in columns.items()}
    )
    schema = {"patient_id": pl.String()} | {
        name: column.dtype for name, column in contracts.minutes(PUBLISHED).columns.items()
    }
    minutes = pl.concat([pl.DataFrame(schema=schema), table], how="diagonal_relaxed").cast(
        schema
    )
    made = summary.summarise(
        minutes,
        windows=WINDOWS,
        indices=index_settings.rules_of(PUBLISHED),
        settings=summary.Settings(min_cppopt_h=1.0, min_interval_h=6.0, n_cosines=6),
        declared=PUBLISHED,
    )
    store.check(made, contracts.summary(PUBLISHED), "summary")
    return made.row(0, named=True)


def test_where_prx_is_impossible_the_yield_is_missing_and_not_zero():
    row = _summarise(120, icp_mmhg=[15.0] * 120, cpp_mmhg=[70.0] * 120)
    assert row["cppopt_yield_percent"] is None
    assert (row["monitored_h"], row["prx_h"], row["cppopt_h"]) == (2.0, 0.0, 0.0)


def test_doses_below_llr_and_around_cppopt_by_hand():
    """Two hours; CPP is 60 in the first and 80 in the second, CPPopt 72, LLR 64.

    Below LLR 60 min x 4 mmHg = 4 mmHg h, over 2 h with both 2 mmHg; below CPPopt 12 mmHg h,
    above it 8 mmHg h.
    """
    row = _summarise(
        120, cpp_mmhg=[60.0] * 60 + [80.0] * 60, cppopt_mmhg=[72.0] * 120, llr_mmhg=[64.0] * 120
    )
    assert row["cpp_below_llr_dose_mmhg_h"] == pytest.approx(4.0)
    assert row["cpp_below_llr_dose_per_h_mmhg"] == pytest.approx(2.0)
    assert row["cpp_below_cppopt_dose_mmhg_h"] == pytest.approx(12.0)
    assert row["cpp_above_cppopt_dose_mmhg_h"] == pytest.approx(8.0)
    assert row["cpp_above_cppopt_dose_per_h_mmhg"] == pytest.approx(4.0)


def test_without_the_least_hours_of_a_limit_its_dose_is_missing_and_without_excess_zero():
    none = _summarise(120, cpp_mmhg=[60.0] * 120, llr_mmhg=[64.0] * 59 + [None] * 61)
    assert none["cpp_below_llr_dose_mmhg_h"] is None
    assert none["cpp_below_cppopt_dose_per_h_mmhg"] is None
    above = _summarise(120, cpp_mmhg=[70.0] * 120, llr_mmhg=[64.0] * 120)
    assert above["cpp_below_llr_dose_mmhg_h"] == 0.0


def test_time_and_dose_of_prx_above_its_thresholds_by_hand():
    """Four of six minutes have PRx; 0.25 is on a threshold, 0.45 is 0.2 and 0.1 above."""
    row = _summarise(6, prx=[0.25, 0.45, -0.5, 0.30, None, None])
    assert row["percent_time_prx_above_0_25"] == pytest.approx(50.0)
    assert row["prx_above_0_25_dose_h"] == pytest.approx((0.20 + 0.05) / 60)
    assert row["prx_above_0_25_dose_per_h"] == pytest.approx(0.25 / 4)
    assert row["percent_time_prx_above_0_35"] == pytest.approx(25.0)
    assert row["prx_above_0_35_dose_h"] == pytest.approx(0.10 / 60)
    without = _summarise(6, icp_mmhg=[12.0] * 6)
    assert without["prx_above_0_25_dose_h"] is None
    assert without["percent_time_prx_above_0_35"] is None


def test_the_zones_of_rap_hold_their_edges_and_add_up():
    row = _summarise(6, rap=[1.0, 0.4, 0.39, 0.0, -0.2, None])
    shares = [row[f"percent_time_rap_{z}"] for z in ("0_4_to_1", "0_to_0_4", "below_0")]
    assert shares == pytest.approx([40.0, 20.0, 40.0])
    assert _summarise(6, prx=[0.1] * 6)["percent_time_rap_below_0"] is None


def test_the_yield_of_the_pulse_shape_is_over_the_blocks_in_which_it_was_sought():
    """Three minutes: all six blocks found, half of four, and a waveform too slow for it."""
    row = _summarise(
        3,
        amp_mmhg=[2.0, 2.0, 2.0],
        peak_to_trough_mmhg=[4.0, 5.0, None],
        p2_p1_ratio=[0.8, 1.0, None],
        p2p1_eligible_s=[60.0, 40.0, 0.0],
        p2p1_found_s=[60.0, 20.0, 0.0],
    )
    assert row["p2p1_yield_percent"] == pytest.approx(80.0)
    assert row["p2p1_eligible_h"] == pytest.approx(100 / 3600)
    assert row["p2_p1_ratio_mean"] == pytest.approx(0.9)
    assert row["peak_to_trough_mean_mmhg"] == pytest.approx(4.5)
    assert row["amp_h"] == 3 / 60


def test_where_the_shape_was_never_sought_its_yield_is_missing():
    row = _summarise(2, icp_mmhg=[15.0] * 2, p2p1_eligible_s=[0.0] * 2, p2p1_found_s=[0.0] * 2)
    assert (row["p2p1_yield_percent"], row["p2p1_eligible_h"]) == (None, 0.0)
    assert (row["p2_p1_ratio_mean"], row["amp_h"]) == (None, 0.0)


def test_where_prx_gives_no_curve_the_yield_is_zero():
    row = _summarise(120, cpp_mmhg=[70.0] * 120, prx=[0.1] * 120)
    assert row["cppopt_yield_percent"] == 0.0


@pytest.mark.parametrize(("n", "expected"), [(59, None), (60, 72.0)])
def test_means_of_cppopt_need_their_least_time(n, expected):
    rest = [None] * (240 - n)
    row = _summarise(240, cpp_mmhg=[70.0] * 240, prx=[0.1] * 240, cppopt_mmhg=[72.0] * n + rest)
    assert row["cppopt_mean_mmhg"] == expected
    assert row["cppopt_h"] == n / 60
    assert row["cppopt_yield_percent"] == pytest.approx(100 * n / 240)


def test_a_minute_without_cpp_does_not_count_in_mean_cppopt():
    row = _summarise(
        120,
        cpp_mmhg=[70.0] * 60 + [None] * 60,
        prx=[0.1] * 120,
        cppopt_mmhg=[72.0] * 60 + [90.0] * 60,
    )
    assert row["cppopt_mean_mmhg"] == 72.0
    assert row["percent_time_within_5_of_cppopt"] == 100.0


def test_five_mmhg_from_cppopt_is_near_and_llr_itself_is_not_below():
    row = _summarise(
        120,
        cpp_mmhg=[65.0, 75.0, 64.9, 64.9] * 30,
        prx=[0.1] * 120,
        cppopt_mmhg=[70.0] * 120,
        llr_mmhg=[65.0] * 120,
    )
    assert row["percent_time_within_5_of_cppopt"] == pytest.approx(50.0)
    assert row["percent_time_below_llr"] == pytest.approx(50.0)
    assert row["delta_cpp_mean_mmhg"] == pytest.approx((65 + 75 + 2 * 64.9) / 4 - 70)


def test_the_tier_is_the_coarsest_of_the_minutes_in_the_window():
    tiers = ["seconds"] * 60 + ["minutes"] * 30 + [None] * 30
    assert _summarise(120, tier=tiers)["tier"] == "minutes"
    assert _summarise(60, tier=[None] * 60)["tier"] is None
