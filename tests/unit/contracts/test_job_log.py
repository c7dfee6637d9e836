"""What a job says on its standard error, in a process of its own."""

import os
import subprocess
import sys
import time

from icpcohort.contracts import job_log

PROGRAM = """
import sys
from icpcohort.contracts import job_log
job_log.keep([sys.argv[1]])
print("once", file=sys.stderr)
job_log.keep([sys.argv[1]])  # a job of several scripts
{rest}
"""


def _run(path, rest):
    program = PROGRAM.format(rest=rest)
    return subprocess.run(
        [sys.executable, "-c", program, str(path)], capture_output=True, text=True, check=False
    )


def test_an_error_of_a_job_is_in_its_log_with_its_place(tmp_path):
    path = tmp_path / "logs/ingest/P1.log"
    done = _run(path, "raise ValueError('no')")
    assert (done.returncode, done.stderr) == (1, "")
    text = path.read_text()
    assert text.startswith("once") and "line 7" in text and "ValueError: no" in text


def test_logs_in_which_something_was_said_are_named_and_empty_ones_removed(tmp_path):
    now_s = time.time()
    for name, text in (("a.log", "it failed"), ("b/c.log", ""), ("old.log", "last week")):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text)
    os.utime(tmp_path / "old.log", (now_s - 1000, now_s - 1000))
    assert job_log.of_errors(tmp_path, since_s=now_s - 1) == [tmp_path / "a.log"]
    assert not (tmp_path / "b/c.log").exists() and (tmp_path / "old.log").exists()
    assert job_log.of_errors(tmp_path / "absent", since_s=0.0) == []
