"""Plausibility settings: from where on a whole recording is not believed as it stands."""

from dataclasses import dataclass
from typing import Annotated

from icpcohort.contracts.setting import COMMON_PRACTICE, Setting


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Whole recordings that are named as suspect; nothing is masked or left out by these."""

    min_h: Annotated[
        float,
        Setting(
            "How long a recording, or what is wrong in it, lasts to be named. Left out: 1",
            COMMON_PRACTICE,
            1.0,
            above=0,
            at_most=1000,
        ),
    ] = 1.0
    icp_low_mmhg: Annotated[
        float,
        Setting(
            "Median ICP of a recording below this is named. Left out: -5",
            "own choice: readings to about -5 are seen upright after craniectomy (from memory,"
            " medium)",
            -5.0,
            at_least=-50,
            at_most=0,
        ),
    ] = -5.0
    icp_high_mmhg: Annotated[
        float,
        Setting(
            "Median ICP of a recording above this is named. Left out: 60",
            COMMON_PRACTICE,
            60.0,
            at_least=20,
            at_most=200,
        ),
    ] = 60.0
    abp_low_mmhg: Annotated[
        float,
        Setting(
            "Median ABP of a recording below this is named. Left out: 30",
            COMMON_PRACTICE,
            30.0,
            at_least=0,
            at_most=100,
        ),
    ] = 30.0
    abp_high_mmhg: Annotated[
        float,
        Setting(
            "Median ABP of a recording above this is named. Left out: 180",
            COMMON_PRACTICE,
            180.0,
            at_least=100,
            at_most=1000,
        ),
    ] = 180.0
    icp_min_pulse_mmhg: Annotated[
        float,
        Setting(
            "A waveform of ICP with a median pulse lower than this, peak to trough, is named. "
            "Left out: 0.3",
            COMMON_PRACTICE,
            0.3,
            at_least=0,
            at_most=5,
        ),
    ] = 0.3
    abp_min_pulse_mmhg: Annotated[
        float,
        Setting(
            "A waveform of ABP with a median pulse lower than this, peak to trough, is named; "
            "patients on mechanical support without a pulse are too. Left out: 4",
            COMMON_PRACTICE,
            4.0,
            at_least=0,
            at_most=50,
        ),
    ] = 4.0
    icp_max_pulse_mmhg: Annotated[
        float,
        Setting(
            "A median pulse of ICP higher than this, and than the median ICP, is named. Left "
            "out: 15",
            COMMON_PRACTICE,
            15.0,
            at_least=1,
            at_most=100,
        ),
    ] = 15.0
    icp_step_mmhg: Annotated[
        float,
        Setting(
            "A step of ICP from the last hour of a recording to the first of the next by more "
            "than this, and than three times what the patient's other hours do, is named. Left "
            "out: 10",
            COMMON_PRACTICE,
            10.0,
            above=0,
            at_most=100,
        ),
    ] = 10.0
    abp_step_mmhg: Annotated[
        float,
        Setting(
            "The same of ABP. Left out: 40",
            COMMON_PRACTICE,
            40.0,
            above=0,
            at_most=200,
        ),
    ] = 40.0
    drift_mmhg: Annotated[
        float,
        Setting(
            "A mean ICP that moves by more than this when the drift noted at removal is taken "
            "off is named. Left out: 5",
            COMMON_PRACTICE,
            5.0,
            above=0,
            at_most=50,
        ),
    ] = 5.0
