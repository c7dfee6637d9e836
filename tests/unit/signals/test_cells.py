import numpy as np
import pytest

from icpcohort.recordings import Chunk
from icpcohort.signals import cells


def _chunks(samples, fs_hz, pieces):
    starts = np.cumsum([0, *pieces[:-1]])
    return [
        Chunk(start / fs_hz, {"icp": samples[start : start + n]}, {"icp": fs_hz})
        for start, n in zip(starts, pieces)
    ]


def test_every_sample_comes_once_and_blocks_are_whole():
    samples = np.arange(1000.0)
    stretches = list(
        cells.align(_chunks(samples, 10.0, [333, 333, 334]), start_s=7.0, block_s=10.0)
    )
    joined = np.concatenate([s.samples["icp"] for s in stretches])
    assert joined.tolist() == samples.tolist()
    for stretch in stretches[1:]:
        assert stretch.t_s["icp"] % 10.0 == pytest.approx(0.0)
        at_start = round((stretch.t_s["icp"] - 7.0) * 10)
        assert stretch.samples["icp"][0] == at_start


def test_a_gap_in_time_is_not_bridged():
    chunks = [
        Chunk(0.0, {"icp": np.zeros(55)}, {"icp": 1.0}),
        Chunk(100.0, {"icp": np.ones(20)}, {"icp": 1.0}),
    ]
    stretches = list(cells.align(chunks, start_s=0.0, block_s=10.0))
    assert [(s.t_s["icp"], s.samples["icp"].size) for s in stretches] == [
        (0.0, 50),
        (50.0, 5),
        (100.0, 20),
    ]


def test_signals_of_different_rates_keep_their_own_clocks():
    chunk = Chunk(
        0.5, {"icp": np.arange(3000.0), "abp": np.arange(30.0)}, {"icp": 100.0, "abp": 1.0}
    )
    stretches = list(cells.align([chunk], start_s=0.0, block_s=10.0))
    for name, fs_hz in (("icp", 100.0), ("abp", 1.0)):
        for stretch in (s for s in stretches if s.samples[name].size):
            first = stretch.samples[name][0]
            assert stretch.t_s[name] == pytest.approx(0.5 + first / fs_hz)
        assert sum(s.samples[name].size for s in stretches) == 30 * fs_hz


def test_a_cell_is_a_second_of_the_patients_clock():
    reduced = cells.reduce(np.array([1.0, 2.0, 3.0, np.nan, 5.0]), t_s=10.5, fs_hz=2.0)
    assert reduced.t_s.tolist() == [10.0, 11.0, 12.0]
    assert reduced.n.tolist() == [1, 2, 2]
    assert reduced.n_valid.tolist() == [1, 2, 1]
    assert reduced.mean.tolist() == [1.0, 2.5, 5.0]
    assert reduced.low.tolist() == [1.0, 2.0, 5.0]
    assert reduced.high.tolist() == [1.0, 3.0, 5.0]


def test_a_second_without_a_reading_has_no_mean():
    reduced = cells.reduce(np.array([np.nan, np.nan, 4.0, 4.0]), t_s=0.0, fs_hz=2.0)
    assert np.isnan(reduced.mean[0])
    assert reduced.n_valid.tolist() == [0, 2]


@pytest.mark.parametrize("fs_hz", [62.4725, 25.0, 100 / 3, 250.0])
def test_rates_that_are_not_whole_lose_no_sample(fs_hz):
    samples = np.random.default_rng(1).normal(size=5000)
    reduced = cells.reduce(samples, t_s=3.3, fs_hz=fs_hz)
    assert reduced.n.sum() == 5000
    assert (reduced.mean * reduced.n_valid).sum() == pytest.approx(samples.sum())
    seconds = np.floor(3.3 + np.arange(5000) / fs_hz + 1e-9)
    slow = [samples[seconds == s].mean() for s in np.unique(seconds)]
    assert reduced.mean == pytest.approx(np.array(slow))


def test_the_pulse_of_a_second_is_the_span_of_its_tenths():
    draw = np.random.default_rng(6)
    samples = draw.normal(size=2000)
    samples[300:420] = np.nan
    fs_hz, t_s = 62.4725, 7.77
    reduced = cells.reduce(samples, t_s=t_s, fs_hz=fs_hz)
    tenths: dict[tuple[int, int], list[float]] = {}
    for i, value in enumerate(samples):
        at_s = t_s + i / fs_hz + 1e-6
        tenths.setdefault((int(at_s), int((at_s % 1) * 10)), []).append(value)
    for second, pulse in zip(reduced.t_s, reduced.pulse):
        means = [
            np.nanmean(v)
            for (s, _), v in tenths.items()
            if s == second and np.isfinite(v).any()
        ]
        assert (max(means) - min(means) if means else np.nan) == pytest.approx(
            pulse, nan_ok=True
        )
    assert np.isnan(cells.reduce(samples, t_s=0.0, fs_hz=10.0).pulse).all()


def test_movement_of_a_waveform_is_its_pulse_without_the_drift():
    t_s = np.arange(1000) / 100
    ramp = cells.movement(cells.reduce(5.0 * t_s, t_s=0.0, fs_hz=100.0))
    assert ramp[1:-1] == pytest.approx(0.0, abs=0.5 + 1e-9)  # the tenths span 0.9 of a second
    beating = 5.0 * t_s + 10 * np.sin(2 * np.pi * 1.3 * t_s)
    moved = cells.movement(cells.reduce(beating, t_s=0.0, fs_hz=100.0))
    assert (moved[1:-1] > 11).all()


def test_movement_of_numbers_is_the_smaller_of_the_changes_around():
    moved = cells.movement(
        cells.reduce(np.array([1.0, 4, 5, np.nan, 9, 2]), t_s=0.0, fs_hz=1.0)
    )
    assert moved.tolist() == pytest.approx([3, 1, 1, np.nan, 7, 7], nan_ok=True)
