"""One run at a time; a dead one's lock is lifted where it surely is dead."""

import os
import signal
import socket
import subprocess
import sys
import time

import pytest

from icpcohort.commands import run

NOW_S = 1_700_000_000.0


@pytest.fixture
def study(tmp_path):
    (tmp_path / ".snakemake/locks").mkdir(parents=True)
    return tmp_path


def _alone(study, shown):
    return run.alone(study, say=shown.append)


def test_a_second_run_is_refused_and_the_first_leaves_nothing_behind(study):
    shown = []
    with _alone(study, shown):
        with pytest.raises(run.NotAlone, match="another run is at work"), _alone(study, []):
            pass
        assert (study / ".snakemake/icpcohort.run").read_text() == socket.gethostname()
    assert (study / ".snakemake/icpcohort.run").read_text() == ""
    with _alone(study, shown):
        pass
    assert shown == []


def test_the_lock_of_a_run_that_was_killed_is_lifted(study):
    shown, lock = [], study / ".snakemake/locks/0.input.lock"
    (study / ".snakemake/icpcohort.run").write_text(socket.gethostname())
    lock.touch()
    with _alone(study, shown):
        assert not lock.exists()
    assert shown == ["The last run was killed; going on from what it finished"]


@pytest.mark.parametrize(
    ("began_on", "says"), [("node7", "on node7"), ("", "snakemake itself")]
)
def test_the_lock_of_a_run_that_may_live_is_left_alone(study, began_on, says):
    lock = study / ".snakemake/locks/0.input.lock"
    (study / ".snakemake/icpcohort.run").write_text(began_on)
    lock.touch()
    for _ in range(2):  # it stays refused until somebody decides
        with pytest.raises(run.NotAlone, match=says), _alone(study, []):
            pass
    assert lock.exists()


def test_a_run_whose_snakemake_was_killed_is_known_as_ours_next_time(study):
    lock = study / ".snakemake/locks/0.input.lock"
    with _alone(study, []):
        lock.touch()
    shown = []
    with _alone(study, shown):
        pass
    assert shown == ["The last run was killed; going on from what it finished"]


def test_jobs_of_a_killed_run_are_waited_for(study):
    script = study / ".snakemake/scripts/tmp1.ingest.py"
    script.parent.mkdir()
    script.write_text("import time; print('at work', flush=True); time.sleep(0.5)\n")
    job = subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE)
    assert job.stdout.readline() == b"at work\n"
    (study / ".snakemake/icpcohort.run").write_text(socket.gethostname())
    shown = []
    with _alone(study, shown):
        assert job.poll() == 0
    assert shown[1:] == ["Waiting for 1 job(s) of it that still work"]
    job.stdout.close()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "icpcohort run STUDY"),
        (["--cores", "2"], "icpcohort run STUDY --cores 2"),
        (
            ["--workflow-profile", "/home/ann/p/slurm"],
            "icpcohort run STUDY --workflow-profile slurm",
        ),
        (["--shadow-prefix=/home/ann/x"], "icpcohort run STUDY --shadow-prefix=x"),
        (
            ["results/models/a/estimates.parquet"],
            "icpcohort run STUDY results/models/a/estimates.parquet",
        ),
    ],
)
def test_the_command_is_told_without_folders_of_the_machine(arguments, words):
    assert run.in_words(arguments) == words


def test_noise_goes_and_everything_else_is_shown():
    shown = []
    code = run._follow(
        ["printf", "Select jobs\\nSelect jobs to execute...\\n\\nError\\n"],
        keep_open=1,
        environment=os.environ,
        say=shown.append,
    )
    assert (code, shown) == (0, ["Select jobs", "Error"])
    assert run._follow(["false"], keep_open=1, environment=os.environ, say=shown.append) == 1


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_wish_to_stop_reaches_the_workflow_once_and_is_waited_for(number):
    script = (
        "import os, signal, time\n"
        "n = []\n"
        "signal.signal(signal.SIGINT, lambda *_: n.append(1))\n"
        f"print('ready', flush=True); os.kill({os.getpid()}, {int(number)})\n"
        "time.sleep(0.3)\n"
        "print('stopped', len(n), flush=True); raise SystemExit(1)\n"
    )
    shown = []
    code = run._follow(
        [sys.executable, "-c", script], keep_open=1, environment=os.environ, say=shown.append
    )
    assert (code, shown) == (run.STOPPED, ["ready", "stopped 1"])


def test_results_from_the_future_are_dated_to_now_in_their_order(tmp_path):
    dates_s = {"old": -100.0, "first": 5.0, "then": 500.0}
    for name, after_s in dates_s.items():
        (tmp_path / name).touch()
        os.utime(tmp_path / name, (NOW_S + after_s, NOW_S + after_s))
    (tmp_path / "link").symlink_to("/")
    shown = []
    run.date_to_now(tmp_path, now_s=NOW_S, say=shown.append)
    now = {name: (tmp_path / name).stat().st_mtime_ns for name in dates_s}
    assert now["old"] < now["first"] < now["then"] <= int(NOW_S * 1e9)
    assert now["old"] == int((NOW_S - 100) * 1e9)
    assert "2 results were dated to now" in shown[0]
    run.date_to_now(tmp_path, now_s=time.time(), say=shown.append)
    assert len(shown) == 1
