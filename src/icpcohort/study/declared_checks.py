"""Declared checks: faults of indices, CPPopt and thresholds in what a study declares."""

from collections.abc import Iterator, Mapping
from typing import Any

from icpcohort.contracts import burden_columns, declared_indices, declared_signals
from icpcohort.study.schema import at, is_number, suggestion

RESERVED = ("amp", "cppopt", "llr", "ulr", "tier", "p2p1", "monitored", "delta")
LEAST_VALUES = 4
SIDES = ("above", "below")


def contradictions(settings: object) -> list[str]:
    """List what is declared and does not fit, one line each; wrong types are passed over."""
    signals = _signals(settings)
    if signals is None:
        return []
    return [
        *_of_indices(settings, signals),
        *_of_optimal_cpp(settings, signals),
        *_of_thresholds(settings, signals),
    ]


def sound(settings: object) -> dict[str, Any]:
    """Return the sections that declare columns, without what is unsound in them."""
    declared: dict[str, Any] = {
        name: at(settings, name)
        for name in ("variables", "outcomes", "repeated")
        if isinstance(at(settings, name), dict)
    } | _sound_signals(settings)
    signals = declared_signals.series(declared)
    series = declared_indices.series(declared)
    declared["indices"] = {
        name: index
        for name, index in _named(at(settings, "indices"))
        if _is_whole(index) and set(index["of"]) <= set(series)
    }
    by = at(settings, "optimal_cpp", "by")
    names = [name for name in by if name in declared["indices"]] if isinstance(by, list) else []
    if not names:
        del declared["indices"]
        names = ["prx"]
    declared["optimal_cpp"] = {"by": names}
    declared["burden"] = {
        "thresholds": {
            signal: _sound_sides(sides)
            for signal, sides in _named(at(settings, "burden", "thresholds"))
            if signal in signals
        }
    }
    return declared


def _sound_signals(settings: object) -> dict[str, Any]:
    """Return both sections of signals, of entries that are whole; neither without any."""
    signals = {
        name: signal
        for name, signal in _named(at(settings, "signals"))
        if _has_texts(signal, "label", "about", "unit")
        and signal["unit"] in declared_signals.UNITS
    }
    differences = {
        name: difference
        for name, difference in _named(at(settings, "derived_signals"))
        if _has_texts(difference, "label", "about", "minuend", "subtrahend")
        and {difference["minuend"], difference["subtrahend"]} <= set(signals)
    }
    less = {
        name: one
        for name, one in _named(at(settings, "derived_signals"))
        if _has_texts(one, "label", "about", "minuend", "of_patient")
        and one["minuend"] in signals | differences
    }
    return {"signals": signals, "derived_signals": differences | less} if signals else {}


def _has_texts(entry: Mapping[str, Any], *names: str) -> bool:
    return all(isinstance(entry.get(name), str) for name in names)


def has_sound_thresholds(settings: object) -> bool:
    """Return whether every list of thresholds of burden holds numbers alone."""
    thresholds = at(settings, "burden", "thresholds")
    return isinstance(thresholds, dict) and all(
        isinstance(sides, dict)
        and all(
            isinstance(sides.get(side, []), list) and all(map(is_number, sides.get(side, [])))
            for side in SIDES
        )
        for sides in thresholds.values()
    )


def _signals(settings: object) -> Mapping[str, Any] | None:
    """Return the declared signals; None where their own sections are not sound."""
    declared = {
        name: at(settings, name)
        for name in ("signals", "derived_signals")
        if at(settings, name) is not None
    }
    try:
        return declared_signals.series(declared)
    except (AttributeError, KeyError, TypeError):
        return None


def _named(block: object) -> Iterator[tuple[str, Any]]:
    """Yield the entries of a block that are blocks themselves."""
    for name, entry in block.items() if isinstance(block, dict) else ():
        if isinstance(entry, dict):
            yield name, entry


def _is_whole(index: Mapping[str, Any]) -> bool:
    """Return whether an index has the words and the two series that its columns need."""
    of = index.get("of")
    return (
        _has_texts(index, "label", "about")
        and isinstance(of, list)
        and len(of) == 2
        and all(isinstance(s, str) for s in of)
    )


def _of_indices(settings: object, signals: Mapping[str, Any]) -> list[str]:
    differences = dict(_named(at(settings, "derived_signals")))
    less = declared_signals.of_patients({"derived_signals": differences})
    series = [name for name in signals if name not in less] + [declared_indices.AMPLITUDE]
    lines = []
    for name, index in _named(at(settings, "indices")):
        where, of = f"indices.{name}", index.get("of")
        if name in signals or name in RESERVED:
            lines.append(f"{where}: '{name}' is the name of a signal; write another name")
        if isinstance(of, list):
            lines += _of_series(where, of, series)
        lines += _of_window(where, index, settings)
    return lines


def _of_series(where: str, of: list[Any], series: list[str]) -> list[str]:
    if len(of) != 2:
        return [f"{where}.of: {len(of)} series; write two, such as [icp, abp]"]
    return [
        f"{where}.of: '{one}' is no declared signal; {suggestion(one, series)}"
        for one in of
        if isinstance(one, str) and one not in series
    ]


def _of_window(where: str, index: Mapping[str, Any], settings: object) -> list[str]:
    """List settings of a window that the index does not use, and windows that are too short."""
    per = index.get("per")
    other = {"minutes": ("n_blocks", "step_s"), "blocks": ("window_min",)}.get(str(per), ())
    lines = [
        f"{where}.{name}: an index per {per} has none; leave it out"
        for name in other
        if name in index
    ]
    step_s, block_s = index.get("step_s"), at(settings, "trends", "block_s")
    n_blocks = index.get("n_blocks", at(settings, "reactivity", "n_blocks"))
    if not is_number(block_s) or block_s <= 0 or per != "blocks":
        return lines
    if is_number(step_s) and step_s % block_s:
        lines.append(
            f"{where}.step_s: {step_s:g} s is not a multiple of trends.block_s {block_s:g}; "
            "write for example 60"
        )
    n = (
        max(1, round(10.0 / block_s))
        if declared_indices.AMPLITUDE in index.get("of", ())
        else 1
    )
    if is_number(n_blocks) and LEAST_VALUES <= n_blocks <= (LEAST_VALUES - 1) * n:
        lines.append(
            f"{where}: {n_blocks} blocks hold fewer than {LEAST_VALUES} values of AMP, which "
            f"comes every 10 s; write n_blocks: {(LEAST_VALUES - 1) * n + 1} or more"
        )
    return lines


def _of_optimal_cpp(settings: object, signals: Mapping[str, Any]) -> list[str]:
    by, indices = at(settings, "optimal_cpp", "by"), at(settings, "indices")
    if not isinstance(by, list) or not isinstance(indices, dict):
        return []
    lines = [
        f"optimal_cpp.by: '{name}' is no declared index; {suggestion(name, indices)}"
        for name in by
        if isinstance(name, str) and name not in indices
    ]
    if "cpp" not in signals or signals["cpp"].column != "cpp_mmhg":
        lines.append(
            "optimal_cpp.by: CPPopt needs a signal cpp in mmHg; declare it in derived_signals"
        )
    return lines


def _of_thresholds(settings: object, signals: Mapping[str, Any]) -> list[str]:
    lines = []
    for block in ("burden", "intensity_duration"):
        for signal, _ in _named(at(settings, block, "thresholds")):
            if signal not in signals:
                lines.append(
                    f"{block}.thresholds.{signal}: '{signal}' is no declared signal; "
                    f"{suggestion(signal, list(signals))}"
                )
    for signal, sides in _named(at(settings, "burden", "thresholds")):
        where = f"burden.thresholds.{signal}"
        if not any(sides.get(side) for side in burden_columns.SIDES):
            lines.append(f"{where}: no threshold; write for example {{above: [20.0]}}")
        for limits in _ranges(sides):
            if limits["low"] >= limits["high"]:
                lines.append(
                    f"{where}.outside: high {limits['high']:g} is not above low "
                    f"{limits['low']:g}; write a value above it"
                )
    names = burden_columns.names(sound(settings))
    for name in sorted({name for name in names if names.count(name) > 1}):
        if "_dose_" in name and "_dose_per_h" not in name:
            lines.append(
                f"burden: two thresholds give the same column {name}; write them further apart"
            )
    return lines


def _ranges(sides: Mapping[str, Any]) -> list[dict[str, float]]:
    ranges = sides.get("outside")
    return [
        limits
        for limits in (ranges if isinstance(ranges, list) else [])
        if is_number(at(limits, "low")) and is_number(at(limits, "high"))
    ]


def _sound_sides(sides: Mapping[str, Any]) -> dict[str, Any]:
    values = {side: sides.get(side) for side in SIDES}
    kept: dict[str, Any] = {
        side: list(dict.fromkeys(filter(is_number, of_side)))
        for side, of_side in values.items()
        if isinstance(of_side, list)
    }
    return kept | {"outside": _ranges(sides)}
