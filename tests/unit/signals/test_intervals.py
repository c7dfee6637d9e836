"""What was noted of a patient's time: events, annotations, and the log of monitors."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.recordings import Annotation
from icpcohort.signals import intervals

MEANINGS = [{"text": "drain open", "event": "drain_open"}, {"text": "X", "event": "artefact"}]
TIMES = ("insertion_h", "removal_h", "calibrated_h", "malfunction_h")


def noted(*, events=(), monitors=(), recorded=((0.0, 36_000.0, ()),), meanings=MEANINGS):
    table = intervals.collect(
        events=[{"event": e, "start_s": start, "end_s": end} for e, start, end in events],
        monitors=[dict.fromkeys(TIMES) | monitor for monitor in monitors],
        recorded=[intervals.Recorded(*part) for part in recorded],
        annotation_meanings=meanings,
    )
    store.check(table, contracts.INTERVALS, "intervals")
    return table.rows()


def test_an_event_is_taken_as_it_is():
    assert noted(events=[("drain_open", 60.0, None)]) == [("drain_open", 60.0, None, "events")]


def test_an_annotation_lies_on_the_clock_of_the_patient():
    part = (1000.0, 2000.0, [Annotation(5.0, 8.0, "Drain   OPEN"), Annotation(9.0, 9.0, "x")])
    assert noted(recorded=[part]) == [
        ("artefact", 1009.0, 1009.0, "annotations"),
        ("drain_open", 1005.0, 1008.0, "annotations"),
    ]


def test_an_annotation_without_an_end_ends_with_its_recording():
    assert noted(recorded=[(1000.0, 2000.0, [Annotation(5.0, None, "X")])]) == [
        ("artefact", 1005.0, 2000.0, "annotations")
    ]


def test_an_annotation_that_means_nothing_is_counted():
    notes = [Annotation(5.0, 8.0, "turned"), Annotation(6.0, 8.0, "x")]
    assert noted(recorded=[(0.0, 9.0, notes)]) == [("artefact", 6.0, 8.0, "annotations")]
    assert intervals.count_meant(notes, annotation_meanings=MEANINGS) == 1


@pytest.mark.parametrize("ends", [(60.0, None), (None, 60.0), (50.0, 60.0)])
def test_of_two_that_begin_together_the_longer_counts(ends):
    longest = None if None in ends else 60.0
    collected = noted(events=[("artefact", 10.0, end) for end in ends])
    assert collected == [("artefact", 10.0, longest, "events")]


# --- monitors ---


def test_a_patient_without_a_row_in_the_log_has_no_limits():
    assert noted() == []


def test_times_that_were_not_noted_limit_nothing():
    assert noted(monitors=[{}]) == []


def test_time_before_between_and_after_the_monitors_is_without_one():
    monitors = [
        {"insertion_h": 1.0, "removal_h": 4.0},
        {"insertion_h": 5.0, "removal_h": 9.0},
    ]
    assert noted(monitors=monitors) == [
        ("no_monitor", 0.0, 3_600.0, "monitors"),
        ("no_monitor", 14_400.0, 18_000.0, "monitors"),
        ("no_monitor", 32_400.0, 36_000.0, "monitors"),
    ]


def test_readings_before_calibration_and_after_failure_are_named():
    monitor = {"insertion_h": -1.0, "calibrated_h": 2.0, "malfunction_h": 8.0}
    assert noted(monitors=[monitor]) == [
        ("before_calibration", 0.0, 7_200.0, "monitors"),
        ("monitor_malfunction", 28_800.0, 36_000.0, "monitors"),
    ]


def test_one_fit_monitor_is_enough_while_another_fails():
    failing = {"insertion_h": 0.0, "malfunction_h": 2.0, "removal_h": 8.0}
    fit = {"insertion_h": 3.0, "removal_h": 10.0}
    assert noted(monitors=[failing, fit]) == [
        ("monitor_malfunction", 7_200.0, 10_800.0, "monitors")
    ]


def test_calibrated_before_insertion_is_calibrated():
    assert noted(monitors=[{"insertion_h": 0.0, "calibrated_h": -1.0}]) == []


HOURS = st.one_of(st.none(), st.integers(-2, 12).map(float))


@given(st.lists(st.tuples(HOURS, HOURS, HOURS, HOURS), max_size=4))
def test_agrees_with_asking_of_every_quarter_of_an_hour(times):
    """Reference: the same question asked of each moment by itself."""
    monitors = [dict(zip(TIMES, four, strict=True)) for four in times]
    moments_h = np.arange(0.125, 10, 0.25)
    collected = pl.DataFrame(
        noted(monitors=monitors), schema=list(contracts.INTERVALS.columns), orient="row"
    )
    for h in moments_h:
        inside = collected.filter((pl.col("start_s") < h * 3600) & (pl.col("end_s") > h * 3600))
        kinds = set(inside["event"])
        in_place = [
            m
            for m in monitors
            if (m["insertion_h"] is None or m["insertion_h"] < h)
            and (m["removal_h"] is None or h < m["removal_h"])
        ]
        early = [m for m in in_place if m["calibrated_h"] is not None and h < m["calibrated_h"]]
        failed = [
            m for m in in_place if m["malfunction_h"] is not None and m["malfunction_h"] < h
        ]
        fit = [m for m in in_place if m not in early and m not in failed]
        expected = set()
        if monitors and not in_place:
            expected = {"no_monitor"}
        elif not fit:
            expected = ({"before_calibration"} if early else set()) | (
                {"monitor_malfunction"} if failed else set()
            )
        assert kinds == expected, (h, monitors)


def test_the_methods_text_names_what_annotations_mean():
    assert "'drain open'" in intervals.methods_sentence(annotation_meanings=MEANINGS)
    assert "not used" in intervals.methods_sentence(annotation_meanings=[])
