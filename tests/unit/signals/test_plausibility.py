"""Suspicions about whole recordings, on minutes small enough to write down."""

import numpy as np
import polars as pl
import pytest
from published_settings import DECLARED, PUBLISHED

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.signals import plausibility, plausibility_settings

SETTINGS = plausibility_settings.Settings(**PUBLISHED["plausibility"])
N = 120  # minutes of a recording
SWAY = np.linspace(-2.0, 2.0, N)  # so much does each pressure move in it


def _minutes(signal, level, pulse=None, *, recording_id="R1", start_s=0.0, sway=1.0):
    return pl.DataFrame(
        {
            "signal": signal,
            "t_s": start_s + 60.0 * np.arange(N),
            "width_s": 60.0,
            "level": level + sway * SWAY,
            "pulse": pl.repeat(pulse, N, dtype=pl.Float64, eager=True),
            "recording_id": recording_id,
        },
        schema=plausibility.RAW,
    )


def _judge(*parts, trends=None, events=(), monitors=(), settings=SETTINGS):
    rows = plausibility.judge(
        "P1",
        pl.concat([pl.DataFrame(schema=plausibility.RAW), *parts]),
        trends=store.empty(contracts.trends(DECLARED)) if trends is None else trends,
        block_s=10.0,
        events=events,
        monitors=monitors,
        settings=settings,
        declared=DECLARED,
    )
    store.check(rows, contracts.SUSPECTS, "suspects")
    return rows


def _kinds(*parts, **noted):
    return [(r["kind"], r["signal"]) for r in _judge(*parts, **noted).to_dicts()]


def test_usual_pressures_raise_nothing():
    assert _kinds(_minutes("icp", 14.0, 4.0), _minutes("abp", 90.0, 50.0)) == []
    assert _kinds(_minutes("icp", 14.0), _minutes("abp", 90.0)) == []
    assert _kinds() == []


def test_kilopascals_called_mmhg_are_named_with_what_they_would_be():
    rows = _judge(_minutes("icp", 2.0, 0.6, sway=0.1), _minutes("abp", 12.0, 6.4))
    assert rows.select("kind", "signal").rows() == [("unit", "abp"), ("unit", "icp")]
    abp, icp = rows["seen"].to_list()
    assert "times 7.5 (kPa taken as mmHg) it would be 90.0 mmHg with a pulse of 48.0" in abp
    assert "it would be 15.0 mmHg with a pulse of 4.5 mmHg" in icp
    assert "icp_unit of recordings.csv" in rows["look_at"][1]


@pytest.mark.parametrize(
    ("level", "sway"),
    [(2.0, 1.0), (0.3, 0.1)],  # it moves as a patient's does; it is below 0 at times
)
def test_a_low_icp_that_moves_or_is_near_zero_is_no_wrong_unit(level, sway):
    assert _kinds(_minutes("icp", level, 0.9, sway=sway), _minutes("abp", 90.0, 50.0)) == []


def test_icp_and_abp_exchanged_are_named_by_level_and_by_pulse():
    as_numbers = (_minutes("icp", 90.0), _minutes("abp", 14.0))
    assert _kinds(*as_numbers) == [("exchanged", "icp")]
    as_waves = (_minutes("icp", 90.0, 50.0), _minutes("abp", 14.0, 4.0))
    assert _kinds(*as_waves) == [("exchanged", "icp")]


def test_two_files_of_one_time_are_compared_with_each_other():
    other = _minutes("abp", 14.0, recording_id="R2", start_s=600.0)
    assert _kinds(_minutes("icp", 90.0), other) == [("exchanged", "icp")]


def test_icp_above_abp_in_a_dying_patient_is_not_exchanged():
    kinds = _kinds(_minutes("icp", 75.0, 12.0), _minutes("abp", 60.0, 25.0))
    assert kinds == [("unit", "icp")]  # a tenth of it would be usual; the words ask both


def test_two_signals_with_the_same_numbers_are_one_channel_mapped_twice():
    assert _kinds(_minutes("icp", 14.0), _minutes("abp", 14.0)) == [("same_numbers", "icp")]


def test_a_signal_that_never_moves_is_named():
    parts = _minutes("icp", 14.0, sway=0.0), _minutes("abp", 90.0)
    assert _kinds(*parts) == [("constant", "icp")]


def test_a_pressure_of_a_vein_is_not_arterial():
    parts = _minutes("icp", 14.0, 4.0), _minutes("abp", 9.0, 1.5)
    assert _kinds(*parts) == [("not_arterial", "abp")]


@pytest.mark.parametrize(
    ("signal", "level", "pulse", "kind"),
    [
        ("icp", 14.0, 0.2, "no_pulse"),
        ("abp", 90.0, 2.0, "no_pulse"),
        ("icp", 8.0, 18.0, "large_pulse"),
        ("icp", -6.0, 2.0, "icp_level"),
        ("icp", 66.0, 5.0, "icp_level"),
        ("icp", 66.0, 25.0, "unit"),
        ("abp", 200.0, 6.0, "abp_level"),
        ("icp", 105.0, 30.0, "unit"),
        ("abp", 690.0, 380.0, "unit"),
    ],
)
def test_level_and_pulse_that_do_not_agree_are_named(signal, level, pulse, kind):
    beside = _minutes("abp", 90.0, 50.0) if signal == "icp" else _minutes("icp", 14.0, 4.0)
    assert _kinds(_minutes(signal, level, pulse), beside) == [(kind, signal)]


@pytest.mark.parametrize(
    ("signal", "level", "pulse"),
    [
        *(("icp", -5.0, 2.0), ("icp", 60.0, 12.0), ("icp", 14.0, 0.3), ("icp", 10.0, 15.0)),
        *(("abp", 30.0, 8.0), ("abp", 180.0, 90.0), ("abp", 90.0, 4.0)),
    ],
)
def test_what_lies_on_a_limit_is_not_named(signal, level, pulse):
    assert _kinds(_minutes(signal, level, pulse)) == []


def test_a_recording_of_less_than_the_least_hours_is_not_judged():
    short = _minutes("icp", 150.0).head(59)
    assert _kinds(short) == []
    assert _kinds(_minutes("icp", 150.0).head(60)) == [("unit", "icp")]


def _files(second, *, gap_s=600.0, icp=14.0, **about):
    first = _minutes("icp", icp, 4.0, sway=0.5)
    start_s = 60.0 * N + gap_s
    return first, _minutes("icp", second, **about, recording_id="R2", start_s=start_s, sway=0.5)


def test_a_step_from_one_file_to_the_next_is_named_with_its_size():
    (row,) = _judge(*_files(30.0, pulse=4.0)).to_dicts()
    # the last hour of the first is 14 + 0.5 x 1.0 in median, the first of the next 30 - 0.5
    assert (row["kind"], row["recording_id"]) == ("level_step", "R2")
    assert row["seen"].startswith("ICP steps by +15.0 mmHg from the last hour of R1")
    assert (row["from_s"], row["to_s"]) == (7200.0, 7800.0)


def test_a_step_that_the_bedside_explains_or_a_long_gap_is_not_named():
    craniectomy = {"event": "craniectomy", "start_s": 7300.0, "end_s": None}
    assert _kinds(*_files(30.0, pulse=4.0), events=[craniectomy]) == []
    assert _kinds(*_files(30.0, pulse=4.0, gap_s=3 * 3600.0)) == []
    assert _kinds(*_files(24.0, pulse=4.0)) == []  # 9 mmHg


def test_a_step_is_measured_by_what_the_patients_own_hours_do():
    restless = [
        part.with_columns(level=pl.col("level") + 8.0 * (pl.col("t_s") // 3600 % 2))
        for part in _files(30.0, pulse=4.0)
    ]
    assert _kinds(*restless) == []


def test_level_and_pulse_that_change_alike_are_a_change_of_unit():
    (row,) = _judge(*_files(27.2, icp=20.0, pulse=5.44)).to_dicts()
    assert row["kind"] == "unit"
    assert "cmH2O against mmHg" in row["seen"]


def _monitor(drift, **times):
    row = {"monitor_id": "M1", "insertion_h": 0.0, "removal_h": 2.0}
    return row | {"drift_at_removal_mmhg": drift} | times


def test_drift_at_removal_is_taken_off_as_it_grew():
    icp = _minutes("icp", 14.0, 4.0)
    (row,) = _judge(icp, monitors=[_monitor(12.4)]).to_dicts()
    # minutes begin at 0 to 119 of 120: 12.4 x 59.5 / 120 = 6.15
    assert row["seen"].endswith("the mean ICP moves by -6.1 mmHg")
    assert row["recording_id"] == ""
    assert _kinds(icp, monitors=[_monitor(10.0)]) == []
    assert _kinds(icp, monitors=[_monitor(None)]) == []
    late = _monitor(12.0, insertion_h=-100.0)  # most of it came before
    assert _kinds(icp, monitors=[late]) == [("drift", "icp")]


def _trends(**columns):
    n = len(next(iter(columns.values())))
    empty = store.empty(contracts.trends(DECLARED))
    rows = pl.DataFrame(
        {"t_s": 10.0 * np.arange(n), "icp_valid_fraction": 1.0, "icp_interval_s": 0.01}
        | columns
    )
    return pl.concat([empty, rows], how="diagonal_relaxed")


def test_a_cpp_below_zero_for_an_hour_is_named():
    icp, abp = _minutes("icp", 14.0), _minutes("abp", 90.0)
    below = _trends(cpp_mmhg=np.full(360, -3.0), amp_mmhg=np.full(360, 1.0))
    assert _kinds(icp, abp, trends=below) == [("negative_cpp", "cpp")]
    assert _kinds(icp, abp, trends=below.head(359)) == []


def test_an_amplitude_that_falls_while_icp_rises_is_named():
    icp = np.repeat(np.linspace(10, 25, 20), 36)
    falling = _trends(icp_mmhg=icp, amp_mmhg=3 - 0.1 * icp)
    rising = _trends(icp_mmhg=icp, amp_mmhg=1 + 0.1 * icp)
    wave = _minutes("icp", 14.0, 4.0)
    (row,) = _judge(wave, trends=falling).to_dicts()
    assert row["kind"] == "amplitude_falls"
    assert "falls by 0.10 mmHg for each mmHg" in row["seen"]
    assert _kinds(wave, trends=rising) == []


def test_a_waveform_that_moves_only_with_the_breath_has_no_pulse():
    breath = _trends(icp_mmhg=np.full(600, 14.0), amp_mmhg=np.full(600, 0.05))
    assert _kinds(_minutes("icp", 14.0, 0.8), trends=breath) == [("no_pulse", "icp")]
