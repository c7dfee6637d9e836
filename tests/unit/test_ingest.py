import polars as pl
import pytest

from icpcohort import contracts, ingest, store

SUMMARISE = {
    "rules": [],
    "min_valid_fraction": 0.5,
    "pulse_min_hz": 0.67,
    "pulse_max_hz": 3.0,
    "amplitude_method": "interpolated",
}


def _row(recording_id, path, **given):
    return {
        "recording_id": recording_id,
        "patient_id": "P1",
        "path": path,
        "format": "csv",
        "start_s": 0.0,
        "icp_channel": None,
        "abp_channel": None,
        "icp_unit": None,
        "abp_unit": None,
    } | given


def _ingest(folder, rows):
    done = ingest.ingest_patient(
        "P1",
        folder=folder,
        rows=rows,
        events=[],
        icp_channels=["ICP"],
        abp_channels=["ABP"],
        time_column="t_s",
        chunk_samples=1000,
        summarise=SUMMARISE,
    )
    for frame, table in zip(
        done,
        (
            contracts.RECORDINGS,
            contracts.EXCLUDED,
            contracts.TRENDS,
            contracts.ARTEFACTS,
            contracts.QUALITY,
        ),
    ):
        store.check(frame, table, table.path)
    return done


def _csv(folder, name, n=60, value=12.0):
    lines = ["t_s,ICP [mmHg]", *(f"{10 * i},{value}" for i in range(n))]
    (folder / name).write_text("\n".join(lines) + "\n")


def test_a_bad_recording_is_a_row_with_a_reason_and_the_others_are_used(tmp_path):
    _csv(tmp_path, "good.csv")
    (tmp_path / "rubbish.csv").write_bytes(bytes(range(256)) * 20)
    (tmp_path / "empty.csv").touch()
    (tmp_path / "folder.csv").mkdir()
    (tmp_path / "no_icp.csv").write_text("t_s,temperature\n0,37\n10,37\n")
    names = ["good", "rubbish", "empty", "folder", "no_icp", "absent"]
    done = _ingest(tmp_path, [_row(name, f"{name}.csv") for name in names])
    status = dict(done.recordings.select("recording_id", "status").iter_rows())
    assert status == dict.fromkeys(names, "excluded") | {"good": "used"}
    reasons = dict(done.excluded.select("recording_id", "reason").iter_rows())
    assert reasons["absent"] == "missing_file"
    assert reasons["empty"] == "empty"
    assert reasons["no_icp"] == "no_icp"
    assert set(reasons) == set(names) - {"good"}
    assert all(text.isprintable() for text in done.excluded["detail"])
    assert done.trends["icp_mmhg"].to_list() == [12.0] * 60


def test_what_a_damaged_file_says_is_not_repeated(tmp_path):
    (tmp_path / "r.csv").write_text("t_s,ICP [mmHg]\n0,12\n2024-01-01 10:00:00,13\n")
    detail = _ingest(tmp_path, [_row("r", "r.csv")]).excluded["detail"][0]
    assert "2024" not in detail
    assert "r.csv" in detail


@pytest.mark.parametrize(("checksum", "n_used"), [(1000, 1), (1001, 0)])
def test_a_checksum_that_disagrees_excludes_a_recording_as_a_whole(tmp_path, checksum, n_used):
    # the fault shows after the last of many chunks
    (tmp_path / "r.dat").write_bytes(b"\x01\x00" * 66_536)
    line = f"r.dat 16 80(0)/mmHg 16 0 0 {checksum} 0 ICP"
    (tmp_path / "r.hea").write_text(f"r 1 100 66536\n{line}\n")
    done = _ingest(tmp_path, [_row("r", "r.hea", format="wfdb")])
    assert done.recordings["status"].to_list() == ["used" if n_used else "excluded"]
    assert (done.trends.height > 0) == bool(n_used)
    assert done.excluded["reason"].to_list() == (
        [] if n_used else ["checksum", "no_usable_recording"]
    )


@pytest.mark.parametrize(
    ("rows", "reason"),
    [([], "no_recording_listed"), ([_row("r", "absent.csv")], "no_usable_recording")],
)
def test_a_patient_without_data_is_named(tmp_path, rows, reason):
    done = _ingest(tmp_path, rows)
    whole = done.excluded.filter(pl.col("recording_id") == "")
    assert whole["reason"].to_list() == [reason]
    assert done.trends.height == 0


def test_the_same_hours_listed_twice_are_counted_once_and_said(tmp_path):
    _csv(tmp_path, "a.csv")
    _csv(tmp_path, "b.csv", value=13.0)
    done = _ingest(tmp_path, [_row("a", "a.csv"), _row("b", "b.csv")])
    assert done.quality["recorded_s"].to_list() == [600.0]
    assert done.excluded.select("recording_id", "reason").rows() == [("b", "overlap_icp")]
