"""Burden against areas known from geometry (D01-D10) and a plain loop."""

import math
import random

import numpy as np
import polars as pl
import pytest

from icpcohort import burden


def _dose(values, rule, interval_s, threshold=20.0):
    rows = pl.DataFrame(
        {"t_s": interval_s * np.arange(len(values)), "pressure_mmhg": np.asarray(values, float)}
    )
    parts = burden.dose_parts(
        threshold_mmhg=threshold, side="above", rule=rule, interval_s=interval_s, over=[]
    )
    return rows.select(parts.sum()).item()


def _ramp(start, end, n):
    """Values at n + 1 instants of a straight line."""
    return np.linspace(start, end, n + 1)


def _minute_means(line):
    return (line[1:] + line[:-1]) / 2


def test_a_constant_excess():
    """D01: 25 mmHg for 2 h above 20."""
    assert _dose([25.0] * 120, "rectangle", 60.0) == pytest.approx(10.0, abs=1e-9)


def test_a_triangle():
    """D02: 20 -> 30 -> 20 in 1 h."""
    line = np.concatenate([_ramp(20, 30, 30), _ramp(30, 20, 30)[1:]])
    assert _dose(_minute_means(line), "rectangle", 60.0) == pytest.approx(5.0, abs=1e-9)
    assert _dose(line, "crossing", 60.0) == pytest.approx(5.0, abs=1e-9)


def test_a_ramp_by_three_rules():
    """D03-D05: exact 2.5; left rectangles on 60 samples 2.4167; clipped trapezoid 2.5."""
    line = _ramp(10, 30, 60)
    assert _dose(_minute_means(line), "rectangle", 60.0) == pytest.approx(2.5, abs=1e-9)
    assert _dose(line[:60], "rectangle", 60.0) == pytest.approx(2.4166666666666665, abs=1e-9)
    assert _dose(line, "trapezoid", 60.0) == pytest.approx(2.5, abs=1e-9)
    assert _dose(line, "crossing", 60.0) == pytest.approx(2.5, abs=1e-9)


def test_a_crossing_inside_an_interval_is_where_the_rules_part():
    """D06, D07: 18 then 24 mmHg 10 min apart: 0.2222 by the line, 0.3333 by clipped values."""
    assert _dose([18.0, 24.0], "crossing", 600.0) == pytest.approx(0.2222222222222222, abs=1e-9)
    assert _dose([18.0, 24.0], "trapezoid", 600.0) == pytest.approx(
        0.3333333333333333, abs=1e-9
    )


def _minutes(icp, abp=None):
    n = len(icp)
    return pl.DataFrame(
        {
            "patient_id": ["P001"] * n,
            "t_s": 60.0 * np.arange(1, n + 1),
            "icp_mmhg": pl.Series(icp, dtype=pl.Float64),
            "cpp_mmhg": pl.Series([None] * n if abp is None else abp, dtype=pl.Float64),
        }
    )


def _burden(minutes, *, end_h, episode_min=5, merge_gap_min=1, thresholds=(20.0,)):
    return burden.add_up(
        minutes,
        windows={"w": {"start_h": 0.0, "end_h": end_h}},
        icp_above_mmhg=list(thresholds),
        cpp_below_mmhg=[60.0],
        integration="rectangle",
        episode_min=episode_min,
        merge_gap_min=merge_gap_min,
    )


def test_a_sinusoid():
    """D08, D09: 20 + 5 sin over 1 h: 5/pi mmHg h, half of the time."""
    t = np.linspace(0, 1, 3601)
    minutes = 20 + 5 * np.sin(2 * np.pi * t)
    means = [float(np.mean(minutes[60 * i : 60 * i + 60])) for i in range(60)]
    row = (
        _burden(_minutes(means), end_h=1.0).filter(pl.col("signal") == "icp").row(0, named=True)
    )
    assert row["dose_mmhg_h"] == pytest.approx(1.5915494309189535, rel=1e-3)
    assert row["percent_time"] == pytest.approx(50.0, abs=2.0)
    assert _dose(minutes, "crossing", 1.0) == pytest.approx(1.5915494309189535, abs=1e-6)


def test_the_hourly_dose_divides_by_valid_hours_not_by_the_recordings_length():
    """D10: 10 mmHg h over 2 valid hours of 3 gives 5 per hour."""
    row = (
        _burden(_minutes([25.0] * 60 + [None] * 60 + [25.0] * 60), end_h=3.0)
        .filter(pl.col("signal") == "icp")
        .row(0, named=True)
    )
    assert row["dose_mmhg_h"] == pytest.approx(10.0)
    assert row["monitored_h"] == pytest.approx(2.0)
    assert row["dose_per_h_mmhg"] == pytest.approx(5.0)


def _episodes_by_loop(icp, threshold, episode_min, merge_gap_min):
    beyond = [i for i, x in enumerate(icp) if x is not None and x > threshold]
    lengths, start, last, n = [], None, None, 0
    for i in beyond:
        if start is not None and i - last - 1 > merge_gap_min:
            lengths.append(n)
            start = None
        start, n = (i, 1) if start is None else (start, n + 1)
        last = i
    if start is not None:
        lengths.append(n)
    return [n for n in lengths if n >= episode_min]


@pytest.mark.parametrize("seed", range(30))
def test_agrees_with_a_plain_loop(seed):
    draw = random.Random(seed)
    icp, level = [], 20.0
    for _ in range(300):
        level += draw.choice([-2.0, -1.0, 0.0, 1.0, 2.0])
        level = min(40.0, max(5.0, level))
        icp.append(None if draw.random() < 0.1 else level)
    gap, least = draw.randrange(0, 4), draw.randrange(1, 8)
    found = _burden(
        _minutes(icp), end_h=5.0, episode_min=least, merge_gap_min=gap, thresholds=(20.0, 22.0)
    )
    for threshold in (20.0, 22.0):
        row = found.filter(
            (pl.col("signal") == "icp") & (pl.col("threshold_mmhg") == threshold)
        ).row(0, named=True)
        known = [x for x in icp if x is not None]
        assert row["dose_mmhg_h"] == pytest.approx(
            math.fsum(max(0.0, x - threshold) for x in known) / 60, rel=1e-9
        )
        assert row["percent_time"] == pytest.approx(
            100 * sum(x > threshold for x in known) / len(known)
        )
        episodes = _episodes_by_loop(icp, threshold, least, gap)
        assert row["n_episodes"] == len(episodes)
        assert row["longest_episode_min"] == (max(episodes) if episodes else None)


def test_no_valid_minute_gives_null_and_never_zero():
    row = _burden(_minutes([None] * 10), end_h=1.0).filter(pl.col("signal") == "icp")
    row = row.row(0, named=True)
    assert row["monitored_h"] == 0.0
    for name in ("dose_mmhg_h", "dose_per_h_mmhg", "percent_time", "n_episodes"):
        assert row[name] is None


def test_a_pressure_on_the_threshold_is_not_beyond_it():
    row = _burden(_minutes([20.0] * 30), end_h=1.0).filter(pl.col("signal") == "icp")
    row = row.row(0, named=True)
    assert (row["dose_mmhg_h"], row["percent_time"], row["n_episodes"]) == (0.0, 0.0, 0)


def test_interruptions_do_not_make_an_episode_longer():
    row = _burden(_minutes([21.0, 15.0] * 30), end_h=1.0).filter(pl.col("signal") == "icp")
    row = row.row(0, named=True)
    assert (row["n_episodes"], row["longest_episode_min"]) == (1, 30.0)


@pytest.mark.parametrize("rule", ["trapezoid", "crossing"])
def test_a_rule_that_joins_minutes_divides_by_the_time_it_joined(rule):
    """Continuous 30 mmHg for 1 h above 20 is 10 mmHg an hour by every rule."""
    settings = {
        "windows": {"w": {"start_h": 0.0, "end_h": 1.0}},
        "icp_above_mmhg": [20.0],
        "cpp_below_mmhg": [],
        "integration": rule,
        "episode_min": 5,
        "merge_gap_min": 0,
    }
    row = burden.add_up(_minutes([30.0] * 60), **settings).row(0, named=True)
    assert row["dose_per_h_mmhg"] == pytest.approx(10.0)
    alone = burden.add_up(_minutes([30.0, None] * 30), **settings).row(0, named=True)
    assert alone["dose_mmhg_h"] is None
    assert alone["percent_time"] == 100.0


def test_a_minute_belongs_to_a_window_when_it_lies_wholly_inside():
    minutes = _minutes([25.0] * 240)
    inside = burden.in_window(minutes, start_h=1.0, end_h=2.0)
    assert inside["t_s"].to_list() == [60.0 * i for i in range(61, 121)]
