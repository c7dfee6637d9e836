"""Dictionary checks: faults in the declared variables that no schema sees."""

from collections.abc import Iterator, Mapping
from typing import Any

from icpcohort import contracts
from icpcohort.contracts import variables
from icpcohort.study.published_scores import SCORES
from icpcohort.study.schema import suggestion

Entries = Mapping[str, Mapping[str, Any]]
_OF_PATIENTS = ("variables", "outcomes")
_WAYS = ("favourable_from", "merge", "equals", "sliding_by")
TIMES = tuple(contracts.TIMES)


def contradictions(declared: Mapping[str, Any]) -> list[str]:
    """List the entries that contradict themselves or each other, one line each, in words.

    Parameters
    ----------
    declared : mapping
        `variables`, `outcomes`, `repeated` and `scores`, each as the schema asks.
    """
    lines = []
    for section in ("variables", "outcomes", "repeated"):
        for name, entry in declared[section].items():
            found = [*_name(name, declared, section), *_values(entry)]
            found += _covariate(entry, declared["variables"]) if section == "variables" else []
            found += _outcome(entry, declared) if section == "outcomes" else []
            found += _repeated(name, entry, declared) if section == "repeated" else []
            lines += [f"{section}.{name}{line}" for line in found]
    lines += _columns_twice(declared)
    return lines + [f"scores.{line}" for line in _forms(declared)]


def _columns_twice(declared: Mapping[str, Any]) -> Iterator[str]:
    first: dict[str, str] = {}
    for section in _OF_PATIENTS:
        for name, entry in declared[section].items():
            if variables.is_recorded(entry):
                column = entry.get("column", name)
                if column in first:
                    yield (
                        f"{section}.{name}.column: '{column}' is already the column of "
                        f"{first[column]}; name another column"
                    )
                first.setdefault(column, name)


def _name(name: str, declared: Mapping[str, Any], section: str) -> Iterator[str]:
    earlier = {"variables": (), "outcomes": ("variables",)}.get(section, _OF_PATIENTS)
    for other in earlier:
        if name in declared[other]:
            yield f": is declared under {other} too; keep one"
    if name in contracts.analysis({}).columns or name in ("window", "signals", "cohort"):
        yield ": the tables have a column of this name already; choose another name"


def _values(entry: Mapping[str, Any]) -> Iterator[str]:
    kind, levels = entry["kind"], entry.get("levels", [])
    low, high = entry.get("min"), entry.get("max")
    if low is not None and high is not None and low > high:
        yield f".max: {high:g} is below min {low:g}; write a value from {low:g} on"
    if kind == "ordered" and len(levels) < 2:
        yield ".levels: an ordered scale needs its levels in their order; write them"
    if levels and kind not in ("category", "ordered"):
        yield f".levels: a {kind} has no levels; write kind: ordered, or leave them out"
    if levels and (low is not None or high is not None):
        yield ".min: the levels say what can be; leave min and max out"
    scale = (entry.get("scales") or {}).get(entry.get("coding", ""))
    known = [*(scale or levels)]
    for theirs, ours in (entry.get("codings") or {}).items():
        if known and ours not in (*known, ""):
            yield f".codings.{theirs}: '{ours}' is no level; {suggestion(ours, known)}"


def _covariate(entry: Mapping[str, Any], covariates: Entries) -> Iterator[str]:
    known, score = entry["known"], entry.get("score")
    if (known == "at_h") != ("known_h" in entry):
        yield ".known_h: goes with known: at_h; write both or neither"
    if (known == "in_window") != bool(entry.get("known_window")):
        yield ".known_window: goes with known: in_window; write both or neither"
    if not score:
        return
    if score not in SCORES:
        yield f".score: '{score}' is no published score known here; {suggestion(score, SCORES)}"
        return
    absent = [part for part in SCORES[score].parts if part not in covariates]
    if absent:
        yield f".score: {score} needs {', '.join(absent)}; declare them, or leave it out"


def _repeated(
    name: str, entry: Mapping[str, Any], declared: Mapping[str, Any]
) -> Iterator[str]:
    levels, summaries = entry.get("levels", []), entry.get("summaries", ())
    if not all(level.lstrip("-").isdigit() for level in levels):
        yield ".levels: repeated values are numbers; translate yours with codings"
    elif [int(level) for level in levels] != sorted(map(int, levels)):
        yield ".levels: not in ascending order; sort them"
    if ("share" in summaries) != ("share_from" in entry):
        yield ".share_from: goes with the summary share; write both or neither"
    known = {**declared["variables"], **declared["outcomes"], **declared["repeated"]}
    known |= contracts.analysis({}).columns
    if name in contracts.REPEATED_VALUES.columns:
        yield ": the tables have a column of this name already; choose another name"
    for summary in summaries:
        if f"{name}_{summary}" in known:
            yield (
                f".summaries: the tables have a column {name}_{summary} already; choose "
                "another name, or leave this summary out"
            )


def _outcome(entry: Mapping[str, Any], declared: Mapping[str, Any]) -> Iterator[str]:
    kind, levels, better = entry["kind"], entry.get("levels", []), entry.get("better")
    ways = [way for way in ("of", "death_by_h", "events") if entry.get(way)]
    if len(ways) > 1:
        yield f": {' and '.join(ways)} exclude each other; keep one"
        return
    is_settled = entry.get("at_h") is not None or kind == "event"
    if not (is_settled or ways or any(entry.get(way) for way in _WAYS)):
        yield (
            ".at_h: missing; write the hours since time zero at which it is settled, so that "
            "nothing measured later explains it"
        )
    if kind == "ordered" and better is None:
        yield ".better: an ordered scale states which way is better; write higher or lower"
    if kind == "ordered" and not all(level.lstrip("-").isdigit() for level in levels):
        yield ".levels: an outcome scale is of whole numbers; translate yours with codings"
    elif kind == "ordered" and [int(level) for level in levels] != sorted(map(int, levels)):
        yield ".levels: not in ascending order; sort them"
    elif kind == "ordered" and entry.get("dead") and better and levels:
        worst = levels[0] if better == "higher" else levels[-1]
        if entry["dead"] != worst:
            yield (
                f".dead: with {better} being better the worst level is {worst}, and dead is "
                f"{entry['dead']}; correct one of them"
            )
    if entry.get("coding") and entry["coding"] not in (entry.get("scales") or {}):
        yield f".coding: {suggestion(entry['coding'], entry.get('scales') or {})}"
    if (kind == "event") != ("events" in entry):
        yield ".events: goes with kind: event; write both or neither"
    times = [*TIMES, *(n for n, e in declared["variables"].items() if e["kind"] == "time")]
    for event, column in (entry.get("events") or {}).items():
        if column not in times:
            yield f".events.{event}: '{column}' is no time; {suggestion(column, times)}"
    if entry.get("death_by_h") and kind != "flag":
        yield ".death_by_h: gives a flag; write kind: flag"
    yield from _derived(entry, declared)


def _derived(entry: Mapping[str, Any], declared: Mapping[str, Any]) -> Iterator[str]:
    stated = [way for way in _WAYS if entry.get(way)]
    if not entry.get("of"):
        if stated:
            yield f".{stated[0]}: of which outcome? write `of: NAME`"
        return
    source = declared["outcomes"].get(entry["of"])
    if source is None:
        near = suggestion(entry["of"], declared["outcomes"])
        yield f".of: '{entry['of']}' is no declared outcome; {near}"
        return
    if len(stated) != 1:
        yield f".of: needs one of {', '.join(_WAYS)}; write one"
        return
    if source["kind"] != "ordered":
        yield f".of: '{entry['of']}' is no ordered scale; name one"
        return
    (way,) = stated
    levels = source.get("levels", [])
    asked = {
        "favourable_from": [entry.get("favourable_from")],
        "equals": [entry.get("equals")],
        "merge": [*(entry.get("merge") or {})],
        "sliding_by": [],
    }[way]
    for level in asked:
        if level not in levels:
            near = suggestion(str(level), levels)
            yield f".{way}: '{level}' is no level of {entry['of']}; {near}"
    if way == "favourable_from" and source.get("better") and entry[way] in levels:
        yield from _cut(entry, source)
    if way == "sliding_by" and entry["sliding_by"] not in declared["variables"]:
        near = suggestion(entry["sliding_by"], declared["variables"])
        yield f".sliding_by: '{entry['sliding_by']}' is no declared variable; {near}"
    if way == "sliding_by" and not entry.get("n_bands"):
        yield ".n_bands: missing; write for example n_bands: 3"
    if way == "equals" and entry.get("is_death") and entry["equals"] != source.get("dead"):
        yield f".is_death: {entry['equals']} is not the level of {entry['of']} that means dead"


def _cut(entry: Mapping[str, Any], source: Mapping[str, Any]) -> Iterator[str]:
    """Yield a line where nothing is beyond the cut, or the coding cannot tell what is."""
    levels = source["levels"]
    worst = levels[0] if source["better"] == "higher" else levels[-1]
    if entry["favourable_from"] == worst:
        yield f".favourable_from: {worst} is the worst level, so none is worse; name another"
        return
    scale = (source.get("scales") or {}).get(source.get("coding", ""))
    if not scale:
        return
    visible = sorted({int(level) for level in scale.values()})
    visible = visible[1:] if source["better"] == "higher" else visible[:-1]
    if int(entry["favourable_from"]) not in visible:
        yield (
            f".favourable_from: a table in {source['coding']} cannot tell "
            f"{entry['favourable_from']} from the next; begin at "
            f"{', '.join(str(level) for level in visible)}"
        )


def _forms(declared: Mapping[str, Any]) -> Iterator[str]:
    used = [
        SCORES[entry["score"]]
        for entry in declared["variables"].values()
        if entry.get("score") in SCORES
    ]
    families = {score.family: score.forms for score in used if score.family}
    for family, forms in families.items():
        form = declared["scores"].get(family, {}).get("form")
        if form not in forms:
            yield f"{family}.form: write {' or '.join(forms)}"
    for family in declared["scores"]:
        if family not in families:
            yield f"{family}: no variable is a score of that name; leave it out"


def main_column(settings: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the recorded outcome behind the main one; none if it follows from times."""
    name = settings["cohort"]["main_outcome"]
    while settings["outcomes"].get(name, {}).get("of"):
        name = settings["outcomes"][name]["of"]
    entry = settings["outcomes"].get(name)
    return (name,) if entry and variables.is_recorded(entry) else ()


def recorded(declared: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    """Return the entries that stand in the study's table, by name."""
    entries = {**declared["variables"], **declared["outcomes"]}
    return {name: entry for name, entry in entries.items() if variables.is_recorded(entry)}
