"""Parts of a plan that are blocks of their own: imputation, bootstrap and comparisons."""

from dataclasses import dataclass
from typing import Annotated

from icpcohort.contracts.setting import OF_THE_STUDY, Setting

COMPARISON_METHODS = ("holm", "hochberg")
_SEED = Setting("Start of the random numbers", OF_THE_STUDY, 1, at_least=0, at_most=2147483647)


@dataclass(frozen=True)
class Imputation:
    """How missing adjustment values are imputed; needed with multiple_imputation only."""

    min_imputations: Annotated[
        int,
        Setting(
            "Least number of imputations; more are made if the percentage of incomplete "
            "patients is higher",
            "White 2011 (from memory)",
            20,
            at_least=2,
            at_most=1000,
        ),
    ]
    n_cycles: Annotated[
        int,
        Setting(
            "Rounds of the chained equations between two imputations",
            "van Buuren 2018, section 4.5.2 (from memory)",
            10,
            at_least=1,
            at_most=1000,
        ),
    ]
    seed: Annotated[int, _SEED]
    auxiliary: Annotated[
        tuple[str, ...],
        Setting(
            "Columns that help to impute and are not adjusted for; may be empty",
            "White 2011 (from memory)",
            ["marshall_class"],
            each="A column",
        ),
    ]
    deltas: Annotated[
        tuple[float, ...],
        Setting(
            "Shifts of outcomes that are unknown, in log odds or standard deviations: 0.0 is "
            "missing at random; may be empty",
            "Carpenter 2013, chapter 10 (from memory)",
            [-1.0, 0.0, 1.0],
            each="A shift",
            at_least=-10,
            at_most=10,
        ),
    ]


@dataclass(frozen=True)
class Bootstrap:
    """How often a prediction is fitted again; needed with purpose prediction only."""

    repeats: Annotated[
        int,
        Setting(
            "Bootstrap samples",
            "Harrell 1996 (from memory)",
            200,
            at_least=20,
            at_most=10000,
        ),
    ]
    seed: Annotated[int, _SEED]


@dataclass(frozen=True)
class Comparisons:
    """Models whose exposures are tested together. Left out: this p value stands alone."""

    group: Annotated[
        str,
        Setting(
            "Name of the group; models with the same name are tested together",
            OF_THE_STUDY,
            "burden",
        ),
    ]
    method: Annotated[
        str,
        Setting(
            "Rule that adjusts the p values for the number of tests in the group",
            "Holm 1979; Hochberg 1988 (from memory)",
            "holm",
            one_of=COMPARISON_METHODS,
        ),
    ]
