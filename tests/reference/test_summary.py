"""What a window comes to against a plain loop over each patient's minutes."""

import math
import random

import numpy as np
import polars as pl
import pytest
from published_settings import PUBLISHED, changed
from scipy import stats

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.exposures import summary
from icpcohort.indices import index_settings

WINDOWS = {"early": {"start_h": 0.0, "end_h": 3.0}, "late": {"start_h": 1.0, "end_h": 4.0}}
LEVELS = {
    **{"icp_mmhg": 14.0, "abp_mmhg": 85.0, "cpp_mmhg": 70.0, "amp_mmhg": 2.0},
    **{"cppopt_mmhg": 72.0, "llr_mmhg": 62.0, "ulr_mmhg": 80.0, "llr_bins_mmhg": 64.0},
}
INDICES = ("prx", "pax", "rac", "rap", "lprx")
PULSE = ("peak_to_trough_mmhg", "p2_p1_ratio", "p2p1_eligible_s", "p2p1_found_s")
TIERS = ("waveform", "seconds", "ten_seconds", "minutes", "hourly")
N_COSINES = 6


def _draw_minutes(draw):
    """Up to 5 h of minutes in whole numbers, so that many lie on an edge; a column is empty."""
    empty = draw.choice([None, None, None, "cppopt_mmhg", "llr_mmhg", "prx", "cpp_mmhg"])
    gap, wide = draw.choice([0.02, 0.3, 0.9]), draw.choice([1.0, 6.0])
    other, rows = draw.choice(["tragus", "heart"]), []
    for i in range(draw.randrange(1, 300)):
        row = {"t_s": 60.0 * (i + 1), "tier": draw.choice([None, *TIERS[:4]])}
        row["abp_level_used"] = draw.choice([None, "tragus", other])
        for name, level in LEVELS.items():
            row[name] = float(round(draw.gauss(level, wide)))
        for name in INDICES:
            row[name] = draw.choice([-1.0, 1.0, 0.2, draw.uniform(-0.9, 0.9)])
        row["peak_to_trough_mmhg"] = draw.uniform(1, 9)
        row["p2_p1_ratio"] = draw.uniform(0.5, 1.6)
        row["p2p1_eligible_s"] = draw.choice([0.0, 10.0, 60.0])
        row["p2p1_found_s"] = draw.choice([0.0, row["p2p1_eligible_s"]])
        for name in (*LEVELS, *INDICES, *PULSE):
            if name == empty or draw.random() < gap:
                row[name] = None
        rows.append(row)
    return rows


def _mean(values):
    return math.fsum(values) / len(values) if values else None


def _z(r, averaging):
    return math.atanh(max(-0.999, min(0.999, r))) if averaging == "fisher" else r


def _r(z, averaging):
    return math.tanh(z) if averaging == "fisher" else z


def _percent(tests, least=0):
    if not tests or len(tests) < least:
        return None
    return 100 * sum(tests) / len(tests)


def _prx_limits(rows, averaging):
    """Along each of the slowest cosines of the window, with Student's t; an hour of PRx."""
    z = [None if m["prx"] is None else _z(m["prx"], averaging) for m in rows]
    known = [v for v in z if v is not None]
    if len(known) < 60:
        return None, None
    mean, n, squares = _mean(known), len(z), []
    for j in range(1, N_COSINES + 1):
        waves = [math.cos(math.pi * j * (i + 0.5) / n) for i in range(n)]
        squares.append(
            math.fsum((v - mean) * w for v, w in zip(z, waves) if v is not None) ** 2
        )
    half = stats.t.ppf(0.975, N_COSINES) * math.sqrt(2 * _mean(squares)) / len(known)
    limits = (_r(mean - half, averaging), _r(mean + half, averaging))
    return tuple(max(-1.0, min(1.0, limit)) for limit in limits)


def _by_loop(rows, averaging):
    """Every column of one patient and window."""
    values_of = {
        name: [m[name] for m in rows if m[name] is not None]
        for name in (*LEVELS, *INDICES, *PULSE)
    }
    summary = {f"{name[:3]}_mean_mmhg": _mean(values_of[name]) for name in list(LEVELS)[:4]}
    for name in INDICES:
        mean = _mean([_z(r, averaging) for r in values_of[name]])
        summary[f"{name}_mean"] = None if mean is None else _r(mean, averaging)
    summary["prx_mean_ci_low"], summary["prx_mean_ci_high"] = _prx_limits(rows, averaging)
    summary["amp_h"] = len(values_of["amp_mmhg"]) / 60
    summary["peak_to_trough_mean_mmhg"] = _mean(values_of["peak_to_trough_mmhg"])
    summary["p2_p1_ratio_mean"] = _mean(values_of["p2_p1_ratio"])
    sought_s, seen_s = sum(values_of["p2p1_eligible_s"]), sum(values_of["p2p1_found_s"])
    summary["p2p1_eligible_h"] = sought_s / 3600
    summary["p2p1_yield_percent"] = 100 * seen_s / sought_s if sought_s else None
    known = [m["tier"] for m in rows if m["tier"] is not None]
    summary["tier"] = max(known, key=TIERS.index) if known else None
    levels = {m["abp_level_used"] for m in rows} - {None}
    summary["abp_level_used"] = "mixed" if len(levels) > 1 else levels.pop() if levels else None
    summary |= {f"{name}_h": len(values_of[f"{name}_mmhg"]) / 60 for name in ("abp", "cpp")}
    summary["monitored_h"] = len(values_of["icp_mmhg"]) / 60
    summary |= {f"{name}_h": len(values_of[name]) / 60 for name in INDICES}
    both = [m for m in rows if m["cpp_mmhg"] is not None and m["cppopt_mmhg"] is not None]
    delta = [m["cpp_mmhg"] - m["cppopt_mmhg"] for m in both]
    enough = len(both) >= 60
    summary["cppopt_h"] = len(both) / 60
    summary["cppopt_mean_mmhg"] = _mean([m["cppopt_mmhg"] for m in both]) if enough else None
    summary["delta_cpp_mean_mmhg"] = _mean(delta) if enough else None
    n_cpp = len(values_of["cpp_mmhg"])
    summary["cppopt_yield_percent"] = (
        100 * len(both) / n_cpp if n_cpp and values_of["prx"] else None
    )
    for name, tests in (
        ("within_5_of", [abs(d) <= 5 for d in delta]),
        ("over_5_below", [d < -5 for d in delta]),
        ("over_5_above", [d > 5 for d in delta]),
    ):
        summary[f"percent_time_{name}_cppopt"] = _percent(tests, 60)
    for name, side in (("below_llr", -1), ("above_ulr", 1), ("below_llr_bins", -1)):
        limit = name.split("_", 1)[1]
        tests = [
            side * (m["cpp_mmhg"] - m[f"{limit}_mmhg"]) > 0
            for m in rows
            if m["cpp_mmhg"] is not None and m[f"{limit}_mmhg"] is not None
        ]
        summary[f"{limit}_h"] = len(tests) / 60
        summary[f"percent_time_{name}"] = _percent(tests, 60)
    return summary | _doses_by_loop(rows)


def _doses_by_loop(rows):
    """Doses beyond LLR, CPPopt and thresholds of PRx, and the zones of RAP."""
    doses = {}
    for name, limit, side in (
        ("below_llr", "llr_mmhg", -1),
        ("below_cppopt", "cppopt_mmhg", -1),
        ("above_cppopt", "cppopt_mmhg", 1),
    ):
        pairs = [(m["cpp_mmhg"], m[limit]) for m in rows]
        excess = [max(0.0, side * (c - x)) for c, x in pairs if None not in (c, x)]
        is_known = len(excess) >= 60
        doses[f"cpp_{name}_dose_mmhg_h"] = math.fsum(excess) / 60 if is_known else None
        doses[f"cpp_{name}_dose_per_h_mmhg"] = _mean(excess) if is_known else None
    prx, rap = ([m[name] for m in rows if m[name] is not None] for name in ("prx", "rap"))
    for threshold in (0.25, 0.35):
        above = f"prx_above_{threshold:g}".replace(".", "_")
        excess = [max(0.0, r - threshold) for r in prx]
        doses[f"percent_time_{above}"] = _percent([r > threshold for r in prx])
        doses[f"{above}_dose_h"] = math.fsum(excess) / 60 if prx else None
        doses[f"{above}_dose_per_h"] = _mean(excess)
    doses["percent_time_rap_0_4_to_1"] = _percent([r >= 0.4 for r in rap])
    doses["percent_time_rap_0_to_0_4"] = _percent([0 < r < 0.4 for r in rap])
    doses["percent_time_rap_below_0"] = _percent([r <= 0 for r in rap])
    return doses


@pytest.mark.parametrize("averaging", ["fisher", "arithmetic"])
def test_every_column_of_every_window_agrees_with_a_plain_loop(averaging):
    """200 patients, two windows; the distance from CPPopt, its shares and yield among them."""
    draw = random.Random(averaging)
    patients = {f"P{i:03d}": _draw_minutes(draw) for i in range(200)}
    schema = {"patient_id": pl.String()} | {
        name: column.dtype for name, column in contracts.minutes(PUBLISHED).columns.items()
    }
    minutes = pl.DataFrame(
        [{"patient_id": name, **row} for name, rows in patients.items() for row in rows],
        schema=schema,
    )
    table = summary.summarise(
        minutes,
        windows=WINDOWS,
        indices=index_settings.rules_of(changed(reactivity={"averaging": averaging})),
        settings=summary.Settings(min_cppopt_h=1.0, min_interval_h=1.0, n_cosines=N_COSINES),
        declared=PUBLISHED,
    )
    store.check(table, contracts.summary(PUBLISHED), "summary")
    assert table.height == 400
    n_given = dict.fromkeys(table.columns[2:], 0)
    n_missing = dict.fromkeys(table.columns[2:], 0)
    for row in table.iter_rows(named=True):
        span = WINDOWS[row["window"]]
        rows = [
            m
            for m in patients[row["patient_id"]]
            if m["t_s"] - 60 >= 3600 * span["start_h"] and m["t_s"] <= 3600 * span["end_h"]
        ]
        expected = _by_loop(rows, averaging)
        assert set(expected) == set(n_given)
        for name, value in expected.items():
            n_given[name] += row[name] is not None
            n_missing[name] += row[name] is None
            if value is None or isinstance(value, str):
                assert row[name] == value, (row["patient_id"], name)
            else:
                assert row[name] == pytest.approx(value, rel=1e-9, abs=1e-12), name
    assert min(n_given.values()) > 50
    assert min(n for name, n in n_missing.items() if not name.endswith("_h")) > 5


def test_an_interval_of_mean_prx_needs_its_least_time():
    draw = np.random.default_rng(1)
    for n, has_interval in ((359, False), (360, True)):
        prx = [*np.tanh(draw.normal(0.2, 0.3, n)).tolist(), *[None] * 40]
        minutes = pl.DataFrame({"patient_id": "P1", "prx": prx}).with_columns(
            t_s=60.0 * (pl.int_range(pl.len()) + 1)
        )
        empty = pl.DataFrame(
            schema={
                name: column.dtype
                for name, column in contracts.minutes(PUBLISHED).columns.items()
            }
        ).with_columns(patient_id=pl.lit(None, pl.String()))
        row = summary.summarise(
            pl.concat([empty, minutes], how="diagonal_relaxed"),
            windows={"w": {"start_h": 0.0, "end_h": 24.0}},
            indices=index_settings.rules_of(PUBLISHED),
            settings=summary.Settings(min_cppopt_h=1.0, min_interval_h=6.0, n_cosines=6),
            declared=PUBLISHED,
        ).row(0, named=True)
        assert (row["prx_mean_ci_low"] is not None) == has_interval
        if has_interval:
            assert row["prx_mean_ci_low"] < row["prx_mean"] < row["prx_mean_ci_high"]
