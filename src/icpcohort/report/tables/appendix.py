"""Tables of the appendix: rules, definitions, settings, versions, fingerprints."""

import hashlib
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import declared_signals
from icpcohort.contracts.columns import unit_words
from icpcohort.report.tables.grid import Grid
from icpcohort.report.tables.numbers import MINUS, MISSING
from icpcohort.signals.rules import Rule


def cleaning_rules(rules: Sequence[Rule], *, declared: Mapping[str, Any]) -> Grid:
    """Return every cleaning rule in its order: signal, recordings, and what it masks."""
    signals = declared_signals.recorded(declared)
    rows = [
        [
            str(number),
            rule.name.replace("_", " "),
            signals[rule.signal]["label"],
            rule.tiers.replace("_", " "),
            rule.with_margin(signals[rule.signal]["unit"]).replace(" -", f" {MINUS}"),
        ]
        for number, rule in enumerate(rules, start=1)
    ]
    note = (
        "In this order; the first rule that fits gives the reason. Movement is of a second of "
        "a waveform, or from one number to the next. Abnormal beats: Sun 2006."
    )
    head = ["Order", "Rule", "Signal", "Recordings", "Masks readings"]
    return Grid("Rules by which artefacts were masked", head, rows, note)


def definitions(declared: Mapping[str, Any]) -> Grid:
    """Return name, unit and meaning of the exposures, from the contracts."""
    columns = contracts.summary(declared).columns | contracts.BURDEN.columns
    rows = [
        [name, unit_words(column.unit) or MISSING, column.about]
        for name, column in columns.items()
    ]
    return Grid("Names, units and meanings", ["Name", "Unit", "Meaning"], rows, "")


def settings(values: Mapping[str, Any], *, caption: str) -> Grid:
    """Return every setting as a row, its place in the file first."""
    return Grid(caption, ["Setting", "Value"], [list(row) for row in _flat(values, "")], "")


def _flat(value: Any, place: str) -> list[tuple[str, str]]:
    if isinstance(value, Mapping) and value:
        return [
            row
            for key, part in value.items()
            for row in _flat(part, f"{place}.{key}".strip("."))
        ]
    if isinstance(value, Sequence) and not isinstance(value, str):
        if any(isinstance(part, Mapping) for part in value):
            return [
                row for i, part in enumerate(value, 1) for row in _flat(part, f"{place}[{i}]")
            ]
        return [(place, ", ".join(str(part) for part in value) or "none")]
    if isinstance(value, Mapping):
        return [(place, "none")]
    return [(place, MISSING if value is None else str(value))]


def versions(values: Mapping[str, str]) -> Grid:
    """Return the versions of what computed the results."""
    rows = [[name, values[name]] for name in sorted(values)]
    return Grid("Versions", ["Component", "Version"], rows, "")


def fingerprints(files: Mapping[str, str], recordings: pl.DataFrame) -> Grid:
    """Return the SHA-256 of the study's tables, and one over those of the recordings used."""
    known = recordings.filter(pl.col("status") == "used")["sha256"].drop_nulls().sort()
    rows = [[name, "1", files[name]] for name in files]
    if known.len():
        over_all = hashlib.sha256("\n".join(known).encode()).hexdigest()
        rows.append(["recordings used", str(known.len()), over_all])
    return Grid("Fingerprints of the data", ["Data", "Files, n", "SHA-256"], rows, "")
