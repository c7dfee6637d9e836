"""When a recording begins, by other writers of the formats."""

from datetime import UTC, datetime, timedelta, timezone

import edfio
import numpy as np
import polars as pl
import pytest
import wfdb

from icpcohort.recordings import starts
from icpcohort.recordings.time_columns import Timing

TIMING = Timing(["time"])

START = datetime(2024, 3, 1, 22, 58, 30)


def _start(path, format):
    return starts.start_of(path, format=format, timing=TIMING)


def test_a_wfdb_record_states_base_date_and_time_as_its_own_library_writes_them(tmp_path):
    wfdb.wrsamp(
        "r1",
        fs=1,
        units=["mmHg"],
        sig_name=["ICP"],
        p_signal=np.arange(60.0).reshape(-1, 1),
        base_datetime=START,
        write_dir=str(tmp_path),
    )
    assert _start(tmp_path / "r1.hea", "wfdb") == START


def test_a_wfdb_record_without_a_date_has_no_start(tmp_path):
    (tmp_path / "r1.hea").write_text("r1 1 1 60 22:58:30\nr1.dat 16 80/mmHg 16 0 0 0 0 ICP\n")
    assert _start(tmp_path / "r1.hea", "wfdb") is None


@pytest.mark.parametrize(
    ("shown", "start"), [(START, START), (START.replace(year=1999), START.replace(year=1999))]
)
def test_an_edf_file_states_its_start_as_edfio_writes_it(tmp_path, shown, start):
    signal = edfio.EdfSignal(np.arange(60.0), 1, label="ICP", physical_dimension="mmHg")
    edf = edfio.Edf(
        [signal], recording=edfio.Recording(startdate=shown.date()), starttime=shown.time()
    )
    edf.write(tmp_path / "r1.edf")
    assert _start(tmp_path / "r1.edf", "edf") == start


def test_an_edf_file_whose_date_was_taken_out_has_no_start(tmp_path):
    signal = edfio.EdfSignal(np.arange(60.0), 1, label="ICP", physical_dimension="mmHg")
    edf = edfio.Edf([signal], starttime=START.time())
    edf.anonymize()
    edf.write(tmp_path / "r1.edf")
    assert _start(tmp_path / "r1.edf", "edf") is None


@pytest.mark.parametrize(
    ("texts", "start"),
    [
        (["2024-03-01 22:59:30", "2024-03-01 22:58:30"], START),
        (["2024-03-01T22:58:30+01:00"], START.replace(tzinfo=timezone(timedelta(hours=1)))),
        (["2024-03-01T22:58:30Z"], START.replace(tzinfo=UTC)),
        (["0", "60"], None),
        (["22:58:30", "22:59:30"], None),
        (["1 day, 02:03:04"], None),
    ],
)
def test_a_csv_file_has_the_start_of_its_earliest_row_if_it_states_a_date(
    tmp_path, texts, start
):
    rows = "".join(f'"{text}",10\n' for text in texts)
    (tmp_path / "r1.csv").write_text(f"time,ICP\n{rows}")
    found = _start(tmp_path / "r1.csv", "csv")
    assert found == start
    assert (found is None) or (found.tzinfo is None) == (start.tzinfo is None)


@pytest.mark.parametrize("zone", [None, "Europe/Lisbon", "America/New_York"])
def test_a_parquet_file_has_the_start_of_its_earliest_time_stamp(tmp_path, zone):
    times = pl.Series("time", [START + timedelta(minutes=1), START])
    times = times.dt.replace_time_zone(zone) if zone else times
    pl.DataFrame([times, pl.Series("ICP", [1.0, 2.0])]).write_parquet(tmp_path / "r1.parquet")
    found = _start(tmp_path / "r1.parquet", "parquet")
    assert found == times.min()
    assert (found.tzinfo is None) == (zone is None)


def test_of_one_file_for_all_each_patient_has_a_start(tmp_path):
    (tmp_path / "all.csv").write_text(
        "who,time,ICP\nP2,2024-03-02 01:00,1\n P1 ,2024-03-01 22:58:30,1\n"
        "P2,2024-03-02 00:00,1\n,2020-01-01 00:00,1\n"
    )
    found = starts.starts_by_patient(
        tmp_path / "all.csv", format="csv", timing=TIMING, patient_column="who"
    )
    assert found == {"P2": datetime(2024, 3, 2), "P1": START}
