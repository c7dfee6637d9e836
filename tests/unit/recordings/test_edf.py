"""EDF, EDF+C and EDF+D, from files built byte by byte after Kemp 1992 and 2003."""

import re

import numpy as np
import pytest
from recording_files import pressures

from icpcohort import recordings

WIDTHS = {"label": 16, "transducer": 80, "unit": 8, "pmin": 8, "pmax": 8, "dmin": 8, "dmax": 8}
WIDTHS |= {"prefilter": 80, "n": 8, "reserved": 32}
ICP = {"label": "ICP", "unit": "mmHg", "pmin": "-100", "pmax": "100", "dmin": "-1000"}
ICP |= {"dmax": "1000", "n": "4"}
NOTES = {"label": "EDF Annotations", "pmin": "-1", "pmax": "1", "dmin": "-32768"}
NOTES |= {"dmax": "32767", "n": "20"}


def _edf(
    signals, records, *, kind="", record_s="1", n_records=None, n_signals=None, n_bytes=None
):
    """Build a file; `records` holds one list of parts a record, samples or bytes."""
    main = ["0".ljust(8), " " * 160, "01.01.0101.01.01"]
    n_header = 256 * (1 + len(signals)) if n_bytes is None else n_bytes
    main += [str(n_header).ljust(8), kind.ljust(44)]
    main += [str(len(records) if n_records is None else n_records).ljust(8)]
    main += [record_s.ljust(8), str(len(signals) if n_signals is None else n_signals).ljust(4)]
    rows = [s.get(name, "").ljust(width) for name, width in WIDTHS.items() for s in signals]
    parts = [
        p if isinstance(p, bytes) else np.array(p, "<i2").tobytes() for r in records for p in r
    ]
    return "".join(main + rows).encode() + b"".join(parts)


def _tal(onset_s, text=""):
    note = f"+{onset_s + 0.2:g}\x14{text}\x14\x00" if text else ""
    return f"+{onset_s:g}\x14\x14\x00{note}".encode().ljust(40, b"\x00")


def _describe(path, **options):
    values = {
        "icp_channel": None,
        "abp_channel": None,
        "icp_unit": None,
        "abp_unit": None,
    } | options
    return recordings.describe(
        path, format="edf", timing=recordings.Timing(["t_s"]), wanted=pressures(**values)
    )


def _chunks(path, *, chunk_s=600.0, **options):
    about = _describe(path, **options)
    return list(
        recordings.read_chunks(path, about, timing=recordings.Timing(["t_s"]), chunk_s=chunk_s)
    )


def _write(folder, *args, **kwargs):
    path = folder / "r1.edf"
    path.write_bytes(_edf(*args, **kwargs))
    return path


def _reason(path, **options):
    with pytest.raises(recordings.RecordingError) as caught:
        _chunks(path, **options)
    assert re.match(r"r1\.edf[:,] .*; ", caught.value.detail)
    return caught.value.reason


FOUR = [[[0, 10, -10, 1000]]]


def test_two_signals_of_different_rates(tmp_path):
    abp = ICP | {"label": "ABP", "unit": "kPa", "n": "2"}
    path = _write(tmp_path, [ICP, abp], [[[1, 2, 3, 4], [10, 20]], [[5, 6, 7, 8], [30, 40]]])
    about = _describe(path)
    assert (about.signals["icp"].fs_hz, about.signals["abp"].fs_hz, about.duration_s) == (
        4.0,
        2.0,
        2.0,
    )
    assert (about.tier, about.signals["icp"].unit, about.signals["abp"].unit) == (
        "seconds",
        "mmHg",
        "kPa",
    )
    (chunk,) = _chunks(path)
    np.testing.assert_allclose(chunk.samples["icp"], np.arange(1, 9) / 10)
    np.testing.assert_allclose(chunk.samples["abp"], 7.50061575845 * np.arange(1, 5))


def test_the_rate_is_samples_per_record_over_its_duration(tmp_path):
    about = _describe(_write(tmp_path, [ICP], FOUR, record_s="0.03"))
    assert about.signals["icp"].fs_hz == pytest.approx(133.333333333)
    assert about.duration_s == 0.03


@pytest.mark.parametrize("kind", ["", "EDF+C"])
def test_short_chunks_give_the_same_samples_as_long_ones(tmp_path, kind):
    values = np.random.default_rng(5).integers(-1000, 1001, (100, 4))
    records = [[v, _tal(i)] for i, v in enumerate(values)]
    path = _write(tmp_path, [ICP, NOTES], records, kind=kind)
    long, short = _chunks(path), _chunks(path, chunk_s=7.0)
    assert (len(long), [c.start_s for c in short]) == (1, [7.0 * i for i in range(15)])
    joined = np.concatenate([c.samples["icp"] for c in short])
    np.testing.assert_array_equal(joined, long[0].samples["icp"])
    np.testing.assert_allclose(joined, values.ravel() / 10)


def test_a_chunk_is_at_least_one_record(tmp_path):
    path = _write(tmp_path, [ICP], FOUR * 3, record_s="60")
    assert [c.start_s for c in _chunks(path, chunk_s=1.0)] == [0.0, 60.0, 120.0]


@pytest.mark.parametrize("chunk_s", [600.0, 2.0, 1.0])
def test_gaps_of_a_discontinuous_file_come_from_its_time_keeping(tmp_path, chunk_s):
    onsets_s = [0.5, 1.5, 2.5, 10.5, 11.5, 3600.25]
    records = [[[i] * 4, _tal(t, "turned")] for i, t in enumerate(onsets_s)]
    path = _write(tmp_path, [ICP, NOTES], records, kind="EDF+D")
    assert _describe(path).duration_s == 3600.75
    t_s, icp_mmhg = [], []
    for chunk in _chunks(path, chunk_s=chunk_s):
        t_s += [chunk.start_s + k / 4 for k in range(len(chunk.samples["icp"]))]
        icp_mmhg += chunk.samples["icp"].tolist()
    assert t_s == [onset - 0.5 + k / 4 for onset in onsets_s for k in range(4)]
    assert icp_mmhg == pytest.approx([i / 10 for i in range(6) for _ in range(4)])


def test_a_gap_splits_a_chunk_of_a_discontinuous_file(tmp_path):
    records = [[[1] * 4, _tal(t)] for t in (0, 1, 5, 6)]
    chunks = _chunks(_write(tmp_path, [ICP, NOTES], records, kind="EDF+D"))
    assert [(c.start_s, len(c.samples["icp"])) for c in chunks] == [(0.0, 8), (5.0, 8)]


def test_rounded_onsets_are_no_gaps(tmp_path):
    records = [[[1] * 4, _tal(round(i / 3, 2))] for i in range(30)]
    path = _write(tmp_path, [ICP, NOTES], records, kind="EDF+D", record_s="0.333333")
    assert len(_chunks(path)) == 1


def test_records_that_go_back_in_time_are_refused(tmp_path):
    records = [[[1] * 4, _tal(t)] for t in (0, 1, 1.5)]
    assert _reason(_write(tmp_path, [ICP, NOTES], records, kind="EDF+D")) == "bad_times"


def test_a_record_without_time_keeping_is_refused(tmp_path):
    records = [[[1] * 4, _tal(0)], [[1] * 4, b"\x00" * 40], [[1] * 4, _tal(2)]]
    assert _reason(_write(tmp_path, [ICP, NOTES], records, kind="EDF+D")) == "bad_times"


def test_a_discontinuous_file_without_annotations_is_refused(tmp_path):
    assert _reason(_write(tmp_path, [ICP], FOUR, kind="EDF+D")) == "bad_header"


@pytest.mark.parametrize("record_s", ["0", "1"])
def test_a_file_of_annotations_alone_is_refused_in_its_own_words(tmp_path, record_s):
    # Kemp 2003 allows such a file, and asks for records of 0 s in it
    path = _write(tmp_path, [NOTES], [[_tal(0, "open")]], kind="EDF+C", record_s=record_s)
    with pytest.raises(recordings.RecordingError) as caught:
        _describe(path)
    assert caught.value.reason == "no_signals"
    assert caught.value.detail == (
        f"{path.name}: it has no signals, only notes (annotations); take its row out of "
        "recordings.csv, or write there the file with the signals"
    )


def test_records_of_no_time_with_a_signal_are_refused(tmp_path):
    path = _write(tmp_path, [ICP, NOTES], [[[1] * 4, _tal(0)]], kind="EDF+C", record_s="0")
    assert _reason(path) == "bad_header"


def test_an_inverted_physical_range_is_legal(tmp_path):
    inverted = ICP | {"pmin": "100", "pmax": "-100"}
    (chunk,) = _chunks(_write(tmp_path, [inverted], FOUR))
    np.testing.assert_allclose(chunk.samples["icp"], [0, -1, 1, -100], atol=1e-12)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"dmin": "1000"}, "bad_header"),
        ({"dmin": "2000"}, "bad_header"),
        ({"dmax": "99999"}, "bad_header"),
        ({"dmin": ""}, "bad_header"),
        ({"pmin": "100"}, "no_gain"),
        ({"pmin": "nan"}, "bad_header"),
        ({"pmax": "a lot"}, "bad_header"),
        ({"unit": ""}, "no_unit"),
        ({"unit": "uV"}, "unknown_unit"),
        ({"label": "ECG"}, "no_signal"),
    ],
)
def test_a_signal_that_cannot_be_scaled_is_refused(tmp_path, change, reason):
    assert _reason(_write(tmp_path, [ICP | change], FOUR)) == reason


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"record_s": "0"}, "bad_header"),
        ({"record_s": "-1"}, "bad_header"),
        ({"record_s": "nan"}, "bad_header"),
        ({"record_s": "1e-9"}, "bad_header"),
        ({"n_records": -1}, "truncated"),
        ({"n_records": 2}, "truncated"),
        ({"n_records": 99_999_999}, "truncated"),
        ({"n_records": 0}, "empty"),
        ({"n_records": 1.5}, "bad_header"),
        ({"n_signals": 4000}, "bad_header"),
        ({"n_signals": 0}, "bad_header"),
        ({"n_signals": 7}, "truncated"),
        ({"n_bytes": 256}, "bad_header"),
    ],
)
def test_a_header_that_does_not_fit_the_file_is_refused(tmp_path, change, reason):
    assert _reason(_write(tmp_path, [ICP], FOUR, **change)) == reason


def test_more_data_than_the_header_states_is_refused(tmp_path):
    assert _reason(_write(tmp_path, [ICP], FOUR * 3, n_records=2)) == "bad_header"


def test_a_channel_without_samples_is_refused(tmp_path):
    other = ICP | {"label": "ECG"}
    path = _write(tmp_path, [ICP | {"n": "0"}, other], FOUR)
    assert _reason(path) == "bad_header"


def test_a_unit_given_by_the_study_is_used_where_the_file_has_none(tmp_path):
    path = _write(tmp_path, [ICP | {"unit": ""}], FOUR)
    (chunk,) = _chunks(path, icp_unit="cmH2O")
    assert chunk.samples["icp"][3] == pytest.approx(73.55591352766806)


def test_text_that_is_no_edf_is_refused(tmp_path):
    path = tmp_path / "r1.edf"
    path.write_text("t_s,ICP\n" * 100)
    assert _reason(path) == "unreadable"
