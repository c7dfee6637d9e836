"""The level of the arterial transducer: always stated, corrected only when asked for."""

import polars as pl
import pytest

from icpcohort.signals import differences, transducer_level

TRENDS = pl.DataFrame(
    {
        "t_s": [0.0, 10.0, 20.0, 30.0],
        "icp_mmhg": [10.0, 10.0, None, 10.0],
        "abp_mmhg": [90.0, 90.0, 90.0, None],
    }
)
NOT_NOTED = {"abp_level": None, "bed_angle_deg": None, "heart_to_tragus_cm": None}
AT_HEART = {"abp_level": "heart", "bed_angle_deg": 30.0, "heart_to_tragus_cm": 25.0}
AT_TRAGUS = NOT_NOTED | {"abp_level": "tragus"}
COLUMN_MMHG = 9.70  # 25 cm of blood at 30 degrees: hydrostatics, computed by hand


def applied(patient, *events, abp_correction="hydrostatic"):
    levelled = transducer_level.apply(
        TRENDS,
        patient=patient,
        events=[NOT_NOTED | {"event": "level_change", "end_s": None} | e for e in events],
        settings=transducer_level.Settings(
            abp_correction=abp_correction, fluid_density_kg_m3=1055.0
        ),
    )
    return differences.add(levelled, declared={})


def test_a_level_at_the_heart_is_brought_to_the_tragus_when_asked_for():
    trends = applied(AT_HEART)
    assert trends["abp_mmhg"].to_list()[:3] == pytest.approx([90 - COLUMN_MMHG] * 3, abs=0.01)
    assert trends["cpp_mmhg"].to_list()[:2] == pytest.approx([80 - COLUMN_MMHG] * 2, abs=0.01)
    assert trends["abp_shift_mmhg"].to_list()[:3] == pytest.approx([-COLUMN_MMHG] * 3, abs=0.01)
    assert trends["abp_level_used"].to_list() == ["tragus"] * 3 + [None]


def test_without_abp_nothing_is_stated_and_nothing_appears():
    row = applied(AT_HEART).row(3, named=True)
    assert [row[c] for c in ("abp_mmhg", "cpp_mmhg", "abp_level_used", "abp_shift_mmhg")] == (
        [None] * 4
    )


def test_without_icp_there_is_no_perfusion_pressure():
    assert applied(AT_HEART)["cpp_mmhg"][2] is None


@pytest.mark.parametrize(
    ("patient", "abp_correction", "level"),
    [
        (AT_HEART, "none", "heart"),  # flagged, as long as nobody asks for more
        (AT_TRAGUS, "hydrostatic", "tragus"),
        (NOT_NOTED, "hydrostatic", "unknown"),
        (AT_HEART | {"bed_angle_deg": None}, "hydrostatic", "heart"),
        (AT_HEART | {"heart_to_tragus_cm": None}, "hydrostatic", "heart"),
    ],
)
def test_what_is_not_known_or_not_asked_for_is_flagged_and_not_corrected(
    patient, abp_correction, level
):
    trends = applied(patient, abp_correction=abp_correction)
    assert trends["abp_level_used"].to_list() == [level] * 3 + [None]
    assert trends["abp_mmhg"].equals(TRENDS["abp_mmhg"])
    assert trends["abp_shift_mmhg"].to_list() == [0.0] * 3 + [None]


def test_a_change_holds_from_its_start_to_its_end():
    trends = applied(
        AT_HEART, AT_TRAGUS | {"start_s": 10.0, "end_s": 20.0}, abp_correction="none"
    )
    assert trends["abp_level_used"].to_list() == ["heart", "tragus", "heart", None]


def test_the_later_change_counts_and_what_it_does_not_state_is_unknown():
    trends = applied(
        AT_HEART, {"start_s": 20.0}, AT_TRAGUS | {"start_s": 10.0}, abp_correction="none"
    )
    assert trends["abp_level_used"].to_list() == ["heart", "tragus", "unknown", None]


def test_head_down_raises_the_pressure_at_the_tragus():
    trends = applied(AT_HEART | {"bed_angle_deg": -30.0})
    assert trends["abp_mmhg"][0] == pytest.approx(90 + COLUMN_MMHG, abs=0.01)


def test_the_methods_text_says_whether_it_was_corrected():
    sentence = transducer_level.methods_sentence(
        transducer_level.Settings(abp_correction="hydrostatic", fluid_density_kg_m3=1055.0)
    )
    assert "1055 kg/m3" in sentence and "brought to the tragus" in sentence
    assert "not corrected" in transducer_level.methods_sentence(
        transducer_level.Settings(abp_correction="none", fluid_density_kg_m3=1055.0)
    )


def test_a_minute_has_the_level_of_its_blocks_and_says_where_they_differ():
    trends = pl.DataFrame(
        {
            "t_s": [0.0, 50.0, 60.0, 110.0, 120.0, 180.0],
            "abp_level_used": ["heart", "heart", "heart", "tragus", None, "unknown"],
        }
    )
    minutes = pl.DataFrame({"t_s": [60.0, 120.0, 180.0, 240.0, 300.0]})
    with_level = transducer_level.of_minutes(trends, minutes)
    assert with_level["abp_level_used"].to_list() == ["heart", "mixed", None, "unknown", None]
    assert with_level["t_s"].equals(minutes["t_s"])
