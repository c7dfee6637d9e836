"""Declared indices: the series that may be correlated, and the columns of each index."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from icpcohort.contracts import declared_signals
from icpcohort.contracts.columns import REAL, Column, lower_first
from icpcohort.contracts.declared_signals import Series

AMPLITUDE = "amp"  # of the ICP pulse's fundamental, which the trends have beside the signals
_OF_AMPLITUDE = Series(
    "amp_mmhg", Column(REAL, "mm[Hg]", "Amplitude of the ICP pulse's fundamental", "AMP")
)


# Where a page has no settings at hand, as the reference of tables: those of config/config.yaml.
_ABOUTS = {
    "prx": (
        "PRx",
        "Pressure reactivity index: moving correlation of ICP and ABP",
        "icp",
        "abp",
    ),
    "pax": ("PAx", "Moving correlation of AMP and ABP", "amp", "abp"),
    "rac": ("RAC", "Moving correlation of AMP and CPP", "amp", "cpp"),
    "rap": ("RAP", "Moving correlation of AMP and ICP", "amp", "icp"),
    "lprx": ("L-PRx", "Low-frequency PRx: moving correlation of minute means", "icp", "abp"),
}
_SHIPPED: Mapping[str, Mapping[str, Any]] = {
    name: {"label": label, "about": about, "of": of}
    for name, (label, about, *of) in _ABOUTS.items()
}


def stated(declared: Mapping[str, Any]) -> Mapping[str, Mapping[str, Any]]:
    """Return the section `indices`."""
    indices: Mapping[str, Mapping[str, Any]] = declared.get("indices", _SHIPPED)
    return indices


def series(declared: Mapping[str, Any]) -> dict[str, Series]:
    """Return the column of each series that an index may correlate; see `declared_signals`."""
    has_pulse = "icp" in declared_signals.recorded(declared)
    return declared_signals.of_blocks(declared) | (
        {AMPLITUDE: _OF_AMPLITUDE} if has_pulse else {}
    )


def rests_on(name: str, declared: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the recorded signals that a series is made of."""
    if name == AMPLITUDE:
        return ("icp",)
    return declared_signals.made_of(name, declared)[::-1]


def by(declared: Mapping[str, Any]) -> Sequence[str]:
    """Return the names of the indices by which CPPopt is sought, the main one first."""
    names: Sequence[str] = declared.get("optimal_cpp", {}).get("by", ("prx",))
    return names


def main(declared: Mapping[str, Any]) -> str:
    """Return the main index, by which CPPopt and its limits have their plain names."""
    return by(declared)[0]


class Index(NamedTuple):
    """One index as people read of it: `labels` are those of its two series."""

    name: str
    label: str
    about: str
    labels: tuple[str, str]

    def in_full(self) -> str:
        """Return the index as a sentence names it first: pressure reactivity index (PRx)."""
        return f"{lower_first(self.about.partition(':')[0])} ({self.label})"


def named(name: str, declared: Mapping[str, Any]) -> Index:
    """Return one declared index."""
    index, of_each = stated(declared)[name], series(declared)
    first, second = (of_each[one].about.label for one in index["of"])
    return Index(name, index["label"], index["about"], (first, second))


def all_named(declared: Mapping[str, Any]) -> list[Index]:
    """Return every declared index, the main one first."""
    main_name = main(declared)
    names = sorted(stated(declared), key=lambda name: name != main_name)
    return [named(name, declared) for name in names]


def sought(declared: Mapping[str, Any]) -> list[Index]:
    """Return the indices by which CPPopt is sought, the main one first."""
    return [named(name, declared) for name in by(declared)]


def columns(declared: Mapping[str, Any]) -> dict[str, Column]:
    """Return the column of each index, as the minutes have it."""
    return {
        name: Column(REAL, "1", index["about"], index["label"], decimals=2)
        for name, index in stated(declared).items()
    }


def by_index(column: str, index: str) -> str:
    """Return the name that a column of CPPopt has by another index than the main one.

    `cppopt_mmhg` by `rac` is `cppopt_by_rac_mmhg`; the unit stays last.
    """
    stem, unit = column.rsplit("_", 1)
    return f"{stem}_by_{index}_{unit}"
