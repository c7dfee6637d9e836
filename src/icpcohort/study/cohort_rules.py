"""Cohort rules: which order of eligibility rules makes a cohort that no outcome has chosen."""

from collections.abc import Mapping, Sequence
from typing import Any

NEEDED = ("usable_recording", "landmark", "monitored_hours")  # once each, in any cohort
OF_THE_WINDOW = ("monitored_hours", "covered_share", "tier")  # of those who reach its end


def problems(rules: Sequence[Mapping[str, Any]]) -> list[str]:
    """List where the rules do not make a cohort: one needed is absent, or too early."""
    names = [rule["rule"] for rule in rules]
    lines = [
        f"rule '{name}' stands {names.count(name)} times; write `- {{rule: {name}}}` once"
        for name in NEEDED
        if names.count(name) != 1
    ]
    if lines:
        return lines
    if names[0] != "usable_recording":
        lines.append("rule 'usable_recording' is not the first; move it up")
    landmark = names.index("landmark")
    lines += [
        f"rule '{name}' asks about the window before rule 'landmark': who died in it would "
        f"count as badly monitored; move it below"
        for name in names[:landmark]
        if name in OF_THE_WINDOW
    ]
    return lines
