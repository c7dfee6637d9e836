"""Row checks: cells of one row of a study table that contradict each other."""

from collections.abc import Iterator, Mapping
from typing import Any

from icpcohort import contracts
from icpcohort.recordings.places import Places
from icpcohort.study import reversed_scale
from icpcohort.study import values as entries
from icpcohort.study.table_problems import Fault

_IN_THIS_ORDER = (
    ("start_s", "end_s"),
    ("from_h", "to_h"),
    ("insertion_h", "removal_h"),
    ("insertion_h", "malfunction_h"),
    ("malfunction_h", "removal_h"),
    ("calibrated_h", "removal_h"),
)


def contradictions(values: dict[str, Any], *, places: Places) -> Iterator[tuple[str, Fault]]:
    """Yield, by column, cells of one row that contradict each other, and a wrong path."""
    for start, end in _IN_THIS_ORDER:
        begin, finish = values.get(start), values.get(end)
        if begin is not None and finish is not None and finish < begin:
            words = f"{finish:g} is before {start} {begin:g}; correct one of them"
            yield end, Fault(words, f"before {start}")
    levels = [name for name in contracts.LEVEL if values.get(name) is not None]
    if levels and values.get("event") not in (None, "level_change"):
        words = (
            f"stated in a row of '{values['event']}'; a level is stated in patients.csv, or in"
            " a row with the event level_change"
        )
        yield levels[0], Fault(words, "a level of another event")
    path = values.get("path")
    if path is not None:
        fault = entries.path_fault(path, places=places)
        if fault is None and values.get("format") == "wfdb" and not path.endswith(".hea"):
            words = f"'{path}' is not a WFDB header; write the file that ends in .hea"
            fault = Fault(words, "not a header")
        if fault is not None:
            yield "path", fault
    death_h, left_h, last_h = (values.get(n) for n in contracts.TIMES)
    if death_h is None:
        return
    for name, end_h in (("left_unit_h", left_h), ("last_known_h", last_h)):
        if end_h is not None and end_h > death_h:
            words = f"{end_h:g} is after death_h {death_h:g}; correct one of them"
            yield name, Fault(words, "after death")


def scores_of_the_dead(
    values: Mapping[str, Any], outcomes: Mapping[str, Mapping[str, Any]]
) -> Iterator[tuple[str, Fault]]:
    """Yield, by column, scores of a living patient beside a death that came before them."""
    death_h = values.get("death_h")
    for name, entry in reversed_scale.scales_with_death(outcomes).items():
        score = values.get(name)
        if death_h is None or score is None or death_h >= entry["deaths_before_h"]:
            continue
        if score != int(entry["dead"]):
            words = f"{score} although death_h is {death_h:g}; correct one of them"
            yield name, Fault(words, "a score after death")
