"""Signal checks: declared signals that do not fit each other, and names of no signal."""

from collections.abc import Iterator, Mapping
from typing import Any

from icpcohort import contracts
from icpcohort.contracts import declared_signals
from icpcohort.study.schema import at, suggestion

# Their pulse is measured, and its columns are in mmHg.
IN_MMHG = (declared_signals.ICP, declared_signals.ABP)


def contradictions(settings: object) -> list[str]:
    """List the signals that contradict each other, and settings of signals that are not there.

    What the schema has already refused is passed over.
    """
    signals = _blocks(settings, "signals")
    differences = _blocks(settings, "derived_signals")
    if not signals:
        return []
    return [
        *_names_twice(signals),
        *_wrong_names(signals, differences),
        *_wrong_differences(signals, differences),
        *_strangers(settings, signals),
    ]


def _blocks(settings: object, section: str) -> dict[str, Mapping[str, Any]]:
    blocks = at(settings, section)
    if not isinstance(blocks, dict):
        return {}
    return {name: block for name, block in blocks.items() if isinstance(block, dict)}


def _names_twice(signals: Mapping[str, Mapping[str, Any]]) -> Iterator[str]:
    first: dict[str, str] = {}
    for signal, block in signals.items():
        names = block.get("names")
        for name in names if isinstance(names, list) else ():
            folded = " ".join(str(name).split()).casefold()
            if first.setdefault(folded, signal) != signal:
                yield (
                    f"signals.{signal}.names: '{name}' stands in signals.{first[folded]}.names "
                    "too; keep one"
                )


def _wrong_names(
    signals: Mapping[str, Mapping[str, Any]], differences: Mapping[str, Mapping[str, Any]]
) -> Iterator[str]:
    taken = set(contracts.trends({}).columns)
    taken -= {one.column for one in declared_signals.series({}).values()}
    for section, blocks in (("signals", signals), ("derived_signals", differences)):
        for name, block in blocks.items():
            unit = block.get("unit") or at(signals, str(block.get("minuend")), "unit")
            known = declared_signals.UNITS.get(unit) if isinstance(unit, str) else None
            if known and f"{name}_{known.suffix}" in taken:
                yield (
                    f"{section}.{name}: the column {name}_{known.suffix} is already one of the "
                    "trends; give the signal another name"
                )
    for name in differences:
        if name in signals:
            yield f"derived_signals.{name}: stands under signals too; give one another name"
    for name in IN_MMHG:
        unit = at(signals, name, "unit")
        if unit in declared_signals.UNITS and unit != "mmHg":
            yield (
                f"signals.{name}.unit: '{unit}', but the pulse of {name} is measured in mmHg; "
                "write mmHg (files may have any unit of pressure)"
            )


def _wrong_differences(
    signals: Mapping[str, Mapping[str, Any]], differences: Mapping[str, Mapping[str, Any]]
) -> Iterator[str]:
    for name, block in differences.items():
        ends = [(key, block.get(key)) for key in ("minuend", "subtrahend")]
        unknown = [(k, end) for k, end in ends if isinstance(end, str) and end not in signals]
        for key, end in unknown:
            yield (
                f"derived_signals.{name}.{key}: '{end}' is none of the signals; "
                f"{suggestion(str(end), signals)}"
            )
        units = [at(signals, str(end), "unit") for _, end in ends]
        if not unknown and None not in units and units[0] != units[1]:
            yield (
                f"derived_signals.{name}: {ends[0][1]} is in {units[0]} and {ends[1][1]} in "
                f"{units[1]}; declare both in one unit, or remove {name}"
            )


def _strangers(settings: object, signals: Mapping[str, Mapping[str, Any]]) -> Iterator[str]:
    """Yield a line for each rule and each column of a signal that is not declared."""
    rules = at(settings, "cleaning", "rules")
    for number, rule in enumerate(rules if isinstance(rules, list) else [], start=1):
        signal = at(rule, "signal")
        if isinstance(signal, str) and signal not in signals:
            yield (
                f"cleaning.rules, entry {number} ({at(rule, 'rule')}), signal: '{signal}' is "
                f"none of the signals; {suggestion(signal, signals)}"
            )
    known = set(contracts.recording_list({"signals": {}}).columns)
    known |= {f"{name}_{what}" for name in signals for what in ("channel", "unit")}
    for part in ("columns", "codings"):
        columns = at(settings, "study", part, "recordings")
        for column in columns if isinstance(columns, dict) else ():
            if column.endswith(("_channel", "_unit")) and column not in known:
                yield (
                    f"study.{part}.recordings.{column}: no signal of this name is declared; "
                    f"{suggestion(column, known)}"
                )
