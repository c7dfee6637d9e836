"""Index settings: the sections `reactivity` and `indices`, and the rules of each index."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from icpcohort.contracts import EVENT_KINDS, SHOWN_EVENTS, declared_indices
from icpcohort.contracts.setting import COMMON_PRACTICE, OF_THE_STUDY, Setting
from icpcohort.indices.correlation import Scale
from icpcohort.signals.trends import blocks_of_a_pulse

MINUTE_S = 60.0
_OWN = "; the section reactivity says it for all that state none"


@dataclass(frozen=True, kw_only=True)
class Settings(Scale):
    """What all indices share, unless an entry of `indices` states a value of its own."""

    n_blocks: Annotated[
        int,
        Setting(
            "Means of trends.block_s in one correlation; the spread of Fisher z needs more "
            "than three",
            "the original had 40 means of 5 s, renewed every 5 s: Czosnyka 1997 [confirmed]; "
            "30 means of 10 s are later practice [confirmed]",
            30,
            at_least=4,
            at_most=360,
        ),
    ]
    step_s: Annotated[
        float,
        Setting(
            "How often a correlation is renewed, a multiple of trends.block_s; those of one "
            "minute are averaged",
            "60 s is the commonest in papers on outcome; 10 s and 5 s are used too (from "
            "memory, high)",
            60.0,
            at_least=5,
            at_most=60,
            one_of=(5.0, 10.0, 20.0, 30.0, 60.0),
        ),
    ]
    min_valid_fraction: Annotated[
        float,
        Setting(
            "Share of these means that must be valid",
            "common practice, no source: no agreed rule, 50 to 80 % is usual (from memory, "
            "medium)",
            0.5,
            above=0,
            at_most=1,
        ),
    ]
    window_min: Annotated[
        int,
        Setting(
            "Minute means in one correlation of an index of minutes, as L-PRx",
            "20 min of 1-min means: Santos 2011 [confirmed]",
            20,
            at_least=4,
            at_most=240,
        ),
    ]
    not_during: Annotated[
        Sequence[str],
        Setting(
            "Events during which the indices are null",
            "not interpretable with an open drain or after craniectomy [confirmed]",
            ["drain_open", "craniectomy"],
            each="An event",
            one_of=(*EVENT_KINDS, *SHOWN_EVENTS),
        ),
    ]


@dataclass(frozen=True, kw_only=True)
class Index:
    """A moving correlation of two series."""

    label: Annotated[
        str, Setting("What tables and axes call it", OF_THE_STUDY, "ORx", most_letters=20)
    ]
    about: Annotated[
        str,
        Setting(
            "What it is, in words; the methods use what stands before a colon",
            OF_THE_STUDY,
            "Oxygen reactivity index: moving correlation of PbtO2 and CPP",
            most_letters=200,
        ),
    ]
    of: Annotated[
        Sequence[str],
        Setting(
            "The two series: signals, derived signals, or amp (the amplitude of the ICP pulse)",
            OF_THE_STUDY,
            ["pbto2", "cpp"],
            each="A series",
            least_items=2,
        ),
    ]
    per: Annotated[
        Literal["blocks", "minutes"],
        Setting(
            "Which means are correlated: of trends.block_s, or of minutes",
            OF_THE_STUDY,
            "blocks",
        ),
    ]
    source: Annotated[
        str,
        Setting(
            "Where it comes from, for the methods",
            OF_THE_STUDY,
            "Czosnyka 1997",
            most_letters=200,
        ),
    ]
    n_blocks: Annotated[
        int | None,
        Setting("Blocks in one correlation" + _OWN, OF_THE_STUDY, 30, at_least=4, at_most=360),
    ] = None
    window_min: Annotated[
        int | None,
        Setting(
            "Minute means in one correlation" + _OWN, OF_THE_STUDY, 60, at_least=4, at_most=240
        ),
    ] = None
    step_s: Annotated[
        float | None,
        Setting(
            "How often the correlation is renewed" + _OWN,
            OF_THE_STUDY,
            60.0,
            at_least=5,
            at_most=60,
            one_of=(5.0, 10.0, 20.0, 30.0, 60.0),
        ),
    ] = None
    min_valid_fraction: Annotated[
        float | None,
        Setting(
            "Share of the means that must be valid" + _OWN,
            COMMON_PRACTICE,
            0.5,
            above=0,
            at_most=1,
        ),
    ] = None
    averaging: Annotated[
        Literal["fisher", "arithmetic"] | None,
        Setting("How correlations are averaged" + _OWN, COMMON_PRACTICE, "fisher"),
    ] = None
    not_during: Annotated[
        Sequence[str] | None,
        Setting(
            "Events during which the index is null" + _OWN,
            OF_THE_STUDY,
            ["drain_open"],
            each="An event",
            one_of=(*EVENT_KINDS, *SHOWN_EVENTS),
        ),
    ] = None


@dataclass(frozen=True, kw_only=True)
class Rules(Scale):
    """One index: what is correlated, and how.

    Attributes
    ----------
    of, labels, columns : tuple of two str
        The names of the series, what people call them, and their columns in the trends.
    rests_on : tuple of str
        The recorded signals behind them.
    block_s : float, s
        Length of the means that are correlated.
    n_values : int
        Means in one correlation.
    step_s : float, s
        How often it is renewed.
    """

    name: str
    label: str
    about: str
    source: str
    of: tuple[str, str]
    labels: tuple[str, str]
    columns: tuple[str, str]
    rests_on: tuple[str, ...]
    per: str
    block_s: float
    n_values: int
    step_s: float
    min_valid_fraction: float
    not_during: Sequence[str]


def rules_of(settings: Mapping[str, Any]) -> dict[str, Rules]:
    """Return the rules of each declared index by its name, in the order of the settings.

    Parameters
    ----------
    settings : mapping
        Sections `indices`, `reactivity`, `signals`, `derived_signals`, and `trends.block_s`.
    """
    shared, block_s = Settings(**settings["reactivity"]), settings["trends"]["block_s"]
    return {
        name: _rules(name, Index(**entry), shared=shared, block_s=block_s, declared=settings)
        for name, entry in settings["indices"].items()
    }


def _rules(
    name: str,
    index: Index,
    *,
    shared: Settings,
    block_s: float,
    declared: Mapping[str, Any],
) -> Rules:
    series = declared_indices.series(declared)
    first, second = index.of
    return Rules(
        name=name,
        label=index.label,
        about=index.about,
        source=index.source,
        of=(first, second),
        labels=(series[first].about.label, series[second].about.label),
        columns=(series[first].column, series[second].column),
        rests_on=tuple(
            dict.fromkeys(
                signal
                for one in index.of
                for signal in declared_indices.rests_on(one, declared)
            )
        ),
        per=index.per,
        **_window(index, shared, block_s=block_s),
        min_valid_fraction=_stated(index.min_valid_fraction, shared.min_valid_fraction),
        averaging=_stated(index.averaging, shared.averaging),
        fisher_clip=shared.fisher_clip,
        not_during=_stated(index.not_during, shared.not_during),
    )


def _stated(own: Any, shared: Any) -> Any:
    return shared if own is None else own


def _window(index: Index, shared: Settings, *, block_s: float) -> dict[str, Any]:
    """Return the length of the means, how many are correlated, and how often.

    Where one AMP is that of several blocks, these are put together: over the same time, all
    of them valid, and not renewed more often than there is an AMP.
    """
    if index.per == "minutes":
        n_values = _stated(index.window_min, shared.window_min)
        return {"block_s": MINUTE_S, "n_values": n_values, "step_s": MINUTE_S}
    n = blocks_of_a_pulse(block_s) if declared_indices.AMPLITUDE in index.of else 1
    return {
        "block_s": n * block_s,
        "n_values": math.ceil(_stated(index.n_blocks, shared.n_blocks) / n),
        "step_s": max(_stated(index.step_s, shared.step_s), n * block_s),
    }
