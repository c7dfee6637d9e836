"""Signal settings: the sections by which a study declares signals, and what is made of them.

Their names give columns: see `declared_signals`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

from icpcohort.contracts.declared_signals import UNITS
from icpcohort.contracts.setting import OF_THE_STUDY, Setting

_LABEL = Setting("What tables and axes call it", OF_THE_STUDY, "ICP", most_letters=20)
_ABOUT = Setting("What it is, in words", OF_THE_STUDY, "Intracranial pressure")


@dataclass(frozen=True, kw_only=True)
class Signal:
    """One signal."""

    label: Annotated[str, _LABEL]
    about: Annotated[str, _ABOUT]
    unit: Annotated[
        str,
        Setting(
            "Unit of the results; readings are converted to it from the unit of their file",
            "codes: UCUM [confirmed]; the unit is the choice of the study",
            "mmHg",
            one_of=tuple(UNITS),
        ),
    ]
    names: Annotated[
        Sequence[str],
        Setting(
            "Names by which a channel of it is known; case, accents and the amount of white "
            "space do not count. A name with * stands for any letters there, and counts only "
            "where no channel has a plain name of the list",
            "IEEE 11073-10101 and LOINC codes [confirmed]; other names: choice of the study, "
            "no source",
            ["ICP"],
            each="A channel's name",
            least_items=1,
        ),
    ]
    if_several: Annotated[
        Literal["refuse", "first_named"],
        Setting(
            "What becomes of a recording with several of these channels, such as two sensors: "
            "it is refused, or the channel whose name comes first in the list is taken. Left "
            "out: refuse",
            OF_THE_STUDY,
            "first_named",
        ),
    ] = "refuse"


@dataclass(frozen=True, kw_only=True)
class Step:
    """What is taken from the signal of some of the patients."""

    from_value: Annotated[
        float,
        Setting(
            "For patients from this value of the variable on, up to that of the next step",
            OF_THE_STUDY,
            6.0,
            at_least=-1000000,
            at_most=1000000,
        ),
    ]
    subtract: Annotated[
        float,
        Setting(
            "This is taken from their signal, in its unit",
            "CPP of 40, 50 and 60 mmHg from 0, 6 and 12 years: Allen 2014 [confirmed]",
            50.0,
            at_least=-1000,
            at_most=10000,
        ),
    ]


@dataclass(frozen=True, kw_only=True)
class Difference:
    """One signal less another in the same block, or less a value of the patient."""

    label: Annotated[str, _LABEL]
    about: Annotated[str, _ABOUT]
    minuend: Annotated[
        str, Setting("Signal from which the other is taken", OF_THE_STUDY, "abp")
    ]
    subtrahend: Annotated[
        str,
        Setting(
            "Signal that is taken from it, in the same unit. Left out: a value of the patient, "
            "by `of_patient`",
            OF_THE_STUDY,
            "icp",
        ),
    ] = ""
    of_patient: Annotated[
        str,
        Setting(
            "Number of the table of patients, known at admission, that is taken from every "
            "minute, or by which `steps` says what is",
            OF_THE_STUDY,
            "age_years",
        ),
    ] = ""
    steps: Annotated[
        Sequence[Step],
        Setting(
            "What is taken, by that number. Left out: the number itself",
            OF_THE_STUDY,
            [
                {"from_value": 0.0, "subtract": 40.0},
                {"from_value": 6.0, "subtract": 50.0},
                {"from_value": 12.0, "subtract": 60.0},
            ],
        ),
    ] = ()


Signals = Annotated[
    Mapping[str, Signal],
    Setting(
        "Signals of the recordings by name; every recording must have one at least, and the"
        " rate of the first that it has gives its tier",
        OF_THE_STUDY,
        {
            "icp": {
                "label": "ICP",
                "about": "Intracranial pressure",
                "unit": "mmHg",
                "names": ["ICP"],
            }
        },
        least_items=1,
    ),
]
DerivedSignals = Annotated[
    Mapping[str, Difference],
    Setting(
        "Signals less another, or less a value of the patient, by name; may be empty: {}",
        OF_THE_STUDY,
        {
            "cpp": {
                "label": "CPP",
                "about": "Cerebral perfusion pressure",
                "minuend": "abp",
                "subtrahend": "icp",
            }
        },
    ),
]
