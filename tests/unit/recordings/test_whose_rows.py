"""One file for all patients: a recording is the rows of its patient."""

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from icpcohort import recordings
from icpcohort.recordings import RecordingError, Wanted, Whose

WANTED = [Wanted("icp", None, "mmHg", aliases=["ICP"], to_unit="mmHg")]
N = 200


def _alone(seed, *, start_s=0):
    """Return one patient's minutes with some values missing."""
    draw = np.random.default_rng(seed)
    values = np.round(draw.uniform(5, 25, N), 1)
    icp = [None if draw.random() < 0.1 else float(value) for value in values]
    return pl.DataFrame({"t_s": [start_s + 60.0 * i for i in range(N)], "ICP": icp})


def _together(patients, *, interleaved):
    parts = [frame.with_columns(who=pl.lit(name)) for name, frame in patients.items()]
    whole = pl.concat(parts)
    return whole.sort("t_s", maintain_order=True) if interleaved else whole


def _write(frame, path):
    if path.suffix == ".parquet":
        frame.write_parquet(path)
    else:
        frame.write_csv(path)


def _read(path, whose=None):
    about = recordings.describe(
        path,
        format=path.suffix[1:],
        wanted=WANTED,
        timing=recordings.Timing(["t_s"]),
        whose=whose,
    )
    chunks = recordings.read_chunks(
        path, about, timing=recordings.Timing(["t_s"]), chunk_s=1000.0, whose=whose
    )
    parts = [(chunk.start_s, chunk.samples["icp"]) for chunk in chunks]
    starts = np.concatenate([s + 60.0 * np.arange(len(x)) for s, x in parts])
    return about, pl.DataFrame({"t_s": starts, "icp": np.concatenate([x for _, x in parts])})


@pytest.mark.parametrize("ending", ["csv", "parquet"])
@pytest.mark.parametrize("interleaved", [True, False])
def test_the_rows_of_a_patient_are_read_as_from_a_file_of_their_own(
    tmp_path, ending, interleaved
):
    patients = {"P1": _alone(1), "P2": _alone(2, start_s=30), "P10": _alone(3)}
    _write(_together(patients, interleaved=interleaved), tmp_path / f"all.{ending}")
    for name, frame in patients.items():
        _write(frame, tmp_path / f"{name}.{ending}")
        about, read = _read(tmp_path / f"all.{ending}", Whose("who", name))
        about_alone, alone = _read(tmp_path / f"{name}.{ending}", Whose("who", name))
        assert about == about_alone
        assert (about.n_duplicate_times, about.n_unordered_times) == (0, 0)
        assert read.height == N
        assert_frame_equal(read, alone)


def test_numbers_as_identifiers_are_text(tmp_path):
    whole = _together({"7": _alone(1), "12": _alone(2)}, interleaved=True)
    whole.write_csv(tmp_path / "all.csv")
    whole.with_columns(pl.col("who").cast(pl.Int64)).write_parquet(tmp_path / "all.parquet")
    _, from_csv = _read(tmp_path / "all.csv", Whose("who", "12"))
    _, from_parquet = _read(tmp_path / "all.parquet", Whose("who", "12"))
    assert from_csv.height == N
    assert_frame_equal(from_csv, from_parquet)


def test_a_patient_without_rows_has_an_empty_recording(tmp_path):
    _write(_together({"P1": _alone(1)}, interleaved=False), tmp_path / "all.csv")
    with pytest.raises(RecordingError, match=r"all\.csv \(rows of P2\): no rows") as caught:
        _read(tmp_path / "all.csv", Whose("who", "P2"))
    assert caught.value.reason == "empty"


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_a_file_for_all_is_refused_where_the_setting_is_not_stated(tmp_path, ending):
    whole = _together({"P1": _alone(1), "P2": _alone(2)}, interleaved=True)
    path = tmp_path / f"all.{ending}"
    _write(whole.rename({"who": "Patient_ID"}), path)
    with pytest.raises(RecordingError) as caught:
        _read(path)
    assert caught.value.reason == "several_patients"
    assert "state recordings.patient_column: Patient_ID in config.yaml" in caught.value.detail
    assert "P1" not in caught.value.detail
    assert _read(path, Whose("Patient_ID", "P1"))[1].height == N


def test_a_file_of_one_patient_with_its_column_is_read_as_before(tmp_path):
    frame = _alone(1)
    _write(frame, tmp_path / "alone.csv")
    _write(frame.with_columns(patient_id=pl.lit("P1")), tmp_path / "named.csv")
    about, named = _read(tmp_path / "named.csv")
    about_alone, alone = _read(tmp_path / "alone.csv")
    assert about == about_alone
    assert_frame_equal(named, alone)
