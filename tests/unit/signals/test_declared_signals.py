"""Recordings of signals that a study declares, from the file to the trends."""

import numpy as np
import polars as pl
import pytest
import wfdb
from published_settings import changed

from icpcohort import contracts, recordings
from icpcohort.contracts import store
from icpcohort.signals import ingest

LEVEL = {"abp_level": None, "bed_angle_deg": None, "heart_to_tragus_cm": None}
DECLARED = {
    "pbto2": {"label": "PbtO2", "about": "Oxygen", "unit": "mmHg", "names": ["PbtO2"]},
    "etco2": {"label": "EtCO2", "about": "Carbon dioxide", "unit": "mmHg", "names": ["etCO2"]},
    "temperature": {"label": "T", "about": "Temperature", "unit": "degC", "names": ["Temp"]},
}
GAP = {"label": "Gap", "about": "Gap", "minuend": "etco2", "subtrahend": "pbto2"}


def _ingest(folder, path, *, format, rules=(), signals=DECLARED, differences=None, **listed):
    settings = changed(
        signals=signals, derived_signals=differences or {}, cleaning={"rules": rules}
    )
    row = dict.fromkeys(contracts.recording_list(settings).columns)
    row |= {"recording_id": "r", "patient_id": "P1", "path": path, "format": format}
    done = ingest.ingest_patient(
        "P1",
        places=recordings.Places(folder),
        rows=[row | {"start_s": 0.0} | listed],
        events=[],
        monitors=[],
        level=LEVEL,
        left_out={},
        sections=ingest.sections_of(settings),
    )
    store.check(done.trends, contracts.trends(settings), "trends")
    store.check(done.recordings, contracts.recordings(settings), "recordings")
    return done


def _csv(folder, heading, *rows):
    (folder / "r.csv").write_text("\n".join([heading, *rows]) + "\n")
    return "r.csv"


def test_a_csv_of_one_minute_numbers_gives_each_declared_signal_in_its_unit(tmp_path):
    heading = "t_s,ICP [mmHg],ABP [mmHg],PbtO2 [kPa],etCO2 [mmHg],Temp [degF]"
    rows = [f"{60 * i},{10 + i},80,{2 + i},,{98.6}" for i in range(3)]
    done = _ingest(
        tmp_path, _csv(tmp_path, heading, *rows), format="csv", differences={"gap": GAP}
    )
    first_of_each = done.trends.gather_every(6)
    assert first_of_each["icp_mmhg"].to_list() == [10.0, 11.0, 12.0]
    # 1 kPa = 7.500616 mmHg (NIST SP 811)
    assert first_of_each["pbto2_mmhg"].to_list() == pytest.approx(
        [7.500616 * kpa for kpa in (2, 3, 4)], rel=1e-6
    )
    assert first_of_each["temperature_celsius"].to_list() == pytest.approx([37.0] * 3)
    assert first_of_each["pbto2_interval_s"].to_list() == [60.0] * 3
    assert first_of_each["pbto2_valid_fraction"].to_list() == [1.0] * 3
    assert done.trends["etco2_mmhg"].null_count() == done.trends.height
    assert done.trends["gap_mmhg"].null_count() == done.trends.height
    assert done.trends["etco2_valid_fraction"].unique().to_list() == [0.0]
    about = done.recordings.row(0, named=True)
    assert (about["pbto2_channel"], about["pbto2_unit"]) == ("PbtO2 [kPa]", "kPa")
    assert (about["fs_temperature_hz"], about["tier"]) == (1 / 60, "minutes")
    seconds = done.accounts.quality.select("signal", "valid_s", "missing_s").rows()
    assert {row[0]: row[1:] for row in seconds} == {
        "abp": (180.0, 0.0),
        "etco2": (0.0, 180.0),
        "icp": (180.0, 0.0),
        "pbto2": (180.0, 0.0),
        "temperature": (180.0, 0.0),
    }


def test_a_rule_masks_any_declared_signal_and_no_other(tmp_path):
    rule = {"rule": "range", "signal": "pbto2", "min": 0.0, "max": 150.0, "margin_s": 0.0}
    rows = [f"{60 * i},10,{value}" for i, value in enumerate([20, 200, 30])]
    path = _csv(tmp_path, "t_s,ICP [mmHg],PbtO2 [mmHg]", *rows)
    done = _ingest(tmp_path, path, format="csv", rules=[rule])
    assert done.trends.gather_every(6)["pbto2_mmhg"].to_list() == [20.0, None, 30.0]
    assert done.trends["icp_mmhg"].null_count() == 0
    assert done.artefacts.rows() == [("pbto2", 60.0, 120.0, "range")]
    assert done.accounts.masked.rows() == [("P1", "pbto2", "range", 60.0)]


@pytest.mark.parametrize(
    ("heading", "listed", "reason", "words"),
    [
        ("PbtO2", {}, "no_unit", "the file states no unit for 'PbtO2'; write it"),
        ("PbtO2 [%]", {}, "unknown_unit", "'%' is not a known unit of pressure"),
        ("PbtO2", {"pbto2_channel": "oxygen"}, "no_pbto2", "no channel 'oxygen'"),
        (
            "PbtO2 [mmHg]",
            {"pbto2_channel": "ICP"},
            "ambiguous_channel",
            "fits both icp_channel and pbto2_channel",
        ),
    ],
)
def test_a_further_signal_that_cannot_be_read_is_said_in_words(
    tmp_path, heading, listed, reason, words
):
    path = _csv(tmp_path, f"t_s,ICP [mmHg],{heading}", "0,10,20", "60,11,21")
    (excluded, _) = _ingest(tmp_path, path, format="csv", **listed).excluded.to_dicts()
    assert excluded["reason"] == reason
    assert words in excluded["detail"]


def test_a_file_without_the_first_signal_is_read_by_the_others(tmp_path):
    path = _csv(tmp_path, "t_s,PbtO2 [mmHg]", "0,20", "60,21")
    done = _ingest(tmp_path, path, format="csv")
    assert done.excluded.is_empty()
    assert done.recordings.select("tier", "fs_icp_hz", "fs_pbto2_hz").row(0) == (
        "minutes",
        None,
        1 / 60,
    )
    assert done.trends["pbto2_mmhg"].drop_nulls().to_list()[0] == 20
    assert done.trends["icp_mmhg"].null_count() == done.trends.height
    assert done.accounts.quality["signal"].to_list() == ["pbto2"]


def test_a_file_without_any_declared_signal_is_refused(tmp_path):
    path = _csv(tmp_path, "t_s,Pulse [bpm]", "0,70", "60,72")
    excluded = _ingest(tmp_path, path, format="csv").excluded.row(0, named=True)
    assert excluded["reason"] == "no_signal"
    assert (
        "no ICP or ABP or PBTO2 or ETCO2 or TEMPERATURE channel among 'Pulse [bpm]'"
        in excluded["detail"]
    )
    assert "add its name to signals.icp.names in the settings" in excluded["detail"]


def test_a_third_channel_of_a_wfdb_record_changes_nothing_of_the_two(tmp_path):
    draw = np.random.default_rng(3)
    t_s = np.arange(6000) / 100
    pulse = np.sin(2 * np.pi * 1.2 * t_s)
    samples = np.column_stack([12 + 2 * pulse, 90 + 20 * pulse, 25 + draw.normal(size=6000)])
    wfdb.wrsamp(
        "r",
        fs=100,
        units=["mmHg"] * 3,
        sig_name=["ICP", "ABP", "PbtO2"],
        p_signal=samples,
        fmt=["16"] * 3,
        write_dir=str(tmp_path),
    )
    with_third = _ingest(tmp_path, "r.hea", format="wfdb")
    without = _ingest(tmp_path, "r.hea", format="wfdb", signals={})
    assert with_third.trends.select(without.trends.columns).equals(without.trends)
    assert with_third.trends["amp_mmhg"].null_count() == 0
    means = [samples[1000 * i : 1000 * (i + 1), 2].mean() for i in range(6)]
    assert with_third.trends["pbto2_mmhg"].to_list() == pytest.approx(means, abs=1e-3)


def test_labels_are_no_part_of_what_one_patient_depends_on():
    settings = changed(signals={"pbto2": DECLARED["pbto2"]})
    renamed = changed(signals={"pbto2": DECLARED["pbto2"] | {"label": "Oxygen"}})
    declared, other = (
        contracts.declared_signals.without_labels(one) for one in (settings, renamed)
    )
    assert declared == other
    assert list(contracts.trends(declared).columns) == list(contracts.trends(settings).columns)


def test_the_columns_of_the_shipped_signals_are_those_of_the_published_settings():
    assert contracts.trends({}).columns == contracts.trends(changed()).columns
    assert isinstance(contracts.trends({}).columns["cpp_mmhg"].dtype, pl.Float64)
