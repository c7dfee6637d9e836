import dataclasses

import numpy as np
import polars as pl
import pytest
from published_settings import PUBLISHED, changed

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.indices import minutes as indices
from icpcohort.indices import whole_recording
from icpcohort.signals import pulse_blocks


def _trends(*, abp_interval_s=1.0, hours=12):
    """A patient whose ICP follows ABP the more, the farther CPP is from 75 mmHg."""
    draw = np.random.default_rng(2)
    n = 360 * hours
    cpp = 75 + 14 * np.sin(np.arange(n) / 700)
    rho = np.clip(0.004 * (cpp - 75) ** 2 - 0.1, -0.9, 0.9)
    wave, noise = draw.normal(size=(2, n))
    icp = 12 + 2 * (rho * wave + np.sqrt(1 - rho**2) * noise)
    table = pl.DataFrame({"t_s": 10.0 * np.arange(n), "icp_mmhg": icp})
    return table.with_columns(
        abp_mmhg=pl.Series(cpp + 12 + 4 * wave),
        **{
            name: pl.lit(None, contracts.trends({}).columns[name].dtype)
            for name in pulse_blocks.COLUMNS
        },
        icp_valid_fraction=pl.lit(1.0),
        abp_valid_fraction=pl.lit(1.0),
        icp_interval_s=pl.lit(1.0),
        abp_interval_s=pl.lit(abp_interval_s),
        abp_level_used=pl.lit("tragus"),
    ).with_columns(cpp_mmhg=pl.col("abp_mmhg") - pl.col("icp_mmhg"))


SETTINGS = {
    "minute_min_valid_fraction": 0.5,
    "rules": indices.rules_of(changed(reactivity={"not_during": ["drain_open"]})),
}
UNCERTAINTY = whole_recording.Settings(
    **(
        PUBLISHED["uncertainty"]
        | {"n_resamples": 200, "n_surrogates": 19, "n_yield_surrogates": 2}
    )
)


def _compute(trends, events=()):
    minutes = indices.compute(trends, events=events, **SETTINGS, subtracted={})
    store.check(minutes, contracts.minutes(PUBLISHED), "minutes")
    return minutes


def _optimum(trends, events=(), *, patient_id="P1", uncertainty=UNCERTAINTY):
    optimum = whole_recording.of_recording(
        patient_id,
        trends,
        _compute(trends, events),
        events=events,
        settings=uncertainty,
        **SETTINGS,
    )
    store.check(optimum.curve, contracts.CURVES, "curve")
    store.check(optimum.row, contracts.OPTIMA, "optimum")
    return optimum


def test_the_lowest_point_is_found_with_its_interval_and_beyond_chance():
    row = _optimum(_trends()).row.row(0, named=True)
    assert row["cppopt_mmhg"] == pytest.approx(75.0, abs=2.0)
    assert row["cppopt_ci_low_mmhg"] < row["cppopt_mmhg"] < row["cppopt_ci_high_mmhg"]
    assert row["cppopt_ci_low_mmhg"] < 75.0 < row["cppopt_ci_high_mmhg"]
    assert row["cppopt_ci_high_mmhg"] - row["cppopt_ci_low_mmhg"] < 10
    lowest = row["cppopt_asymmetric_mmhg"]
    assert row["cppopt_ci_low_mmhg"] < lowest < row["cppopt_ci_high_mmhg"]
    assert row["parabola_bias_mmhg"] == row["cppopt_mmhg"] - lowest
    assert row["p_chance"] == 1 / 20
    assert row["cppopt_yield_percent"] > row["chance_yield_percent"]
    assert _compute(_trends())["cppopt_mmhg"].count() > 100


def test_the_random_numbers_are_the_patients_own_and_the_same_again():
    one, again, other, seed = (
        _optimum(_trends(), patient_id=name, uncertainty=rules).row["cppopt_ci_low_mmhg"][0]
        for name, rules in (
            ("P1", UNCERTAINTY),
            ("P1", UNCERTAINTY),
            ("P2", UNCERTAINTY),
            ("P1", dataclasses.replace(UNCERTAINTY, seed=2)),
        )
    )
    assert one == again
    assert len({one, other, seed}) == 3


def test_without_surrogates_nothing_is_said_of_chance():
    row = _optimum(
        _trends(), uncertainty=dataclasses.replace(UNCERTAINTY, n_surrogates=0)
    ).row.row(0, named=True)
    assert {v for k, v in row.items() if "chance" in k} == {None}
    assert row["cppopt_ci_low_mmhg"] is not None


def test_nothing_that_follows_from_prx_is_given_while_the_drain_is_open():
    events = [{"event": "drain_open", "start_s": 36_000.0, "end_s": 39_600.0}]
    minutes = _compute(_trends(), events)
    during = minutes.filter((pl.col("t_s") > 36_000) & (pl.col("t_s") - 60 < 39_600))
    assert during.height == 60
    for name in ("prx", "pax", "rac", "rap", "lprx", "cppopt_mmhg", "llr_mmhg", "ulr_mmhg"):
        assert during[name].null_count() == 60, name
    assert minutes.filter(pl.col("t_s") > 39_660)["prx"].count() > 0


@pytest.mark.parametrize(
    ("interval_s", "prx", "lprx"), [(10, True, True), (60, False, True), (3600, False, False)]
)
def test_a_pressure_that_is_only_held_gives_no_index(interval_s, prx, lprx):
    minutes = _compute(_trends(abp_interval_s=float(interval_s)))
    assert (minutes["prx"].count() > 0) == prx
    assert (minutes["lprx"].count() > 0) == lprx
    assert minutes["cpp_mmhg"].null_count() == 0


def test_a_patient_without_data_has_tables_without_rows_and_a_reason():
    done = _optimum(store.empty(contracts.trends({})))
    assert (_compute(store.empty(contracts.trends({}))).height, done.curve.height) == (0, 0)
    assert done.row["reason"].to_list() == ["no_data"]


@pytest.mark.parametrize("subtracted", [50.0, None])
def test_a_signal_less_a_value_of_the_patient(subtracted):
    signal = {"label": "CPP for age", "about": "CPP for age", "minuend": "cpp"}
    settings = changed(derived_signals={"cpp_for_age": signal | {"of_patient": "age_years"}})
    trends = _trends(hours=1)
    minutes = indices.compute(
        trends,
        events=[],
        minute_min_valid_fraction=0.5,
        rules=indices.rules_of(settings),
        subtracted={"cpp_for_age": subtracted},
    )
    store.check(minutes, contracts.minutes(settings), "minutes")
    cpp_mmhg = minutes["cpp_mmhg"].to_list()
    assert len(cpp_mmhg) == 60
    expected = [None if subtracted is None else cpp - subtracted for cpp in cpp_mmhg]
    assert minutes["cpp_for_age_mmhg"].to_list() == expected
