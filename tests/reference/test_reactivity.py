"""PRx and its relatives against analytic values, R, and a plain loop."""

import math
import random
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from published_settings import CONFIG, PUBLISHED
from scipy import stats

from icpcohort.indices import correlation, index_settings, reactivity
from icpcohort.recordings import Chunk
from icpcohort.signals import pulse_blocks, trend_settings, trends
from icpcohort.study import presets

# R 4.2.2, datasets::anscombe (Anscombe 1973, Am Stat 27:17-21), first set.
ANSCOMBE_X = [10.0, 8.0, 13.0, 9.0, 11.0, 14.0, 6.0, 4.0, 12.0, 7.0, 5.0]
ANSCOMBE_Y = [8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68]
# R 4.2.2, datasets::cars (Ezekiel 1930).
CARS_SPEED = [4, 4, 7, 7, 8, 9, 10, 10, 10, 11, 11, 12, 12, 12, 12, 13, 13, 13, 13, 14, 14, 14]
CARS_SPEED += [14, 15, 15, 15, 16, 16, 17, 17, 17, 18, 18, 18, 18, 19, 19, 19, 20, 20, 20, 20]
CARS_SPEED += [20, 22, 23, 24, 24, 24, 24, 25]
CARS_DIST = [2, 10, 4, 22, 16, 10, 18, 26, 34, 17, 28, 14, 20, 24, 28, 26, 34, 34, 46, 26, 36]
CARS_DIST += [60, 80, 20, 26, 54, 32, 40, 32, 40, 50, 42, 56, 76, 84, 36, 46, 68, 32, 48, 52]
CARS_DIST += [56, 64, 66, 54, 70, 92, 93, 120, 85]
FISHER = correlation.Scale(averaging="fisher", fisher_clip=0.999)


def _last(x, y, n):
    return correlation.moving_pearson(
        np.array(x, float), np.array(y, float), n_values=n, step=n, min_valid_fraction=1.0
    )[-1]


@pytest.mark.parametrize(
    ("phase_deg", "expected"), [(0, 1.0), (60, 0.5), (90, 0.0), (180, -1.0)]
)
def test_two_sinusoids_over_whole_periods_correlate_by_the_cosine_of_their_phase(
    phase_deg, expected
):
    """P01-P04: r = cos(phase), analytic."""
    k = np.arange(30)
    abp = 80 + 5 * np.sin(2 * np.pi * k / 10)
    icp = 10 + 1.5 * np.sin(2 * np.pi * k / 10 + np.deg2rad(phase_deg))
    assert _last(icp, abp, 30) == pytest.approx(expected, abs=1e-12)


def test_pearson_agrees_with_r_on_anscombe_and_cars():
    """P05, P06: R 4.2.2 cor()."""
    assert _last(ANSCOMBE_X, ANSCOMBE_Y, 11) == pytest.approx(0.81642051634484, abs=1e-12)
    assert _last(CARS_SPEED, CARS_DIST, 50) == pytest.approx(0.8068949006892104, abs=1e-9)


def test_pearson_of_ranks_is_spearman_of_r():
    """P07: R 4.2.2 cor(method = "spearman"), ties averaged."""
    ranks = [stats.rankdata(series) for series in (CARS_SPEED, CARS_DIST)]
    assert _last(*ranks, 50) == pytest.approx(0.8303568388, abs=1e-9)


def test_single_windows_of_noise_spread_as_the_theory_of_30_independent_pairs_says():
    """P08-P12: SD 1/sqrt(29); |r| > 0.361 in 5 %; r > 0.05, 0.25, 0.30 in 39.7, 9.1, 5.4 %.

    200,000 windows: the standard error of a share of 0.4 is 0.0011; four of them.
    """
    draw = np.random.default_rng(11)
    n = 200_000
    x, y = draw.normal(size=(2, 30 * n))
    r = correlation.moving_pearson(x, y, n_values=30, step=30, min_valid_fraction=1.0)
    assert r.std() == pytest.approx(0.18569533817705186, abs=4 * 0.1857 / math.sqrt(2 * n))
    for cut, share in (
        (0.05, 0.39651096890857573),
        (0.25, 0.09136524567663769),
        (0.3, 0.05362297402897718),
    ):
        tolerance = 4 * math.sqrt(share * (1 - share) / n)
        assert (r > cut).mean() == pytest.approx(share, abs=tolerance)
    assert (abs(r) > 0.3610069077332332).mean() == pytest.approx(0.05, abs=0.002)


@pytest.mark.parametrize(
    ("r", "z"),
    [(0.25, 0.25541281188299536), (0.30, 0.30951960420311175), (0.50, 0.5493061443340548)],
)
def test_fisher_z(r, z):
    """P13-P15: atanh, analytic."""
    scaled = correlation.to_scale(np.array([r]), FISHER)
    assert scaled[0] == pytest.approx(z, abs=1e-12)


def test_correlations_are_averaged_through_fisher_z():
    """P16: the arithmetic mean would be 0.5."""
    mean = pl.DataFrame({"r": [0.2, 0.8]}).select(
        correlation.mean_correlation(pl.col("r"), FISHER)
    )
    assert mean.item() == pytest.approx(0.5721224617320373, abs=1e-12)


def test_fisher_interval():
    """P17, P18: r = 0.3, n = 30."""
    low, high = correlation.fisher_interval(0.3, 30)
    assert low == pytest.approx(-0.06757251144578524, abs=1e-9)
    assert high == pytest.approx(0.5958674154367378, abs=1e-9)


def _block_means(wave, *, fs_hz, block_s):
    """ICP of every block of a wave about 10 mmHg."""
    summary = trends.summarise(
        [Chunk(0.0, {"icp": 10 + wave}, {"icp": fs_hz})],
        start_s=0.0,
        duration_s=wave.size / fs_hz,
        rules=[],
        events=[],
        settings=trend_settings.Settings(
            **(PUBLISHED["trends"] | {"block_s": block_s, "shape_method": "none"})
        ),
        declared={},
    )
    return summary.trends["icp_mmhg"].to_numpy() - 10


@pytest.mark.parametrize("block_s", [10.0, 5.0])
@pytest.mark.parametrize(
    ("period_s", "passed"),
    [
        (20, 0.6366197723675814),
        (60, 0.954929658551372),
        (100, 0.983631643083466),
        (200, 0.9958927352435614),
    ],
)
def test_block_means_pass_slow_waves_as_a_moving_average_does(period_s, passed, block_s):
    """P19-P22: sinc(f T), analytic, for 10 s; for 5 s sinc of half as much.

    Two waves a quarter apart have together the same amplitude in every block. The values are
    those of a continuous average; one of 100 samples a second is 4e-7 off at 20 s.
    """
    fs_hz = 100.0
    turn = 2 * np.pi * np.arange(int(200 * fs_hz)) / fs_hz / period_s
    sine, cosine = (
        _block_means(wave(turn), fs_hz=fs_hz, block_s=block_s) for wave in (np.sin, np.cos)
    )
    expected = passed if block_s == 10 else np.sinc(5 / period_s)
    assert sine.size == 200 / block_s
    assert np.hypot(sine, cosine) == pytest.approx(expected, rel=1e-6)


def _pearson_by_loop(pairs):
    n = len(pairs)
    mean_x = math.fsum(x for x, _ in pairs) / n
    mean_y = math.fsum(y for _, y in pairs) / n
    sxy = math.fsum((x - mean_x) * (y - mean_y) for x, y in pairs)
    sxx = math.fsum((x - mean_x) ** 2 for x, _ in pairs)
    syy = math.fsum((y - mean_y) ** 2 for _, y in pairs)
    return sxy / math.sqrt(sxx * syy)


def _moving_by_loop(x, y, n_values, step, min_valid_fraction):
    correlations = []
    for end in range(step, len(x) + 1, step):
        window = [
            (a, b)
            for a, b in zip(x[max(0, end - n_values) : end], y[max(0, end - n_values) : end])
            if a is not None and b is not None
        ]
        constant = any(len({pair[i] for pair in window}) < 2 for i in (0, 1))
        if len(window) / n_values < min_valid_fraction or len(window) < 3 or constant:
            correlations.append(None)
        else:
            correlations.append(_pearson_by_loop(window))
    return correlations


@pytest.mark.parametrize("seed", range(200))
def test_moving_pearson_agrees_with_a_plain_loop(seed):
    draw = random.Random(seed)
    n_values, step = draw.choice([(30, 6), (40, 12), (20, 1), (5, 5)])
    level = draw.choice([0.0, 80.0, 1e6])
    x, y = [], []
    for _ in range(draw.randrange(0, 150)):
        hold = draw.random() < 0.2 and x and x[-1] is not None
        x.append(x[-1] if hold else draw.choice([None, level, level + draw.gauss(0, 1)]))
        y.append(draw.choice([None, *(level + draw.gauss(0, 1) for _ in range(5))]))
    as_array = [np.array([np.nan if v is None else v for v in s], float) for s in (x, y)]
    correlations = correlation.moving_pearson(
        *as_array, n_values=n_values, step=step, min_valid_fraction=0.5
    )
    expected = _moving_by_loop(x, y, n_values, step, 0.5)
    assert len(correlations) == len(expected)
    for ours, slow in zip(correlations, expected):
        if slow is None:
            assert math.isnan(ours)
        else:
            assert ours == pytest.approx(slow, rel=1e-9, abs=1e-9 * max(1.0, level / 80))


STATED = yaml.safe_load((CONFIG.parent / "presets.yaml").read_text(encoding="utf-8"))
PRESETS = {
    name: PUBLISHED["reactivity"] | preset["values"] | preset["needs"]["trends"]
    for name, preset in presets.resolved(STATED["reactivity"]).items()
}


def _rules(preset, **changed):
    """Settings of `reactivity`, and `block_s`."""
    return SimpleNamespace(**(PRESETS[preset] | changed))


def _indices(stated):
    shared = {name: value for name, value in vars(stated).items() if name != "block_s"}
    settings = PUBLISHED | {"reactivity": shared, "trends": {"block_s": stated.block_s}}
    return index_settings.rules_of(settings)


def _trends(series, block_s):
    """Return trends from lists of ICP, ABP and AMP with None where missing."""
    table = pl.DataFrame(
        {"t_s": block_s * np.arange(len(series["icp_mmhg"])), **series},
        schema_overrides={name: pl.Float64() for name in series},
    ).with_columns(
        cpp_mmhg=pl.col("abp_mmhg") - pl.col("icp_mmhg"),
        **{
            name: pl.lit(None, trends.recorded({}).columns[name].dtype)
            for name in pulse_blocks.COLUMNS
            if name not in series
        },
        icp_valid_fraction=pl.lit(1.0),
        abp_valid_fraction=pl.lit(1.0),
        icp_interval_s=pl.lit(0.01),
        abp_interval_s=pl.lit(0.01),
    )
    return table.select("cpp_mmhg", *trends.recorded({}).columns)


def _to_minutes(trends, rules, *, events=()):
    return reactivity.to_minutes(
        trends,
        events=events,
        minute_min_valid_fraction=0.5,
        block_s=rules.block_s,
        indices=_indices(rules),
        declared=PUBLISHED,
    )


def _average_by_loop(values, rules):
    known = [v for v in values if v is not None]
    if not known:
        return None
    if len(values) == 1:
        return known[0]
    if rules.averaging == "arithmetic":
        return math.fsum(known) / len(known)
    clip = rules.fisher_clip
    return math.tanh(
        math.fsum(math.atanh(max(-clip, min(clip, v))) for v in known) / len(known)
    )


def _draw_series(draw, n):
    """Lists with gaps, plateaus and constants, on a level, of a pressure in tenths of mmHg."""
    level, values = draw.choice([0.0, 12.0, 85.0]), []
    while len(values) < n:
        kind = draw.choices(["noise", "constant", "gap", "walk"], [5, 1, 1, 3])[0]
        for _ in range(draw.randrange(1, 40)):
            held = values[-1] if values and values[-1] is not None else level
            values.append(
                {
                    "noise": round(level + draw.gauss(0, 2), 1),
                    "constant": held,
                    "gap": None,
                    "walk": held + draw.choice([-0.1, 0.0, 0.1]),
                }[kind]
            )
    return values[:n]


PAIRS = {
    "prx": ("icp_mmhg", "abp_mmhg"),
    "pax": ("amp_mmhg", "abp_mmhg"),
    "rac": ("amp_mmhg", "cpp_mmhg"),
    "rap": ("amp_mmhg", "icp_mmhg"),
}
INDICES = (*PAIRS, "lprx")


def _put_together(values, n):
    """Means of each `n` values, None where one is missing."""
    parts = [values[i : i + n] for i in range(0, len(values), n)]
    return [None if None in part else math.fsum(part) / n for part in parts]


def _minute_means_by_loop(values, per_minute):
    means = []
    for i in range(0, len(values), per_minute):
        known = [v for v in values[i : i + per_minute] if v is not None]
        means.append(math.fsum(known) / len(known) if 2 * len(known) >= per_minute else None)
    return means


def _index_by_loop(index, series, rules, interval_s):
    """What each minute has of one index, before drains and craniectomies."""
    n, n_minutes = 1, round(len(series["icp_mmhg"]) * rules.block_s / 60)
    if index != "prx" and rules.block_s < 10:
        n = round(10 / rules.block_s)
    step_s = max(rules.step_s, n * rules.block_s)
    slowest_s = max(interval_s[s] for s in (("icp",) if index == "rap" else ("icp", "abp")))
    if slowest_s > n * rules.block_s:
        return [None] * n_minutes
    first, second = (_put_together(series[name], n) for name in PAIRS[index])
    steps = _moving_by_loop(
        first,
        second,
        math.ceil(rules.n_blocks / n),
        round(step_s / (n * rules.block_s)),
        rules.min_valid_fraction,
    )
    each = round(60 / step_s)
    return [_average_by_loop(steps[each * i : each * (i + 1)], rules) for i in range(n_minutes)]


def _by_loop(series, rules, interval_s, events):
    """Every index of every minute, with lists."""
    indices = {index: _index_by_loop(index, series, rules, interval_s) for index in PAIRS}
    per_minute = round(60 / rules.block_s)
    means = [_minute_means_by_loop(series[name], per_minute) for name in PAIRS["prx"]]
    if max(interval_s.values()) > 60:
        means = [[None] * len(m) for m in means]
    indices["lprx"] = _moving_by_loop(*means, rules.window_min, 1, rules.min_valid_fraction)
    for i in range(len(indices["lprx"])):
        start_s, end_s = 60.0 * i, 60.0 * (i + 1)
        for event in events:
            until_s = math.inf if event["end_s"] is None else event["end_s"]
            closes = event["event"] in ("drain_open", "craniectomy")
            if closes and end_s > event["start_s"] and start_s < until_s:
                for values in indices.values():
                    values[i] = None
    return indices


def _draw_events(draw, n_minutes):
    """Events that begin and end anywhere, some on the edge of a minute, some without an end."""
    events = []
    kinds = ["drain_open", "craniectomy", "transport"]
    for kind in draw.sample(kinds, draw.choice([0, 0, 1, 2])):
        start_s = draw.choice([60.0 * draw.randrange(n_minutes), draw.uniform(0, 2400)])
        end_s = draw.choice([start_s + 60.0, start_s + draw.uniform(1, 300), None])
        events.append({"event": kind, "start_s": start_s, "end_s": end_s})
    return events


@pytest.mark.parametrize("preset", PRESETS)
def test_every_minute_of_every_preset_agrees_with_a_plain_loop(preset):
    """200 patients for each preset, of every length to 39 minutes, with drains and gaps."""
    rules = _rules(preset)
    per_minute = round(60 / rules.block_s)
    n_compared, n_missing = dict.fromkeys(INDICES, 0), dict.fromkeys(INDICES, 0)
    for seed in range(200):
        draw = random.Random(seed)
        n_minutes = draw.randrange(1, 40)
        series = {
            name: _draw_series(draw, per_minute * n_minutes)
            for name in ("icp_mmhg", "abp_mmhg", "amp_mmhg")
        }
        interval_s = {
            s: draw.choice([0.01] * 6 + [5.0, 10.0, 60.0, 300.0]) for s in ("icp", "abp")
        }
        events = _draw_events(draw, n_minutes)
        table = _trends(series, rules.block_s).with_columns(
            pl.lit(value).alias(f"{signal}_interval_s") for signal, value in interval_s.items()
        )
        minutes = _to_minutes(table, rules, events=events)
        series["cpp_mmhg"] = [
            None if a is None or i is None else a - i
            for a, i in zip(series["abp_mmhg"], series["icp_mmhg"])
        ]
        for index, expected in _by_loop(series, rules, interval_s, events).items():
            assert minutes.height == len(expected) == n_minutes
            for i, (ours, slow) in enumerate(zip(minutes[index].to_list(), expected)):
                assert (ours is None) == (slow is None), (seed, index, i, ours, slow)
                n_missing[index] += slow is None
                if slow is not None:
                    n_compared[index] += 1
                    # two lines of few distinct tenths leave 1e-13 of a mmHg between sums
                    assert ours == pytest.approx(slow, rel=1e-9, abs=1e-11)
    assert min(n_compared.values()) > 150, n_compared
    assert min(n_missing.values()) > 100, n_missing


def test_a_minute_says_for_how_long_the_pulse_shape_was_sought_and_found():
    """Six blocks: sought in five, found in three, a height in four; then a minute without."""
    series = {
        **{name: [12.0] * 12 for name in ("icp_mmhg", "abp_mmhg", "amp_mmhg")},
        "p2_p1_ratio": [0.8, 1.0, 1.2, None, None, None] + [None] * 6,
        "peak_to_trough_mmhg": [4.0, 5.0, 6.0, 7.0, None, None] + [None] * 6,
    }
    table = _trends(series, 10.0).with_columns(
        n_pulses_averaged=pl.Series([10, 10, 10, 10, 0, None] + [None] * 6, dtype=pl.Int64)
    )
    minutes = _to_minutes(table, _rules("later_practice"))
    assert minutes["p2p1_eligible_s"].to_list() == [50.0, 0.0]
    assert minutes["p2p1_found_s"].to_list() == [30.0, 0.0]
    assert minutes["p2_p1_ratio"].to_list() == [pytest.approx(1.0), None]
    assert minutes["peak_to_trough_mmhg"].to_list() == [pytest.approx(5.5), None]


def test_how_correlations_are_averaged_moves_the_average():
    """P16: 0.2 and 0.8 give 0.572 through Fisher z and 0.5 without."""
    r = pl.DataFrame({"r": [0.2, None, 0.8]})
    means = {
        averaging: r.select(
            correlation.mean_correlation(pl.col("r"), replace(FISHER, averaging=averaging))
        ).item()
        for averaging in ("fisher", "arithmetic")
    }
    assert means["fisher"] == pytest.approx(0.5721224617320373, abs=1e-12)
    assert means["arithmetic"] == pytest.approx(0.5, abs=1e-15)
    noise = np.random.default_rng(4).normal(size=(3, 360))
    table = _trends(dict(zip(("icp_mmhg", "abp_mmhg", "amp_mmhg"), noise.tolist())), 10.0)
    both = [
        _to_minutes(table, _rules("every_block", averaging=averaging))["prx"].drop_nulls()
        for averaging in means
    ]
    assert both[0].len() > 50
    assert (both[0] - both[1]).abs().max() > 1e-4


def test_no_index_during_an_open_drain_or_after_a_craniectomy():
    noise = np.random.default_rng(4).normal(size=(3, 720))
    table = _trends(dict(zip(("icp_mmhg", "abp_mmhg", "amp_mmhg"), noise.tolist())), 10.0)
    events = [
        {"event": "drain_open", "start_s": 1830.0, "end_s": 2400.0},
        {"event": "craniectomy", "start_s": 5000.0, "end_s": None},
    ]
    minutes = _to_minutes(
        table,
        _rules("every_block"),
        events=events,
    ).select("t_s", "prx", "pax", "rac", "rap", "lprx")
    closed = ((minutes["t_s"] > 1830) & (minutes["t_s"] - 60 < 2400)) | (minutes["t_s"] > 5000)
    assert minutes.filter(closed).height == 10 + 37
    for name in ("prx", "pax", "rac", "rap", "lprx"):
        assert minutes.filter(closed)[name].null_count() == 47
        assert minutes.filter(~closed & (pl.col("t_s") > 1200))[name].null_count() == 0


def test_minutes_look_backwards_only():
    """Changing the future changes no past value."""
    draw = np.random.default_rng(3)
    noise = draw.normal(size=(3, 6 * 90))
    table = _trends(dict(zip(("icp_mmhg", "abp_mmhg", "amp_mmhg"), noise.tolist())), 10.0)
    changed = table.with_columns(
        pl.when(pl.col("t_s") < 2400).then("icp_mmhg").otherwise(99.0).alias("icp_mmhg")
    )
    past = pl.col("t_s") <= 2400
    for preset in ("later_practice", "every_block"):
        whole = _to_minutes(table, _rules(preset))
        assert _to_minutes(changed, _rules(preset)).filter(past).equals(whole.filter(past))
        assert whole.filter(past)["prx"].count() > 30


@settings(max_examples=200)
@given(
    series=st.lists(
        st.tuples(*[st.floats(-1e3, 1e3, allow_subnormal=False)] * 2), min_size=3, max_size=60
    ),
    level=st.sampled_from([0.0, 80.0, 1e5]),
)
def test_pearson_agrees_with_numpy_and_scipy_on_any_input(series, level):
    """References: numpy.corrcoef and scipy.stats.pearsonr, which spread of rounding allows."""
    x, y = np.array(series).T + level
    ours = _last(x, y, len(x))
    spread = min(np.ptp(x), np.ptp(y))
    if math.isnan(ours):  # nearly constant: the digits of the deviations are gone
        assert min(np.ptp(s) / max(1.0, np.abs(s).max()) for s in (x, y)) <= 1e-9
        return
    assert spread > 0
    assert ours == pytest.approx(np.corrcoef(x, y)[0, 1], rel=1e-9, abs=1e-9)
    assert ours == pytest.approx(stats.pearsonr(x, y).statistic, rel=1e-9, abs=1e-9)


def test_one_spike_ten_days_ago_spoils_no_correlation():
    """Running sums would keep its rounding for ever; windows are centred one by one."""
    draw = np.random.default_rng(8)
    x, y = draw.normal(size=(2, 10 * 8640)) + 80
    spiked = x.copy()
    spiked[5] = 1e9
    clean, after = (
        correlation.moving_pearson(s, y, n_values=30, step=6, min_valid_fraction=0.5)[6:]
        for s in (x, spiked)
    )
    assert np.array_equal(clean, after)


@pytest.mark.parametrize("level", [12.3, 80.1, 33.3])
def test_minute_means_of_a_constant_with_gaps_have_no_correlation(level):
    """Six and five times 12.3 divided by six and five differ in the last digit."""
    draw = np.random.default_rng(1)
    icp, abp = np.full(1200, level), 80 + draw.normal(size=1200)
    icp[draw.random(1200) < 0.2] = np.nan
    series = {
        name: pl.Series(s).fill_nan(None).to_list()
        for name, s in (("icp_mmhg", icp), ("abp_mmhg", abp), ("amp_mmhg", abp))
    }
    minutes = _to_minutes(_trends(series, 10.0), _rules("later_practice"))
    assert minutes["icp_mmhg"].n_unique() > 1
    assert minutes["lprx"].null_count() == minutes["prx"].null_count() == minutes.height == 200
    assert minutes["pax"].count() > 150


@pytest.mark.parametrize("level", [0.1, 80.3, 1e6 + 0.1])
def test_a_constant_series_has_no_correlation_whatever_its_level(level):
    """The mean of a constant may miss it by rounding, and its deviations correlate."""
    draw = np.random.default_rng(6)
    for n in range(3, 60):
        lively, constant = draw.normal(size=n), np.full(n, level)
        assert math.isnan(_last(constant, lively, n))
        assert math.isnan(_last(lively, constant, n))


def test_an_index_of_another_signal_is_numpys_correlation_of_minute_means():
    """ORx: PbtO2 with CPP, 60 minute means, half of them valid; Jaeger 2006 (from memory).

    Reference: numpy.corrcoef of the valid pairs of the last hour, minute by minute.
    """
    pbto2 = {"label": "PbtO2", "about": "Oxygen tension", "unit": "mmHg", "names": ["PBTO2"]}
    orx = {
        "label": "ORx",
        "about": "Oxygen reactivity index: moving correlation of PbtO2 and CPP",
        "of": ["pbto2", "cpp"],
        "per": "minutes",
        "window_min": 60,
        "source": "Jaeger 2006",
    }
    asked = PUBLISHED | {
        "signals": PUBLISHED["signals"] | {"pbto2": pbto2},
        "indices": {"prx": PUBLISHED["indices"]["prx"], "orx": orx},
    }
    draw, n_minutes = np.random.default_rng(4), 200
    n = 6 * n_minutes
    series = {
        "icp_mmhg": 12 + draw.normal(0, 1, n),
        "abp_mmhg": 85 + draw.normal(0, 1, n).cumsum() / 9,
    }
    series["pbto2_mmhg"] = 25 + 0.2 * (series["abp_mmhg"] - 85) + draw.normal(0, 0.5, n)
    series["pbto2_mmhg"][120 * 6 : 165 * 6] = np.nan  # of 60 minutes fewer than half are left
    columns = trends.recorded(asked).columns
    table = pl.DataFrame({"t_s": 10.0 * np.arange(n), **series}).with_columns(
        pl.col(list(series)).fill_nan(None),
        **{f"{s}_interval_s": pl.lit(1.0) for s in asked["signals"]},
        **{f"{s}_valid_fraction": pl.lit(1.0) for s in asked["signals"]},
    )
    table = table.with_columns(
        cpp_mmhg=pl.col("abp_mmhg") - pl.col("icp_mmhg"),
        **{name: pl.lit(None, columns[name].dtype) for name in columns if name not in table},
    )
    minutes = reactivity.to_minutes(
        table.select("cpp_mmhg", *columns),
        events=[],
        minute_min_valid_fraction=0.5,
        block_s=10.0,
        indices=index_settings.rules_of(asked),
        declared=asked,
    )
    means = {
        name: values.reshape(n_minutes, 6).mean(axis=1)
        for name, values in (series | {"cpp": series["abp_mmhg"] - series["icp_mmhg"]}).items()
    }
    n_given = 0
    for i, ours in enumerate(minutes["orx"].to_list()):
        hour = slice(max(0, i - 59), i + 1)
        known = np.isfinite(means["pbto2_mmhg"][hour])
        if known.sum() < 30:
            assert ours is None, i
            continue
        pair = means["pbto2_mmhg"][hour][known], means["cpp"][hour][known]
        assert ours == pytest.approx(np.corrcoef(*pair)[0, 1], rel=1e-9, abs=1e-12), i
        n_given += 1
    assert 100 < n_given < n_minutes - 40
    assert minutes["pbto2_mmhg"].null_count() == 45
