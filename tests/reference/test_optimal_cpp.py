"""CPPopt against analytic parabolas, ordinary least squares, and a plain loop (C01-C15)."""

import math
import random

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm
import yaml
from hypothesis import given
from hypothesis import settings as cases
from hypothesis import strategies as st
from published_settings import CONFIG, PUBLISHED, changed

from icpcohort.indices import cpp_curve, curve_settings, index_settings, parabola
from icpcohort.indices import cppopt as optimal_cpp
from icpcohort.study import presets

CENTRES = np.arange(62.5, 88, 5.0)
PRX = np.array([0.35, 0.18, 0.05, 0.02, 0.10, 0.30])
COUNTS = np.array([12.0, 40.0, 80.0, 60.0, 30.0, 18.0])
ONES = np.ones(6)
PRESETS = {
    name: PUBLISHED["optimal_cpp"] | preset["values"]
    for name, preset in presets.resolved(
        yaml.safe_load((CONFIG.parent / "presets.yaml").read_text(encoding="utf-8"))[
            "optimal_cpp"
        ]
    ).items()
    if name != "any_parabola"  # the others are like it
}
PRX_SETTINGS = {"block_s": 10.0, "n_blocks": 30, "averaging": "fisher", "fisher_clip": 0.999}
SETTINGS = PRX_SETTINGS | PUBLISHED["optimal_cpp"] | {"min_curvature_z": 0.0, "min_arm_z": 0.0}


ANY_LENGTH = {"windows_min": [2]}  # a curve of one minute


def _rules(settings):
    of_prx = {name: settings[name] for name in ("n_blocks", "averaging", "fisher_clip")}
    of_curve = {name: value for name, value in settings.items() if name not in PRX_SETTINGS}
    asked = changed(reactivity=of_prx, trends={"block_s": settings["block_s"]})
    return curve_settings.Rules(**of_curve, index=index_settings.rules_of(asked)["prx"])


def _for_minutes(minutes, settings):
    return optimal_cpp.for_minutes(minutes, rules=_rules(settings))


def _fit(values, weights):
    return parabola.fit(CENTRES, values, weights, variances=1 / weights)


def test_a_known_parabola_is_found():
    """C01-C04, analytic: lowest at 75, PRx -0.1 there, 0.30 at 55 and 95."""
    fit = _fit(0.001 * (CENTRES - 75) ** 2 - 0.1, ONES)
    assert fit.lowest_mmhg() == pytest.approx(75.0, abs=1e-6)
    assert fit.at(fit.lowest_mmhg()) == pytest.approx(-0.1, abs=1e-9)
    assert fit.crossings_mmhg(0.30) == (pytest.approx(55.0, abs=1e-6), pytest.approx(95.0))


def test_a_curve_in_fisher_z_crosses_at_the_z_of_the_limit():
    """C05, analytic."""
    fit = _fit(0.001 * (CENTRES - 75) ** 2 - 0.1, ONES)
    lower, _ = fit.crossings_mmhg(math.atanh(0.30))
    assert lower == pytest.approx(54.763409274210446, abs=1e-6)


@pytest.mark.parametrize(
    ("values", "weights", "expected"),
    [
        (PRX, ONES, 75.77323420074357),
        (PRX, COUNTS, 75.97108517679851),
        (np.arctanh(PRX), ONES, 75.78881721034912),
        (np.arctanh(PRX), COUNTS, 75.96866102028417),
    ],
)
def test_weights_and_fisher_z_move_the_lowest_point(values, weights, expected):
    """C06-C09: least squares computed with numpy."""
    fit = _fit(values, weights)
    assert fit.lowest_mmhg() == pytest.approx(expected, abs=1e-6)


def test_r_squared_plain_and_weighted():
    """C10-C12."""
    plain = _fit(PRX, ONES)
    assert plain.r_squared == pytest.approx(0.987639774271083, abs=1e-9)
    assert plain.quadratic == pytest.approx(0.0019214285714286444, abs=1e-12)
    weighted = _fit(PRX, COUNTS)
    assert weighted.r_squared == pytest.approx(0.9866539093436631, abs=1e-9)


def test_limits_of_reactivity():
    """C13, C14: roots of the unweighted fit."""
    fit = _fit(PRX, ONES)
    lower, upper = fit.crossings_mmhg(0.30)
    assert lower == pytest.approx(63.81884711134858, abs=1e-5)
    assert upper == pytest.approx(87.72762129013857, abs=1e-5)


def test_windows_are_combined_by_weight():
    """C15: 70, 74, 78 with weights 1, 2, 1 (weighted mean); a window without a value is out."""
    values = np.array([[70.0], [74.0], [78.0], [np.nan]])
    weights = np.array([[1.0], [2.0], [1.0], [5.0]])
    assert optimal_cpp.combine_windows(values, weights)[0] == 74.0


def _arm_by_loop(x, y, n, noise, side):
    """Slope of a line through the bins of one side, in its standard errors."""
    if len(x) < 2:
        return -math.inf
    slope = np.polyfit(x - x.mean(), y, 1, w=np.sqrt(n))[0]
    centre = (n * x).sum() / n.sum()
    return side * slope * math.sqrt((n * (x - centre) ** 2).sum()) / noise


def _window_by_loop(rows, n_window, settings, *, min_arm_z=0.0):
    """What one window gives the last of `rows`, written with lists, polyfit and roots."""
    width, low = settings["bin_width_mmhg"], settings["bin_min_mmhg"]
    n_average, clip = settings["cpp_average_min"], settings["fisher_clip"]
    fisher = settings["averaging"] == "fisher"
    n_bins = round((settings["bin_max_mmhg"] - low) / width)
    bins, n_valid = {}, 0
    for i in range(max(0, len(rows) - n_window), len(rows)):
        recent = [c for c, _ in rows[max(0, i - n_average + 1) : i + 1] if c is not None]
        if rows[i][1] is None or len(recent) < max(1, (n_average + 1) // 2):
            continue
        cpp = math.fsum(recent) / len(recent)
        if settings["cpp_average"] == "median":
            cpp = float(np.median(recent))
        k = math.floor((cpp - low) / width + 1e-11)
        if 0 <= k < n_bins:
            n_valid += 1
            r = rows[i][1]
            bins.setdefault(k, []).append(math.atanh(max(-clip, min(clip, r))) if fisher else r)
    if n_valid / n_window < settings["min_valid_fraction"]:
        return None
    used = {k: v for k, v in bins.items() if len(v) / n_valid >= settings["min_bin_fraction"]}
    keys = sorted(used)
    if len(keys) < settings["min_bins"]:
        return None
    x = np.array([low + width * (k + 0.5) for k in keys])
    y = np.array([math.fsum(used[k]) / len(used[k]) for k in keys])
    n = np.array([len(used[k]) for k in keys])
    within = {
        k: math.fsum((v - math.fsum(z) / len(z)) ** 2 for v in z) for k, z in bins.items()
    }
    freedom = n_valid - len(bins)
    pooled = math.fsum(within.values()) / freedom if freedom else 0.0
    if settings["weighting"] == "count":
        weights = n * 1.0
    elif settings["weighting"] == "none":
        weights = np.ones(len(keys))
    else:
        variance = [within[k] / (len(used[k]) - 1) if len(used[k]) > 1 else 0.0 for k in keys]
        variance = [v if v > 1e-9 else pooled for v in variance]
        least = 1 / (settings["n_blocks"] - 3)
        weights = n / np.array([v if v > 1e-9 else least for v in variance])
    prx = np.tanh(y) if fisher else y
    if (keys[-1] - keys[0] + 1) * width < settings["min_span_mmhg"]:
        return None
    mean = (weights * y).sum() / weights.sum()
    spread = (weights * (y - mean) ** 2).sum()
    if prx.max() - prx.min() < settings["min_span_index"] or spread / weights.sum() < 1e-12:
        return None
    middle, half = (x[0] + x[-1]) / 2, max(1.0, (x[-1] - x[0]) / 2)
    u = (x - middle) / half
    a, b, c = np.polyfit(u, y, 2, w=np.sqrt(weights))
    design = np.vander(u, 3)
    bread = np.linalg.inv(design.T @ np.diag(weights) @ design)
    meat = design.T @ np.diag(weights**2 / n) @ design
    least = 1 / (settings["n_blocks"] - (3 if fisher else 1))
    minutes_per_window = max(1.0, settings["n_blocks"] * settings["block_s"] / 60)
    noise = math.sqrt(minutes_per_window * max(pooled, least))
    se = noise * math.sqrt((bread @ meat @ bread)[0, 0])
    r_squared = 1 - (weights * (y - np.polyval([a, b, c], u)) ** 2).sum() / spread
    if a <= 0 or a / se < settings["min_curvature_z"] or r_squared < settings["min_r_squared"]:
        return None
    lowest = middle - half * b / (2 * a)
    for side in (-1, 1) if min_arm_z else ():
        arm = side * (x - lowest) >= -width / 2
        if _arm_by_loop(x[arm], y[arm], n[arm], noise, side) < min_arm_z:
            return None
    outside = not x[0] <= lowest <= x[-1]
    if outside and settings["one_sided"] == "reject":
        return None
    cppopt = min(max(lowest, x[0]), x[-1])
    limit = settings["reactivity_limit"]
    limit = math.atanh(limit) if fisher else limit
    roots = np.roots([a, b, c - limit])
    real = sorted(middle + half * r.real for r in roots if abs(r.imag) < 1e-9)
    llr = real[0] if len(real) == 2 and real[0] >= x[0] - width / 2 else None
    ulr = real[1] if len(real) == 2 and real[1] <= x[-1] + width / 2 else None
    nearest = int(np.abs(x - cppopt).argmin())
    weight = r_squared if settings["window_weighting"] == "r_squared" else 1.0
    return {
        "weight": weight * (settings["edge_weight"] if outside else 1.0),
        "cppopt_mmhg": cppopt,
        "llr_mmhg": llr,
        "ulr_mmhg": ulr,
        "llr_bins_mmhg": _crossing_by_loop(x, y, nearest, limit, -1),
        "ulr_bins_mmhg": _crossing_by_loop(x, y, nearest, limit, 1),
        "cppopt_edge_fraction": float(outside),
    }


def _crossing_by_loop(x, y, nearest, limit, side):
    if y[nearest] >= limit - 1e-9:
        return None
    i = nearest
    while 0 <= i + side < len(x):
        if y[i] < limit - 1e-9 <= y[i + side]:
            return x[i] + (limit - y[i]) / (y[i + side] - y[i]) * (x[i + side] - x[i])
        i += side
    return None


def _by_loop(rows, settings):
    """What all windows give the last of `rows`."""
    windows = [_window_by_loop(rows, n, settings) for n in settings["windows_min"]]
    windows = [window for window in windows if window is not None and window["weight"] > 0]
    combined = {}
    for name in optimal_cpp.MINUTE_COLUMNS:
        with_value = [w for w in windows if w[name] is not None]
        total = math.fsum(w["weight"] for w in with_value)
        mass = math.fsum(w["weight"] * w[name] for w in with_value)
        combined[name] = mass / total if with_value else None
    return combined


def _draw_patient(draw):
    """Minutes of CPP and PRx with gaps, constants, plateaus and values on the bins' edges."""
    shape = draw.choice(["u", "u", "u", "left", "right", "flat", "constant"])
    best, noise = draw.uniform(65, 90), draw.choice([0.05, 0.2, 0.4])
    step, rounded = draw.choice([0.5, 2.0, 4.0]), draw.choice([0, 1, 6])
    rows, cpp, gap, gaps = [], best + draw.uniform(-10, 10), 0, draw.choice([0.0, 0.01])
    for _ in range(draw.randrange(0, 520)):
        if draw.random() < gaps:
            gap = draw.randrange(1, 30)
        gap = max(0, gap - 1)
        if draw.random() < 0.9:  # else a plateau
            cpp += draw.gauss(0, step) - 0.05 * (cpp - best)
        seen = round(cpp, rounded)
        if draw.random() < 0.05:
            seen = draw.choice([40.0, 75.0, 120.0, 39.9])
        bend = 0.002 * (cpp - best) ** 2
        bend = {"left": bend * (cpp < best), "right": bend * (cpp > best)}.get(shape, bend)
        bend = 0.0 if shape in ("flat", "constant") else bend
        r = 0.2 if shape == "constant" else -0.2 + bend + draw.gauss(0, noise)
        rows.append(
            (
                None if gap or draw.random() < 0.02 else float(seen),
                None if gap or draw.random() < 0.05 else max(-1.0, min(1.0, r)),
            )
        )
    return rows


def _as_minutes(rows):
    return pl.DataFrame(rows, schema={"cpp_mmhg": pl.Float64, "prx": pl.Float64}, orient="row")


VARIANTS = {name: PRX_SETTINGS | values for name, values in PRESETS.items()} | {
    "default": SETTINGS,
    "arithmetic": SETTINGS | {"averaging": "arithmetic", "min_curvature_z": 1.645},
    "short_edge": SETTINGS | {"windows_min": [60, 90], "one_sided": "edge"},
    "both_arms": SETTINGS | {"min_curvature_z": 1.645, "min_arm_z": 1.0},
}


@pytest.mark.parametrize("variant", [name for name in VARIANTS if name != "both_arms"])
def test_every_preset_agrees_with_a_plain_loop(variant):
    """200 patients for each; the last minute and one earlier, to 1e-9."""
    settings = VARIANTS[variant]
    n_given = dict.fromkeys(optimal_cpp.MINUTE_COLUMNS, 0)
    n_missing = 0
    for seed in range(200):
        draw = random.Random(seed)
        rows = _draw_patient(draw)
        minutes = _for_minutes(_as_minutes(rows), settings)
        for i in {len(rows) - 1, draw.randrange(0, max(1, len(rows)))} - {-1}:
            if i >= len(rows):
                continue
            slow, ours = _by_loop(rows[: i + 1], settings), minutes.row(i, named=True)
            n_missing += slow["cppopt_mmhg"] is None
            for name, expected in slow.items():
                assert (ours[name] is None) == (expected is None), (seed, i, name, ours, slow)
                if expected is not None:
                    n_given[name] += 1
                    assert ours[name] == pytest.approx(expected, rel=1e-9, abs=1e-9), (seed, i)
    assert n_missing > 20
    for name in ("cppopt_mmhg", "llr_bins_mmhg", "ulr_bins_mmhg"):
        assert n_given[name] > 10, name
    if settings["one_sided"] == "reject":
        assert min(n_given["llr_mmhg"], n_given["ulr_mmhg"]) > 10


@pytest.mark.parametrize("variant", VARIANTS)
def test_the_curve_of_a_whole_recording_agrees_with_a_plain_loop(variant):
    """200 patients for each: CPPopt, all limits, and the test of both arms where asked for."""
    settings = VARIANTS[variant]
    n_given, n_one_arm = 0, 0
    for seed in range(200):
        rows = _draw_patient(random.Random(seed + 1000))
        optimum = optimal_cpp.for_recording(
            _as_minutes(rows),
            rules=_rules(settings | {"windows_min": [len(rows)]}),
        ).optimum
        slow = (
            _window_by_loop(rows, len(rows), settings, min_arm_z=settings["min_arm_z"])
            if rows
            else None
        )
        assert (optimum["reason"] is None) == (slow is not None), (seed, optimum["reason"])
        n_one_arm += optimum["reason"] == "one_arm_within_chance"
        n_given += slow is not None
        for name in ("cppopt_mmhg", *cpp_curve.LIMITS):
            expected = None if slow is None else slow[name]
            assert (optimum[name] is None) == (expected is None), (seed, name)
            if expected is not None:
                assert optimum[name] == pytest.approx(expected, rel=1e-9, abs=1e-9), (
                    seed,
                    name,
                )
    assert 20 < n_given < 180
    assert (n_one_arm > 5) == (settings["min_arm_z"] > 0)


@pytest.mark.parametrize("variant", VARIANTS)
def test_changing_the_future_changes_no_past_value(variant):
    draw = np.random.default_rng(5)
    cpp = 75 + 12 * np.sin(np.arange(900) / 30) + draw.normal(size=900)
    minutes = pl.DataFrame({"cpp_mmhg": cpp, "prx": np.tanh(0.002 * (cpp - 75) ** 2 - 0.2)})
    future = pl.int_range(pl.len()) >= 700
    other = minutes.with_columns(
        prx=pl.when(future).then(0.9).otherwise("prx"),
        cpp_mmhg=pl.when(future).then(41.0).otherwise("cpp_mmhg"),
    )
    before = _for_minutes(minutes, VARIANTS[variant])
    after = _for_minutes(other, VARIANTS[variant])
    assert before["cppopt_mmhg"].head(700).count() > 50
    assert after.head(700).equals(
        before.head(700).with_columns(other.head(700).select("cpp_mmhg", "prx"))
    )
    assert not after.tail(200).equals(before.tail(200))


@cases(max_examples=200)
@given(
    values=st.lists(st.floats(-3, 3), min_size=16, max_size=16),
    weights=st.lists(st.sampled_from([0.0, 1.0, 2.5, 40.0, 300.0]), min_size=16, max_size=16),
)
def test_parabolas_agree_with_numpy_and_statsmodels(values, weights):
    """References: numpy.polyfit and statsmodels WLS, coefficients, R2 and vertex to 1e-9."""
    x = np.arange(42.5, 120, 5.0)
    y, w = np.array(values), np.array(weights)
    ours = parabola.fit(x, y, w, variances=np.where(w > 0, 1 / np.where(w > 0, w, 1), np.nan))
    if (w > 0).sum() < 3:
        assert np.isnan(ours.quadratic)
        return
    some, u = w > 0, (x - ours.centre_mmhg) / 40
    a, b, c = np.polyfit(u[some], y[some], 2, w=np.sqrt(w[some]))
    scale = np.abs(y[some]).max() + 1e-9
    assert ours.quadratic * 1600 == pytest.approx(a, rel=1e-9, abs=1e-9 * scale)
    assert ours.linear * 40 == pytest.approx(b, rel=1e-9, abs=1e-9 * scale)
    assert ours.constant == pytest.approx(c, rel=1e-9, abs=1e-9 * scale)
    known = sm.WLS(y[some], np.vander(u[some], 3), weights=w[some]).fit(cov_type="fixed scale")
    assert ours.quadratic_se * 1600 == pytest.approx(
        np.sqrt(known.normalized_cov_params[0, 0]), rel=1e-9
    )
    if np.isfinite(ours.r_squared) and known.centered_tss > 1e-6:
        assert ours.r_squared == pytest.approx(known.rsquared, rel=1e-9, abs=1e-9)


def test_the_curvatures_standard_error_is_that_of_weighted_least_squares():
    """Reference: statsmodels WLS with a known scale."""

    fit = _fit(PRX, COUNTS)
    design = np.column_stack([np.ones(6), CENTRES, CENTRES**2])
    known = sm.WLS(PRX, design, weights=COUNTS).fit(cov_type="fixed scale")
    assert fit.quadratic == pytest.approx(known.params[2], rel=1e-9)
    assert fit.quadratic_se == pytest.approx(
        np.sqrt(known.normalized_cov_params[2, 2]), rel=1e-6
    )


def _share_with_cppopt(min_curvature_z, *, depth, min_arm_z=0.0, n_recordings=300):
    """Recordings of 24 h: CPP sweeps, PRx of 30 independent pairs renewed every 5 min."""
    draw = np.random.default_rng(9)
    n_found = 0
    for _ in range(n_recordings):
        cpp = 75 + 15 * np.sin(np.arange(1440) / 90 + draw.uniform(0, 6))
        z = (
            np.repeat(draw.normal(0.2, 1 / np.sqrt(27), 288), 5)
            + depth * ((cpp - 75) / 15) ** 2
        )
        whole = optimal_cpp.for_recording(
            pl.DataFrame({"cpp_mmhg": cpp, "prx": np.tanh(z)}),
            rules=_rules(
                SETTINGS | {"min_curvature_z": min_curvature_z, "min_arm_z": min_arm_z}
            ),
        )
        n_found += whole.optimum["reason"] is None
    return n_found / n_recordings


def test_without_a_test_of_curvature_noise_gives_an_optimum_and_with_it_rarely():
    """A flat PRx has no optimum; at 1.645, 5 % may pass, by 3 standard errors of 300."""
    assert _share_with_cppopt(0.0, depth=0.0) > 0.2
    assert _share_with_cppopt(1.645, depth=0.0) < 0.05 + 3 * math.sqrt(0.05 * 0.95 / 300)
    assert _share_with_cppopt(1.645, depth=0.3) > 0.95
    assert _share_with_cppopt(1.645, depth=0.0, min_arm_z=1.0) < 0.03
    assert _share_with_cppopt(1.645, depth=0.3, min_arm_z=1.0) > 0.95


def test_bins_are_half_open():
    """A CPP on an edge belongs to the bin above it; the upper end belongs to none."""
    binned = optimal_cpp.bin_minutes(
        pl.DataFrame({"cpp_mmhg": [39.9, 40.0, 75.0, 119.9, 120.0], "prx": [0.1] * 5}),
        rules=_rules(SETTINGS | {"cpp_average_min": 1}),
    )
    assert binned.inside.tolist() == [False, True, True, True, False]
    assert binned.bin[1:4].tolist() == [0, 7, 15]


def _whole(settings, *, cpp=None, prx=None):
    """The curve of the whole recording of the reference file's bins (C06), as minutes."""
    rows = [(c, r) for c, r, n in zip(CENTRES, PRX, COUNTS) for _ in range(int(n))]
    return optimal_cpp.for_recording(
        _as_minutes(rows), rules=_rules(settings | ANY_LENGTH | {"cpp_average_min": 1})
    ).optimum


@pytest.mark.parametrize(
    ("weighting", "averaging", "expected"),
    [
        ("none", "arithmetic", 75.77323420074357),
        ("count", "arithmetic", 75.97108517679851),
        ("none", "fisher", 75.78881721034912),
        ("count", "fisher", 75.96866102028417),
    ],
)
def test_the_settings_give_each_of_the_four_answers_to_one_curve(
    weighting, averaging, expected
):
    """C06-C09, from the settings: the same minutes, another weight, another scale."""
    optimum = _whole(SETTINGS | {"weighting": weighting, "averaging": averaging})
    assert optimum["cppopt_mmhg"] == pytest.approx(expected, abs=1e-6)
    if averaging == "arithmetic":
        r_squared = {"none": 0.987639774271083, "count": 0.9866539093436631}[weighting]
        assert optimum["r_squared"] == pytest.approx(r_squared, abs=1e-9)
    if (weighting, averaging) == ("none", "arithmetic"):
        assert optimum["llr_mmhg"] == pytest.approx(63.81884711134858, abs=1e-5)
        assert optimum["ulr_mmhg"] == pytest.approx(87.72762129013857, abs=1e-5)


def test_the_bins_own_limits_stand_beside_the_parabolas():
    """By hand from C06: 0.35 at 62.5 and 0.18 at 67.5 cross 0.30 at 63.97; 0.30 at 87.5."""
    optimum = _whole(SETTINGS | {"averaging": "arithmetic"})
    assert optimum["llr_bins_mmhg"] == pytest.approx(62.5 + 5 * (0.35 - 0.30) / 0.17, abs=1e-9)
    assert optimum["ulr_bins_mmhg"] == pytest.approx(87.5, abs=1e-9)


def test_the_bins_own_crossings_agree_with_a_plain_loop():
    """200 curves at once, from below and above: gaps, plateaus on the limit, one bin, none."""
    draw, centres, level = random.Random(2), np.arange(42.5, 120, 5.0), 0.3
    rows, optima = [], []
    for _ in range(200):
        best, bend = draw.uniform(55, 100), draw.choice([0.0, 0.0005, 0.002])
        noise, gap = draw.choice([0.0, 0.1, 0.3]), draw.choice([0.0, 0.3, 0.9])
        values = [bend * (c - best) ** 2 - 0.1 + draw.gauss(0, noise) for c in centres]
        values = [0.3 if draw.random() < 0.1 else v for v in values]
        rows.append([math.nan if draw.random() < gap else v for v in values])
        optima.append(math.nan if draw.random() < 0.1 else best)
    n_found = 0
    for side in (-1, 1):
        crossings = cpp_curve.crossing_of_bins(
            centres, np.array(rows), np.array(optima), level=level, side=side
        )
        for values, best, ours in zip(rows, optima, crossings):
            used = [i for i, v in enumerate(values) if not math.isnan(v)]
            slow = None
            if used and not math.isnan(best):
                x, y = centres[used], [values[i] for i in used]
                slow = _crossing_by_loop(x, y, int(np.abs(x - best).argmin()), level, side)
            assert math.isnan(ours) == (slow is None)
            if slow is not None:
                n_found += 1
                assert ours == pytest.approx(slow, rel=1e-12)
    assert 100 < n_found < 350


def test_inverse_variance_weights_follow_the_spread_within_bins():
    """Two readings 0.1 apart in one bin, 0.4 in the others: 16 times the weight."""
    rows = []
    for centre, r, half in zip(CENTRES, PRX, [0.2, 0.2, 0.05, 0.2, 0.2, 0.2]):
        rows += [(centre, r - half), (centre, r + half)] * 20
    settings = SETTINGS | {
        "averaging": "arithmetic",
        "weighting": "inverse_variance",
        "cpp_average_min": 1,
    }
    whole = optimal_cpp.for_recording(_as_minutes(rows), rules=_rules(settings | ANY_LENGTH))
    expected = _fit(PRX, np.array([1, 1, 16, 1, 1, 1.0])).lowest_mmhg()
    assert whole.optimum["cppopt_mmhg"] == pytest.approx(float(expected), rel=1e-9)
    assert abs(expected - 75.77323420074357) > 0.02


ONE_SIDED = [(c, 0.9 - 0.08 * (c - 62.5) + 0.0016 * (c - 62.5) ** 2) for c in CENTRES[:5]]


@pytest.mark.parametrize(
    ("rule", "cppopt", "reason"),
    [("reject", None, "lowest_point_outside"), ("edge", 82.5, None)],
)
def test_a_one_sided_curve_is_rejected_or_gives_its_last_bin(rule, cppopt, reason):
    """PRx falls up to 87.5, beyond the last bin at 82.5."""
    settings = SETTINGS | {"averaging": "arithmetic", "cpp_average_min": 1, "one_sided": rule}
    rows = [row for row in ONE_SIDED for _ in range(30)]
    optimum = optimal_cpp.for_recording(
        _as_minutes(rows), rules=_rules(settings | ANY_LENGTH)
    ).optimum
    assert optimum["cppopt_mmhg"] == cppopt
    assert optimum["reason"] == reason
    assert optimum["one_sided"] is (True if rule == "edge" else None)


def test_a_one_sided_window_has_less_weight_than_a_whole_one():
    """The last hour is one-sided (its edge 82.5), five hours hold a U; 0.25 of its weight."""
    u_shape = [(c, 0.001 * (c - 72.5) ** 2) for c in (57.5, 62.5, 67.5, 72.5, 77.5, 82.5)] * 40
    rows = u_shape + [(c, r / 10) for c, r in ONE_SIDED for _ in range(12)]
    settings = SETTINGS | {
        "averaging": "arithmetic",
        "cpp_average_min": 1,
        "one_sided": "edge",
        "window_weighting": "equal",
        "edge_weight": 0.25,
    }
    one, both = (
        _for_minutes(_as_minutes(rows), settings | {"windows_min": windows}).row(-1, named=True)
        for windows in ([300], [60, 300])
    )
    assert one["cppopt_edge_fraction"] == 0.0
    expected = (0.25 * 82.5 + one["cppopt_mmhg"]) / 1.25
    assert both["cppopt_mmhg"] == pytest.approx(expected, rel=1e-12)
    assert both["cppopt_edge_fraction"] == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("asked", "reason"),
    [
        ({"min_bins": 7}, "too_few_bins"),
        ({"min_bin_fraction": 0.2}, "too_few_bins"),
        ({"min_span_mmhg": 30.1}, "span_of_cpp_too_small"),
        ({"min_span_mmhg": 30.0}, None),
        ({"min_span_index": 0.34}, "span_of_index_too_small"),
        ({"min_span_index": 0.32}, None),
        ({"min_r_squared": 0.99}, "poor_fit"),
        ({"min_r_squared": 0.98}, None),
        ({"min_curvature_z": 9.0}, "within_chance"),
    ],
)
def test_each_rule_of_a_curve_refuses_by_its_own_reason(asked, reason):
    assert _whole(SETTINGS | {"averaging": "arithmetic"} | asked)["reason"] == reason


def test_the_multi_window_preset_has_36_windows_of_2_to_8_h():
    """The paper says 36; 2 to 8 h inclusive in steps of 10 min would be 37."""
    windows = PRESETS["multi_window_2017"]["windows_min"]
    assert len(windows) == 36
    assert windows == list(range(120, 480, 10))


def test_an_average_that_misses_an_edge_by_rounding_lies_on_it():
    """Five tenths about 65 average 65; a running mean of them falls below it once."""
    cpp = [66.8, 70.1, 65.0, 59.9, 63.2] * 50
    binned = optimal_cpp.bin_minutes(
        pl.DataFrame({"cpp_mmhg": cpp, "prx": [0.1] * 250}), rules=_rules(SETTINGS)
    )
    assert set(binned.bin[4:].tolist()) == {5}
