"""The lag of ICP behind ABP, put in and found again, on hearts that the project does not draw.

Intervals between beats have the two-band spectrum (0.1 and 0.25 Hz) of the model of McSharry
2003 (IEEE Trans Biomed Eng 50:289, from memory); both waveforms are sums of Gaussians over a
beat. ICP follows ABP by 0.05 s of its own.
"""

import numpy as np
import polars as pl
import pytest
import wfdb
from published_settings import changed

from icpcohort import contracts, recordings
from icpcohort.contracts import store
from icpcohort.signals import device_lag, ingest, intervals
from icpcohort.signals.cells import Stretch

OWN_S = 0.05


def _beats(seconds, *, rate_per_min, spread_s, draw):
    """Return the times of heart beats whose intervals vary by `spread_s` in both bands."""
    n = 4 * (seconds + 300)
    hz = np.fft.rfftfreq(n, 0.25)
    power = np.exp(-0.5 * ((hz - 0.1) / 0.02) ** 2) + np.exp(-0.5 * ((hz - 0.25) / 0.02) ** 2)
    phases = np.exp(1j * draw.uniform(0, 2 * np.pi, hz.size))
    series = np.fft.irfft(np.sqrt(power) * phases, n)
    intervals_s = 60 / rate_per_min + spread_s * np.sqrt(2) * series / series.std()
    beats_s, now_s = [], 0.0
    while now_s < seconds + 290:
        beats_s.append(now_s)
        now_s += intervals_s[int(4 * now_s)]
    return np.array(beats_s)


def _wave(beats_s, t_s, peaks):
    beat = np.searchsorted(beats_s, t_s, side="right") - 1
    phase = (t_s - beats_s[beat]) / (beats_s[beat + 1] - beats_s[beat])
    return sum(height * np.exp(-(((phase - at) / width) ** 2)) for height, at, width in peaks)


def _pair(seconds, *, fs_hz=50.0, lag_s=0.0, drift=0.0, seed=1, spread_s=0.01, other=False):
    draw = np.random.default_rng(seed)
    rate = draw.uniform(55, 110)
    beats_s = _beats(seconds, rate_per_min=rate, spread_s=spread_s, draw=draw)
    of_icp = beats_s
    if other:
        of_icp = _beats(seconds, rate_per_min=rate, spread_s=spread_s, draw=draw)
    t_s = 120 + np.arange(int(seconds * fs_hz)) / fs_hz
    later_s = lag_s + drift * (t_s - 120) + OWN_S
    abp = 80 + 40 * _wave(beats_s, t_s, [(1, 0.15, 0.08), (0.5, 0.4, 0.12)])
    pulse = _wave(of_icp, t_s - later_s, [(0.8, 0.18, 0.06), (0.9, 0.35, 0.07)])
    icp = 12 + 4 * pulse + draw.normal(0, 0.3, t_s.size)
    return icp, abp + draw.normal(0, 1, t_s.size)


def _lags(icp, abp, *, fs_hz=50.0, piece_s=60, missing=()):
    follower, found, n = device_lag.Follower(), [], int(piece_s * fs_hz)
    for first in range(0, icp.size, n):
        if first in missing:
            continue
        rows = slice(first, first + n)
        samples = {"icp": icp[rows], "abp": abp[rows]}
        t_s = dict.fromkeys(samples, first / fs_hz)
        found += follower.push(Stretch(t_s, samples, dict.fromkeys(samples, fs_hz)))
    return [*found, *follower.finish()]


@pytest.mark.parametrize("fs_hz", [50.0, 62.5, 125.0])
@pytest.mark.parametrize("lag_s", [0.0, 0.5, -3.0, 10.0, 20.0, -60.0])
def test_a_lag_of_a_fraction_of_a_second_to_a_minute_is_found(lag_s, fs_hz):
    icp, abp = _pair(600, fs_hz=fs_hz, lag_s=lag_s, seed=int(10 * lag_s) + 1000)
    (lag,) = _lags(icp, abp, fs_hz=fs_hz)
    assert lag.is_clear
    assert lag.lag_s == pytest.approx(lag_s + OWN_S, abs=0.1)


def test_a_heart_that_hardly_varies_gives_a_right_lag_or_none():
    clear = []
    for seed in range(20):
        (lag,) = _lags(*_pair(600, lag_s=7.0, seed=seed, spread_s=0.003))
        if lag.is_clear:
            clear.append(lag.lag_s)
    assert len(clear) >= 10
    assert np.abs(np.array(clear) - 7.0 - OWN_S).max() < 0.3


def test_two_hearts_have_no_clear_lag():
    lags = [_lags(*_pair(600, seed=seed, other=True))[0] for seed in range(60)]
    assert not any(lag.is_clear for lag in lags)


def test_a_clock_that_drifts_is_followed_and_the_rate_of_drift_is_given():
    icp, abp = _pair(7200, lag_s=1.0, drift=2 / 3600)
    lags = _lags(icp, abp)
    assert [lag.t_s for lag in lags] == [300.0 + 600 * i for i in range(12)]
    for piece_s in (10, 600, 7200):
        again = _lags(icp, abp, piece_s=piece_s)
        assert [lag.lag_s for lag in again] == [lag.lag_s for lag in lags]
    expected = [1.0 + OWN_S + 2 * lag.t_s / 3600 for lag in lags]
    assert [lag.lag_s for lag in lags] == pytest.approx(expected, abs=0.1)
    (row,) = device_lag.of_recordings(_table(lags)).to_dicts()
    assert row["drift_s_per_h"] == pytest.approx(2.0, abs=0.05)
    assert (row["n_parts"], row["n_clear"]) == (12, 12)


def _table(lags):
    rows = [
        {
            "patient_id": "P1",
            "recording_id": "r",
            "abp_recording_id": "r",
            "t_s": lag.t_s,
            "lag_s": lag.lag_s,
            "correlation": lag.correlation,
            "correlation_elsewhere": lag.elsewhere,
            "is_clear": lag.is_clear,
            "corrected_s": None,
        }
        for lag in lags
    ]
    schema = {name: column.dtype for name, column in contracts.LAGS.columns.items()}
    return pl.DataFrame(rows, schema=schema)


def test_a_gap_ends_a_part_and_a_short_part_is_left():
    icp, abp = _pair(1200, lag_s=2.0)
    lags = _lags(icp, abp, missing=(6 * 3000, 12 * 3000))
    assert [lag.t_s for lag in lags] == [180.0, 570.0, 990.0]  # of 6, 5 and 7 min
    assert _lags(icp, abp, piece_s=30, missing=(0,))[0].t_s == 330.0
    assert all(lag.lag_s == pytest.approx(2.0 + OWN_S, abs=0.15) for lag in lags)
    assert _lags(icp[: 4 * 3000], abp[: 4 * 3000]) == []


def test_without_readings_a_pulse_or_a_waveform_there_is_no_lag():
    icp, abp = _pair(600)
    assert _lags(np.full(icp.size, np.nan), abp) == []
    assert _lags(icp[::100], abp[::100], fs_hz=0.5) == []
    flat = _lags(icp, np.full(abp.size, 80.0))
    assert not any(lag.is_clear for lag in flat)


def test_the_lags_of_a_recording_are_in_its_patients_table(tmp_path):
    fs_hz = 50.0
    icp, abp = _pair(1260, fs_hz=fs_hz, lag_s=4.0)
    wfdb.wrsamp(
        "r",
        fs=fs_hz,
        units=["mmHg", "mmHg"],
        sig_name=["ICP", "ABP"],
        p_signal=np.column_stack([icp, abp]),
        fmt=["16", "16"],
        write_dir=str(tmp_path),
    )
    settings = changed(cleaning={"rules": []}, trends={"max_lag_s": 3.0})
    row = dict.fromkeys(contracts.recording_list(settings).columns)
    row |= {"recording_id": "r", "patient_id": "P1", "path": "r.hea", "format": "wfdb"}
    done = ingest.ingest_patient(
        "P1",
        places=recordings.Places(tmp_path),
        rows=[row | {"start_s": 3600.0}],
        events=[],
        monitors=[],
        level={"abp_level": None, "bed_angle_deg": None, "heart_to_tragus_cm": None},
        left_out={},
        sections=ingest.sections_of(settings),
    )
    store.check(done.lags, contracts.LAGS, "lags")
    assert done.lags["t_s"].to_list() == [3900.0, 4500.0]
    assert done.lags["lag_s"].to_list() == pytest.approx([4.0 + OWN_S] * 2, abs=0.1)
    assert done.lags["is_clear"].all()
    assert done.intervals.rows() == [
        ("out_of_step", 3600.0, 4200.0, "signals"),
        ("out_of_step", 4200.0, 4800.0, "signals"),
    ]


def test_two_recordings_out_of_step_at_one_time_are_one_event():
    noted = store.empty(contracts.INTERVALS)
    lags = [
        device_lag.Lag(0.0, 300.0, 5.0, 0.9, 0.2),
        device_lag.Lag(0.0, 200.0, 5.0, 0.9, 0.2),
        device_lag.Lag(600.0, 900.0, 1.0, 0.9, 0.2),
        device_lag.Lag(1200.0, 1500.0, 9.0, 0.5, 0.2),
    ]
    both = intervals.with_out_of_step(noted, lags, max_lag_s=2.0)
    store.check(both, contracts.INTERVALS, "intervals")
    assert both.rows() == [("out_of_step", 0.0, 600.0, "signals")]
    assert intervals.with_out_of_step(noted, lags, max_lag_s=None).is_empty()
