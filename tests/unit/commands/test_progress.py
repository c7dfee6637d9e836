"""What a run says of its time, and of the files to open."""

import pytest

from icpcohort.commands import progress


@pytest.mark.parametrize(
    ("line", "since_s", "shown"),
    [
        ("3 of 12 steps (25%) done", 9.9, "3 of 12 steps (25%) done"),
        (
            "3 of 12 steps (25%) done",
            10.0,
            "3 of 12 steps (25%) done, at this pace under a minute left",
        ),
        (
            "3 of 12 steps (25%) done",
            100.0,
            "3 of 12 steps (25%) done, at this pace 5 min left",
        ),
        (
            "1 of 100 steps (1%) done",
            200.0,
            "1 of 100 steps (1%) done, at this pace 5.5 h left",
        ),
        ("12 of 12 steps (100%) done", 100.0, "12 of 12 steps (100%) done"),
        ("Building DAG of jobs...", 100.0, "Building DAG of jobs..."),
    ],
)
def test_a_line_that_counts_steps_says_how_long_the_rest_takes(line, since_s, shown):
    assert progress.with_time_left(line, since_s=since_s) == shown


def test_at_the_end_the_files_that_are_there_are_named(tmp_path):
    assert progress.to_open(tmp_path) == []
    for name in ("report.html", "README.md", "summary.parquet"):
        (tmp_path / name).write_text("")
    assert progress.to_open(tmp_path) == [
        "Open:",
        f"  {tmp_path}/report.html  (the report)",
        f"  {tmp_path}/README.md  (what every other file holds)",
    ]
