import numpy as np
import polars as pl
import pytest

from icpcohort.recordings import Chunk
from icpcohort.signals import raw_minutes


def _of(samples, *, fs_hz, n_chunk, start_s=0.0):
    chunks = (
        Chunk(at / fs_hz, {"icp": samples[at : at + n_chunk]}, {"icp": fs_hz})
        for at in range(0, samples.size, n_chunk)
    )
    return raw_minutes.of_chunks(chunks, start_s=start_s)


def test_a_minute_has_the_mean_of_its_readings_and_the_time_with_one():
    samples = np.repeat([10.0, 20.0, np.nan], 60)
    samples[70:100] = np.nan
    (first, second) = _of(samples, fs_hz=1.0, n_chunk=180).rows(named=True)
    assert first == {"signal": "icp", "t_s": 0.0, "width_s": 60.0, "level": 10.0, "pulse": None}
    assert (second["t_s"], second["width_s"], second["level"]) == (60.0, 30.0, 20.0)


def test_a_waveform_has_the_height_of_its_pulse():
    # means of 0.1 s of a square of 4 mmHg, half a second up and half a second down
    samples = np.tile(np.repeat([8.0, 12.0], 50), 120)
    raw = _of(samples, fs_hz=100.0, n_chunk=12000)
    assert raw["level"].to_list() == [10.0, 10.0]
    assert raw["pulse"].to_list() == [4.0, 4.0]


def test_a_number_slower_than_a_minute_stands_for_its_interval():
    raw = _of(np.array([12.0, 14.0]), fs_hz=1 / 3600, n_chunk=1)
    assert raw["width_s"].to_list() == [3600.0, 3600.0]
    assert raw["t_s"].to_list() == [0.0, 3600.0]


@pytest.mark.parametrize("n_chunk", [3333, 6000, 25000])
def test_minutes_do_not_depend_on_where_the_file_was_cut(n_chunk):
    draw = np.random.default_rng(4)
    samples = 12 + 2 * np.sin(np.arange(60000) / 15) + draw.normal(size=60000)
    whole = _of(samples, fs_hz=100.0, n_chunk=60000, start_s=17.0)
    assert whole.height == 11
    assert _of(samples, fs_hz=100.0, n_chunk=n_chunk, start_s=17.0).equals(whole)


def test_a_signal_without_a_reading_has_no_minutes():
    raw = _of(np.full(300, np.nan), fs_hz=1.0, n_chunk=100)
    assert raw.equals(pl.DataFrame(schema=raw_minutes.SCHEMA))
