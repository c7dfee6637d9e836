"""Spans: what touches what, and the one state of each recorded minute."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.report.patients import spans

RECORDING = {"recording_id": "r", "patient_id": "p", "status": "used"}
CHANNELS = {"icp_channel": "ICP", "abp_channel": "ABP"}


def recordings(*rows):
    table = store.empty(contracts.recordings({}))
    rows = [RECORDING | CHANNELS | row for row in rows]
    return pl.concat([table, pl.DataFrame(rows)], how="diagonal_relaxed")


def minutes(**icp_by_end_s):
    return pl.DataFrame(
        {"t_s": [float(t[1:]) for t in icp_by_end_s], "icp_mmhg": list(icp_by_end_s.values())},
        schema={"t_s": pl.Float64(), "icp_mmhg": pl.Float64()},
    )


def artefacts(*rows, signal="icp"):
    frame = pl.DataFrame(rows, schema=["start_s", "end_s"], orient="row").cast(pl.Float64())
    return frame.with_columns(signal=pl.lit(signal), reason=pl.lit("jump"))


def test_spans_that_touch_are_one_and_others_stay_two():
    given_spans = np.array([[50.0, 60.0], [0.0, 10.0], [10.0, 20.0], [12.0, 15.0]])
    assert spans.joined(given_spans, gap_s=0.0).tolist() == [[0.0, 20.0], [50.0, 60.0]]
    assert spans.joined(given_spans, gap_s=30.0).tolist() == [[0.0, 60.0]]
    assert spans.joined(np.empty((0, 2)), gap_s=0.0).size == 0


def test_a_minute_is_touched_by_what_overlaps_it_and_not_by_what_borders_it():
    ends_s = np.array([60.0, 120.0, 180.0])
    assert spans.touched(ends_s, np.array([[60.0, 120.0]])).tolist() == [False, True, False]
    assert spans.touched(ends_s, np.array([[119.9, 120.1]])).tolist() == [False, True, True]
    assert spans.touched(ends_s, np.array([[10.0, np.inf]])).all()


def test_a_null_end_lasts_and_clipping_leaves_out_what_lies_outside():
    table = pl.DataFrame({"start_s": [5.0, 90.0], "end_s": [None, 95.0]})
    inside = spans.clipped(spans.of(table), start_s=10.0, end_s=90.0)
    assert inside.tolist() == [[10.0, 90.0]]


def test_every_recorded_minute_has_one_state_and_others_have_no_row():
    states = spans.minute_states(
        minutes(t60=12.0, t120=None, t180=None, t240=14.0, t300=None),
        artefacts=artefacts((60.0, 61.0), (200.0, 210.0)),
        recordings=recordings(
            {"start_s": 0.0, "end_s": 240.0},
            {"recording_id": "s", "start_s": 300.0, "end_s": 301.0},
            {"recording_id": "t", "start_s": 600.0, "end_s": 900.0, "status": "excluded"},
        ),
        signal="icp",
        column="icp_mmhg",
    )
    assert states.rows() == [
        (60.0, "valid"),
        (120.0, "masked"),
        (180.0, "missing"),
        (240.0, "valid"),  # touched by a masked span, and still with a mean
        (360.0, "missing"),  # recorded, but without a row of minutes
    ]


def test_the_artefacts_of_the_other_signal_mask_nothing():
    states = spans.minute_states(
        minutes(t60=None),
        artefacts=artefacts((0.0, 60.0), signal="abp"),
        recordings=recordings({"start_s": 0.0, "end_s": 60.0}),
        signal="icp",
        column="icp_mmhg",
    )
    assert states["state"].to_list() == ["missing"]


def test_a_recording_without_the_signal_is_not_missing_it():
    rows = recordings({"start_s": 0.0, "end_s": 60.0, "abp_channel": None})
    states = spans.minute_states(
        minutes(t60=None).with_columns(abp_mmhg=pl.lit(None, pl.Float64())),
        artefacts=artefacts(),
        recordings=rows,
        signal="abp",
        column="abp_mmhg",
    )
    assert states.is_empty()


def test_a_minute_counts_in_the_hour_in_which_it_began():
    states = pl.DataFrame(
        {"t_s": [0.0, 60.0, 3600.0, 3660.0], "state": ["valid", "valid", "masked", "missing"]}
    )
    assert spans.hourly_states(states).rows() == [(-1, 1, 0, 0), (0, 1, 1, 0), (1, 0, 0, 1)]


@given(
    st.lists(st.tuples(st.integers(-50, 300), st.integers(1, 90)), min_size=1, max_size=5),
    st.lists(st.tuples(st.integers(0, 300), st.integers(1, 40)), max_size=5),
    st.sets(st.integers(-50, 390)),
)
def test_states_agree_with_a_plain_loop(recorded, masked, valid):
    rows = recordings(
        *(
            {"recording_id": str(i), "start_s": 20.0 * a, "end_s": 20.0 * (a + n)}
            for i, (a, n) in enumerate(recorded)
        )
    )
    masks = [(20.0 * a, 20.0 * (a + n)) for a, n in masked]
    table = pl.DataFrame(
        {"t_s": [60.0 * i for i in sorted(valid)], "icp_mmhg": [9.0] * len(valid)},
        schema={"t_s": pl.Float64(), "icp_mmhg": pl.Float64()},
    )
    expected = []
    for end_s in range(-3000, 9000, 60):
        seconds = range(end_s - 60, end_s, 20)
        if any(20 * a <= s < 20 * (a + n) for a, n in recorded for s in seconds):
            lost = any(a <= s < b for a, b in masks for s in seconds)
            state = "valid" if end_s // 60 in valid else "masked" if lost else "missing"
            expected.append((float(end_s), state))
    states = spans.minute_states(
        table,
        artefacts=artefacts(*masks),
        recordings=rows,
        signal="icp",
        column="icp_mmhg",
    )
    assert states.rows() == expected
    hours = spans.hourly_states(states)
    assert sum(hours[state].sum() for state in spans.STATES) == len(expected)


@pytest.mark.parametrize("state", spans.STATES)
def test_hours_of_nothing_are_no_rows(state):
    nothing = pl.DataFrame(schema={"t_s": pl.Float64(), "state": pl.String()})
    assert spans.hourly_states(nothing)[state].to_list() == []
