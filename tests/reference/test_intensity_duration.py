"""Episodes by threshold and duration against a plain loop, scipy's Pearson, and by hand."""

import itertools
import random
from dataclasses import replace

import polars as pl
import pytest
from scipy import stats

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.exposures import burden, burden_settings, intensity_duration

WINDOWS = {"w": {"start_h": 0.0, "end_h": 6.0}, "late": {"start_h": 2.0, "end_h": 6.0}}
THRESHOLDS = {"icp": [18.0, 20.5, 23.0, 25.5], "cpp": [57.0, 59.5, 62.0]}


def _thresholds(*, icp, cpp):
    """Of each signal the first and the last threshold, and the step."""
    return {
        name: intensity_duration.Thresholds(side=side, first=first, last=last, step=step)
        for name, side, (first, last, step) in (("icp", "above", icp), ("cpp", "below", cpp))
    }


RULES = intensity_duration.Rules(
    thresholds=_thresholds(icp=(18.0, 25.5, 2.5), cpp=(57.0, 62.0, 2.5)),
    durations_min=[1, 5, 15, 60],
    inequality="strict",
    merge_gap_min=1,
)


GOSE = intensity_duration.Score("gose_6m", "higher")


def _draw_minutes(draw, n):
    rows, icp, cpp = [], 20.0, 62.0
    for i in range(n):
        icp += draw.choice([-1.0, -0.5, 0.0, 0.5, 1.0]) - 0.02 * (icp - 20)
        cpp += draw.choice([-2.0, -1.0, 0.0, 1.0, 2.0]) - 0.02 * (cpp - 62)
        gone = draw.random() < 0.03
        rows.append((60.0 * (i + 1), None if gone else icp, None if gone else round(cpp)))
    return rows


def _episodes_by_loop(rows, column, threshold, inequality, gap, start_s, end_s):
    lengths, last_s, n = [], None, 0
    for row in rows:
        x = row[column]
        if row[0] - 60 < start_s or row[0] > end_s or x is None:
            continue
        over = x - threshold if column == 1 else threshold - x
        if over < 0 or (over == 0 and inequality == "strict"):
            continue
        if last_s is not None and (row[0] - last_s) / 60 - 1 > gap:
            lengths.append(n)
            n = 0
        n, last_s = n + 1, row[0]
    return lengths + ([n] if n else [])


@pytest.mark.parametrize("inequality", ["strict", "or_equal"])
@pytest.mark.parametrize("gap", [0, 3])
def test_counts_agree_with_a_plain_loop(inequality, gap):
    """200 patients for each setting, of every length from nothing to 6 h."""
    draw = random.Random(f"{inequality} {gap}")
    patients = {f"P{i:03d}": _draw_minutes(draw, draw.randrange(1, 360)) for i in range(200)}
    columns = {"t_s": pl.Float64, "icp_mmhg": pl.Float64, "cpp_mmhg": pl.Float64}
    minutes = pl.concat(
        pl.DataFrame(rows, schema=columns, orient="row").with_columns(patient_id=pl.lit(name))
        for name, rows in patients.items()
    )
    counts = intensity_duration.count_episodes(
        minutes,
        windows=WINDOWS,
        rules=replace(RULES, inequality=inequality, merge_gap_min=gap),
        declared={},
    )
    store.check(counts, contracts.INTENSITY, "intensity")
    assert counts.height == 200 * 2 * 7 * 4
    lengths = {}
    for row in counts.to_dicts():
        rows, span = patients[row["patient_id"]], WINDOWS[row["window"]]
        start_s, end_s = span["start_h"] * 3600, span["end_h"] * 3600
        column = 1 if row["signal"] == "icp" else 2
        key = (row["patient_id"], row["window"], row["signal"], row["threshold"])
        if key not in lengths:
            n = sum(
                r[0] - 60 >= start_s and r[0] <= end_s and r[column] is not None for r in rows
            )
            episodes = _episodes_by_loop(
                rows, column, row["threshold"], inequality, gap, start_s, end_s
            )
            lengths[key] = (n, episodes)
        n, episodes = lengths[key]
        assert row["monitored_h"] == pytest.approx(n / 60)
        if n == 0:
            assert (row["n_episodes"], row["episodes_per_24_h"]) == (None, None)
            continue
        expected = sum(length >= row["duration_min"] for length in episodes)
        assert row["n_episodes"] == expected
        assert row["episodes_per_24_h"] == pytest.approx(expected / n * 60 * 24, rel=1e-12)
    assert counts["n_episodes"].max() > 5
    assert counts.filter(pl.col("duration_min") == 60)["n_episodes"].max() > 0


def _cohort(draw, n):
    """Intensity of one cell a patient and an analysis table; a few lack a count or GOSE."""
    cells, rows = [], []
    for i in range(n):
        often = draw.choice([None, 0.0, 1.0, 2.0, 5.0])
        gose = draw.choice([None, *range(1, 9)])
        cells.append(("w", f"P{i}", often, None if often is None else int(often)))
        if draw.random() < 0.9:
            rows.append(("w", f"P{i}", gose))
    schema = ["window", "patient_id", "episodes_per_24_h", "n_episodes"]
    intensity = pl.DataFrame(cells, schema=schema, orient="row").with_columns(
        signal=pl.lit("icp"),
        side=pl.lit("above"),
        threshold=pl.lit(20.0),
        duration_min=pl.lit(5, pl.Int64),
        monitored_h=pl.lit(24.0),
    )
    table = {"window": pl.String, "patient_id": pl.String, "gose_6m": pl.Int64}
    return intensity, pl.DataFrame(rows, schema=table, orient="row")


@pytest.mark.parametrize("seed", range(200))
def test_the_correlation_is_scipys(seed):
    """Reference: scipy.stats.pearsonr, r and its 95 % interval."""
    intensity, analysis = _cohort(random.Random(seed), 40)
    row = intensity_duration.against_outcome(intensity, analysis, score=GOSE, min_patients=10)
    store.check(row, contracts.INTENSITY_MAP, "map")
    both = intensity.join(analysis, on="patient_id").drop_nulls(["gose_6m", "n_episodes"])
    known = stats.pearsonr(both["episodes_per_24_h"], both["gose_6m"])
    limits = known.confidence_interval(0.95)
    row = row.row(0, named=True)
    assert row["n_patients"] == both.height
    assert row["n_with_episodes"] == both.filter(pl.col("n_episodes") > 0).height
    assert row["correlation"] == pytest.approx(known.statistic, rel=1e-9)
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((limits.low, limits.high), rel=1e-9)


def test_few_patients_or_a_constant_give_no_correlation():
    intensity, analysis = _cohort(random.Random(1), 40)
    for few in (
        intensity_duration.against_outcome(intensity, analysis, score=GOSE, min_patients=41),
        intensity_duration.against_outcome(
            intensity, analysis.with_columns(gose_6m=pl.lit(5)), score=GOSE, min_patients=4
        ),
        intensity_duration.against_outcome(
            intensity, analysis.clear(), score=GOSE, min_patients=4
        ),
    ):
        assert few["correlation"].to_list() == [None]
        assert few["ci_low"].to_list() == [None]


def _line(correlations):
    n = len(correlations)
    table = pl.DataFrame(
        {
            "window": ["w"] * n,
            "signal": ["icp"] * n,
            "side": ["above"] * n,
            "threshold": [20.0] * n,
            "duration_min": [5, 10, 30, 60][:n],
            "correlation": pl.Series(correlations, dtype=pl.Float64),
        }
    )
    line = intensity_duration.transition(table)
    store.check(line, contracts.TRANSITION, "transition")
    return line.select("duration_min", "course").row(0)


def test_the_transition_line_is_where_the_correlation_falls_below_zero():
    """By hand: from 0.1 at 10 min to -0.3 at 30 min, a quarter of the way: 15 min."""
    assert _line([0.2, 0.1, -0.3, -0.4]) == (15.0, "crossing")
    assert _line([0.2, None, -0.2, 0.1]) == (17.5, "crossing")
    assert _line([0.0, -0.1, 0.1, -0.1])[0] == 5.0
    assert _line([-0.2, -0.1]) == (None, "below_zero")
    assert _line([0.2, 0.0]) == (None, "not_below_zero")
    assert _line([-0.2, 0.1, 0.2]) == (None, "not_below_zero")
    assert _line([None, None]) == (None, "unknown")


def _transition_by_loop(row):
    """Where the known correlations first fall below zero, and how they go."""
    known = [(d, r) for d, r in row if r is not None]
    for (before_min, before), (after_min, after) in itertools.pairwise(known):
        if before >= 0 > after:
            at = before_min + before / (before - after) * (after_min - before_min)
            return at, "crossing"
    if not known:
        return None, "unknown"
    return None, "below_zero" if all(r < 0 for _, r in known) else "not_below_zero"


def test_the_transition_line_agrees_with_a_plain_loop():
    """200 rows of a map at once, in no order, with missing cells, zeros and every course."""
    draw, cells, expected = random.Random(5), [], {}
    for i in range(200):
        low, high = draw.choice([(-0.4, 0.4), (-0.4, -0.1), (0.0, 0.4)])
        missing = draw.choice([0.0, 0.3, 1.0])
        row = [
            (
                d,
                None
                if draw.random() < missing
                else draw.choice([0.0, draw.uniform(low, high)]),
            )
            for d in (5, 10, 15, 30, 60, 120)
        ]
        if low < high < 0:
            row = [(d, r or None) for d, r in row]
        cells += [("w", "icp", "above", float(i), d, r) for d, r in row]
        expected[float(i)] = _transition_by_loop(row)
    draw.shuffle(cells)
    names = ["window", "signal", "side", "threshold", "duration_min", "correlation"]
    table = pl.DataFrame(cells, schema=names, orient="row")
    lines = intensity_duration.transition(table)
    store.check(lines, contracts.TRANSITION, "transition")
    assert lines.height == 200
    for row in lines.iter_rows(named=True):
        minutes, course = expected[row["threshold"]]
        assert row["course"] == course
        assert row["duration_min"] == (None if minutes is None else pytest.approx(minutes))
    courses = lines["course"].value_counts()
    assert courses.height == 4 and courses["count"].min() > 15


def test_harm_that_begins_after_some_minutes_is_found_in_the_map():
    """Long episodes lower GOSE, short ones do not: the line lies between 5 and 60 min."""
    draw, rows, scores = random.Random(3), [], []
    for i in range(200):
        n_long, n_short, minute = draw.randrange(0, 4), draw.randrange(0, 12), 0
        for length in draw.sample([60] * n_long + [6] * n_short, n_long + n_short):
            rows += [(f"P{i}", 60.0 * (minute + k + 1), 24.0) for k in range(length)]
            rows += [(f"P{i}", 60.0 * (minute + length + k + 1), 12.0) for k in range(10)]
            minute += length + 10
        rows += [(f"P{i}", 60.0 * (k + 1), 12.0) for k in range(minute, 600)]
        scores.append(
            ("w", f"P{i}", min(8, 8 - 2 * n_long + draw.randrange(0, 2) + n_short // 6))
        )
    schema = {"patient_id": pl.String, "t_s": pl.Float64, "icp_mmhg": pl.Float64}
    minutes = pl.DataFrame(rows, schema=schema, orient="row").with_columns(
        cpp_mmhg=pl.lit(None, pl.Float64)
    )
    intensity = intensity_duration.count_episodes(
        minutes,
        windows={"w": {"start_h": 0.0, "end_h": 10.0}},
        rules=intensity_duration.Rules(
            thresholds=_thresholds(icp=(20.0, 30.0, 10.0), cpp=(60.0, 60.0, 10.0)),
            durations_min=[5, 60],
            inequality="or_equal",
            merge_gap_min=0,
        ),
        declared={},
    )
    names = {"window": pl.String, "patient_id": pl.String, "gose_6m": pl.Int64}
    table = intensity_duration.against_outcome(
        intensity, pl.DataFrame(scores, schema=names, orient="row"), score=GOSE, min_patients=10
    )
    r = {
        (row["threshold"], row["duration_min"]): row["correlation"] for row in table.to_dicts()
    }
    assert r[20.0, 60] < -0.8
    assert r[20.0, 5] > r[20.0, 60] + 0.4
    assert r[30.0, 5] is None
    lines = intensity_duration.transition(table.filter(signal="icp"))
    assert lines["course"].to_list()[1] == "unknown"


def test_thresholds_include_both_ends_where_the_steps_meet_them():
    for first, last, step, expected in (
        (10.0, 40.0, 1.0, [float(x) for x in range(10, 41)]),
        (1.0, 2.0, 0.1, [1 + x / 10 for x in range(11)]),
        (1.0, 2.0, 0.4, [1.0, 1.4, 1.8]),
    ):
        thresholds = _thresholds(icp=(first, last, step), cpp=(first, last, step))
        assert thresholds["icp"].values() == pytest.approx(expected)


def test_the_map_and_the_burden_count_the_same_episodes():
    draw = random.Random(2)
    columns = {"t_s": pl.Float64, "icp_mmhg": pl.Float64, "cpp_mmhg": pl.Float64}
    minutes = pl.DataFrame(_draw_minutes(draw, 360), schema=columns, orient="row").with_columns(
        patient_id=pl.lit("P1")
    )
    beyond = {"icp": {"above": THRESHOLDS["icp"]}, "cpp": {"below": THRESHOLDS["cpp"]}}
    whole = burden.add_up(
        minutes,
        windows=WINDOWS,
        rules=burden_settings.Rules(
            thresholds=beyond,
            inequality="strict",
            integration="rectangle",
            episode_min=5,
            merge_gap_min=1,
        ),
        declared={"burden": {"thresholds": beyond}},
    )
    counts = intensity_duration.count_episodes(
        minutes,
        windows=WINDOWS,
        rules=replace(RULES, durations_min=[5]),
        declared={},
    )
    key = ["window", "signal", "threshold"]
    both = whole.join(counts, on=key, suffix="_map", validate="1:1")
    assert both.height == 14
    assert both["n_episodes"].to_list() == both["n_episodes_map"].to_list()
    assert both["n_episodes"].max() > 1
