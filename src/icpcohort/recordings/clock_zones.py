"""Clock zones: what the study writes of the zone that a clock showed.

An IANA name; a fixed offset from UTC (`+01:00`), which a clock that is never set has; `none`,
where only differences count; or an abbreviation that means one thing. MEZ, MESZ, CET and CEST
all mean the zone CET, whose clocks change twice a year: a clock that did not is refused by its
times, and then has a fixed offset.

Source: the IANA time zone database; ISO 8601-1:2019 for offsets.
"""

import difflib
import re
import zoneinfo
from typing import NamedTuple

NONE = "none"
_OFFSET = re.compile(r"([+-])(\d\d):?([0-5]\d)?")
_SHORT = {
    **dict.fromkeys(("mez", "mesz", "cet", "cest"), "CET"),
    **dict.fromkeys(("utc", "gmt", "z"), "UTC"),
}
# Abbreviations that mean several zones, or are no names of the database: the likely one.
_LIKELY = {
    **dict.fromkeys(("bst",), "Europe/London"),
    **dict.fromkeys(("wez", "wesz", "west"), "Europe/Lisbon"),
    **dict.fromkeys(("oez", "oesz", "eest"), "Europe/Athens"),
    **dict.fromkeys(("edt", "et"), "America/New_York"),
    **dict.fromkeys(("cst", "cdt"), "America/Chicago"),
    **dict.fromkeys(("mdt",), "America/Denver"),
    **dict.fromkeys(("pst", "pdt"), "America/Los_Angeles"),
    **dict.fromkeys(("aest", "aedt"), "Australia/Sydney"),
}
_EXAMPLE = "Europe/Lisbon"
_MINUTE_US = 60_000_000


class ClockZone(NamedTuple):
    """A zone by its IANA name, or else a fixed offset; `is_none` where neither is known."""

    name: str | None
    offset_us: int = 0
    is_none: bool = False


def meant_by(text: str) -> ClockZone:
    """Return what a study means; a name is not looked up here."""
    short = text.strip().casefold()
    if short == NONE:
        return ClockZone(None, is_none=True)
    if match := _OFFSET.fullmatch(short):
        minutes = int(match[2]) * 60 + int(match[3] or 0)
        return ClockZone(None, (-minutes if match[1] == "-" else minutes) * _MINUTE_US)
    return ClockZone(_SHORT.get(short, text.strip()))


def nearest(text: str) -> str:
    """Return the IANA name that is meant, as far as one can tell, or an example."""
    short = text.strip().casefold()
    names = {name.casefold(): name for name in sorted(zoneinfo.available_timezones())}
    cities = {name.rpartition("/")[2]: name for name in names if "/" in name}
    near = difflib.get_close_matches(short.replace(" ", "_"), [*names, *cities], n=1)
    if short in _LIKELY or not near:
        return _LIKELY.get(short, _EXAMPLE)
    return names[cities.get(near[0], near[0])]


def offset_text(offset_us: int) -> str:
    """Return an offset as it is written: +02:00."""
    hours, minutes = divmod(abs(offset_us) // _MINUTE_US, 60)
    return f"{'-' if offset_us < 0 else '+'}{hours:02d}:{minutes:02d}"
