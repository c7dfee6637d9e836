"""One patient, two devices: joined by time, out of step, corrected, and never together."""

import polars as pl
import pytest
from published_settings import changed
from two_devices import N_S, pressures, write

from icpcohort import contracts, recordings
from icpcohort.contracts import store
from icpcohort.indices import minutes
from icpcohort.signals import device_lag, ingest, patient_lags

LEVEL = {"abp_level": None, "bed_angle_deg": None, "heart_to_tragus_cm": None}


def _settings(**trends):
    return changed(cleaning={"rules": []}, trends={"max_lag_s": 2.0} | trends)


def _ingest(folder, starts_s, settings):
    rows = []
    for name, start_s in starts_s.items():
        row = dict.fromkeys(contracts.recording_list(settings).columns)
        row |= {"recording_id": name, "patient_id": "P1", "path": f"{name}.hea"}
        rows.append(row | {"format": "wfdb", "start_s": start_s})
    done = ingest.ingest_patient(
        "P1",
        places=recordings.Places(folder),
        rows=rows,
        events=[],
        monitors=[],
        level=LEVEL,
        left_out={},
        sections=ingest.sections_of(settings),
    )
    store.check(done.trends, contracts.trends(settings), "trends")
    store.check(done.lags, contracts.LAGS, "lags")
    store.check(done.excluded, contracts.EXCLUDED, "excluded")
    quality = done.accounts.quality
    parts_s = quality["valid_s"] + quality["masked_s"] + quality["missing_s"]
    assert quality["recorded_s"].to_list() == pytest.approx(parts_s.to_list())
    return done


def _prx(done, settings):
    table = minutes.compute(
        done.trends,
        events=[],
        minute_min_valid_fraction=0.5,
        rules=minutes.rules_of(settings),
        subtracted={},
    )
    return table["prx"]


def _two_files(folder, lag_s, **options):
    icp, abp = pressures(lag_s, **options)
    write(folder, "one", icp=icp)
    write(folder, "two", abp=abp)
    return {"one": 3600.0, "two": 3600.0}


def test_icp_of_one_file_and_abp_of_another_give_what_one_file_gives(tmp_path):
    icp, abp = pressures()
    write(tmp_path, "both", icp=icp, abp=abp)
    settings = _settings()
    apart = _ingest(tmp_path, _two_files(tmp_path, 0.0), settings)
    whole = _ingest(tmp_path, {"both": 3600.0}, settings)
    assert apart.excluded.is_empty()
    for name in ("icp_mmhg", "abp_mmhg", "cpp_mmhg"):
        assert apart.trends[name].to_list() == pytest.approx(whole.trends[name].to_list())
    # AMP by ICP's own rate, since its file has no ABP
    assert apart.trends["abp_pulse_rate_per_min"].null_count() == apart.trends.height
    amp = apart.trends["amp_mmhg"].to_numpy()
    assert amp == pytest.approx(whole.trends["amp_mmhg"].to_numpy(), abs=0.05)
    assert _prx(apart, settings).to_list() == pytest.approx(
        _prx(whole, settings).to_list(), nan_ok=True
    )
    hours = apart.accounts.quality.select("signal", "recorded_s", "valid_s")
    assert hours.rows() == [("abp", N_S, N_S), ("icp", N_S, N_S)]
    each = apart.accounts.recording_quality.select("recording_id", "signal", "recorded_s")
    assert sorted(each.rows()) == [("one", "icp", N_S), ("two", "abp", N_S)]


@pytest.mark.parametrize("lag_s", [0.0, 0.5, -5.0, 20.0, -60.0])
def test_the_lag_between_two_files_is_that_of_one(tmp_path, lag_s):
    done = _ingest(tmp_path, _two_files(tmp_path, lag_s), _settings())
    names = done.lags.select("recording_id", "abp_recording_id").unique().rows()
    assert names == [("one", "two")]
    assert done.lags["t_s"].to_list() == [3900.0, 4500.0, 5100.0, 5700.0]
    assert done.lags["is_clear"].all()
    assert done.lags["lag_s"].to_list() == pytest.approx([lag_s] * 4, abs=0.15)
    apart_s = [(from_s, to_s) for _, from_s, to_s, _ in done.intervals.rows()]
    expected = [(3600.0 + 600 * i, 4200.0 + 600 * i) for i in range(4)]
    assert apart_s == (expected if abs(lag_s) > 2 else [])


@pytest.mark.parametrize("chunk_samples", [500, 7_777])
def test_the_lag_between_files_does_not_depend_on_chunks(tmp_path, chunk_samples):
    starts_s = _two_files(tmp_path, 5.0)
    starts_s["one"] += 0.73
    whole = _ingest(tmp_path, starts_s, _settings())
    settings = _settings() | {
        "recordings": _settings()["recordings"] | {"chunk_samples": chunk_samples}
    }
    assert _ingest(tmp_path, starts_s, settings).lags.equals(whole.lags)
    assert whole.lags["lag_s"].to_list() == pytest.approx([5.73] * 4, abs=0.15)


@pytest.mark.parametrize("in_one_file", [True, False])
def test_prx_is_wrong_with_icp_10_s_late_and_right_once_that_is_corrected(
    tmp_path, in_one_file
):
    prx = {}
    for lag_s in (0.0, 10.0):
        icp, abp = pressures(lag_s)
        write(tmp_path, "both", icp=icp, abp=abp)
        starts_s = {"both": 0.0} if in_one_file else _two_files(tmp_path, lag_s)
        for correct_lag in ("none", "measured"):
            settings = _settings(correct_lag=correct_lag)
            done = _ingest(tmp_path, starts_s, settings)
            prx[lag_s, correct_lag] = _prx(done, settings).mean()
    assert prx[0.0, "none"] > 0.9
    assert prx[10.0, "none"] < 0.5
    assert prx[10.0, "measured"] == pytest.approx(prx[0.0, "none"], abs=0.01)
    assert prx[0.0, "measured"] == prx[0.0, "none"]
    assert done.lags["corrected_s"].to_list() == pytest.approx([10.0] * 4, abs=0.15)
    assert done.lags["lag_s"].to_list() == pytest.approx([10.0] * 4, abs=0.15)  # as it was
    assert done.intervals.is_empty()
    hours = done.accounts.quality.select("signal", "recorded_s", "valid_s")
    assert hours.rows() == [("abp", N_S, N_S), ("icp", N_S, N_S)]


def test_a_lag_that_drifts_is_not_corrected_and_stays_out_of_step(tmp_path):
    starts_s = _two_files(tmp_path, 4.0, drift=4 / N_S)
    done = _ingest(tmp_path, starts_s, _settings(correct_lag="measured"))
    assert done.lags["corrected_s"].null_count() == done.lags.height == 4
    assert done.intervals["event"].to_list() == ["out_of_step"] * 4


def test_a_recording_is_compared_with_each_that_overlaps_and_used_ones_alone_count(tmp_path):
    icp, abp = pressures()
    late, _ = pressures(8.0)
    write(tmp_path, "both", icp=icp, abp=abp)
    write(tmp_path, "late", icp=late)
    done = _ingest(tmp_path, {"both": 0.0, "late": 0.0}, _settings())
    lags = device_lag.of_recordings(done.lags)
    assert lags.select("recording_id", "abp_recording_id").rows() == [
        ("both", "both"),
        ("late", "both"),
    ]
    assert lags["lag_s"].to_list() == pytest.approx([0.0, 8.0], abs=0.15)
    assert done.intervals.is_empty()  # ICP is taken from the first


def test_files_that_never_meet_are_named_with_the_likely_cause(tmp_path):
    starts_s = _two_files(tmp_path, 0.0) | {"two": 90_000.0}
    done = _ingest(tmp_path, starts_s, _settings())
    (row,) = done.excluded.to_dicts()
    assert (row["stage"], row["patient_id"], row["reason"]) == (
        "trends",
        "P1",
        "no_time_with_cpp",
    )
    assert "ICP and ABP were recorded, but never at one time" in row["detail"]
    assert "start_s, clock_zone and the dates" in row["detail"]
    assert done.trends["cpp_mmhg"].null_count() == done.trends.height
    assert done.lags.is_empty()


@pytest.mark.parametrize(
    ("lags_s", "constant_s"),
    [
        ([5.0, 5.1, 4.9], 5.0),
        ([5.0, 5.1], None),
        ([5.0, 5.1, 9.0], None),
        ([5.0] * 30 + [60.0], 5.0),
    ],
)
def test_one_constant_lag_is_the_median_of_enough_parts_that_agree(lags_s, constant_s):
    lags = [device_lag.Lag(0.0, 300.0, lag_s, 0.9, 0.1) for lag_s in lags_s]
    unclear = device_lag.Lag(0.0, 300.0, -40.0, 0.4, 0.3)
    assert patient_lags.constant_lag_s([*lags, unclear], max_lag_s=2.0) == constant_s


def test_a_patient_with_one_signal_lacks_the_other_but_nothing_is_apart(tmp_path):
    _, abp = pressures()
    write(tmp_path, "two", abp=abp)
    done = _ingest(tmp_path, {"two": 0.0}, _settings())
    assert done.excluded.is_empty()
    assert done.accounts.quality["signal"].to_list() == ["abp"]
    assert done.trends.filter(pl.col("icp_mmhg").is_not_null()).is_empty()
