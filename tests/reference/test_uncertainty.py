"""Bootstrap and surrogates against plain loops, scipy's spectra, and simulated truths.

The many patients behind the figures in docs/validation.md are those of
`tests/bench/uncertainty.py` and `tests/bench/asymmetry.py`.
"""

import dataclasses
import math
import sys
from pathlib import Path

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm
from scipy import signal

from icpcohort.indices import asymmetric, bootstrap, cpp_curve, cppopt, surrogates

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
import asymmetry
import uncertainty as bench


def _minutes(n=400, seed=3):
    draw = np.random.default_rng(seed)
    cpp = 75 + 12 * np.sin(np.arange(n) / 40) + draw.normal(size=n)
    prx = np.tanh(0.003 * (cpp - 75) ** 2 - 0.1 + 0.3 * draw.normal(size=n))
    table = pl.DataFrame({"cpp_mmhg": cpp, "prx": prx})
    return table.with_columns(prx=pl.when(pl.int_range(n) % 17 > 1).then("prx"))


@pytest.mark.parametrize("block_min", [1, 60, 399, 400, 1000])
def test_a_resample_is_made_of_whole_blocks_of_minutes(block_min):
    """The same draws, minute by minute in a plain loop."""
    running = cppopt.running_sums(_minutes(), rules=bench.CURVE)
    resampled = bootstrap.resample(
        running, block_min=block_min, n_resamples=7, generator=np.random.default_rng(5)
    )
    length = min(block_min, 400)
    starts = np.random.default_rng(5).integers(
        0, 400 - length + 1, size=(math.ceil(400 / length), 7)
    )
    each = [np.diff(part, axis=0) for part in running]
    for k in range(7):
        minutes = [i for first in starts[:, k] for i in range(first, first + length)]
        for part, ours in zip(each, resampled):
            assert ours[k] == pytest.approx(part[minutes].sum(axis=0), rel=1e-9, abs=1e-9)


def _refitted(counts, values, centres, reach):
    """Return the lowest point by numpy.linalg.lstsq, place by place and power by power."""
    mean = np.where(counts > 0, values / np.maximum(counts, 1), 0.0)

    def least_squares(design, weights):
        root = np.sqrt(weights)[:, None]
        return np.linalg.lstsq(root * design, root[:, 0] * mean, rcond=None)[0]

    before = (np.cumsum(counts) - counts / 2) / counts.sum()
    smoothed = {}
    for place in np.flatnonzero((before >= 0.02) & (before <= 0.98)):
        off = (centres - centres[place]) / 8
        weights = counts * (1 - off**2).clip(0)
        if (weights > 0).sum() >= 3:
            design = np.column_stack([np.ones(off.size), off, off**2])
            smoothed[place] = least_squares(design, weights)[0]
    start = centres[min(smoothed, key=smoothed.get)]
    weights = counts * (1 - ((centres - start) / reach) ** 2).clip(0)
    level = (weights * mean).sum() / weights.sum()
    best, lowest = np.inf, math.nan
    for power in (1.0, 1.5, 2.0, 3.0):
        for lower in start + np.arange(-int(1.2 * reach), int(1.2 * reach) + 1) / 2:
            share = weights[centres < lower].sum() / weights.sum()
            if not 0.1 <= share <= 0.9:
                continue
            away = (centres - lower) / 10
            arms = [(-away).clip(0) ** power, away.clip(0) ** power]
            design = np.column_stack([np.ones(away.size), *arms])
            fitted = least_squares(design, weights)
            misfit = (weights * (mean - design @ fitted) ** 2).sum()
            if min(fitted[1:]) > 0 and misfit < best - 1e-12 * (weights * level**2).sum():
                best, lowest = misfit, lower
    return lowest


def test_the_interval_is_that_of_refitted_resamples():
    """Every resample refitted by numpy.linalg.lstsq, with the reach of its turn."""
    minutes, rules, n = _minutes(), bench.CURVE, 12
    interval = bootstrap.interval(
        minutes,
        settings=dataclasses.replace(
            bench.UNCERTAINTY, block_min=30, n_resamples=n, min_upward_fraction=0.0
        ),
        generator=np.random.default_rng(5),
        rules=rules,
    )
    fine = dataclasses.replace(rules, bin_width_mmhg=1.0)
    running = cppopt.running_sums(minutes, rules=fine)
    drawn = bootstrap.resample(
        running, block_min=30, n_resamples=n, generator=np.random.default_rng(5)
    )
    centres, reaches = fine.centres_mmhg(), (10.0, 14.0, 20.0)
    lowest = np.array(
        [_refitted(drawn.counts[k], drawn.values[k], centres, reaches[k % 3]) for k in range(n)]
    )
    whole = [_refitted(running.counts[-1], running.values[-1], centres, r) for r in reaches]
    known = lowest[np.isfinite(lowest)]
    assert interval.upward_fraction == known.size / n > 0.5
    assert interval.lowest_mmhg == pytest.approx(np.mean(whole), rel=1e-9)
    assert (interval.low, interval.high) == pytest.approx(
        tuple(np.percentile(known, [2.5, 97.5])), rel=1e-9
    )


def _without_noise(value):
    """Return the bins of a curve of CPP, 30 minutes in each of 50 narrow bins."""
    centres = np.arange(50.5, 100)
    counts = np.full((1, centres.size), 30.0)
    values = counts * value(centres)
    return cpp_curve.Sums(counts, values, values**2 / counts), centres


@pytest.mark.parametrize("reach_mmhg", bootstrap.REACHES_MMHG)
@pytest.mark.parametrize("power", asymmetric.POWERS)
@pytest.mark.parametrize("steeper", [0.5, 1.0, 2.0, 4.0])
def test_an_asymmetric_curve_is_recovered(steeper, power, reach_mmhg):
    """Without noise the lowest point is the one it was made with, on the grid of half bins."""
    sums, centres = _without_noise(
        lambda x: np.where(x < 74, steeper, 1.0) * (abs(x - 74) / 10) ** power - 0.2
    )
    lowest = asymmetric.lowest_points(sums, centres_mmhg=centres, reach_mmhg=reach_mmhg)
    assert lowest.tolist() == [74.0]


def test_a_symmetric_curve_is_lowest_where_its_parabola_is():
    """Within the grid of half a bin; where it is steeper below, the parabola lies above."""
    parabola = [
        np.polyfit(x - 75, sums.values[0] / 30, 2)
        for sums, x in (
            _without_noise(lambda x: 0.005 * (x - 73.3) ** 2),
            _without_noise(lambda x: 0.005 * np.where(x < 73.3, 3, 1) * (x - 73.3) ** 2),
        )
    ]
    parabolas_mmhg = [75 - b / (2 * a) for a, b, _ in parabola]
    assert parabolas_mmhg[0] == pytest.approx(73.3, abs=1e-6)
    assert parabolas_mmhg[1] > 73.3 + 1.5
    for steeper in (1, 3):
        sums, centres = _without_noise(
            lambda x, k=steeper: 0.005 * np.where(x < 73.3, k, 1) * (x - 73.3) ** 2
        )
        lowest = asymmetric.lowest_points(sums, centres_mmhg=centres, reach_mmhg=12.0)
        assert lowest == pytest.approx([73.3], abs=0.5)


def test_how_far_arms_level_off_does_not_move_the_lowest_point():
    """PRx cannot exceed 1: an arm that ends in a plateau 14 mmHg away changes nothing."""
    sums, centres = _without_noise(lambda x: np.minimum(0.005 * (x - 74) ** 2, 0.005 * 14**2))
    for reach_mmhg in (8.0, 12.0):
        lowest = asymmetric.lowest_points(sums, centres_mmhg=centres, reach_mmhg=reach_mmhg)
        assert lowest.tolist() == [74.0]


def test_a_curve_that_only_falls_has_no_lowest_point():
    sums, centres = _without_noise(lambda x: -0.01 * x)
    lowest = asymmetric.lowest_points(sums, centres_mmhg=centres, reach_mmhg=12.0)
    assert np.isnan(lowest).all()


def test_the_interval_holds_an_asymmetric_truth_that_the_parabola_misses():
    """15 patients of 48 h, three times as steep below; many more by the bench."""
    truth = asymmetry.TRUTHS["3:1"]
    judged = [asymmetry.judge(truth, seed, hours=48) for seed in range(15)]
    some = [one for one in judged if one is not None]
    assert len(some) >= 13
    assert sum(one.covered for one in some) >= len(some) - 2
    assert np.median([one.parabola_error_mmhg for one in some]) > 1.5
    assert abs(np.median([one.error_mmhg for one in some])) < 1.0


def test_a_recording_that_does_not_open_upward_has_no_interval():
    minutes = _minutes().with_columns(prx=-pl.col("prx"))
    interval = bootstrap.interval(
        minutes,
        settings=dataclasses.replace(
            bench.UNCERTAINTY, block_min=30, n_resamples=100, min_upward_fraction=0.9
        ),
        generator=np.random.default_rng(5),
        rules=bench.CURVE,
    )
    assert interval.upward_fraction < 0.1
    assert math.isnan(interval.low) and math.isnan(interval.high)


def _series(n, seed=1):
    draw = np.random.default_rng(seed)
    series = 12 + signal.lfilter([1], [1, -0.9], draw.normal(size=n))
    series[n // 3 : n // 2] = np.nan
    return series


@pytest.mark.parametrize("n", [900, 901])
@pytest.mark.parametrize("method", ["phase", "shift"])
def test_a_surrogate_keeps_spectrum_mean_and_gaps(method, n):
    """Reference: scipy.signal.periodogram of the valid readings."""
    series = _series(n)
    changed = surrogates.decouple(series, method=method, generator=np.random.default_rng(2))
    assert np.array_equal(np.isnan(series), np.isnan(changed))
    before, after = (s[np.isfinite(s)] for s in (series, changed))
    spectra = [signal.periodogram(s, detrend=False)[1] for s in (before, after)]
    assert spectra[1] == pytest.approx(spectra[0], rel=1e-9, abs=1e-9 * spectra[0].max())
    assert after.mean() == pytest.approx(before.mean(), rel=1e-12)
    assert abs(np.corrcoef(before, after)[0, 1]) < 0.5
    if method == "shift":
        assert sorted(after) == sorted(before)


def test_surrogates_of_a_series_scatter_about_no_correlation():
    series = _series(2000)
    known = series[np.isfinite(series)]
    for method in ("phase", "shift"):
        generator = np.random.default_rng(4)
        r = [
            np.corrcoef(
                known,
                surrogates.decouple(series, method=method, generator=generator)[
                    np.isfinite(series)
                ],
            )[0, 1]
            for _ in range(200)
        ]
        assert abs(np.mean(r)) < 3 * np.std(r) / math.sqrt(200)


def test_too_few_readings_stay_as_they_are():
    series = np.array([np.nan, 1.0, 2.0, 3.0, np.nan])
    changed = surrogates.decouple(series, method="phase", generator=np.random.default_rng(1))
    assert np.array_equal(changed, series, equal_nan=True)


def _pair(patient):
    return bench.to_minutes(patient.icp_mmhg, patient.abp_mmhg)[0]


def test_p_is_that_of_the_arm_that_rises_less_and_counts_the_recording():
    """By hand: of four surrogates one rises as much below, none does above: (1 + 1) / 5."""
    arms = [(3.0, 1.0), (0.0, 0.5), (-1.0, math.nan), (math.nan, 2.9)]
    assert surrogates.p_of_arms((3.0, 3.0), arms) == 2 / 5
    assert surrogates.p_of_arms((3.1, 3.0), arms) == 1 / 5
    assert surrogates.p_of_arms((3.1, 0.5), arms) == 4 / 5
    assert surrogates.p_of_arms((9.0, math.nan), arms) == 1.0


def test_the_arms_are_lines_through_the_bins_of_each_side():
    """Reference: statsmodels WLS with the minutes as weights and a known spread."""
    for seed in range(50):
        minutes = _minutes(seed=seed)
        running = cppopt.running_sums(minutes, rules=bench.CURVE)
        sums = cpp_curve.Sums(*(part[-1] for part in running))
        centres = bench.CURVE.centres_mmhg()
        lowest = np.random.default_rng(seed).uniform(60, 90)
        arms = cpp_curve.arms_z(sums, lowest_mmhg=lowest, rules=bench.CURVE)
        spread = float(cpp_curve.spread_of_values(sums, rules=bench.CURVE))
        for side, ours in zip((-1, 1), arms):
            arm = sums.counts >= 0.02 * sums.counts.sum()
            arm &= side * (centres - lowest) >= -2.5
            if arm.sum() < 2:
                assert math.isnan(ours)
                continue
            n = sums.counts[arm]
            design = np.column_stack([np.ones(n.size), centres[arm] - 75])
            known = sm.WLS(sums.values[arm] / n, design, weights=n).fit(cov_type="fixed scale")
            se = spread * math.sqrt(known.normalized_cov_params[1, 1])
            assert ours == pytest.approx(side * known.params[1] / se, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(
    ("shape", "p"),
    [
        (lambda d: 0.004 * d**2, 1 / 20),
        (lambda d: -0.004 * d**2, 1.0),
        (lambda d: 0.03 * np.clip(-d, 0, None), 0.2),  # one steep arm, the other flat
    ],
)
def test_a_u_has_two_arms_and_chance_none(shape, p):
    """A U is told from chance; a hat and one steep arm are not taken for one."""
    pair = _pair(bench.simulate(1, hours=12, has_optimum=True))
    draw = np.random.default_rng(2)
    n = pair.closed.size
    cpp = 75 + 12 * np.sin(np.arange(n) / 60)
    z = shape(cpp - 75) + np.repeat(draw.normal(0, 0.2, n // 5), 5)
    chance = surrogates.chance(
        pair,
        pl.DataFrame({"cpp_mmhg": cpp, "prx": np.tanh(z)}),
        settings=bench.surrogates_only(19),
        generator=np.random.default_rng(1),
        **bench.CHANCE,
    )
    assert chance.p == p if p in (1.0, 1 / 20) else chance.p >= p
    assert math.isnan(chance.yield_percent)


def test_the_recorded_pressures_give_the_minutes_of_the_workflow():
    """`to_minutes` with the recorded ICP is `reactivity.to_minutes`, closed minutes too."""
    from icpcohort import contracts
    from icpcohort.indices import reactivity

    patient = bench.simulate(2, hours=12, has_optimum=True)
    trends = pl.DataFrame(
        {
            "t_s": 10.0 * np.arange(patient.icp_mmhg.size),
            "icp_mmhg": patient.icp_mmhg,
            "abp_mmhg": patient.abp_mmhg,
        }
    ).with_columns(pl.exclude("t_s").fill_nan(None))
    trends = trends.with_columns(
        cpp_mmhg=pl.col("abp_mmhg") - pl.col("icp_mmhg"),
        icp_interval_s=pl.lit(1.0),
        abp_interval_s=pl.when(pl.col("t_s") < 10_000).then(60.0).otherwise(1.0),
        **{
            name: pl.lit(None, column.dtype)
            for name, column in contracts.trends({}).columns.items()
            if name not in (*trends.columns, "cpp_mmhg", "icp_interval_s", "abp_interval_s")
        },
    ).select(list(contracts.trends({}).columns))
    events = [{"event": "drain_open", "start_s": 20_000.0, "end_s": 21_000.0}]
    whole = reactivity.to_minutes(
        trends,
        events=events,
        minute_min_valid_fraction=0.5,
        block_s=10.0,
        indices={"prx": bench.CURVE.index},
        declared={},
    )
    pair = surrogates.coupled(
        trends,
        events=events,
        minute_min_valid_fraction=0.5,
        block_s=10.0,
        rules=bench.CURVE.index,
        declared={},
    )
    again = surrogates.to_minutes(
        pair, pair.first, minute_min_valid_fraction=0.5, rules=bench.CURVE.index
    )
    assert again["prx"].equals(whole["prx"], null_equal=True)
    assert whole["prx"].count() > 300
    fine = pl.Series(whole["t_s"] > 10_020)
    assert again.filter(fine)["cpp_mmhg"].to_list() == pytest.approx(
        whole.filter(fine)["cpp_mmhg"].to_list(), nan_ok=True
    )


def _drifting_minutes(seed, *, has_u):
    """Return 24 h of a CPP that wanders, and a PRx that depends on it or wanders by itself."""
    draw = np.random.default_rng([seed, int(has_u)])
    n = 1440
    steps = draw.normal(0, 9 * math.sqrt(1 - math.exp(-2 / 60)), n)
    cpp = 72 + signal.lfilter([1], [1, -math.exp(-1 / 60)], steps) + draw.normal(0, 2, n)
    own = bench.wandering("autoregressive", n, draw)
    prx = np.tanh(0.004 * (cpp - 72) ** 2 - 0.2 + 0.5 * own) if has_u else own
    return pl.DataFrame({"cpp_mmhg": cpp, "prx": prx})


def _p_rolled(minutes, seed, n=99):
    return surrogates.rolled(
        minutes,
        closed=np.zeros(minutes.height, bool),
        rules=bench.CURVE,
        settings=bench.surrogates_only(n),
        generator=np.random.default_rng(seed),
    )


def test_an_index_that_wanders_by_itself_is_not_taken_for_a_u_and_a_u_is():
    """Of 100 at 5 %, more than 12 come in one of a thousand (binomial)."""
    wanders = [_p_rolled(_drifting_minutes(seed, has_u=False), seed).p for seed in range(100)]
    assert sum(p <= 0.05 for p in wanders) <= 12
    bends = [_p_rolled(_drifting_minutes(seed, has_u=True), seed).p for seed in range(20)]
    assert sum(p <= 0.05 for p in bends) >= 16


def test_a_roll_moves_the_index_of_minutes_that_have_both_in_a_circle_half_of_them_backward():
    """The same rolls, refitted one by one through the analysis of a recording."""
    minutes = _minutes(600)
    found = _p_rolled(minutes, 5, n=19)
    shifts = np.random.default_rng(5)
    binned = cppopt.bin_minutes(minutes, rules=bench.CURVE)
    rows = np.flatnonzero(binned.inside)
    prx = minutes["prx"].fill_null(np.nan).to_numpy()
    flatter, optima = [], []
    every = [0, *shifts.integers(1, rows.size, size=19)]
    for turn, shift in enumerate(every):
        moved = prx.copy()
        moved[rows] = np.roll(prx[rows], shift)
        if turn and turn % 2 == 0:
            moved[rows] = moved[rows][::-1]
        again = minutes.with_columns(pl.Series("prx", moved).fill_nan(None))
        running = cppopt.running_sums(again, rules=bench.CURVE)
        sums = cpp_curve.Sums(*(part[-1] for part in running))
        fit = cpp_curve.accept(
            sums,
            min_minutes=bench.CURVE.min_minutes(),
            min_arm_z=bench.CURVE.min_arm_z,
            rules=bench.CURVE,
        )
        lowest = fit.parabola.lowest_mmhg()
        arms = cpp_curve.arms_z(sums, lowest_mmhg=lowest, rules=bench.CURVE)
        has_two = fit.parabola.quadratic > 0 and np.isfinite(arms).all()
        flatter.append(min(arms) if has_two else -np.inf)
        optima.append(float(fit.cppopt_mmhg))
    assert found.p == np.mean(np.array(flatter) >= flatter[0])
    assert found.percent == pytest.approx(100 * np.isfinite(optima[1:]).mean())


def test_a_curve_of_one_arm_is_no_u_by_rolling():
    """PRx that only rises with CPP: its parabola is lowest at the edge, with one arm."""
    draw = np.random.default_rng(8)
    cpp = draw.uniform(60, 90, 1440)
    prx = np.tanh(0.02 * (cpp - 60) + 0.0005 * (cpp - 60) ** 2 + draw.normal(0, 0.2, 1440))
    found = _p_rolled(pl.DataFrame({"cpp_mmhg": cpp, "prx": prx}), 3)
    assert found.p == 1.0


def test_a_short_recording_has_no_p_by_rolling():
    assert math.isnan(_p_rolled(_minutes(100), 1).p)


def test_on_a_few_patients_the_interval_holds_the_truth_and_chance_is_told_from_a_u():
    """10 patients of 24 h of each kind; 90 % and 95 % of many more by the bench."""
    with_u = [
        bench.judge(bench.simulate(seed, hours=24, has_optimum=True), n_surrogates=19)
        for seed in range(10)
    ]
    assert all(judged.accepted and judged.p <= 0.05 for judged in with_u)
    assert sum(judged.covered for judged in with_u) >= 8
    assert np.median([abs(judged.error_mmhg) for judged in with_u]) < 2.5
    without = [
        bench.judge(bench.simulate(seed, hours=24, has_optimum=False), n_surrogates=19)
        for seed in range(10)
    ]
    assert sum(judged.p > 0.05 for judged in without) >= 8


def test_the_methods_text_says_what_the_interval_does_not_hold():
    sentences = bootstrap.methods_sentence(bench.UNCERTAINTY)
    assert "sampling error alone" in sentences and "drift" in sentences
