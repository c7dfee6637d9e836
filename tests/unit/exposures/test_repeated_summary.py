"""Summaries of repeated values: a worked example, a plain loop, and what must not enter."""

import numpy as np
import polars as pl
import pytest

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.exposures import repeated_summary

EVERY = ["mean", "max", "last", "share"]
ENTRY = {"label": "Therapy intensity", "kind": "number", "summaries": EVERY, "share_from": 10.0}
DECLARED = {"repeated": {"til": ENTRY}}
SCHEMA = {name: c.dtype for name, c in contracts.REPEATED_VALUES.columns.items()}


def _window(start_h, end_h):
    return {"start_h": start_h, "end_h": end_h, "min_monitored_h": 0.0}


def _values(*rows, variable="til"):
    """Return REPEATED_VALUES of rows (patient, from_h, to_h, value)."""
    return pl.DataFrame([(p, variable, *rest) for p, *rest in rows], SCHEMA, orient="row")


def _summary(values, *, window, declared=DECLARED):
    made = repeated_summary.summarise(values, windows={"w": window}, declared=declared)
    store.check(made, contracts.repeated_summary(declared), "repeated_summary")
    return {row.pop("patient_id"): row for row in made.drop("window").to_dicts()}


def _of_one(*rows, window):
    made = _summary(_values(*(("p", *row) for row in rows)), window=window)["p"]
    return tuple(made[f"til_{summary}"] for summary in EVERY)


def test_a_day_worked_by_hand():
    # 4 for 6 h (from before the window), 12 for 6 h, unknown for 4 h, 10 for 8 h:
    # mean (24 + 72 + 80) / 20 = 8.8; from 10 on 14 of 20 h.
    rows = ((-5.0, None, 4.0), (6.0, 12.0, 12.0), (16.0, None, 10.0))
    assert _of_one(*rows, window=_window(0.0, 24.0)) == pytest.approx((8.8, 12.0, 10.0, 0.7))


def test_nothing_after_the_end_of_the_window_enters():
    before = ((0.0, None, 4.0), (30.0, 60.0, 6.0))
    later = ((48.0, None, 99.0), (72.0, 80.0, 50.0), (80.0, None, None))
    window = _window(24.0, 48.0)
    assert _of_one(*before, *later, window=window) == _of_one(*before, window=window)
    assert _of_one(*later, window=window) == (None, None, None, None)


def test_a_value_that_is_still_in_force_counts_to_the_end_of_the_window_alone():
    window = _window(0.0, 24.0)
    assert _of_one((0.0, None, 2.0), (18.0, 1000.0, 10.0), window=window) == (
        pytest.approx(4.0),
        10.0,
        10.0,
        pytest.approx(0.25),
    )


def test_the_next_value_ends_the_one_before_though_its_end_is_later():
    made = _of_one((0.0, 24.0, 2.0), (12.0, 24.0, 4.0), window=_window(0.0, 24.0))
    assert made == (3.0, 4.0, 4.0, 0.0)


def test_a_null_ends_a_value_and_its_time_is_not_known():
    made = _of_one((0.0, None, 20.0), (6.0, None, None), window=_window(0.0, 24.0))
    assert made == (20.0, 20.0, 20.0, 1.0)


def test_the_last_value_is_the_last_before_the_end_where_none_is_in_force_at_it():
    made = _of_one((0.0, 2.0, 7.0), (3.0, 5.0, 1.0), window=_window(0.0, 24.0))
    assert made[2] == 1.0


def test_a_value_of_a_moment_has_no_weight_but_may_be_the_highest():
    window = _window(0.0, 24.0)
    assert _of_one((1.0, 1.0, 5.0), window=window) == (None, 5.0, 5.0, None)
    made = _of_one((0.0, 6.0, 3.0), (7.0, 7.0, 30.0), window=window)
    assert made == (3.0, 30.0, 30.0, 0.0)


@pytest.mark.parametrize(
    ("from_h", "to_h", "is_inside"),
    [
        (0.0, 24.0, False),  # ends as the window begins
        (0.0, 24.5, True),
        (24.0, 24.0, True),
        (48.0, None, False),  # begins as the window ends
        (47.5, None, True),
    ],
)
def test_the_limits_of_a_window(from_h, to_h, is_inside):
    made = _of_one((from_h, to_h, 5.0), window=_window(24.0, 48.0))
    assert made[1] == (5.0 if is_inside else None)


def test_only_what_is_asked_for_has_columns_and_each_variable_its_own():
    declared = {
        "repeated": {
            "til": {"label": "TIL", "kind": "count", "summaries": ["max"]},
            "deep": {"label": "Deep", "kind": "flag", "summaries": ["mean"]},
            "lactate": {"label": "Lactate", "kind": "number"},
        }
    }
    values = pl.concat(
        [
            _values(("a", 0.0, None, 3.0), ("b", 0.0, None, 4.0)),
            _values(("a", 12.0, 18.0, 1.0), ("a", 0.0, 12.0, 0.0), variable="deep"),
            _values(("c", 0.0, None, 2.0), variable="lactate"),
        ]
    )
    assert _summary(values, window=_window(0.0, 24.0), declared=declared) == {
        "a": {"til_max": 3.0, "deep_mean": pytest.approx(1 / 3)},
        "b": {"til_max": 4.0, "deep_mean": None},
        "c": {"til_max": None, "deep_mean": None},
    }


def test_a_study_without_values_has_no_rows():
    empty = store.empty(contracts.REPEATED_VALUES)
    windows = {"w": _window(0.0, 24.0)}
    made = repeated_summary.summarise(empty, windows=windows, declared=DECLARED)
    assert made.is_empty() and made.columns == list(
        contracts.repeated_summary(DECLARED).columns
    )


def _by_steps(rows, window, share_from, step_h=0.25):
    """Return mean, max, last and share by looking at every quarter of an hour in turn."""
    seen = []
    for begin_h in np.arange(window["start_h"], window["end_h"], step_h):
        begun = [row for row in rows if row[0] <= begin_h]
        if begun:
            _, to_h, value = max(begun, key=lambda row: row[0])
            if value is not None and (to_h is None or begin_h < to_h):
                seen.append(value)
    if not seen:
        return (None, None, None, None)
    return (
        float(np.mean(seen)),
        max(seen),
        seen[-1],
        float(np.mean(np.array(seen) >= share_from)),
    )


def test_random_values_give_what_a_loop_over_quarters_of_an_hour_gives():
    draw = np.random.default_rng(11)
    windows = [_window(0.0, 24.0), _window(24.0, 72.0), _window(10.25, 11.0)]
    patients = {}
    for n in range(60):
        begins = np.sort(draw.choice(np.arange(-40, 400), draw.integers(1, 12), replace=False))
        patients[f"p{n:02d}"] = [
            (
                float(begin) / 4,
                None if draw.random() < 0.4 else float(begin + draw.integers(1, 120)) / 4,
                None if draw.random() < 0.15 else float(draw.integers(0, 20)),
            )
            for begin in begins
        ]
    values = _values(*((p, *row) for p, rows in patients.items() for row in rows))
    n_known = 0
    for window in windows:
        made = _summary(values.sample(fraction=1.0, shuffle=True, seed=3), window=window)
        for patient, rows in patients.items():
            asked = _by_steps(rows, window, ENTRY["share_from"])
            n_known += asked[0] is not None
            assert tuple(made[patient].values()) == pytest.approx(asked), (patient, window)
    assert n_known > 100
