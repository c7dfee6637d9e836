"""CPPopt against analytic parabolas, ordinary least squares, and a plain loop (C01-C15)."""

import math
import random

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm

from icpcohort import optimal_cpp, parabolas

CENTRES = np.arange(62.5, 88, 5.0)
PRX = np.array([0.35, 0.18, 0.05, 0.02, 0.10, 0.30])
COUNTS = np.array([12.0, 40.0, 80.0, 60.0, 30.0, 18.0])
ONES = np.ones(6)
SETTINGS = {
    "windows_h": [4.0],
    "min_valid_fraction": 0.5,
    "cpp_average_min": 5,
    "bin_width_mmhg": 5.0,
    "bin_min_mmhg": 40.0,
    "bin_max_mmhg": 120.0,
    "min_bin_fraction": 0.02,
    "min_bins": 4,
    "min_curvature_z": 0.0,
    "n_blocks": 30,
    "reactivity_limit_prx": 0.30,
    "fisher_clip": 0.999,
}


def _rules(settings):
    of_windows = ("windows_h", "min_valid_fraction")
    return optimal_cpp.CurveRules(**{k: v for k, v in settings.items() if k not in of_windows})


def _for_minutes(minutes, settings):
    return optimal_cpp.for_minutes(
        minutes,
        windows_h=settings["windows_h"],
        min_valid_fraction=settings["min_valid_fraction"],
        rules=_rules(settings),
    )


def test_a_known_parabola_is_found():
    """C01-C04, analytic: lowest at 75, PRx -0.1 there, 0.30 at 55 and 95."""
    fit = parabolas.fit(CENTRES, 0.001 * (CENTRES - 75) ** 2 - 0.1, ONES)
    assert fit.lowest_mmhg() == pytest.approx(75.0, abs=1e-6)
    assert fit.at(fit.lowest_mmhg()) == pytest.approx(-0.1, abs=1e-9)
    assert fit.crossings_mmhg(0.30) == (pytest.approx(55.0, abs=1e-6), pytest.approx(95.0))


def test_a_curve_in_fisher_z_crosses_at_the_z_of_the_limit():
    """C05, analytic."""
    fit = parabolas.fit(CENTRES, 0.001 * (CENTRES - 75) ** 2 - 0.1, ONES)
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
    fit = parabolas.fit(CENTRES, values, weights)
    assert fit.lowest_mmhg() == pytest.approx(expected, abs=1e-6)


def test_r_squared_plain_and_weighted():
    """C10-C12."""
    plain = parabolas.fit(CENTRES, PRX, ONES)
    assert plain.r_squared == pytest.approx(0.987639774271083, abs=1e-9)
    assert plain.quadratic == pytest.approx(0.0019214285714286444, abs=1e-9)
    weighted = parabolas.fit(CENTRES, PRX, COUNTS)
    assert weighted.r_squared == pytest.approx(0.9866539093436631, abs=1e-9)


def test_limits_of_reactivity():
    """C13, C14: roots of the unweighted fit."""
    fit = parabolas.fit(CENTRES, PRX, ONES)
    lower, upper = fit.crossings_mmhg(0.30)
    assert lower == pytest.approx(63.81884711134858, abs=1e-5)
    assert upper == pytest.approx(87.72762129013857, abs=1e-5)


def test_windows_are_combined_by_weight():
    """C15: 70, 74, 78 with weights 1, 2, 1 (weighted mean); a window without a value is out."""
    values = np.array([[70.0], [74.0], [78.0], [np.nan]])
    weights = np.array([[1.0], [2.0], [1.0], [5.0]])
    assert optimal_cpp.combine_windows(values, weights)[0] == 74.0


def _by_loop(rows, settings):
    """CPPopt, LLR and ULR of the last of `rows`, written with numpy's polyfit and roots."""
    n_window = round(settings["windows_h"][0] * 60)
    width, low = settings["bin_width_mmhg"], settings["bin_min_mmhg"]
    bins = {}
    n_valid = 0
    for i in range(max(0, len(rows) - n_window), len(rows)):
        if rows[i][1] is None:
            continue
        recent = [c for c, _ in rows[max(0, i - 4) : i + 1] if c is not None]
        if len(recent) < 3:
            continue
        cpp = math.fsum(recent) / len(recent)
        k = math.floor((cpp - low) / width)
        if 0 <= k < 16:
            n_valid += 1
            bins.setdefault(k, []).append(math.atanh(max(-0.999, min(0.999, rows[i][1]))))
    if n_valid / n_window < settings["min_valid_fraction"]:
        return None
    used = {k: z for k, z in bins.items() if len(z) / n_valid >= settings["min_bin_fraction"]}
    if len(used) < settings["min_bins"]:
        return None
    keys = sorted(used)
    x = [low + width * (k + 0.5) for k in keys]
    z = [math.fsum(used[k]) / len(used[k]) for k in keys]
    weights = [math.sqrt(len(used[k])) for k in keys]
    a, b, c = np.polyfit(x, z, 2, w=weights)
    if a <= 0 or not x[0] <= -b / (2 * a) <= x[-1]:
        return None
    roots = np.roots([a, b, c - math.atanh(settings["reactivity_limit_prx"])])
    real = sorted(r.real for r in roots if abs(r.imag) < 1e-9)
    llr = real[0] if len(real) == 2 and real[0] >= x[0] - width / 2 else None
    ulr = real[1] if len(real) == 2 and real[1] <= x[-1] + width / 2 else None
    return -b / (2 * a), llr, ulr


@pytest.mark.parametrize("seed", range(20))
def test_every_minute_agrees_with_a_plain_loop(seed):
    draw = random.Random(seed)
    settings = SETTINGS | {"windows_h": [draw.choice([1.0, 2.0, 4.0])]}
    best, has_u = draw.uniform(65, 90), draw.random() < 0.7
    rows, cpp = [], best
    for _ in range(400):
        cpp += draw.gauss(0, 2) - 0.05 * (cpp - best)
        u = 0.002 * (cpp - best) ** 2 if has_u else 0.2
        prx = max(-1.0, min(1.0, -0.2 + u + draw.gauss(0, 0.2)))
        rows.append(
            (None if draw.random() < 0.05 else cpp, None if draw.random() < 0.2 else prx)
        )
    minutes = pl.DataFrame(
        rows, schema={"cpp_mmhg": pl.Float64, "prx": pl.Float64}, orient="row"
    )
    found = _for_minutes(minutes, settings)
    n_given = 0
    for i in range(0, 400, 7):
        slow = _by_loop(rows[: i + 1], settings)
        ours = found.row(i, named=True)
        if slow is None:
            assert ours["cppopt_mmhg"] is None
            continue
        n_given += 1
        for name, expected in zip(("cppopt_mmhg", "llr_mmhg", "ulr_mmhg"), slow):
            assert (ours[name] is None) == (expected is None), (i, name)
            if expected is not None:
                assert ours[name] == pytest.approx(expected, rel=1e-8)
    assert n_given > 0 or not has_u


def test_changing_the_future_changes_no_past_value():
    draw = np.random.default_rng(5)
    cpp = 75 + 12 * np.sin(np.arange(600) / 30) + draw.normal(size=600)
    minutes = pl.DataFrame({"cpp_mmhg": cpp, "prx": np.tanh(0.002 * (cpp - 75) ** 2 - 0.2)})
    changed = minutes.with_columns(
        pl.when(pl.int_range(pl.len()) < 400).then("prx").otherwise(0.9).alias("prx")
    )
    before = _for_minutes(minutes, SETTINGS).head(400)
    after = _for_minutes(changed, SETTINGS).head(400)
    assert before["cppopt_mmhg"].count() > 50
    assert after.equals(before)


def test_the_curvatures_standard_error_is_that_of_weighted_least_squares():
    """Reference: statsmodels WLS with a known scale."""

    fit = parabolas.fit(CENTRES, PRX, COUNTS)
    design = np.column_stack([np.ones(6), CENTRES, CENTRES**2])
    known = sm.WLS(PRX, design, weights=COUNTS).fit(cov_type="fixed scale")
    assert fit.quadratic == pytest.approx(known.params[2], rel=1e-9)
    assert fit.quadratic_se == pytest.approx(
        np.sqrt(known.normalized_cov_params[2, 2]), rel=1e-6
    )


def _share_with_cppopt(min_curvature_z, *, depth, n_recordings=300):
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
            min_minutes=120.0,
            rules=_rules(SETTINGS | {"min_curvature_z": min_curvature_z}),
        )
        n_found += whole.optimum["reason"] is None
    return n_found / n_recordings


def test_without_a_test_of_curvature_noise_gives_an_optimum_and_with_it_rarely():
    """A flat PRx has no optimum; at 1.645, 5 % may pass, by 3 standard errors of 300."""
    assert _share_with_cppopt(0.0, depth=0.0) > 0.2
    assert _share_with_cppopt(1.645, depth=0.0) < 0.05 + 3 * math.sqrt(0.05 * 0.95 / 300)
    assert _share_with_cppopt(1.645, depth=0.3) > 0.95


def test_bins_are_half_open():
    """A CPP on an edge belongs to the bin above it; the upper end belongs to none."""
    binned = optimal_cpp.bin_minutes(
        pl.DataFrame({"cpp_mmhg": [39.9, 40.0, 75.0, 119.9, 120.0], "prx": [0.1] * 5}),
        rules=_rules(SETTINGS | {"cpp_average_min": 1}),
    )
    assert binned.inside.tolist() == [False, True, True, True, False]
    assert binned.bin[1:4].tolist() == [0, 7, 15]
