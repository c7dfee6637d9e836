import numpy as np
import polars as pl
import pytest
from published_settings import PUBLISHED

from icpcohort.contracts import store
from icpcohort.recordings import Chunk
from icpcohort.signals import differences, overlaps, rules, trend_settings, trends

RANGE = {
    "rule": "range",
    "signal": "icp",
    "min": -10.0,
    "max": 100.0,
    "margin_s": 0.0,
}


def _part(icp, fs_hz, *, start_s=0.0, abp=None):
    samples = {"icp": np.array(icp, float)}
    if abp is not None:
        samples["abp"] = np.array(abp, float)
    duration_s = len(icp) / fs_hz
    summary = trends.summarise(
        [Chunk(0.0, samples, dict.fromkeys(samples, fs_hz))],
        start_s=start_s,
        duration_s=duration_s,
        rules=rules.from_blocks([RANGE]),
        events=[],
        settings=trend_settings.Settings(**PUBLISHED["trends"]),
        declared={},
    )
    return overlaps.Part(summary, start_s, start_s + duration_s)


def _combine(*parts):
    combined = overlaps.combine(parts, block_s=10.0, declared={})
    store.check(combined.trends, trends.recorded({}), "trends")
    sums = combined.seconds["valid_s"] + combined.seconds["masked_s"]
    sums += combined.seconds["missing_s"]
    assert sums.to_list() == pytest.approx(combined.seconds["recorded_s"].to_list())
    return combined


def test_where_recordings_overlap_the_finer_one_is_used():
    combined = _combine(_part([10.0] * 3, 1 / 60), _part([30.0] * 30, 1.0, start_s=60.0))
    icp = combined.trends.select("t_s", "icp_mmhg")
    assert icp.filter(pl.col("t_s").is_between(60, 89))["icp_mmhg"].to_list() == [30.0] * 3
    assert icp["icp_mmhg"].sum() == 10.0 * 15 + 30.0 * 3
    assert combined.unused.rows() == [(0, "icp", 3)]


def test_a_second_that_two_recordings_have_is_counted_once():
    combined = _combine(_part([10.0] * 3, 1 / 60), _part([30.0] * 180, 1.0))
    assert combined.seconds.row(0, named=True) == {
        "signal": "icp",
        "recorded_s": 180.0,
        "valid_s": 180.0,
        "masked_s": 0.0,
        "missing_s": 0.0,
        "negative_s": 0.0,
        "n_gaps": 0,
        "longest_gap_s": None,
    }


def test_recordings_that_follow_each_other_keep_every_second():
    combined = _combine(_part([10.0] * 25, 1.0), _part([12.0] * 25, 1.0, start_s=25.0))
    assert combined.seconds["recorded_s"].to_list() == [50.0]
    assert combined.seconds["valid_s"].to_list() == [50.0]
    assert combined.trends["icp_mmhg"].to_list() == [10.0, 10.0, 10.0, 12.0, 12.0]


def test_a_coarser_recording_fills_what_a_finer_one_lacks_but_not_what_was_masked_there():
    fine = _part([500.0] * 10 + [np.nan] * 10, 1.0)
    coarse = _part([15.0, 15.0], 0.1, abp=[80.0, 80.0])
    combined = _combine(fine, coarse)
    assert combined.trends["icp_mmhg"].to_list() == [None, 15.0]
    assert combined.trends["abp_mmhg"].to_list() == [80.0, 80.0]
    assert differences.add(combined.trends, declared={})["cpp_mmhg"].to_list() == [None, 65.0]
    assert combined.unused.rows() == [(1, "icp", 1)]
    by_signal = {row["signal"]: row for row in combined.seconds.to_dicts()}
    assert by_signal["icp"]["recorded_s"] == by_signal["abp"]["recorded_s"] == 20.0
    assert by_signal["icp"]["masked_s"] == 10.0


def test_among_equals_rubbish_does_not_hide_a_reading():
    combined = _combine(_part([400.0] * 6, 0.1), _part([12.0] * 6, 0.1))
    assert combined.trends["icp_mmhg"].to_list() == [12.0] * 6


def test_a_patient_without_recordings_has_no_rows():
    combined = _combine()
    assert combined.trends.height == combined.seconds.height == combined.unused.height == 0
