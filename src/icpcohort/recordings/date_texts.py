"""Dates with times of day as text, in the orders in which people and programs write them.

A date begins with the year (`2024-03-01`, `2024/3/1`), or it has the day first and points
(`01.03.2024`), or slashes or dashes and the year last (`1/3/2024`): there day or month may come
first, which only a number above 12 shows, or the study says. The time of day has 24 hours, or
12 with AM or PM; seconds may be missing.

Source: ISO 8601-1:2019 for the year first; DIN 5008 for points (from memory); common practice
for the others.
"""

import polars as pl

from icpcohort.recordings.time_columns import DayOrder

_TIME_OF_DAY = (
    r"(?:T|\s*,\s*|\s+)(?<hour>\d{1,2}):(?<minute>[0-5]\d)"
    r"(?::(?<seconds>[0-5]\d(?:[.,]\d{1,9})?))?\s*(?<half>[AaPp]\.?[Mm]\.?)?"
    r"\s*(?<offset>Z|[+-]\d\d(?::?[0-5]\d)?)?\s*$"
)
ISO = (
    r"^\s*(?<day>\d{4}-\d\d-\d\d)[T ](?<minute>\d\d:\d\d)"
    r"(?::(?<seconds>[0-5]\d(?:[.,]\d{1,9})?))?"
    r"\s*(?<offset>Z|[+-]\d\d(?::?[0-5]\d)?)?\s*$"
)
YEAR_FIRST = r"^\s*(?<year>\d{4})[-/.](?<month>\d{1,2})[-/.](?<day>\d{1,2})" + _TIME_OF_DAY
POINTS = r"^\s*(?<day>\d{1,2})\.(?<month>\d{1,2})\.(?<year>\d{4}|\d{2})" + _TIME_OF_DAY
UNCLEAR = r"^\s*(?<one>\d{1,2})[-/](?<two>\d{1,2})[-/](?<year>\d{4})" + _TIME_OF_DAY
FORMS = (ISO, YEAR_FIRST, POINTS, UNCLEAR)


def is_unclear(text: str | None) -> bool:
    """Tell whether a text has a date of which day or month may come first."""
    return text is not None and bool(pl.Series([text]).str.contains(UNCLEAR)[0])


def order_in(texts: pl.Series) -> DayOrder | None:
    """Return the order of day and month that a number above 12 shows, if there is one."""
    parts = texts.drop_nulls().str.extract_groups(UNCLEAR).struct.unnest()
    if (parts["one"].cast(pl.Int64) > 12).any():
        return "day_first"
    return "month_first" if (parts["two"].cast(pl.Int64) > 12).any() else None


def minutes_of(parts: pl.DataFrame, form: str, day_order: DayOrder | None) -> pl.Series:
    """Return the date and the minute that texts show, null where there is no such time.

    Parameters
    ----------
    parts : the groups of `form`, a row per text
    form : one of FORMS
    day_order : needed for UNCLEAR
    """
    if form == ISO:
        texts = parts["day"] + "T" + parts["minute"]
    else:
        if form == UNCLEAR:
            names = ("day", "month") if day_order == "day_first" else ("month", "day")
            parts = parts.rename(dict(zip(("one", "two"), names, strict=True)))
        hour = pl.col("hour").cast(pl.Int64)
        is_afternoon = pl.col("half").str.to_lowercase().str.starts_with("p")
        of_twelve = pl.when(hour.is_between(1, 12)).then(hour % 12 + 12 * is_afternoon)
        shown = pl.when(pl.col("half").is_null()).then(hour).otherwise(of_twelve)
        in_full = pl.col("year").str.len_chars() == 4
        year = pl.when(in_full).then("year").otherwise("20" + pl.col("year"))
        month, day = (pl.col(name).str.zfill(2) for name in ("month", "day"))
        hours = shown.cast(pl.String).str.zfill(2)
        text = year + "-" + month + "-" + day + "T" + hours + ":" + pl.col("minute")
        texts = parts.select(text).to_series()
    return texts.str.to_datetime("%Y-%m-%dT%H:%M", strict=False, time_unit="us")
