"""The choice of channels, units and formats, and the fingerprint of files."""

import hashlib

import pytest
from published_settings import PUBLISHED
from recording_files import pressures

from icpcohort import recordings
from icpcohort.recordings.channels import Wanted, choose, split_label
from icpcohort.recordings.chunks import tier_of


def _describe(path, *, format="csv", **options):
    values = {
        "icp_channel": None,
        "abp_channel": None,
        "icp_unit": None,
        "abp_unit": None,
    } | options
    return recordings.describe(
        path,
        format=format,
        timing=recordings.Timing(["t_s"]),
        wanted=pressures(
            icp_aliases=["ICP", "Intracranial pressure", "60956-0"],
            abp_aliases=["ABP", "ART"],
            **values,
        ),
    )


def _file(folder, *columns):
    path = folder / "r1.csv"
    rows = [",".join([str(t)] + ["10"] * len(columns)) for t in range(3)]
    path.write_text("\n".join([",".join(["t_s", *columns]), *rows]) + "\n")
    return path


@pytest.mark.parametrize("name", ["icp", " Icp ", "intracranial   PRESSURE", "60956-0"])
def test_an_alias_is_found_without_regard_to_case_and_spaces(tmp_path, name):
    assert (
        _describe(_file(tmp_path, f"{name} [mmHg]")).signals["icp"].channel == f"{name} [mmHg]"
    )


@pytest.mark.parametrize("name", ["ICP2", "xICP", "IC P", "mean ICP"])
def test_a_name_that_only_contains_an_alias_is_not_taken(tmp_path, name):
    with pytest.raises(recordings.RecordingError, match="no ICP or ABP channel") as caught:
        _describe(_file(tmp_path, f"{name} [mmHg]"))
    assert caught.value.reason == "no_signal"


def test_the_study_s_own_name_comes_before_the_aliases(tmp_path):
    path = _file(tmp_path, "ICP [mmHg]", "bolt [mmHg]", "ART [mmHg]")
    assert _describe(path, icp_channel="bolt").signals["icp"].channel == "bolt [mmHg]"
    assert _describe(path, icp_channel="bolt [mmHg]").signals["icp"].channel == "bolt [mmHg]"


def test_two_candidates_are_refused_with_the_line_to_write(tmp_path):
    path = _file(tmp_path, "ICP [mmHg]", "Intracranial pressure [mmHg]")
    message = (
        r"r1.csv: 'ICP \[mmHg\]', 'Intracranial pressure \[mmHg\]' all fit icp_channel; "
        r"write ICP \[mmHg\] \(or another of them\) in column icp_channel of recordings.csv, "
        r"or let the order of signals.icp.names decide, by if_several: first_named"
    )
    with pytest.raises(recordings.RecordingError, match=message) as caught:
        _describe(path)
    assert caught.value.reason == "ambiguous_channel"
    assert _describe(path, icp_channel="ICP [mmHg]").signals["icp"].channel == "ICP [mmHg]"


@pytest.mark.parametrize(
    ("columns", "chosen"),
    [
        (["ICP drain [mmHg]", "ICP bolt [mmHg]"], "ICP bolt [mmHg]"),
        (["ICP drain [mmHg]"], "ICP drain [mmHg]"),
        (["ICP other [mmHg]"], None),
    ],
)
def test_of_two_sensors_the_first_named_is_taken_where_the_study_says_so(columns, chosen):
    wanted = Wanted("icp", None, None, ["icp bolt", "icp drain"], "mmHg", takes_first=True)
    channel = choose([split_label(name) for name in columns], wanted, where="r1.csv")
    assert (channel and channel.name) == chosen


@pytest.mark.parametrize(
    ("options", "reason"),
    [({"icp_channel": "ICPQ"}, "no_icp"), ({"abp_channel": "ICPQ"}, "no_abp")],
)
def test_a_named_channel_that_is_not_there_is_refused_with_the_nearest(
    tmp_path, options, reason
):
    with pytest.raises(
        recordings.RecordingError, match=r"'ICPQ'; did you mean 'ICP \["
    ) as caught:
        _describe(_file(tmp_path, "pulse", "ICP [mmHg]"), **options)
    assert caught.value.reason == reason


def test_one_channel_cannot_be_both_pressures(tmp_path):
    path = _file(tmp_path, "ICP [mmHg]")
    with pytest.raises(recordings.RecordingError, match="fits both"):
        _describe(path, abp_channel="ICP")


@pytest.mark.parametrize(
    ("heading", "icp_unit", "reason"),
    [
        ("ICP", None, "no_unit"),
        ("ICP", "torr", "unknown_unit"),
        ("ICP [torr]", None, "unknown_unit"),
        ("ICP [torr]", "mmHg", "unit_conflict"),
        ("ICP [mmHg]", "kPa", "unit_conflict"),
    ],
)
def test_units_that_leave_a_doubt_are_refused(tmp_path, heading, icp_unit, reason):
    with pytest.raises(recordings.RecordingError) as caught:
        _describe(_file(tmp_path, heading), icp_unit=icp_unit)
    assert caught.value.reason == reason


@pytest.mark.parametrize(
    ("fs_hz", "tier"),
    [
        (25.0, "waveform"),
        (24.99, "seconds"),
        (1 / 9.99, "seconds"),
        (0.1, "ten_seconds"),
        (1 / 59.9, "ten_seconds"),
        (1 / 60, "minutes"),
        (1 / 3600, "hourly"),
    ],
)
def test_tiers_begin_on_their_limits(fs_hz, tier):
    assert tier_of(fs_hz) == tier


def test_an_unknown_format_is_refused_with_the_nearest(tmp_path):
    with pytest.raises(recordings.RecordingError, match=r"did you mean 'edf'\?") as caught:
        _describe(_file(tmp_path, "ICP"), format="EDF+")
    assert caught.value.reason == "unknown_format"


@pytest.mark.parametrize("format", recordings.FORMATS)
def test_a_file_that_is_not_there_is_missing(tmp_path, format):
    with pytest.raises(recordings.RecordingError) as caught:
        _describe(tmp_path / "r1.hea", format=format)
    assert caught.value.reason == "missing_file"
    assert (
        recordings.files_of(
            tmp_path / "r1.hea", format=format, within=recordings.Places(tmp_path)
        )
        == []
    )


def test_the_fingerprint_is_that_of_the_files_joined_in_the_order_of_their_names(tmp_path):
    (tmp_path / "b").write_bytes(b"c")
    (tmp_path / "a").write_bytes(b"ab")
    # FIPS 180-2, example B.1: SHA-256 of "abc"
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert recordings.fingerprint([tmp_path / "b", tmp_path / "a"]) == expected
    assert recordings.fingerprint([]) == hashlib.sha256().hexdigest()


# --- names and units as exports write them ---------------------------------------------------


@pytest.mark.parametrize(
    ("heading", "label", "unit"),
    [
        ("Hirndruck (mmHg)", "Hirndruck", "mmHg"),
        ("ICP {mm Hg} ", "ICP", "mm Hg"),
        ("ICP[kPa]", "ICP", "kPa"),
        ("ICP [left] (cmH\u2082O)", "ICP [left]", "cmH\u2082O"),
        ("ICP (2) [mmHg]", "ICP (2)", "mmHg"),
        ("ABP (invasive) (mmHg)", "ABP (invasive)", "mmHg"),
        ("CBF (mL/(100.g.min))", "CBF", "mL/(100.g.min)"),
        ("ICP (2)", "ICP (2)", None),
        ("ICP (1)", "ICP (1)", None),
        ("ABP (invasive)", "ABP (invasive)", None),
        ("(mmHg) ICP", "(mmHg) ICP", None),
        ("ICP )", "ICP )", None),
    ],
)
def test_a_bracket_that_ends_a_heading_is_a_unit_if_it_holds_one(heading, label, unit):
    assert split_label(heading) == (heading, label, unit)


def _chosen(aliases, *columns, takes_first=False):
    wanted = Wanted("icp", None, None, aliases, "mmHg", takes_first=takes_first)
    channel = choose([split_label(name) for name in columns], wanted, where="r1.csv")
    return channel and channel.name


@pytest.mark.parametrize(
    ("alias", "name"),
    [
        ("Pression intracr\u00e2nienne", "PRESSION INTRACRANIENNE"),
        ("Presion", "Presi\u00f3n [mmHg]"),
        ("Presi\u00f3n", "Presio\u0301n"),  # one letter, and a letter with a mark after it
        ("Druck gro\u00df", "DRUCK GROSS"),
    ],
)
def test_accents_do_not_count(alias, name):
    assert _chosen([alias], name) == name


@pytest.mark.parametrize(
    ("alias", "name", "fits"),
    [
        ("ICP*", "icp left (mmHg)", True),
        ("ICP*mean", "ICP_mean", True),
        ("ICP*mean", "ICP mean left", False),
        ("*ICPm", "ICPm", True),
        ("*ICPm", "ICPmax", False),
        ("I?P*", "ICP", False),  # only * is special
        ("[I]CP*", "ICP", False),
    ],
)
def test_a_pattern_is_held_to_the_whole_name(alias, name, fits):
    assert (_chosen([alias], name) == name) == fits


def test_a_plain_name_counts_before_a_pattern():
    assert _chosen(["ICP*", "ICP"], "ICP", "ICP mean") == "ICP"
    with pytest.raises(recordings.RecordingError, match="if_several: first_named"):
        _chosen(["ICP*", "ICP"], "ICP left", "ICP mean")
    chosen = _chosen(["*left", "ICP*"], "ICP mean", "ICP left", takes_first=True)
    assert chosen == "ICP left"


@pytest.mark.parametrize(
    ("columns", "signal", "chosen"),
    [
        (["ABP", "ABPm", "ABP mean", "Mean arterial pressure"], "abp", "ABP"),
        (["ABPs", "ABPd", "ABPm"], "abp", "ABPm"),
        (["ART sys", "ART dia", "ART mean"], "abp", "ART mean"),
        (["ICP", "ICPm"], "icp", "ICP"),
        (["ICP_Mean"], "icp", "ICP_Mean"),
        (["HIRNDRUCK (mmHg)"], "icp", "HIRNDRUCK (mmHg)"),
        (["ICPmax", "ICPmin"], "icp", None),
    ],
)
def test_the_shipped_names_find_a_mean_only_beside_no_other(columns, signal, chosen):
    wanted = Wanted(signal, None, None, PUBLISHED["signals"][signal]["names"], "mmHg")
    channel = choose([split_label(name) for name in columns], wanted, where="r1.csv")
    assert (channel and channel.name) == chosen


@pytest.mark.parametrize(
    ("columns", "reason", "details"),
    [
        (
            ["ICP", "ABP"],
            "no_unit",
            "r1.csv: the file states no unit for 'ICP'; write it (such as mmHg) in column "
            "icp_unit of recordings.csv. The file states no unit for 'ABP'; write it (such as "
            "mmHg) in column abp_unit of recordings.csv",
        ),
        (
            ["pulse", "temperature"],
            "no_signal",
            "r1.csv: no ICP or ABP channel among 'pulse', 'temperature'; write the right one "
            "in column icp_channel of recordings.csv, or add its name to signals.icp.names in "
            "the settings, and likewise of the other signals",
        ),
    ],
)
def test_all_that_a_file_needs_is_asked_at_once(tmp_path, columns, reason, details):
    with pytest.raises(recordings.RecordingError) as caught:
        _describe(_file(tmp_path, *columns))
    assert (caught.value.reason, caught.value.detail) == (reason, details)
