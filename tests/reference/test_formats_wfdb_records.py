"""Reference: checksums, channels and files of WFDB records.

Sources: header(5) and signal(5) of the WFDB Applications Guide. Writers: the wfdb library, and
bytes packed by hand.
"""

import runpy
from pathlib import Path

import numpy as np
import pytest

from icpcohort.recordings import wfdb_files

FILES = runpy.run_path(str(Path(__file__).parents[1] / "recording_files.py"))


def _chunks(path, *, chunk_s=600.0):
    return FILES["chunks"](path, "wfdb", chunk_s=chunk_s)


def _read(path):
    chunks = _chunks(path)
    return {role: FILES["joined"](chunks, role) for role in chunks[0].samples}


LIBRARY_WRITES = ["16", "24", "32", "80", "212", "508", "516", "524"]


def _one_of_sum(folder, checksum, *, fmt="16", values=(-32768, 40000 - 32768, 7)):
    data = FILES["packed"](values, fmt)
    path = FILES["wfdb_of_one"](folder, fmt, data, len(values))
    path.write_text(path.read_text().replace("0 0 0 0 ICP", f"0 0 {checksum} 0 ICP"))
    return path


# -32768 + 7232 + 7 = -25529, as 16 bits without a sign 40007; all samples count, with invalid
# codes, as they are stored: header(5), checksum
@pytest.mark.parametrize("checksum", ["-25529", "40007", "0"])
def test_a_checksum_that_agrees_or_is_not_stated(tmp_path, checksum):
    assert len(_read(_one_of_sum(tmp_path, checksum))["icp"]) == 3


@pytest.mark.parametrize("checksum", ["-25528", "25529", "7239"])
def test_a_checksum_that_disagrees_excludes_the_recording(tmp_path, checksum):
    reason, words = FILES["refusal"](_one_of_sum(tmp_path, checksum), "wfdb")
    assert reason == "checksum"
    assert words.startswith("one.hea: the samples of 'ICP' in one.dat add up to -25529, but")


@pytest.mark.parametrize("fmt", LIBRARY_WRITES)
def test_the_checksum_of_the_library_agrees_and_one_beside_it_does_not(tmp_path, fmt):
    values = FILES["drawn"](fmt, (5000,))
    path = FILES["write_by_library"](tmp_path, "a", {"ICP": values}, fmt)
    _chunks(path, chunk_s=0.7)
    line = path.read_text().splitlines()[1].split()
    assert (int(line[6]) - values.sum()) % 2**16 == 0
    line[6] = str(int(line[6]) + 1)
    path.write_text("a 1 10 5000\n" + " ".join(line) + "\n")
    assert FILES["refusal"](path, "wfdb")[0] == "checksum"


def test_the_checksum_is_of_the_samples_before_skew_and_of_sums_of_differences(tmp_path):
    values = np.array([5, 60, 30, 20, 9])
    (tmp_path / "a.dat").write_bytes(FILES["differences"](values, initial=5))
    path = tmp_path / "a.hea"
    path.write_text(f"a 1 10 5\na.dat 8:2 1(0)/mmHg 12 0 5 {values.sum()} 0 ICP\n")
    icp = FILES["joined"](_chunks(path, chunk_s=0.2))
    np.testing.assert_array_equal(icp, [30, 20, 9, np.nan, np.nan])
    path.write_text(f"a 1 10 5\na.dat 8:2 1(0)/mmHg 12 0 5 {values[2:].sum()} 0 ICP\n")
    assert FILES["refusal"](path, "wfdb")[0] == "checksum"


def test_each_segment_has_its_own_checksum(tmp_path):
    FILES["write_by_library"](tmp_path, "s1", {"ICP": [1, 2, 3]}, "16")
    FILES["write_by_library"](tmp_path, "s2", {"ICP": [4, 5, 6]}, "16")
    path = tmp_path / "r.hea"
    path.write_text("r/2 1 10 6\ns1 3\ns2 3\n")
    assert _read(path)["icp"].tolist() == [0.5, 1, 1.5, 2, 2.5, 3]
    second = tmp_path / "s2.dat"
    second.write_bytes(second.read_bytes().replace(b"\x05", b"\x07"))
    reason, words = FILES["refusal"](path, "wfdb")
    assert (reason, words.split(":")[0]) == ("checksum", "s2.hea")


# --- channels and files of a record ----------------------------------------------------------


def test_channels_that_only_later_segments_have_can_be_chosen(tmp_path):
    FILES["write_by_library"](tmp_path, "s1", {"ABP": [1, 2, 3]}, "16")
    FILES["write_by_library"](tmp_path, "s2", {"ICP": [4, 5, 6], "ABP": [7, 8, 9]}, "16")
    path = tmp_path / "r.hea"
    path.write_text("r/2 1 10 0\ns1 3\ns2 3\n")  # header(5): 0 samples are not stated
    samples = _read(path)
    np.testing.assert_array_equal(samples["icp"], [np.nan, np.nan, np.nan, 2, 2.5, 3])
    assert samples["abp"].tolist() == [0.5, 1, 1.5, 3.5, 4, 4.5]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1"])
def test_names_with_accents_in_every_usual_encoding(tmp_path, encoding):
    path = FILES["wfdb_of_one"](tmp_path, "16", bytes(6), 3)
    text = "# by hand\n" + path.read_text().replace("ICP", "pression crânienne")
    path.write_bytes(text.encode(encoding))
    about = FILES["describe"](path, "wfdb", icp_channel="pression crânienne")
    assert about.signals["icp"].channel == "pression crânienne"


def _flac_header(path, lines):
    path.write_text(f"a {len(lines)} 10 40\n" + "".join(lines))
    return path


def test_a_flac_file_begins_at_its_offset_in_samples(tmp_path):
    # signal(5): the offset of a compressed file counts samples of a channel
    values = FILES["drawn"]("516", (50,))
    path = FILES["write_by_library"](tmp_path, "a", {"ICP": values}, "516")
    _flac_header(path, ["a.dat 516+10 2(0)/mmHg 16 0 0 0 0 ICP\n"])
    np.testing.assert_array_equal(
        _read(path)["icp"], FILES["expected"](values[10:], "516", gain=2)
    )


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (
            ["a.dat 516 2/mmHg 16 0 0 0 0 ICP\n"],
            "2 channels of 16 bits, but the header says 1 ",
        ),
        (["a.dat 508 2/mmHg 8 0 0 0 0 ICP\n", "a.dat 508 2/mmHg\n"], "says 2 of 8;"),
        (
            ["a.dat 516x2 2/mmHg 16 0 0 0 0 ICP\n", "a.dat 516 2/mmHg\n"],
            "has one sampling rate",
        ),
    ],
)
def test_a_flac_file_that_is_not_what_its_header_says(tmp_path, lines, words):
    values = FILES["drawn"]("516", (80,))
    path = _flac_header(
        FILES["write_by_library"](tmp_path, "a", {"ICP": values, "ABP": values}, "516"), lines
    )
    reason, detail = FILES["refusal"](path, "wfdb")
    assert reason == "bad_header"
    assert words in detail


@pytest.mark.parametrize(("fmt", "n_bytes"), [("212", 5), ("310", 8), ("311", 7)])
def test_the_last_group_of_samples_may_be_short_but_not_shorter(tmp_path, fmt, n_bytes):
    # signal(5): two samples of 310 fill both words of a group; 20 bits of 311 fill 3 bytes
    values = {"212": [1, 2, -3], "310": [1, 2, 3, 4, -5], "311": [1, 2, 3, 4, -5]}[fmt]
    data = FILES["packed"](values, fmt)[:n_bytes]
    path = FILES["wfdb_of_one"](tmp_path, fmt, data, len(values))
    assert _read(path)["icp"].tolist() == values
    (tmp_path / "one.dat").write_bytes(data[:-1])
    assert FILES["refusal"](path, "wfdb")[0] == "truncated"


def test_a_signal_that_a_segment_lacks_takes_no_memory_beyond_a_block(tmp_path):
    # ABP of 100 kHz in one segment; the other, of ICP alone, would be 480 MB of nothing
    (tmp_path / "s1.dat").write_bytes(bytes(2 * 60_000))
    (tmp_path / "s1.hea").write_text("s1 1 100 60000\ns1.dat 16 1/mmHg 16 0 0 0 0 ICP\n")
    (tmp_path / "s2.dat").write_bytes(bytes(2000))
    (tmp_path / "s2.hea").write_text("s2 1 100 1\ns2.dat 16x1000 1/mmHg 16 0 0 0 0 ABP\n")
    (tmp_path / "r.hea").write_text("r/2 1 100\ns1 60000\ns2 1\n")
    about = FILES["describe"](tmp_path / "r.hea", "wfdb")
    first = next(wfdb_files.read(tmp_path / "r.hea", about, chunk_s=600.0))
    assert 0 < first.samples["abp"].size <= 4_000_000
