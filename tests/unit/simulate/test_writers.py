"""Files of the simulator, read by libraries that are not the writer, against known samples."""

import itertools

import edfio
import numpy as np
import polars as pl
import pyarrow.parquet as pq
import pyedflib
import pytest
import wfdb

from icpcohort.simulate import writers

FS_HZ = 50.0


def _channel(name="ICP", unit="mmHg", n=6000, fs_hz=FS_HZ, step=0.01, missing=True):
    t_s = np.arange(n) / fs_hz
    samples = 15 + 8 * np.sin(2 * np.pi * t_s / 7)
    if missing:
        samples[100:110] = np.nan
    return writers.Channel(name, unit, samples, fs_hz, step, lowest=-50.0)


ABP = writers.Channel("ABP", "mmHg", np.linspace(40, 298, 6000), FS_HZ, 0.1, -20.0)


@pytest.mark.parametrize(("fmt", "step"), [("16", 0.01), ("212", 0.05)])
def test_wfdb_holds_every_sample_within_half_a_step(tmp_path, fmt, step):
    icp = _channel(step=step)
    writers.write_wfdb(tmp_path / "P1_r1.hea", [icp, ABP], fmt=fmt)
    record = wfdb.rdrecord(str(tmp_path / "P1_r1"))
    assert (record.fs, record.fmt, record.units) == (50, [fmt] * 2, ["mmHg"] * 2)
    assert record.sig_name == ["ICP", "ABP"]
    assert np.array_equal(np.isnan(record.p_signal[:, 0]), np.isnan(icp.samples))
    assert np.nanmax(np.abs(record.p_signal[:, 0] - icp.samples)) <= step / 2 + 1e-9
    assert np.abs(record.p_signal[:, 1] - ABP.samples).max() <= 0.05 + 1e-9


def test_a_sample_beyond_the_range_is_cut_and_does_not_become_missing(tmp_path):
    far = writers.Channel("ICP", "mmHg", np.array([-1e6, 0.0, 1e6] * 4), 1.0, 0.05, -50.0)
    writers.write_wfdb(tmp_path / "P1_r1.hea", [far], fmt="212")
    values = wfdb.rdrecord(str(tmp_path / "P1_r1")).p_signal[:3, 0]
    assert values == pytest.approx([-50.0, 0.0, 154.7])


def test_a_gap_is_a_null_segment_between_two_records(tmp_path):
    icp = _channel(missing=False)
    writers.write_wfdb_segments(
        tmp_path / "P1_r1.hea", [icp, ABP], fmt="16", gap_s=(40.0, 60.0)
    )
    header = wfdb.rdheader(str(tmp_path / "P1_r1"))
    assert header.seg_name == ["P1_r1_1", "~", "P1_r1_2"]
    assert header.seg_len == [2000, 1000, 3000]
    assert header.sig_len == 6000
    last = wfdb.rdrecord(str(tmp_path / "P1_r1_2")).p_signal[:, 0]
    assert last == pytest.approx(icp.samples[3000:], abs=0.005 + 1e-9)


def test_edf_holds_every_sample_within_half_a_step_and_missing_as_its_lowest(tmp_path):
    icp, temperature = _channel(), _channel("Temp", "degC", n=120, fs_hz=1.0, missing=False)
    writers.write_edf(tmp_path / "a.edf", [icp, ABP, temperature], record_s=4.0)
    with pyedflib.EdfReader(str(tmp_path / "a.edf")) as file:
        assert file.getSignalLabels() == ["ICP", "ABP", "Temp"]
        assert file.getSampleFrequencies().tolist() == [50.0, 50.0, 1.0]
        assert file.getPhysicalDimension(0) == "mmHg"
        values = file.readSignal(0)
        lowest = file.getPhysicalMinimum(0)
    there = ~np.isnan(icp.samples)
    assert np.abs(values - icp.samples)[there].max() <= 0.005 + 1e-6
    assert values[~there] == pytest.approx(lowest)
    assert lowest < -300


def test_edf_holds_one_reading_a_minute(tmp_path):
    minutes = _channel(n=300, fs_hz=1 / 60, step=0.1, missing=False)
    writers.write_edf(tmp_path / "a.edf", [minutes], record_s=60.0)
    with pyedflib.EdfReader(str(tmp_path / "a.edf")) as file:
        assert file.getSampleFrequency(0) == pytest.approx(1 / 60)
        assert file.readSignal(0) == pytest.approx(minutes.samples, abs=0.05 + 1e-6)


def _record_onsets(content):
    """Onsets of the time-keeping annotations, by the EDF+ specification, section 2.2."""
    n_signals, n_records = int(content[252:256]), int(content[236:244])
    fields = 256 + 216 * n_signals
    counts = [int(content[fields + 8 * i :][:8]) for i in range(n_signals)]
    at = 256 * (1 + n_signals) + 2 * sum(counts[:-1])  # annotations are the last signal
    onsets = []
    for _ in range(n_records):
        onset, rest = content[at : at + 2 * counts[-1]].split(b"\x14", 1)
        assert rest.startswith(b"\x14\x00")  # empty text, end of this annotation list
        onsets.append(float(onset))
        at += 2 * sum(counts)
    assert at - 2 * sum(counts[:-1]) == len(content)
    return onsets


def test_a_gap_in_edf_stands_in_the_time_keeping_annotations(tmp_path):
    icp = _channel(missing=False)
    writers.write_edf_with_gap(tmp_path / "d.edf", [icp, ABP], record_s=4.0, gap_s=(40.0, 60.0))
    content = (tmp_path / "d.edf").read_bytes()
    assert content[192:197] == b"EDF+D"
    onsets = _record_onsets(content)
    assert onsets == [4.0 * i for i in range(10)] + [60.0 + 4.0 * i for i in range(15)]
    data = edfio.read_edf(tmp_path / "d.edf").signals[0].data
    expected = np.concatenate([icp.samples[:2000], icp.samples[3000:]])
    assert data == pytest.approx(expected, abs=0.005 + 1e-6)


def test_a_file_without_gap_has_evenly_spaced_onsets(tmp_path):
    writers.write_edf(tmp_path / "c.edf", [ABP], record_s=4.0)
    content = (tmp_path / "c.edf").read_bytes()
    assert content[192:197] == b"EDF+C"
    assert {b - a for a, b in itertools.pairwise(_record_onsets(content))} == {4.0}


def test_csv_states_units_in_the_header_and_leaves_missing_cells_empty(tmp_path):
    channel = _channel(unit="kPa", n=200, fs_hz=0.1)
    writers.write_csv(tmp_path / "a.csv", [channel], interval_s=10.0)
    lines = (tmp_path / "a.csv").read_text().splitlines()
    assert lines[0] == "t_s,ICP [kPa]"
    assert lines[1] == "0,15.0"
    assert lines[101] == "1000,"
    values = pl.read_csv(tmp_path / "a.csv")["ICP [kPa]"]
    assert values.null_count() == 10
    assert np.nanmax(np.abs(values.to_numpy() - channel.samples)) <= 0.005 + 1e-9


def test_a_unit_that_is_not_to_be_stated_is_not_in_the_file(tmp_path):
    channel = _channel(unit=None, n=200, fs_hz=1.0)
    writers.write_csv(tmp_path / "a.csv", [channel], interval_s=1.0)
    writers.write_parquet(tmp_path / "a.parquet", [channel], interval_s=1.0)
    assert pl.read_csv(tmp_path / "a.csv").columns == ["t_s", "ICP"]
    assert pq.read_schema(tmp_path / "a.parquet").field("ICP").metadata is None


def test_parquet_states_units_as_metadata_and_has_nulls_not_nan(tmp_path):
    channel = _channel("Intracranial pressure", "cmH2O", n=200, fs_hz=1 / 60, step=0.1)
    writers.write_parquet(tmp_path / "a.parquet", [channel], interval_s=60.0)
    field = pq.read_schema(tmp_path / "a.parquet").field("Intracranial pressure")
    assert field.metadata == {b"unit": b"cmH2O"}
    table = pl.read_parquet(tmp_path / "a.parquet")
    values = table["Intracranial pressure"]
    assert table["t_s"].to_list() == [60.0 * i for i in range(200)]
    assert (values.null_count(), values.is_nan().sum()) == (10, 0)
    assert np.nanmax(np.abs(values.to_numpy() - channel.samples)) <= 0.05 + 1e-9
