"""Signal settings: the sections by which a study declares signals and their differences.

Their names give columns: see `declared_signals`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated

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
            "Names by which a channel of it is known; case and the amount of white space do not"
            " count",
            "IEEE 11073-10101 and LOINC codes [confirmed]; other names: choice of the study, "
            "no source",
            ["ICP"],
            each="A channel's name",
            least_items=1,
        ),
    ]


@dataclass(frozen=True, kw_only=True)
class Difference:
    """One signal that is the difference of two others in the same block."""

    label: Annotated[str, _LABEL]
    about: Annotated[str, _ABOUT]
    minuend: Annotated[
        str, Setting("Signal from which the other is taken", OF_THE_STUDY, "abp")
    ]
    subtrahend: Annotated[
        str, Setting("Signal that is taken from it, in the same unit", OF_THE_STUDY, "icp")
    ]


Signals = Annotated[
    Mapping[str, Signal],
    Setting(
        "Signals of the recordings by name; every recording must have the first, and its rate"
        " gives the recording's tier",
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
        "Differences of two signals, block by block, by name; may be empty: {}",
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
