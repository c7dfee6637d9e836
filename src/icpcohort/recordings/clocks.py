"""Times of rows: seconds, elapsed text or clock times, to seconds.

Numbers are seconds since the recording's start, or in the unit of their heading. All others
count from the file's earliest row, so no date leaves this module: text HH:MM:SS[.fff] with days
before it where needed (`1 day, 02:03:04`), ISO 8601 durations (`PT1H2M3.5S`), and dates with
times of day (`date_texts`) with an offset from UTC, or without one where the recording's
`clock_zone` says what its clock showed (`clock_zones`). Of Parquet also durations, times of day
and timestamps.

Source: ISO 8601-1:2019 for the forms; the IANA time zone database for changes of the clock.
"""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from icpcohort.recordings import clock_zones, date_texts
from icpcohort.recordings.chunks import MAX_DURATION_S, RecordingError, Samples
from icpcohort.recordings.clock_changes import COARSE_US, Change, Changes, Micros
from icpcohort.recordings.time_columns import DayOrder, seconds_in

_ELAPSED = (
    r"^\s*(?:(?<days>\d{1,5})(?:\s*(?:days?|d)\s*,?\s*|\s+))?"
    r"(?<hours>\d{1,6}):(?<minutes>[0-5]\d):(?<seconds>[0-5]\d(?:[.,]\d{1,9})?)\s*$"
)
_DURATION = (
    r"^\s*P(?:(?<days>\d{1,5})D)?(?:T(?:(?<hours>\d{1,6})H)?(?:(?<minutes>\d{1,8})M)?"
    r"(?:(?<seconds>\d{1,9}(?:[.,]\d{1,9})?)S)?)?\s*$"
)
_US_OF = {"days": 86_400_000_000, "hours": 3_600_000_000, "minutes": 60_000_000, "seconds": 1e6}
_PER_S = {"ms": 1e3, "us": 1e6, "ns": 1e9}
_TWO_CENTURIES_S = 200 * 366 * 86_400.0
_HALF_DAY_US = 43_200_000_000
_MINUTE_US = 60_000_000

_FORMS = (
    "write seconds, HH:MM:SS with days before it where needed, or clock times as "
    "YYYY-MM-DD HH:MM:SS with the offset from UTC (Z or +01:00)"
)


class Clock:
    """Turns the times of one file, batch by batch, into seconds.

    Of local clock times, the hour that is shown twice is recognised by the order of rows. The
    second pass begins at a time that goes back by more than a minute, or at one that does not
    go on although rows are half an hour or more apart, or one that is one interval later only
    if it is in the second pass. `notes` says where such a clock was set, or may have been.
    """

    def __init__(
        self,
        where: str,
        *,
        clock_zone: str | None,
        unit: str | None = None,
        day_order: DayOrder | None = None,
    ) -> None:
        self.where, self.clock_zone, self.unit = where, clock_zone, unit
        self.day_order = day_order
        self.notes: list[str] = []
        self._changes = Changes()
        self.from_earliest_row = False
        self._n_rows = 0
        self._form: str | None = None
        self._first_us: int | None = None
        self._last_us: int | None = None
        self._n_passes = 1
        self._step_us: float | None = None

    def seconds(self, times: pl.Series) -> Samples:
        """Return seconds since the start, or since the first row where `from_earliest_row`.

        Raises
        ------
        RecordingError
            `bad_times` with the row; `no_zone` for local times without one.
        """
        if times.dtype.is_numeric():
            t_s = self._numbers(times)
        else:
            self.from_earliest_row = True
            micros = self._micros(times)
            if self._first_us is None:
                self._first_us = int(micros[0])
            if np.abs(micros / 1e6 - self._first_us / 1e6).max() > MAX_DURATION_S:
                raise self._refusal(
                    None,
                    "more than a year between its first and another row; correct the times",
                )
            t_s = (micros - self._first_us) / 1e6
        self._n_rows += len(t_s)
        return t_s

    def _refusal(
        self, i: int | None, what: str, *, reason: str = "bad_times"
    ) -> RecordingError:
        row = "" if i is None else f", row {self._n_rows + i + 1}"
        return RecordingError(reason, f"{self.where}{row}: {what}")

    def _require(self, good: NDArray[np.bool_], what: str) -> None:
        if not good.all():
            raise self._refusal(int(np.argmin(good)), what)

    def _require_stated(self, times: pl.Series) -> None:
        self._require(times.is_not_null().to_numpy(), "no time; every row needs one")

    def _numbers(self, times: pl.Series) -> Samples:
        t_s: Samples = times.cast(pl.Float64).to_numpy()  # null is NaN
        if self.unit is not None:
            s_in_unit = seconds_in(self.unit)
            if s_in_unit is None:
                raise self._refusal(
                    None,
                    f"numbers under a heading in {self.unit!r}, which is no known unit of "
                    "time; write s, ms, min or h there",
                )
            t_s = t_s if s_in_unit == 1 else t_s * s_in_unit
        self._require(np.isfinite(t_s), "no time; every row needs one")
        self._require(t_s >= 0, "a time before the recording's start; count from its start")
        self._require(
            t_s <= MAX_DURATION_S,
            "no time since the start of a recording; subtract the time of the recording's "
            "start from every row",
        )
        return t_s

    def _micros(self, times: pl.Series) -> Micros:
        self._require_stated(times)
        if times.dtype in (pl.Duration, pl.Time):
            unit = times.cast(pl.Duration("ns") if times.dtype == pl.Time else times.dtype)
            return self._elapsed(unit.dt.total_microseconds())
        if isinstance(times.dtype, pl.Datetime):
            since_1970 = times.cast(pl.Int64).to_numpy() / _PER_S[times.dtype.time_unit]
            # conversions overflow or panic far outside
            self._require(np.abs(since_1970) < _TWO_CENTURIES_S, f"no such time; {_FORMS}")
            if getattr(times.dtype, "time_zone", None) is None:
                return self._local(times.dt.cast_time_unit("us"))
            return times.dt.timestamp("us").to_numpy()
        if times.dtype not in (pl.String, pl.Categorical):
            raise self._refusal(None, f"times of type {times.dtype}; {_FORMS}")
        return self._text(times.cast(pl.String))

    def _text(self, times: pl.Series) -> Micros:
        if self._form is None:
            forms = (_ELAPSED, _DURATION, *date_texts.FORMS)
            self._form = next((form for form in forms if times.str.contains(form)[0]), None)
        if self._form is None:
            raise self._refusal(0, f"text that is no time; {_FORMS}")
        self._require(
            times.str.contains(self._form).to_numpy(), f"no time like the ones above; {_FORMS}"
        )
        parts = times.str.extract_groups(self._form).struct.unnest()
        seconds = parts["seconds"].str.replace(",", ".", literal=True)
        if self._form in (_ELAPSED, _DURATION):
            parts = parts.with_columns(seconds)
            self._require(
                ~parts.select(pl.all_horizontal(pl.all().is_null())).to_series().to_numpy(),
                f"a duration of nothing; {_FORMS}",
            )
            total = pl.sum_horizontal(
                pl.col(name).cast(pl.Float64) * us for name, us in _US_OF.items()
            )
            return self._elapsed(parts.select(total.round().cast(pl.Int64)).to_series())
        return self._clock(parts, (seconds.cast(pl.Float64).fill_null(0) * 1e6).round())

    def _elapsed(self, micros: pl.Series) -> Micros:
        us = micros.to_numpy()
        before = us[0] if self._last_us is None else self._last_us
        self._require(
            np.diff(us, prepend=before) >= -_HALF_DAY_US,
            "back by more than half a day: a time of day past midnight, or a second recording; "
            "write days before HH:MM:SS, or split the file",
        )
        self._last_us = int(us[-1])
        return us

    def _clock(self, parts: pl.DataFrame, seconds_us: pl.Series) -> Micros:
        """Return UTC of text; `parts` has what its form takes apart."""
        if self._form == date_texts.UNCLEAR and self.day_order is None:
            raise self._refusal(
                None,
                "dates of which no row shows whether the day or the month comes first; write "
                "the line `day_order: day_first` or `day_order: month_first` under recordings "
                "in the settings",
                reason="unclear_dates",
            )
        minutes = date_texts.minutes_of(parts, str(self._form), self.day_order)
        if "half" in parts.columns:
            has_half = parts["half"].is_not_null().to_numpy()
            self._require(
                has_half == has_half[0], "AM or PM in some rows alone; write it in every row"
            )
        self._require(minutes.is_not_null().to_numpy(), f"no such time; {_FORMS}")
        local = minutes.cast(pl.Int64) + seconds_us.cast(pl.Int64)
        stated = parts["offset"].is_not_null().to_numpy()
        if not stated.any():
            return self._local(local.cast(pl.Datetime("us")))
        self._require(stated, "no offset from UTC, unlike other rows; write it in every row")
        offset = parts["offset"].str.replace("Z", "+0000").str.replace(":", "")
        minutes_of = (
            offset.str.slice(1, 2).cast(pl.Int64) * 60
            + offset.str.slice(3, 2).replace("", "0").cast(pl.Int64)
        ) * offset.str.slice(0, 1).replace_strict({"+": 1, "-": -1}, return_dtype=pl.Int64)
        return (local - minutes_of * _MINUTE_US).to_numpy()

    def _local(self, local: pl.Series) -> Micros:
        """Return UTC of times that the clocks of `clock_zone` showed."""
        if self.clock_zone is None:
            raise self._refusal(
                None,
                "clock times without an offset from UTC; write the zone of that clock (an IANA "
                "name such as Europe/Lisbon) in column clock_zone of recordings.csv",
                reason="no_zone",
            )
        zone = clock_zones.meant_by(self.clock_zone)
        shown_us: Micros = local.cast(pl.Int64).to_numpy()
        if zone.is_none:
            return self._as_they_stand(shown_us)
        if zone.name is None:
            return shown_us - zone.offset_us
        return self._in_zone(local, shown_us, zone.name)

    def _as_they_stand(self, shown_us: Micros) -> Micros:
        before = shown_us[0] if self._last_us is None else self._last_us
        self._require(
            np.diff(shown_us, prepend=before) >= -_MINUTE_US // 2,
            "back by more than half a minute, and no zone is known (clock_zone none); write "
            "the zone of that clock there, or sort the rows or split the file",
        )
        self._last_us = int(shown_us[-1])
        return shown_us

    def _in_zone(self, local: pl.Series, shown_us: Micros, zone: str) -> Micros:
        try:
            first, second = (
                local.dt.replace_time_zone(zone, ambiguous=which, non_existent="null")
                for which in ("earliest", "latest")
            )
        except pl.exceptions.ComputeError:
            raise self._refusal(
                None,
                f"no time zone {self.clock_zone!r}; write an IANA name such as "
                f"{clock_zones.nearest(zone)} in column clock_zone of recordings.csv",
                reason="no_zone",
            ) from None
        self._require(
            first.is_not_null().to_numpy(),
            f"a time that clocks in {zone} skip: this clock was not put forward; "
            "write times with their offset from UTC, or the offset that it showed all the time "
            "(such as +01:00) in column clock_zone of recordings.csv",
        )
        first_us, second_us = (
            first.dt.timestamp("us").to_numpy(),
            second.dt.timestamp("us").to_numpy(),
        )
        is_second = self._is_second(shown_us, second_us - first_us)
        utc_us = np.where(is_second, second_us, first_us)
        for change in self._changes.add(
            shown_us, utc_us, first_us != second_us, is_second, interval_us=self._step_us
        ):
            self._judge(change, zone)
        return utc_us

    def _judge(self, change: Change, zone: str) -> None:
        """Refuse a clock that was not set, and note one that was or may have been.

        Raises
        ------
        RecordingError
            `clock_not_set` with the row.
        """
        way = "forward" if change.kind.endswith("forward") else "back"
        if change.kind.startswith("not"):
            offset = clock_zones.offset_text(change.offset_us)
            raise self._refusal(
                change.row,
                f"clocks in {zone} are put {way} here, and this one was not; write the offset "
                f"that it showed all the time (such as {offset}) in column clock_zone of "
                "recordings.csv",
                reason="clock_not_set",
            )
        row = f"{self.where}, row {self._n_rows + change.row + 1}"
        if change.kind == "unknown":
            self.notes.append(
                f"{row}: clocks in {zone} are set here, and rows are missing; it is read as a "
                "clock that was set; if it was not, write its offset from UTC in column "
                "clock_zone of recordings.csv"
            )
        else:
            self.notes.append(
                f"{row}: the clock was put {way} here, as clocks in {zone} are; its times are "
                "counted so, leave it"
            )

    def _is_second(self, shown_us: Micros, later_us: Micros) -> NDArray[np.bool_]:
        """Tell which rows lie in the second pass of the hour that is shown twice.

        `later_us` is by how much the second pass would be later, 0 outside that hour.
        """
        twice = later_us != 0
        if twice[0] and self._last_us is None:
            raise self._refusal(
                0,
                "begins in the hour that the clock shows twice; write times with their offset "
                "from UTC",
            )
        before = shown_us[0] if self._last_us is None else self._last_us
        steps_us = np.diff(shown_us, prepend=before)
        if self._step_us is None and (steps_us > 0).any():
            self._step_us = float(np.median(steps_us[steps_us > 0]))
        # `before` of a first row is the row itself, and it lies in no hour shown twice
        latest_us = min(0, max(-_MINUTE_US - 1, (self._step_us or 0) - COARSE_US))
        again = twice & (steps_us <= latest_us)
        if self._step_us is not None and self._step_us >= COARSE_US:
            off_us = np.abs(steps_us - self._step_us)
            off_if_later_us = np.abs(steps_us + later_us - self._step_us)
            fits_later = (off_us > 0.25 * self._step_us) & (
                off_if_later_us <= 0.1 * self._step_us
            )
            again |= twice & fits_later
        passes = self._n_passes + np.cumsum(again)
        if passes[-1] > 2:
            raise self._refusal(
                int(np.argmax(passes > 2)),
                "back a second time in the hour that the clock shows twice; sort the rows, or "
                "write times with their offset from UTC",
            )
        self._n_passes, self._last_us = int(passes[-1]), int(shown_us[-1])
        second: NDArray[np.bool_] = twice & (passes == 2)
        return second
