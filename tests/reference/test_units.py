"""Reference: units, hydrostatic columns and CPP.

Sources beside each check. UCUM: ucum-essence.xml, m[Hg] = 133.3220 kPa, m[H2O] = 9.80665 kPa.
NIST: SP 811 appendix B (from memory, high confidence). The conventional millimetre of mercury
is 13 595.1 kg/m3 x 9.80665 m/s2 x 1 mm.
"""

import pytest

from icpcohort.contracts import declared_signals
from icpcohort.recordings import units
from icpcohort.signals import transducer_level


def _mmhg(unit):
    """Return the number of mmHg in one unit of pressure, which has no zero of its own."""
    factor, offset = units.conversion(unit, to="mmHg")
    assert offset == 0
    return factor


def test_one_mmhg_is_the_conventional_number_of_pascals():
    # conventional definition, 133.322 387 415 Pa
    assert 1 / _mmhg("Pa") == pytest.approx(133.322387415, abs=1e-9)
    assert pytest.approx(13595.1 * 9.80665 * 1e-3, abs=1e-9) == units.PA_PER_MMHG


@pytest.mark.parametrize(
    "rounded_pa",
    [
        133.3224,  # NIST SP 811, from memory
        133.322,  # UCUM, confirmed
    ],
)
def test_published_roundings_of_one_mmhg_agree_within_three_parts_in_a_million(rounded_pa):
    assert 1 / _mmhg("Pa") == pytest.approx(rounded_pa, rel=3e-6)


def test_one_cm_of_water_is_the_conventional_number_of_pascals():
    # UCUM, m[H2O] = 9.80665 kPa
    pa = _mmhg("cmH2O") / _mmhg("Pa")
    assert pa == pytest.approx(98.0665, abs=1e-9)


def test_one_cm_of_water_in_mmhg():
    assert _mmhg("cmH2O") == pytest.approx(0.7355591352766806, abs=1e-9)


def test_one_mmhg_in_cm_of_water():
    # mercury against water, 13 595.1 / 1000 kg/m3, in mm and cm
    assert 1 / _mmhg("cmH2O") == pytest.approx(1.35951, abs=1e-9)


def test_one_kpa_in_mmhg():
    assert _mmhg("kPa") == pytest.approx(7.500615758456563, abs=1e-9)


def test_the_icp_threshold_of_22_mmhg_in_kpa():
    # 22 x 133.322387415 / 1000
    assert 22 / _mmhg("kPa") == pytest.approx(2.9330925231300005, abs=1e-6)


def test_20_cm_of_water_in_mmhg():
    assert 20 * _mmhg("cmH2O") == pytest.approx(14.711182705533611, abs=1e-6)


@pytest.mark.parametrize(
    ("code", "plain"),
    [("mm[Hg]", "mmHg"), ("cm[H2O]", "cmH2O"), ("MM HG", "mmHg"), (" kpa", "kPa")],
)
def test_ucum_codes_case_and_spaces_do_not_change_a_unit(code, plain):
    assert _mmhg(code) == _mmhg(plain)


def test_an_unknown_unit_is_refused_with_the_nearest():
    with pytest.raises(units.UnknownUnit, match=r"'mmHq'.*did you mean 'mmHg'\? write one of"):
        _mmhg("mmHq")


@pytest.mark.parametrize(
    ("density_kg_m3", "mmhg_per_cm"),
    [
        (1000.0, 0.7355591352766806),
        (1050.0, 0.7723370920405146),
        (1055.0, 0.7760148877168979),
        (1060.0, 0.7796926833932812),
    ],
)
def test_a_column_of_one_cm(density_kg_m3, mmhg_per_cm):
    # rho g h / 133.322387415, computed
    column_mmhg = transducer_level.hydrostatic_difference_mmhg(
        distance_cm=1.0, angle_deg=90.0, density_kg_m3=density_kg_m3
    )
    assert column_mmhg == pytest.approx(mmhg_per_cm, abs=1e-6)


def test_the_textbook_head_25_cm_above_the_heart():
    # textbook example: 120/80 at the heart becomes 102/62 at 25 cm, 18 mmHg rounded
    column_mmhg = transducer_level.hydrostatic_difference_mmhg(
        distance_cm=25.0, angle_deg=90.0, density_kg_m3=1000.0
    )
    assert column_mmhg == pytest.approx(18.388978381917013, abs=1e-4)
    assert round(120 - column_mmhg) == 102
    assert round(80 - column_mmhg) == 62


def test_map_at_the_tragus_at_30_degrees():
    # MAP 90 mmHg at the heart, 25 cm, 30 degrees, blood of 1055 kg/m3; computed
    column_mmhg = transducer_level.hydrostatic_difference_mmhg(
        distance_cm=25.0, angle_deg=30.0, density_kg_m3=1055.0
    )
    assert 90.0 - column_mmhg == pytest.approx(80.29981390353878, abs=1e-4)


def test_head_down_raises_the_pressure_at_the_head():
    column_mmhg = transducer_level.hydrostatic_difference_mmhg(
        distance_cm=25.0, angle_deg=-10.0, density_kg_m3=1055.0
    )
    assert column_mmhg < 0


def test_impossible_columns_are_refused_all_together():
    with pytest.raises(ValueError, match=r"distance_cm -1.*angle_deg 95.*density_kg_m3 nan"):
        transducer_level.hydrostatic_difference_mmhg(
            distance_cm=-1.0, angle_deg=95.0, density_kg_m3=float("nan")
        )


@pytest.mark.parametrize(
    ("reading", "unit", "to", "expected"),
    [
        # NIST SP 811: t/degC = (t/degF - 32) / 1.8, T/K = t/degC + 273.15
        (98.6, "degF", "degC", 37.0),
        (32.0, "[degF]", "degC", 0.0),
        (310.15, "K", "degC", 37.0),
        (37.0, "Cel", "degC", 37.0),
        # UCUM: % is 10*-2
        (0.97, "fraction", "%", 97.0),
        (97.0, "%", "1", 0.97),
        # 60 s in a minute
        (1.2, "Hz", "/min", 72.0),
        (72.0, "bpm", "/min", 72.0),
        (0.6, "m/s", "cm/s", 60.0),
        (5000.0, "mL/min", "L/min", 5.0),
        (0.5, "mL/g/min", "mL/100g/min", 50.0),
        (4.0, "kPa", "mmHg", 30.00246),
        (30.00246, "mmHg", "kPa", 4.0),
    ],
)
def test_a_reading_is_converted_to_the_declared_unit(reading, unit, to, expected):
    factor, offset = units.conversion(unit, to=to)
    assert reading * factor + offset == pytest.approx(expected, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("to", list(declared_signals.UNITS))
def test_every_unit_that_can_be_declared_is_one_that_a_file_can_be_in(to):
    assert units.conversion(to, to=to) == (1.0, 0.0)


def test_a_unit_of_another_kind_is_refused():
    with pytest.raises(units.UnknownUnit, match="'mmHg' is not a known unit of temperature"):
        units.conversion("mmHg", to="degC")
