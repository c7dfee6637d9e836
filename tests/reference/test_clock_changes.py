"""Reference: every change of the clock of 2005 to 2024 in ten zones, by Python's zoneinfo.

The clock on the wall is what zoneinfo shows; the reader asks polars, which has the IANA
database of its own. A clock that is never set keeps the offset from before the change.
"""

import datetime as dt
import functools
import zoneinfo

import numpy as np
import polars as pl
import pytest

from icpcohort.recordings import RecordingError
from icpcohort.recordings.clocks import Clock

ZONES = (
    *("Europe/Vienna", "Europe/London", "America/New_York", "America/Sao_Paulo"),
    *("Australia/Sydney", "Australia/Lord_Howe", "Asia/Tehran", "Africa/Casablanca"),
    *("America/St_Johns", "Pacific/Auckland"),
)
HOUR = dt.timedelta(hours=1)


@functools.cache
def _changes(zone):
    """Return UTC and the offsets before and after of each change, found day by day."""
    at, end = dt.datetime(2005, 1, 1, tzinfo=dt.UTC), dt.datetime(2025, 1, 1, tzinfo=dt.UTC)
    found, last = [], at.astimezone(zone).utcoffset()
    while at < end:
        at += 24 * HOUR
        offset = at.astimezone(zone).utcoffset()
        if offset != last:
            low, high = at - 24 * HOUR, at
            while high - low > dt.timedelta(minutes=1):
                middle = low + (high - low) / 2
                is_before = middle.astimezone(zone).utcoffset() == last
                low, high = (middle, high) if is_before else (low, middle)
            minute = high.replace(second=0, microsecond=0)
            found.append((minute, last, offset))
            last = offset
    return found


def _read(name, shown, *, n_in_batch):
    """Return seconds since the first row, read in batches, and what is noted."""
    clock = Clock("r1.csv, t_s", clock_zone=name)
    times = pl.Series(shown, dtype=pl.Datetime("us"))
    parts = [
        clock.seconds(times.slice(i, n_in_batch)) for i in range(0, len(times), n_in_batch)
    ]
    return np.concatenate(parts), clock.notes


def _shown(utc, zone):
    return [t.astimezone(zone).replace(tzinfo=None) for t in utc]


def _rows(change, step, phase):
    start = change - 4 * HOUR + phase * step
    return [start + i * step for i in range(int(9 * HOUR / step))]


STEPS = [
    (dt.timedelta(seconds=60), 0.0, 250),
    (dt.timedelta(seconds=60), 0.3, 59),
    (dt.timedelta(seconds=300), 0.7, 10_000),
    (dt.timedelta(seconds=1800), 0.4, 5),
    (dt.timedelta(seconds=3600), 0.5, 10_000),
]


@pytest.mark.parametrize(("step", "phase", "n_in_batch"), STEPS)
@pytest.mark.parametrize("name", ZONES)
def test_a_clock_that_was_set_gives_the_differences_of_utc(name, step, phase, n_in_batch):
    zone = zoneinfo.ZoneInfo(name)
    changes = _changes(zone)
    assert len(changes) >= 25
    for change, before, after in changes:
        utc = _rows(change, step, phase)
        t_s, notes = _read(name, _shown(utc, zone), n_in_batch=n_in_batch)
        expected = [(t - utc[0]).total_seconds() for t in utc]
        assert t_s.tolist() == expected, change
        way = "forward" if after > before else "back"
        assert len(notes) == 1
        assert f": the clock was put {way} here, as clocks in {name} are" in notes[0]


@pytest.mark.parametrize(("step", "phase", "n_in_batch"), STEPS)
@pytest.mark.parametrize("name", ZONES)
def test_a_clock_that_was_not_set_is_refused(name, step, phase, n_in_batch):
    zone = zoneinfo.ZoneInfo(name)
    for change, before, after in _changes(zone):
        utc = _rows(change, step, phase)
        shown = [(t + before).replace(tzinfo=None) for t in utc]
        with pytest.raises(RecordingError) as caught:
            _read(name, shown, n_in_batch=n_in_batch)
        if after < before:
            assert caught.value.reason == "clock_not_set"
            minutes = int(before.total_seconds()) // 60
            sign, (hours, rest) = "-+"[minutes >= 0], divmod(abs(minutes), 60)
            cure = f"(such as {sign}{hours:02d}:{rest:02d}) in column clock_zone"
            assert cure in caught.value.detail
        else:
            assert "not" in caught.value.detail
            assert caught.value.reason in {"bad_times", "clock_not_set"}


@pytest.mark.parametrize("name", ZONES)
def test_by_the_offset_that_it_showed_a_clock_that_was_not_set_is_read(name):
    zone = zoneinfo.ZoneInfo(name)
    for change, before, _ in _changes(zone):
        utc = _rows(change, dt.timedelta(seconds=60), 0.0)
        minutes = int(before.total_seconds()) // 60
        sign, (hours, rest) = "-+"[minutes >= 0], divmod(abs(minutes), 60)
        shown = [(t + before).replace(tzinfo=None) for t in utc]
        t_s, notes = _read(f"{sign}{hours:02d}:{rest:02d}", shown, n_in_batch=100)
        assert t_s.tolist() == [(t - utc[0]).total_seconds() for t in utc]
        assert notes == []


@pytest.mark.parametrize("name", ["Europe/Vienna", "Australia/Lord_Howe"])
def test_where_rows_are_missing_at_a_change_it_is_noted_and_read_as_set(name):
    zone = zoneinfo.ZoneInfo(name)
    for change, _, _ in _changes(zone):
        utc = _rows(change, dt.timedelta(seconds=60), 0.0)
        utc = [t for t in utc if abs(t - change) > 1.5 * HOUR]
        t_s, notes = _read(name, _shown(utc, zone), n_in_batch=100)
        assert t_s.tolist() == [(t - utc[0]).total_seconds() for t in utc]
        assert len(notes) == 1
        assert ": clocks in " + name + " are set here, and rows are missing; it is" in notes[0]


@pytest.mark.parametrize("pause_s", [61, 600])
def test_a_pause_within_the_hour_shown_twice_leaves_it_open(pause_s):
    zone = zoneinfo.ZoneInfo("Europe/Vienna")
    change, before, _ = next(c for c in _changes(zone) if c[2] < c[1])
    times = [change - 2 * HOUR + dt.timedelta(seconds=i) for i in range(4 * 3600)]
    shown = [(t + before).replace(tzinfo=None) for t in times]  # never set
    middle = shown[2 * 3600 - 1800]  # such clocks show this one twice
    kept = [t for t in shown if not 0 < (t - middle).total_seconds() < pause_s]
    _, notes = _read("Europe/Vienna", kept, n_in_batch=1000)
    assert len(notes) == 1
    short = [t for t in shown if not 0 < (t - middle).total_seconds() < 60]
    with pytest.raises(RecordingError, match="are put back here, and this one was not"):
        _read("Europe/Vienna", short, n_in_batch=1000)


def test_far_from_a_change_nothing_is_noted():
    start = dt.datetime(2024, 1, 5)
    shown = [start + i * dt.timedelta(minutes=1) for i in range(5000)]
    assert _read("Europe/Vienna", shown, n_in_batch=999)[1] == []
