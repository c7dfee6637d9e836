"""The check looks at the beginning of waveforms and names recordings that are out of step."""

import pytest
from published_settings import PUBLISHED
from two_devices import pressures, write

from icpcohort import recordings
from icpcohort.commands import check_lags
from icpcohort.commands.check_tables import Opened
from icpcohort.contracts import recording_list
from icpcohort.recordings import examine
from icpcohort.study.tables import Row

OPENING = examine.Opening(time_columns=["t_s"], annotation_extensions=[])


def _opened(folder, name, *, number, start_s=0.0):
    values = dict.fromkeys(recording_list(PUBLISHED).columns)
    values |= {"recording_id": name, "patient_id": "P1", "path": f"{name}.hea"}
    values |= {"format": "wfdb", "start_s": start_s}
    listed = examine.examine(
        values,
        places=recordings.Places(folder),
        signals=PUBLISHED["signals"],
        opening=OPENING,
    )
    return Opened(Row("recordings.csv", number, values, {}), listed.about)


def _notes(folder, *opened):
    return check_lags.notes(opened, places=recordings.Places(folder), opening=OPENING)


@pytest.mark.parametrize(("lag_s", "later"), [(10.0, "ICP"), (-10.0, "ABP")])
def test_recordings_out_of_step_are_named_with_their_lag_and_the_cure(tmp_path, lag_s, later):
    icp, abp = pressures(lag_s)
    write(tmp_path, "both", icp=icp, abp=abp)
    write(tmp_path, "again", icp=icp, abp=abp)
    opened = [
        _opened(tmp_path, name, number=2 + i, start_s=9e4 * i)
        for i, name in enumerate(("both", "again"))
    ]
    assert _notes(tmp_path, *opened) == [
        f"ICP and ABP are out of step by about 10 s ({later} comes later) at the beginning of "
        "both, again; look at the devices' clocks, or write correct_lag: measured under trends"
    ]


def test_two_files_that_begin_together_are_compared(tmp_path):
    icp, abp = pressures(5.0)
    write(tmp_path, "one", icp=icp)
    write(tmp_path, "two", abp=abp)
    opened = [_opened(tmp_path, name, number=2) for name in ("one", "two")]
    (line,) = _notes(tmp_path, *opened)
    assert "by about 5 s (ICP comes later) at the beginning of one (ABP of two)" in line
    later = _opened(tmp_path, "two", number=3, start_s=2000.0)
    assert _notes(tmp_path, opened[0], later) == []


def test_recordings_in_step_have_no_note_and_a_short_file_has_its_reason(tmp_path):
    icp, abp = pressures()
    write(tmp_path, "both", icp=icp, abp=abp)
    opened = _opened(tmp_path, "both", number=2)
    assert _notes(tmp_path, opened) == []
    data = (tmp_path / "both.dat").read_bytes()
    (tmp_path / "both.dat").write_bytes(data[:4000])
    (line,) = _notes(tmp_path, opened)
    assert line.startswith("recordings.csv row 2 (both of P1), ")
    assert "truncated" in line
