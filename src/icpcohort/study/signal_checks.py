"""Signal checks: declared signals that do not fit each other, and names of no signal."""

from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Any

from icpcohort import contracts
from icpcohort.contracts import declared_signals
from icpcohort.study.schema import at, is_number, suggestion

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
        *_correction_without_limit(settings),
        *_names_twice(signals),
        *_wrong_names(signals, differences),
        *_wrong_differences(signals, differences),
        *_wrong_of_patients(signals, differences),
        *_strangers(settings, signals),
    ]


def _correction_without_limit(settings: object) -> Iterator[str]:
    """Yield a line where lags are to be corrected, but not within which they are constant."""
    asked = at(settings, "trends", "correct_lag") == "measured"
    if asked and at(settings, "trends", "max_lag_s") is None:
        yield (
            "trends.correct_lag: 'measured' needs max_lag_s, within which a lag is constant; "
            "write max_lag_s: 2.0 under trends, or correct_lag: none"
        )


def variables_that_do_not_fit(settings: object) -> Iterator[str]:
    """Yield a line for each `of_patient` that is no number known of a patient at admission.

    The settings have the sections of `variables.yaml` too.
    """
    variables, signals = _blocks(settings, "variables"), _blocks(settings, "signals")
    numbers = [
        variable
        for variable, entry in variables.items()
        if entry.get("kind") in ("number", "count")
        and entry.get("known") == "at_admission"
        and not entry.get("score")
    ]
    differences = _blocks(settings, "derived_signals")
    for name, block in differences.items():
        where, column = f"derived_signals.{name}.of_patient", block.get("of_patient")
        if not isinstance(column, str):
            continue
        if column not in numbers:
            is_known = column in variables
            what = "not a number that is known at admission" if is_known else "no variable"
            yield f"{where}: '{column}' is {what}; {suggestion(column, numbers)}"
        elif "steps" not in block:
            minuend = str(block.get("minuend"))
            of = at(differences, minuend, "minuend") or minuend
            unit, unit_of_signal = variables[column].get("unit"), at(signals, str(of), "unit")
            if unit != unit_of_signal:
                yield (
                    f"{where}: {column} is in {unit} and {minuend} in {unit_of_signal}; write "
                    "steps, or take a column in one unit with it"
                )


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
        if "of_patient" in block:
            continue
        if "subtrahend" not in block:
            yield (
                f"derived_signals.{name}: says not what is taken from {block.get('minuend')}; "
                "write subtrahend: a signal, or of_patient: a column of the table of patients"
            )
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


def _wrong_of_patients(
    signals: Mapping[str, Mapping[str, Any]], differences: Mapping[str, Mapping[str, Any]]
) -> Iterator[str]:
    """Yield a line for each fault of a signal that is less a value of the patient."""
    between = [name for name, block in differences.items() if "of_patient" not in block]
    for name, block in differences.items():
        where, minuend = f"derived_signals.{name}", block.get("minuend")
        if "of_patient" not in block:
            if "steps" in block:
                yield f"{where}.steps: has no of_patient; add it, such as age_years"
            continue
        if "subtrahend" in block:
            yield f"{where}: has both subtrahend and of_patient; keep one"
        if isinstance(minuend, str) and minuend not in [*signals, *between]:
            yield (
                f"{where}.minuend: '{minuend}' is none of the signals; "
                f"{suggestion(minuend, [*signals, *between])}"
            )
        yield from _wrong_steps(where, block.get("steps"))


def _wrong_steps(where: str, steps: object) -> Iterator[str]:
    values = [at(step, "from_value") for step in steps] if isinstance(steps, list) else []
    for before, after in pairwise(values):
        if is_number(before) and is_number(after) and before >= after:
            yield (
                f"{where}.steps: {after:g} comes after {before:g}; write the steps from the "
                "lowest from_value to the highest"
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
