"""Every second of a recording, and of a patient, is valid, masked by a reason, or missing."""

import math

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from published_settings import PUBLISHED

from icpcohort.recordings import Chunk
from icpcohort.signals import overlaps, rules, time_accounting, trend_settings, trends

RATES_HZ = (1 / 300, 1 / 60, 1 / 45, 0.1, 0.3, 1.0, 2.0, 30.0, 62.4725)
RULES = [
    {"rule": "range", "signal": "icp", "min": -10.0, "max": 100.0, "margin_s": 1.0},
    {"rule": "jump", "signal": "icp", "max_step": 15.0, "margin_s": 2.0},
    {"rule": "event", "signal": "icp", "event": "drain_open", "settle_s": 5.0},
]
EVENTS = [{"event": "drain_open", "start_s": 60.0, "end_s": 75.5}]


def _summarise(chunks, *, start_s, duration_s, block_s=10.0):
    return trends.summarise(
        chunks,
        start_s=start_s,
        duration_s=duration_s,
        rules=rules.from_blocks(RULES),
        events=EVENTS,
        settings=trend_settings.Settings(**(PUBLISHED["trends"] | {"block_s": block_s})),
        declared={},
    )


def _samples(draw, n):
    samples = 5 + 4 * draw.normal(size=n)
    for value, share in ((np.nan, 0.05), (400.0, 0.01), (-3.0, 0.05)):
        samples[draw.random(n) < share] = value
    for _ in range(2):
        at = int(draw.integers(0, n))
        samples[at : at + int(draw.integers(1, 2 + n // 3))] = np.nan
    return samples


def _adds_up(seconds, masked):
    """Whether the account adds up to the last bit, by reason too."""
    by_signal = dict(masked.group_by("signal").agg(pl.col("masked_s").sum()).iter_rows())
    for row in seconds.iter_rows(named=True):
        of_reasons = by_signal.get(row["signal"], 0.0)
        assert row["masked_s"] == of_reasons
        assert row["valid_s"] + of_reasons + row["missing_s"] == row["recorded_s"]
        assert 0 <= row["negative_s"] <= row["valid_s"]
        assert min(row["valid_s"], row["missing_s"], of_reasons) >= 0
        assert (row["n_gaps"] == 0) == (row["longest_gap_s"] is None)
        assert row["longest_gap_s"] is None or row["longest_gap_s"] >= 10 - 1e-6


@settings(max_examples=100, derandomize=True, deadline=None)
@given(
    fs_hz=st.sampled_from(RATES_HZ),
    start_s=st.floats(-500, 500),
    seed=st.integers(0, 10**6),
    n_chunks=st.integers(1, 4),
    late_s=st.sampled_from([0.0, 0.2, 33.0, 7.25]),
    block_s=st.sampled_from([5.0, 10.0, 30.0]),
)
def test_recorded_is_valid_and_masked_by_reason_and_missing(
    fs_hz, start_s, seed, n_chunks, late_s, block_s
):
    draw = np.random.default_rng(seed)
    chunks, t_s, n_read, n_all = [], late_s, 0, 0
    for _ in range(n_chunks):
        n = int(draw.integers(1, 3000 if fs_hz > 1 else 60))
        samples = _samples(draw, n)
        chunks.append(Chunk(t_s, {"icp": samples}, {"icp": fs_hz}))
        n_read, n_all = n_read + int(np.isfinite(samples).sum()), n_all + n
        t_s += n / fs_hz + float(draw.choice([0.0, 0.0, 33.3]))
    summary = _summarise(chunks, start_s=start_s, duration_s=t_s, block_s=block_s)
    _adds_up(summary.seconds, summary.masked)
    row = summary.seconds.row(0, named=True)
    # counted here without the project: samples, and the time that has none
    assert row["recorded_s"] == pytest.approx(t_s, abs=(n_chunks + 2) * 0.5 / fs_hz + 1e-6)
    assert row["valid_s"] + row["masked_s"] == pytest.approx(n_read / fs_hz, abs=1e-5)
    assert row["missing_s"] == pytest.approx(row["recorded_s"] - n_read / fs_hz, abs=1e-5)
    assert set(summary.masked["reason"].to_list()) <= {"range", "jump", "drain_open"}


def test_seconds_below_zero_are_counted_and_stay_valid():
    samples = np.array([5.0] * 6 + [-2.0] * 3 + [0.0] + [-4.0, -11.0, -4.0, -1.0] + [3.0] * 6)
    chunk = Chunk(0.0, {"icp": samples}, {"icp": 1.0})
    row = _summarise([chunk], start_s=0.0, duration_s=20.0).seconds.row(0, named=True)
    assert row["negative_s"] == 4.0  # those beside the masked one are masked with it
    assert row["masked_s"] == 3.0
    assert row["valid_s"] == 17.0


def test_gaps_are_stretches_without_a_reading_of_ten_seconds_or_more():
    def one(t_s, n):
        return Chunk(t_s, {"icp": np.full(n, 9.0)}, {"icp": 1.0})

    inside = np.array([9.0] * 5 + [np.nan] * 10 + [9.0] * 5 + [np.nan] * 9 + [9.0] * 11)
    chunks = [one(12.0, 8), Chunk(20.0, {"icp": inside}, {"icp": 1.0}), one(75.0, 5)]
    row = _summarise(chunks, start_s=100.0, duration_s=105.0).seconds.row(0, named=True)
    # 12 s before, 10 s inside (9 s are too short), 15 s between, 25 s at the end
    assert row["n_gaps"] == 4
    assert row["longest_gap_s"] == 25.0
    assert row["missing_s"] == 12 + 10 + 9 + 15 + 25


def test_the_masked_seconds_of_each_block_are_given_by_reason():
    samples = np.full(30, 9.0)
    samples[8] = 400.0
    events = _summarise(
        [Chunk(0.0, {"icp": samples}, {"icp": 1.0})], start_s=50.0, duration_s=30.0
    )
    by_hand = {"drain_open": 18.0, "jump": 4.0, "range": 3.0}  # 62-79; 55, 56, 60, 61; 57-59
    assert dict(events.masked.select("reason", "masked_s").iter_rows()) == by_hand
    states = events.accounts["icp"].states
    blocks = states.filter(~pl.col("state").is_in(time_accounting.STATES))
    assert blocks["amount_s"].sum() == events.masked["masked_s"].sum()
    assert blocks["t_s"].unique().sort().to_list() == [50.0, 60.0, 70.0]


@st.composite
def _parts(draw):
    """Some recordings of one patient: overlapping, adjacent, apart, in any order."""
    places = []
    for _ in range(draw(st.integers(1, 4))):
        fs_hz = draw(st.sampled_from(RATES_HZ))
        n = draw(st.integers(1, 1500 if fs_hz > 1 else 30))
        start_s = float(draw(st.one_of(st.integers(0, 900), st.floats(0, 900))))
        if places and draw(st.booleans()):
            start_s = places[-1][2]  # adjacent
        places.append((fs_hz, start_s, start_s + n / fs_hz, n))
    return places


@settings(max_examples=100, derandomize=True, deadline=None)
@given(places=_parts(), seed=st.integers(0, 10**6))
def test_a_patients_seconds_are_counted_once_and_add_up_by_reason(places, seed):
    draw = np.random.default_rng(seed)
    parts = []
    for fs_hz, start_s, end_s, n in places:
        chunk = Chunk(0.0, {"icp": _samples(draw, n)}, {"icp": fs_hz})
        summary = _summarise([chunk], start_s=start_s, duration_s=n / fs_hz)
        parts.append(overlaps.Part(summary, start_s, end_s))
    combined = overlaps.combine(parts, block_s=10.0, declared={})
    _adds_up(combined.seconds, combined.masked)
    row = combined.seconds.row(0, named=True)
    # the union of the recordings, counted here on a grid of 10-s blocks and by sweeping
    edges = sorted((start_s, end_s) for _, start_s, end_s, _ in places)
    union_s, until_s = 0.0, -math.inf
    for low, high in edges:
        union_s += max(0.0, high - max(low, until_s))
        until_s = max(until_s, high)
    # where recordings overlap within a block, only the best one's part of it counts
    shared = 20.0 * len(places) * (len(places) > 1)
    slack = sum(1 / fs_hz for fs_hz, *_ in places if fs_hz > 1) * 2
    assert row["recorded_s"] <= union_s + slack + 1e-5
    assert row["recorded_s"] >= union_s - shared - slack - 1e-5
    assert (row["longest_gap_s"] or 0.0) <= union_s + 1e-5


def test_a_gap_of_one_recording_that_another_fills_is_none():
    def part(samples, start_s):
        summary = _summarise(
            [Chunk(0.0, {"icp": np.array(samples, float)}, {"icp": 1.0})],
            start_s=start_s,
            duration_s=float(len(samples)),
        )
        return overlaps.Part(summary, start_s, start_s + len(samples))

    first = part([9.0] * 20 + [np.nan] * 40 + [9.0] * 20, 0.0)
    second = part([9.0] * 15, 35.0)
    alone = overlaps.combine([first], block_s=10.0, declared={}).seconds.row(0, named=True)
    assert (alone["n_gaps"], alone["longest_gap_s"]) == (1, 40.0)
    both = overlaps.combine([second, first], block_s=10.0, declared={}).seconds.row(
        0, named=True
    )
    assert (both["n_gaps"], both["longest_gap_s"]) == (2, 15.0)  # 20 to 35 and 50 to 60
    # the time between two recordings was not recorded: no gap
    apart = overlaps.combine(
        [part([9.0] * 20, 0.0), part([9.0] * 20, 500.0)], block_s=10.0, declared={}
    )
    assert apart.seconds.row(0, named=True)["n_gaps"] == 0


def test_recordings_that_share_a_block_without_overlapping_keep_their_masked_seconds():
    def part(value, start_s):
        samples = np.full(5, value)
        summary = _summarise(
            [Chunk(0.0, {"icp": samples}, {"icp": 1.0})], start_s=start_s, duration_s=5.0
        )
        return overlaps.Part(summary, start_s, start_s + 5)

    combined = overlaps.combine([part(400.0, 0.0), part(9.0, 5.0)], block_s=10.0, declared={})
    assert combined.masked.rows() == [("icp", "range", 5.0)]
    assert combined.seconds["recorded_s"].to_list() == [10.0]
    overlapping = overlaps.combine(
        [part(400.0, 0.0), part(9.0, 3.0)], block_s=10.0, declared={}
    )
    assert overlapping.seconds["recorded_s"].to_list() == [5.0]
    assert overlapping.masked.height == 0


def test_seconds_are_whole_ticks_of_a_power_of_two():
    chunk = Chunk(0.0, {"icp": np.full(1000, 9.0)}, {"icp": 62.4725})
    row = _summarise([chunk], start_s=0.3, duration_s=1000 / 62.4725).seconds.row(0, named=True)
    for name in time_accounting.SECONDS:
        assert (row[name] / time_accounting.TICK_S).is_integer()
