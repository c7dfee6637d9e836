"""Burden against areas known from geometry (D01-D10) and a plain loop."""

import itertools
import math
import random

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import settings as cases
from hypothesis import strategies as st

from icpcohort import contracts
from icpcohort.contracts import burden_columns, store
from icpcohort.contracts.burden_columns import Threshold
from icpcohort.exposures import burden, burden_settings, window


def _asked(icp, cpp):
    """Thresholds above which ICP, and below which CPP counts, as the settings have them."""
    of_each = {"icp": {"above": list(icp)}, "cpp": {"below": list(cpp)}}
    return {name: sides for name, sides in of_each.items() if any(sides.values())}


def _add_up(minutes, *, windows, rules):
    declared = {"burden": {"thresholds": rules.thresholds}}
    return burden.add_up(minutes, windows=windows, rules=rules, declared=declared)


def _dose(values, rule, interval_s, threshold=20.0):
    rows = pl.DataFrame(
        {"t_s": interval_s * np.arange(len(values)), "value": np.asarray(values, float)}
    )
    above = Threshold("icp", "above", threshold, threshold)
    parts = burden.dose_parts(above, rule=rule, interval_s=interval_s, over=[])
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
    return _add_up(
        minutes,
        windows={"w": {"start_h": 0.0, "end_h": end_h}},
        rules=burden_settings.Rules(
            thresholds=_asked(thresholds, [60.0]),
            inequality="strict",
            integration="rectangle",
            episode_min=episode_min,
            merge_gap_min=merge_gap_min,
        ),
    )


def test_a_sinusoid():
    """D08, D09: 20 + 5 sin over 1 h: 5/pi mmHg h, half of the time."""
    t = np.linspace(0, 1, 3601)
    minutes = 20 + 5 * np.sin(2 * np.pi * t)
    means = [float(np.mean(minutes[60 * i : 60 * i + 60])) for i in range(60)]
    row = (
        _burden(_minutes(means), end_h=1.0).filter(pl.col("signal") == "icp").row(0, named=True)
    )
    assert row["dose"] == pytest.approx(1.5915494309189535, rel=1e-3)
    assert row["percent_time"] == pytest.approx(50.0, abs=2.0)
    assert _dose(minutes, "crossing", 1.0) == pytest.approx(1.5915494309189535, abs=1e-6)


def test_the_hourly_dose_divides_by_valid_hours_not_by_the_recordings_length():
    """D10: 10 mmHg h over 2 valid hours of 3 gives 5 per hour."""
    row = (
        _burden(_minutes([25.0] * 60 + [None] * 60 + [25.0] * 60), end_h=3.0)
        .filter(pl.col("signal") == "icp")
        .row(0, named=True)
    )
    assert row["dose"] == pytest.approx(10.0)
    assert row["monitored_h"] == pytest.approx(2.0)
    assert row["dose_per_h"] == pytest.approx(5.0)


def _episodes_by_loop(beyond, merge_gap_min):
    """Lengths of the episodes of minutes by their numbers."""
    lengths, last, n = [], None, 0
    for i in beyond:
        if last is not None and i - last - 1 > merge_gap_min:
            lengths.append(n)
            n = 0
        n, last = n + 1, i
    return lengths + ([n] if n else [])


def _dose_by_loop(values, threshold, side, rule):
    """Dose [mmHg h] and hours integrated, from lists with None where missing."""
    sign = 1 if side == "above" else -1
    if rule == "rectangle":
        known = [max(0.0, sign * (x - threshold)) for x in values if x is not None]
        return math.fsum(known) / 60, len(known) / 60
    parts = []
    for x, y in itertools.pairwise(values):
        if x is None or y is None:
            continue
        u, v = sign * (x - threshold), sign * (y - threshold)
        part = (max(0.0, u) + max(0.0, v)) / 2
        if rule == "crossing" and u * v < 0:  # the triangle beyond the crossing
            part = max(u, v) ** 2 / (2 * abs(u - v))
        parts.append(part / 60)
    return math.fsum(parts), len(parts) / 60


def _draw_pressure(draw, level):
    """Up to 6 h of minutes with gaps, plateaus, constants and values on the thresholds."""
    values, x, n = [], level, draw.choice([0, 1, 2, 30, 360, 360])
    while len(values) < n:
        kind = draw.choices(["walk", "plateau", "gap", "constant"], [5, 2, 1, 1])[0]
        height = draw.uniform(2, 12)
        for _ in range(draw.randrange(1, 30)):
            x += draw.choice([-2.0, -1.0, -0.25, 0.0, 0.25, 1.0, 2.0]) - 0.05 * (x - level)
            held = {"walk": x, "plateau": level + height, "gap": None, "constant": level}
            values.append(
                None if held[kind] is None else round(held[kind], draw.choice([0, 2]))
            )
    return values[:n]


def _check(row, values, *, episode_min, merge_gap_min, inequality, rule):
    threshold, side = row["threshold"], row["side"]
    known = [x for x in values if x is not None]
    assert row["monitored_h"] == pytest.approx(len(known) / 60, rel=1e-12)
    if not known:
        assert {row[name] for name in burden_columns.MEASURES} == {None}
        return
    dose, integrated_h = _dose_by_loop(values, threshold, side, rule)
    if integrated_h == 0:
        assert (row["dose"], row["dose_per_h"]) == (None, None)
    else:
        assert row["dose"] == pytest.approx(dose, rel=1e-9, abs=1e-12)
        assert row["dose_per_h"] == pytest.approx(dose / integrated_h, rel=1e-9, abs=1e-12)
    sign = 1 if side == "above" else -1
    least = 0.0 if inequality == "or_equal" else 1e-12
    beyond = [
        i for i, x in enumerate(values) if x is not None and sign * (x - threshold) >= least
    ]
    assert row["percent_time"] == pytest.approx(100 * len(beyond) / len(known), rel=1e-12)
    episodes = [n for n in _episodes_by_loop(beyond, merge_gap_min) if n >= episode_min]
    assert row["n_episodes"] == len(episodes)
    assert row["longest_episode_min"] == (max(episodes) if episodes else None)


@pytest.mark.parametrize("rule", ["rectangle", "trapezoid", "crossing"])
@pytest.mark.parametrize("inequality", ["strict", "or_equal"])
def test_every_measure_agrees_with_a_plain_loop(rule, inequality):
    """200 patients at once for each rule, ICP and CPP, at four thresholds."""
    draw = random.Random(f"{rule} {inequality}")
    patients = {
        f"P{i:03d}": (_draw_pressure(draw, 20.0), _draw_pressure(draw, 62.0))
        for i in range(200)
    }
    frames = []
    for name, (icp, cpp) in patients.items():
        n = max(len(icp), len(cpp))
        icp += [None] * (n - len(icp))
        cpp += [None] * (n - len(cpp))
        frames.append(_minutes(icp, cpp).with_columns(patient_id=pl.lit(name)))
    episode_min, gap = draw.randrange(1, 8), draw.randrange(0, 4)
    burdens = _add_up(
        pl.concat(frames),
        windows={"w": {"start_h": 0.0, "end_h": 6.0}},
        rules=burden_settings.Rules(
            thresholds=_asked([20.0, 22.5], [60.0, 62.0]),
            inequality=inequality,
            integration=rule,
            episode_min=episode_min,
            merge_gap_min=gap,
        ),
    )
    n_rows = 0
    for row in burdens.to_dicts():
        icp, cpp = patients[row["patient_id"]]
        _check(
            row,
            icp if row["signal"] == "icp" else cpp,
            episode_min=episode_min,
            merge_gap_min=gap,
            inequality=inequality,
            rule=rule,
        )
        n_rows += 1
    assert n_rows == 4 * sum(bool(icp or cpp) for icp, cpp in patients.values())
    assert burdens["n_episodes"].max() > 3


def test_three_rules_part_on_one_ramp_by_the_setting():
    """Minute means of 18 and 24: rectangles 4/60, clipped trapezoid 2/60, the line 1.333/60."""
    doses = {}
    for rule in ("rectangle", "trapezoid", "crossing"):
        burdens = _add_up(
            _minutes([18.0, 24.0]),
            windows={"w": {"start_h": 0.0, "end_h": 1.0}},
            rules=burden_settings.Rules(
                thresholds=_asked([20.0], []),
                inequality="strict",
                integration=rule,
                episode_min=5,
                merge_gap_min=1,
            ),
        )
        doses[rule] = burdens["dose"][0] * 60
    assert doses["rectangle"] == pytest.approx(4.0, rel=1e-12)
    assert doses["trapezoid"] == pytest.approx(2.0, rel=1e-12)
    assert doses["crossing"] == pytest.approx(4 / 3, rel=1e-12)


STATES = {
    "prx_above": lambda m: m["prx"] is not None and m["prx"] > 0.25,
    "prx_not_above": lambda m: m["prx"] is not None and m["prx"] <= 0.25,
    "prx_unknown": lambda m: m["prx"] is None,
    "cpp_below_llr": lambda m: _llr_known(m) and m["cpp_mmhg"] < m["llr_mmhg"],
    "cpp_not_below_llr": lambda m: _llr_known(m) and m["cpp_mmhg"] >= m["llr_mmhg"],
    "llr_unknown": lambda m: not _llr_known(m),
}


def _llr_known(m):
    return m["cpp_mmhg"] is not None and m["llr_mmhg"] is not None


@pytest.mark.parametrize(
    ("rule", "inequality"),
    [("rectangle", "strict"), ("trapezoid", "or_equal"), ("crossing", "strict")],
)
def test_burden_by_state_agrees_with_a_plain_loop_and_adds_up(rule, inequality):
    """200 patients for each; the states of PRx, and those of LLR, add up to the whole."""
    draw = random.Random(f"{rule} {inequality}")
    patients, frames = {}, []
    for i in range(200):
        icp, cpp = _draw_pressure(draw, 20.0), _draw_pressure(draw, 62.0)
        n = max(1, min(len(icp), len(cpp)))
        rows = {
            "icp_mmhg": [*icp, None][:n],
            "cpp_mmhg": [*cpp, None][:n],
            "prx": [draw.choice([None, 0.25, 0.1, 0.6]) for _ in range(n)],
            "llr_mmhg": [draw.choice([None, 60.0, 62.0]) for _ in range(n)],
        }
        patients[f"P{i:03d}"] = [dict(zip(rows, values)) for values in zip(*rows.values())]
        table = pl.DataFrame(rows, schema=dict.fromkeys(rows, pl.Float64))
        frames.append(
            table.with_columns(
                patient_id=pl.lit(f"P{i:03d}"), t_s=60.0 * (pl.int_range(pl.len()) + 1)
            )
        )
    minutes = pl.concat(frames)
    windows = {"w": {"start_h": 0.0, "end_h": 6.0}}
    settings = burden_settings.Settings(
        thresholds=_asked([20.0], [60.0]),
        inequality=inequality,
        integration=rule,
        episode_min=2,
        merge_gap_min=1,
        impaired_above=0.25,
    )
    burdens = burden.add_up_by_state(
        minutes,
        windows=windows,
        settings=settings,
        declared={"burden": {"thresholds": settings.thresholds}},
    )
    store.check(burdens, contracts.BURDEN_BY_STATE, "by_state")
    assert burdens.height == 200 * 6 * 2
    for row in burdens.to_dicts():
        rows = patients[row["patient_id"]]
        values = [m[f"{row['signal']}_mmhg"] if STATES[row["state"]](m) else None for m in rows]
        _check(row, values, episode_min=2, merge_gap_min=1, inequality=inequality, rule=rule)
    whole = _add_up(minutes, windows=windows, rules=settings)
    for prefix in ("prx", "llr|cpp"):
        parts = (
            burdens.filter(pl.col("state").str.contains(f"^({prefix})"))
            .group_by("patient_id", "signal")
            .agg(pl.col("monitored_h", "dose").sum(), n_states=pl.len())
            .sort("patient_id", "signal")
        )
        assert set(parts["n_states"]) == {3}
        expected = whole.sort("patient_id", "signal")
        # a rule that joins minutes joins none of two states
        for name in ("monitored_h", *(["dose"] if rule == "rectangle" else [])):
            assert parts[name].to_list() == pytest.approx(
                expected[name].fill_null(0.0).to_list(), rel=1e-9, abs=1e-12
            )


def test_no_valid_minute_gives_null_and_never_zero():
    row = _burden(_minutes([None] * 10), end_h=1.0).filter(pl.col("signal") == "icp")
    row = row.row(0, named=True)
    assert row["monitored_h"] == 0.0
    for name in ("dose", "dose_per_h", "percent_time", "n_episodes"):
        assert row[name] is None


def test_a_pressure_on_the_threshold_is_not_beyond_it():
    row = _burden(_minutes([20.0] * 30), end_h=1.0).filter(pl.col("signal") == "icp")
    row = row.row(0, named=True)
    assert (row["dose"], row["percent_time"], row["n_episodes"]) == (0.0, 0.0, 0)


def test_interruptions_do_not_make_an_episode_longer():
    row = _burden(_minutes([21.0, 15.0] * 30), end_h=1.0).filter(pl.col("signal") == "icp")
    row = row.row(0, named=True)
    assert (row["n_episodes"], row["longest_episode_min"]) == (1, 30.0)


@pytest.mark.parametrize("rule", ["trapezoid", "crossing"])
def test_a_rule_that_joins_minutes_divides_by_the_time_it_joined(rule):
    """Continuous 30 mmHg for 1 h above 20 is 10 mmHg an hour by every rule."""
    windows = {"w": {"start_h": 0.0, "end_h": 1.0}}
    settings = burden_settings.Settings(
        thresholds=_asked([20.0], []),
        inequality="strict",
        integration=rule,
        episode_min=5,
        merge_gap_min=0,
        impaired_above=0.25,
    )
    row = _add_up(_minutes([30.0] * 60), windows=windows, rules=settings).row(0, named=True)
    assert row["dose_per_h"] == pytest.approx(10.0)
    alone = _add_up(_minutes([30.0, None] * 30), windows=windows, rules=settings).row(
        0, named=True
    )
    assert alone["dose"] is None
    assert alone["percent_time"] == 100.0


def test_a_minute_belongs_to_a_window_when_it_lies_wholly_inside():
    minutes = _minutes([25.0] * 240)
    inside = window.inside(minutes, {"start_h": 1.0, "end_h": 2.0, "min_monitored_h": 0.0})
    assert inside["t_s"].to_list() == [60.0 * i for i in range(61, 121)]


@cases(max_examples=200)
@given(
    st.lists(st.floats(0, 60, allow_subnormal=False), min_size=2, max_size=80),
    st.sampled_from([18.0, 20.0, 22.5]),
)
def test_doses_agree_with_numpy_on_any_pressures(values, threshold):
    """References: numpy.sum and numpy.trapezoid; for "crossing" with the crossings put in."""
    x, t_h = np.array(values), np.arange(len(values)) / 60
    excess = np.clip(x - threshold, 0, None)
    assert _dose(values, "rectangle", 60.0, threshold) == pytest.approx(
        excess.sum() / 60, rel=1e-9, abs=1e-12
    )
    assert _dose(values, "trapezoid", 60.0, threshold) == pytest.approx(
        np.trapezoid(excess, t_h), rel=1e-9, abs=1e-12
    )
    over = x - threshold
    first = np.flatnonzero(over[:-1] * over[1:] < 0)
    share = over[first] / (over[first] - over[first + 1])
    every_h = np.sort(np.concatenate([t_h, t_h[first] + share / 60]))
    line = np.clip(np.interp(every_h, t_h, over), 0, None)
    assert _dose(values, "crossing", 60.0, threshold) == pytest.approx(
        np.trapezoid(line, every_h), rel=1e-9, abs=1e-9
    )
