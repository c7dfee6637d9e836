"""Paths of recordings: in the study folder and in roots outside it."""

import os

import pytest
from published_settings import changed

from icpcohort import recordings
from icpcohort.recordings import places
from icpcohort.signals import ingest
from icpcohort.study import settings, values

ROWS = "t_s,ICP\n" + "".join(f"{t},{10 + t % 5}\n" for t in range(0, 6000, 60))


@pytest.fixture
def where(tmp_path):
    for name in ("study", "archive", "outside"):
        (tmp_path / name).mkdir()
    return recordings.Places(tmp_path / "study", {"archive": tmp_path / "archive"})


def test_a_path_that_begins_with_the_name_of_a_root_lies_there(where, tmp_path):
    assert where.path_of("archive/P1/a.csv") == tmp_path / "archive/P1/a.csv"
    assert where.path_of("./archive/a.csv") == tmp_path / "archive/a.csv"
    assert where.path_of("archives/a.csv") == tmp_path / "study/archives/a.csv"
    assert where.path_of("archive") == tmp_path / "study/archive"
    assert where.path_of("data/archive/a.csv") == tmp_path / "study/data/archive/a.csv"


def test_a_file_is_known_by_its_listed_path_wherever_the_root_lies(where, tmp_path):
    assert where.listed_as(tmp_path / "archive/P1/a.csv") == "archive/P1/a.csv"
    assert where.listed_as(tmp_path / "study/a.csv") == str(tmp_path / "study/a.csv")


@pytest.mark.parametrize(
    ("link", "target", "is_held"),
    [
        ("archive/a.csv", "study/x.csv", True),
        ("study/a.csv", "archive/x.csv", True),
        ("archive/a.csv", "outside/x.csv", False),
        ("study/a.csv", "outside/x.csv", False),
    ],
)
def test_links_are_followed_within_the_places_alone(where, tmp_path, link, target, is_held):
    (tmp_path / target).write_text(ROWS)
    (tmp_path / link).symlink_to(tmp_path / target)
    path = tmp_path / link
    assert where.hold(path) == is_held
    files = recordings.files_of(path, format="csv", within=where)
    assert files == ([path] if is_held else [])
    listed = link.removeprefix("study/")
    fault = values.path_fault(listed, places=where)
    assert (fault is None) == is_held
    if not is_held:
        with pytest.raises(recordings.RecordingError) as caught:
            recordings.guard(path, format="csv", within=where, wfdb_extensions=[])
        assert caught.value.reason == "outside_study"


@pytest.mark.parametrize("listed", ["archive/../../outside/x.csv", "/outside/x.csv"])
def test_a_root_is_not_left_by_a_path(where, listed):
    assert values.path_fault(listed, places=where) is not None


def test_a_root_that_is_not_there_or_means_two_things_is_a_problem(where, tmp_path):
    assert list(where.problems()) == []
    (tmp_path / "study/archive").mkdir()
    (tmp_path / "archive").rmdir()
    lines = list(where.problems())
    assert [line.partition(": ")[2].partition(";")[0] for line in lines] == [
        "no such folder",
        "the study folder holds 'archive' too, so a path archive/... has two meanings",
    ]
    assert not any(str(tmp_path) in line for line in lines)


def test_a_root_needs_a_name_that_a_path_can_begin_with():
    lines = places.wrong_roots({"a/b": "/data", "archive": "/data", "home": "~/data"})
    assert [line.partition(": ")[0] for line in lines] == [
        "recordings.roots.a/b",
        "recordings.roots.home",
    ]


def test_a_job_has_the_roots_of_its_run_from_the_environment(where):
    environment = {places.ENVIRONMENT: places.as_environment(where)}
    assert places.from_environment(environment, folder=str(where.folder)) == where
    assert places.from_environment({}, folder="x").roots == {}


def test_the_settings_of_a_run_hold_no_root():
    kept = {"time_columns": ["t_s"]}
    asked = {"recordings": kept | {"roots": {"archive": "/x"}, "patterns": ["a"]}}
    assert settings.without_places(asked) == {"recordings": kept}
    assert "roots" in asked["recordings"]


def _row(name, path):
    row = dict.fromkeys(("icp_channel", "abp_channel", "icp_unit", "abp_unit"))
    row |= {"time_column": None, "clock_zone": None}
    row |= {"recording_id": name, "patient_id": "P1", "path": path, "format": "csv"}
    return row | {"start_s": 0.0, "icp_unit": "mmHg"}


def test_recordings_of_a_root_are_read_and_no_message_names_its_folder(where, tmp_path):
    (tmp_path / "archive/good.csv").write_text(ROWS)
    (tmp_path / "archive/bad.parquet").write_bytes(b"PAR1 rubbish PAR1")
    (tmp_path / "archive/closed.csv").write_text("x")
    rows = [
        _row("good", "archive/good.csv"),
        _row("bad", "archive/bad.parquet") | {"format": "parquet"},
        _row("rubbish", "archive/closed.csv"),
        _row("missing", "archive/missing.csv"),
    ]
    done = ingest.ingest_patient(
        "P1",
        places=where,
        rows=rows,
        events=[],
        monitors=[],
        level=dict.fromkeys(("abp_level", "bed_angle_deg", "heart_to_tragus_cm")),
        left_out={},
        sections=ingest.sections_of(changed(cleaning={"rules": []})),
    )
    status = dict(done.recordings.select("recording_id", "status").iter_rows())
    assert status == dict.fromkeys(("bad", "rubbish", "missing"), "excluded") | {"good": "used"}
    assert "archive/good.csv" in done.recordings["path"].to_list()
    texts = [f"{frame.rows()}" for frame in (done.recordings, done.excluded)]
    assert not any(str(tmp_path) in text for text in texts)


def test_a_relative_root_counts_from_the_folder_that_holds_config(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    asked = {"recordings": {"roots": {"near": "../archive", "far": os.sep + "data"}}}
    done = settings._with_folders(asked, tmp_path / "study")
    assert done["recordings"]["roots"] == {
        "near": str(tmp_path / "study/../archive"),
        "far": "/data",
    }
