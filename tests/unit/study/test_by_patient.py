"""What is taken from a signal by a number of the patient.

Steps: thresholds of CPP by age, Allen 2014, table 4: 40 mmHg to 5 years, 50 from 6 to 11, 60
from 12 on; and 30, 35 and 50 mmHg.
"""

import pytest

from icpcohort.study import by_patient

HIGHER = [(0.0, 40.0), (6.0, 50.0), (12.0, 60.0)]
LOWER = [(0.0, 30.0), (6.0, 35.0), (12.0, 50.0)]


@pytest.mark.parametrize(
    ("age_years", "higher_mmhg", "lower_mmhg"),
    [(0.2, 40, 30), (5.9, 40, 30), (6, 50, 35), (11, 50, 35), (12, 60, 50), (40, 60, 50)],
)
def test_the_published_thresholds_of_cpp_by_age(age_years, higher_mmhg, lower_mmhg):
    for table, expected in ((HIGHER, higher_mmhg), (LOWER, lower_mmhg)):
        steps = [{"from_value": age, "subtract": mmhg} for age, mmhg in table]
        assert by_patient.at_step(age_years, steps) == expected


def test_below_the_first_step_and_without_a_number_there_is_no_value():
    steps = [{"from_value": 2.0, "subtract": 40.0}]
    assert by_patient.at_step(1.9, steps) is None
    assert by_patient.at_step(None, steps) is None


def test_without_steps_the_number_itself_is_taken():
    assert by_patient.at_step(65.0, ()) == 65.0
    assert by_patient.at_step(None, ()) is None
