"""An archive and spreadsheets as a unit has them, invented: dates, dialects, sensors, clocks.

Twelve patients with numbers once a minute. The truth of each patient stands beside: the mean of
ICP and of CPP, the hour at which the first file begins, and how long it goes on.

* U01 to U05: a German dialect, one file a day: `Datum;Uhrzeit;Hirndruck (mmHg);MAP (mmHg)`,
  decimal commas, dates as 01.03.2024. U01 spans the night on which clocks go forward.
* U06 to U09: a US dialect, one file a day: `Time,ICP [mmHg],ABP [mmHg]`, 3/28/2024 2:05 PM.
* U10: two sensors, `ICP drain [mmHg]` and `ICP bolt [mmHg]`; the drain reads 3 mmHg too high.
* U11: ISO times with their offset, in kPa.
* U12: a device whose clock nobody knows; its file lies in the study folder.

All but U12 lie on another disk. Clinical data are one spreadsheet with German names, dates, and
codes for sex; events are a CSV with semicolons.
"""

import csv
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import openpyxl

ZONE = ZoneInfo("Europe/Vienna")
KPA_PER_MMHG = 0.133322387415  # NIST SP 811
HEAD = [
    *("Patienten-ID", "Alter (Jahre)", "Geschlecht", "Unfall", "GCS", "GCS Motorik"),
    *("Pupillen", "Marshall", "verlegt", "verstorben", "GOSE 6 Monate"),
]


@dataclass(frozen=True)
class Patient:
    """One invented patient: times in UTC, ICP and ABP once a minute [mmHg]."""

    name: str
    zero: datetime
    start: datetime
    icp_mmhg: np.ndarray
    abp_mmhg: np.ndarray
    death_h: float | None
    left_h: float
    gose: int

    @property
    def start_h(self) -> float:
        """Hours from time zero to the first minute."""
        return (self.start - self.zero).total_seconds() / 3600

    def times(self) -> list[datetime]:
        """Return the instant of each minute, as clocks in Vienna show it."""
        n = len(self.icp_mmhg)
        return [(self.start + timedelta(minutes=i)).astimezone(ZONE) for i in range(n)]


def patients(*, hours: int = 40, seed: int = 16) -> list[Patient]:
    """Return the patients; all numbers are invented."""
    draw, made = np.random.default_rng(seed), []
    for number in range(1, 13):
        day = 29 if number == 1 else int(draw.integers(3, 25))
        zero = datetime(2024, 3, day, int(draw.integers(6, 20)), 15, tzinfo=ZONE)
        zero = zero.astimezone(ZoneInfo("UTC"))
        minutes = 60 * hours
        wave = np.sin(np.arange(minutes) / 25) + draw.normal(0, 0.3, minutes)
        level = draw.uniform(9, 20)
        died = number in (4, 9)
        made.append(
            Patient(
                name=f"U{number:02d}",
                zero=zero,
                start=zero + timedelta(minutes=int(draw.integers(120, 420))),
                icp_mmhg=np.round(level + 2 * wave + draw.normal(0, 0.4, minutes), 1),
                abp_mmhg=np.round(86 + 6 * wave + draw.normal(0, 2, minutes), 1),
                death_h=140.25 if died else None,
                left_h=140.25 if died else 200.0 + number,
                gose=1 if died else int(draw.integers(2, 9)),
            )
        )
    return made


def write(study: Path, archive: Path, all_of: list[Patient]) -> None:
    """Write spreadsheet, events and U12 to the study folder, the rest to the archive."""
    study.mkdir(parents=True, exist_ok=True)
    _spreadsheet(study / "Klinik.xlsx", all_of)
    _events(study / "Ereignisse.csv", all_of)
    for one in all_of:
        number = int(one.name[1:])
        if number <= 5:
            _daily(archive / one.name, one, german=True)
        elif number <= 9:
            _daily(archive / one.name, one, german=False)
        elif number == 10:
            _two_sensors(archive / one.name, one)
        elif number == 11:
            _with_offset(archive / one.name, one)
        else:
            _unknown_clock(study / "U12.csv", one)


def _local(instant: datetime) -> datetime:
    return instant.astimezone(ZONE).replace(tzinfo=None)


def _spreadsheet(path: Path, all_of: list[Patient]) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(HEAD)
    for number, one in enumerate(all_of, start=1):
        death = None
        if one.death_h is not None:
            death = _local(one.zero + timedelta(hours=one.death_h))
        sheet.append(
            [
                *(one.name, 20 + 4 * number, 1 + number % 2, _local(one.zero)),
                *(3 + number % 6, 1 + number % 6, number % 3, 1 + number % 6),
                *(_local(one.zero + timedelta(hours=one.left_h)), death, one.gose),
            ]
        )
    book.save(path)


def _events(path: Path, all_of: list[Patient]) -> None:
    """Write one opened drain for each third patient, from the second hour for 20 minutes."""
    with path.open("w", newline="", encoding="cp1252") as file:
        writer = csv.writer(file, delimiter=";")
        writer.writerow(["Patient", "Maßnahme", "von", "bis"])
        for one in all_of[::3]:
            begin = one.start + timedelta(hours=2)
            times = [begin, begin + timedelta(minutes=20)]
            writer.writerow(
                [one.name, "Drainage offen", *(f"{_local(t):%d.%m.%Y %H:%M}" for t in times)]
            )


def _daily(folder: Path, one: Patient, *, german: bool) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    days: dict[str, list[list[str]]] = {}
    for time, icp, abp in zip(one.times(), one.icp_mmhg, one.abp_mmhg, strict=True):
        values = [f"{icp:.1f}", f"{abp:.1f}"]
        if german:
            stamp = [f"{time:%d.%m.%Y}", f"{time:%H:%M:%S}"]
            row = stamp + [value.replace(".", ",") for value in values]
        else:
            row = [f"{time.month}/{time.day}/{time:%Y %I:%M %p}", *values]
        days.setdefault(f"{time:%Y-%m-%d}", []).append(row)
    head = ["Datum", "Uhrzeit", "Hirndruck (mmHg)", "MAP (mmHg)"]
    head = head if german else ["Time", "ICP [mmHg]", "ABP [mmHg]"]
    for day, rows in days.items():
        _csv(folder / f"{day}.csv", head, rows, separator=";" if german else ",")


def _csv(path: Path, head: list[str], rows: list[list[str]], *, separator: str = ",") -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, delimiter=separator)
        writer.writerow(head)
        writer.writerows(rows)


def _two_sensors(folder: Path, one: Patient) -> None:
    rows = [
        [f"{time:%Y-%m-%d %H:%M:%S}", f"{icp + 3:.1f}", f"{icp:.1f}", f"{abp:.1f}"]
        for time, icp, abp in zip(one.times(), one.icp_mmhg, one.abp_mmhg, strict=True)
    ]
    head = ["Time", "ICP drain [mmHg]", "ICP bolt [mmHg]", "ABP [mmHg]"]
    _csv(folder / "both.csv", head, rows)


def _with_offset(folder: Path, one: Patient) -> None:
    rows = [
        [time.isoformat(), f"{icp * KPA_PER_MMHG:.5f}", f"{abp * KPA_PER_MMHG:.5f}"]
        for time, icp, abp in zip(one.times(), one.icp_mmhg, one.abp_mmhg, strict=True)
    ]
    _csv(folder / "export.csv", ["Timestamp", "ICP [kPa]", "MAP [kPa]"], rows)


def _unknown_clock(path: Path, one: Patient) -> None:
    """Write times of a clock that is 17 days and some minutes off, as nobody knows."""
    rows = [
        [
            f"{time + timedelta(days=17, minutes=13):%Y-%m-%d %H:%M:%S}",
            f"{icp:.1f}",
            f"{abp:.1f}",
        ]
        for time, icp, abp in zip(
            (one.start + timedelta(minutes=i) for i in range(len(one.icp_mmhg))),
            one.icp_mmhg,
            one.abp_mmhg,
            strict=True,
        )
    ]
    _csv(path, ["Time", "ICP [mmHg]", "ABP [mmHg]"], rows)
