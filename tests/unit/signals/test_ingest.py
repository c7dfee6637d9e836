import edfio
import numpy as np
import polars as pl
import pytest
import wfdb
from published_settings import changed

from icpcohort import contracts, recordings
from icpcohort.contracts import store
from icpcohort.signals import ingest


def _row(recording_id, path, **values):
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
        "time_column": None,
        "clock_zone": None,
    } | values


LEVEL = {"abp_level": None, "bed_angle_deg": None, "heart_to_tragus_cm": None}
DRAIN = {"rule": "event", "signal": "icp", "event": "drain_open", "settle_s": 10.0}
NO_MONITOR = {"rule": "event", "signal": "icp", "event": "no_monitor", "settle_s": 0.0}


def _ingest(
    folder, rows, *, rules=(), monitors=(), level=LEVEL, correction="none", left_out=None
):
    done = ingest.ingest_patient(
        "P1",
        places=recordings.Places(folder),
        rows=rows,
        events=[],
        monitors=monitors,
        level=level,
        left_out=left_out or {},
        sections=ingest.sections_of(
            changed(
                recordings={"chunk_samples": 1000, "annotation_extensions": ["noted"]},
                cleaning={"rules": rules},
                levels={"abp_correction": correction},
            )
        ),
    )
    for frame, table in zip(
        (*done[:-1], *done.accounts),
        (
            contracts.recordings({}),
            contracts.EXCLUDED,
            contracts.INTERVALS,
            contracts.trends({}),
            contracts.ARTEFACTS,
            contracts.PULSE_FINDINGS,
            contracts.LAGS,
            contracts.SUSPECTS,
            contracts.QUALITY,
            contracts.MASKED,
            contracts.RECORDING_QUALITY,
            contracts.RECORDING_MASKED,
        ),
        strict=True,
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
    (tmp_path / "no_signal.csv").write_text("t_s,temperature\n0,37\n10,37\n")
    names = ["good", "rubbish", "empty", "folder", "no_signal", "absent"]
    done = _ingest(tmp_path, [_row(name, f"{name}.csv") for name in names])
    status = dict(done.recordings.select("recording_id", "status").iter_rows())
    assert status == dict.fromkeys(names, "excluded") | {"good": "used"}
    reasons = dict(done.excluded.select("recording_id", "reason").iter_rows())
    assert reasons["absent"] == "missing_file"
    assert reasons["empty"] == "empty"
    assert reasons["no_signal"] == "no_signal"
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
    assert done.accounts.quality["recorded_s"].to_list() == [600.0]
    assert done.excluded.select("recording_id", "reason").rows() == [("b", "overlap_icp")]


# --- what was noted --


def test_an_annotation_in_a_recording_masks_its_time_and_the_settling_after_it(tmp_path):
    edfio_file().write(tmp_path / "r.edf")
    row = _row("r", "r.edf", format="edf", start_s=1000.0)
    done = _ingest(tmp_path, [row], rules=[DRAIN])
    assert done.intervals.rows() == [("drain_open", 1020.0, 1030.0, "annotations")]
    assert done.artefacts.rows() == [("icp", 1020.0, 1040.0, "drain_open")]
    assert (
        done.trends["icp_mmhg"].is_null().to_list() == [False, False, True, True] + [False] * 2
    )
    counted = done.recordings.select("n_annotations", "n_annotations_used")
    assert counted.rows() == [(2, 1)]
    assert done.excluded.is_empty()


def edfio_file():
    """A minute at 1 Hz, with a drain that is open for 10 s and a note that means nothing."""
    signal = edfio.EdfSignal(
        np.full(60, 12.0),
        1.0,
        label="ICP",
        physical_dimension="mmHg",
        physical_range=(-50, 150),
    )
    notes = [edfio.EdfAnnotation(20, 10, "Drain open"), edfio.EdfAnnotation(40, 5, "private")]
    return edfio.Edf([signal], annotations=notes)


def test_a_file_of_annotations_beside_a_record_counts_and_a_damaged_one_excludes_it(tmp_path):
    wfdb.wrsamp(
        "r",
        fs=1,
        units=["mmHg"],
        sig_name=["ICP"],
        p_signal=np.full((60, 1), 12.0),
        fmt=["16"],
        adc_gain=[80.0],
        baseline=[0],
        write_dir=str(tmp_path),
    )
    wfdb.wrann(
        "r",
        "noted",
        np.array([20, 30]),
        ['"', '"'],
        aux_note=["(drain open", "drain open)"],
        write_dir=str(tmp_path),
    )
    row = _row("r", "r.hea", format="wfdb")
    done = _ingest(tmp_path, [row], rules=[DRAIN])
    assert done.intervals.rows() == [("drain_open", 20.0, 30.0, "annotations")]
    assert done.artefacts.rows() == [("icp", 20.0, 40.0, "drain_open")]
    (tmp_path / "r.noted").write_bytes(b"\x01")
    assert _ingest(tmp_path, [row]).recordings["status"].to_list() == ["excluded"]


def test_readings_after_the_last_monitor_was_taken_out_are_masked(tmp_path):
    _csv(tmp_path, "r.csv")
    monitor = dict.fromkeys(("calibrated_h", "malfunction_h", "drift_at_removal_mmhg"))
    out = monitor | {"insertion_h": 0.0, "removal_h": 300 / 3600}
    done = _ingest(tmp_path, [_row("r", "r.csv")], rules=[NO_MONITOR], monitors=[out])
    assert done.intervals.rows() == [("no_monitor", 300.0, 600.0, "monitors")]
    assert done.trends["icp_mmhg"].is_null().to_list() == [False] * 30 + [True] * 30


def test_the_drift_that_the_log_of_monitors_has_reaches_the_suspicions(tmp_path):
    _csv(tmp_path, "r.csv", n=1000)
    monitor = dict.fromkeys(("calibrated_h", "malfunction_h")) | {
        **{"monitor_id": "M1", "insertion_h": 0.0, "removal_h": 3.0},
        "drift_at_removal_mmhg": 15.0,
    }
    done = _ingest(tmp_path, [_row("r", "r.csv")], monitors=[monitor])
    assert done.suspects.select("kind", "recording_id").rows() == [("constant", "r")]
    rows = [f"{10 * i},{12 + i % 7}" for i in range(1000)]
    (tmp_path / "r.csv").write_text("\n".join(["t_s,ICP [mmHg]", *rows]) + "\n")
    done = _ingest(tmp_path, [_row("r", "r.csv")], monitors=[monitor])
    assert done.suspects.select("kind", "recording_id").rows() == [("drift", "")]


def test_arterial_pressure_is_brought_to_the_tragus_when_asked_for(tmp_path):
    rows = [f"{10 * i},12,90" for i in range(6)]
    (tmp_path / "r.csv").write_text("\n".join(["t_s,ICP [mmHg],ABP [mmHg]", *rows]) + "\n")
    heart = {"abp_level": "heart", "bed_angle_deg": 30.0, "heart_to_tragus_cm": 25.0}
    done = _ingest(tmp_path, [_row("r", "r.csv")], level=heart, correction="hydrostatic")
    assert done.trends["abp_level_used"].unique().to_list() == ["tragus"]
    assert done.trends["cpp_mmhg"].to_list() == pytest.approx([90 - 12 - 9.70] * 6, abs=0.01)


# --- left out by the group --------------------------------------------------------------------


def test_a_recording_left_out_by_the_group_is_not_opened_and_the_others_are_used(tmp_path):
    _csv(tmp_path, "a.csv")
    (tmp_path / "b.csv").write_bytes(b"never read")
    rows = [_row("R1", "a.csv"), _row("R2", "b.csv", start_s=1000.0)]
    done = _ingest(tmp_path, rows, left_out={"R2": "wrong channel, says the log"})
    table = done.recordings.sort("recording_id")
    assert table["status"].to_list() == ["used", "excluded"]
    assert table["reason"].to_list() == [None, "left_out"]
    assert table["sha256"].is_null().to_list() == [False, True]
    assert done.excluded.rows() == [
        ("recordings", "P1", "R2", "left_out", "wrong channel, says the log")
    ]
    alone = _ingest(tmp_path, rows[:1])
    assert done.trends.equals(alone.trends)
    assert done.accounts.quality.equals(alone.accounts.quality)


def test_a_patient_left_out_has_no_data_and_the_reason_of_the_group(tmp_path):
    _csv(tmp_path, "a.csv")
    reasons = {"": "no consent", "R1": "clock wrong"}
    rows = [_row("R1", "a.csv"), _row("R2", "absent.csv")]
    done = _ingest(tmp_path, rows, left_out=reasons)
    assert done.trends.is_empty()
    assert sorted(done.excluded.rows()) == [
        ("patient", "P1", "", "left_out", "no consent"),
        ("recordings", "P1", "R1", "left_out", "clock wrong"),
        ("recordings", "P1", "R2", "left_out", "no consent"),
    ]
