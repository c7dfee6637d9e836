"""Command line: what each command writes, refuses and returns; never a traceback."""

import inspect
import json
import shutil
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
import yaml
from published_settings import DECLARED

import icpcohort
from icpcohort import cli, simulate
from icpcohort.commands import new
from icpcohort.commands import simulate as simulated_folder
from icpcohort.study import tables, values

REPOSITORY = Path(__file__).resolve().parents[2]


def _run(capsys, *arguments):
    """Return the exit code and what was printed on each of the two ways out."""
    try:
        code = cli.main([str(argument) for argument in arguments])
    except SystemExit as stop:  # argparse, at bad usage
        code = stop.code
    printed = capsys.readouterr()
    return code, printed.out, printed.err


@pytest.fixture
def calls(monkeypatch):
    """Replace the simulation by one that writes two files and remembers how it was called."""
    seen = []

    def write_cohort(folder, **arguments):
        seen.append(arguments)
        (folder / "recordings").mkdir(exist_ok=True)
        (folder / "patients.csv").write_text(str(arguments["seed"]), encoding="utf-8")
        (folder / "recordings" / f"{arguments['seed']}.csv").write_text("t_s", encoding="utf-8")

    monkeypatch.setattr(icpcohort, "simulate", SimpleNamespace(write_cohort=write_cohort))
    return seen


def _files(folder):
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())


# --- simulate ---


def test_simulate_passes_its_options_by_name(tmp_path, capsys, calls):
    code, _, _ = _run(
        capsys,
        *("simulate", tmp_path / "demo", "--patients", 9, "--waveforms", 5, "--seed", 3),
        *("--waveform-hours", 1, 2.5, "--processes", 1),
    )
    assert code == 0
    (arguments,) = calls
    assert arguments.pop("progress") is print
    assert arguments == {
        "n_patients": 9,
        "n_waveforms": 5,
        "waveform_h": (1.0, 2.5),
        "numeric_tier": "mixed",
        "numeric_h": (36.0, 96.0),
        "seed": 3,
        "n_processes": 1,
    }


def test_the_simulation_takes_what_the_command_passes(tmp_path, capsys, calls):
    _run(capsys, "simulate", tmp_path / "demo")
    parameters = inspect.signature(simulate.write_cohort).parameters
    assert list(parameters)[1:] == list(calls[0])


def test_simulate_does_nothing_where_the_same_cohort_is_already(tmp_path, capsys, calls):
    _run(capsys, "simulate", tmp_path, "--seed", 1)
    code, out, _ = _run(capsys, "simulate", tmp_path, "--seed", 1, "--processes", 1)
    assert code == 0
    assert len(calls) == 1
    assert out == f"{tmp_path}: the same cohort is there already; nothing to do\n"


def test_simulate_replaces_another_cohort_whole(tmp_path, capsys, calls):
    _run(capsys, "simulate", tmp_path, "--seed", 1)
    assert _run(capsys, "simulate", tmp_path, "--seed", 2)[0] == 0
    assert _files(tmp_path) == ["SIMULATED", "patients.csv", "recordings/2.csv"]


def test_simulate_writes_again_what_was_removed_or_comes_from_another_version(
    tmp_path, capsys, calls, monkeypatch
):
    _run(capsys, "simulate", tmp_path)
    (tmp_path / "patients.csv").unlink()
    _run(capsys, "simulate", tmp_path)
    assert len(calls) == 2
    monkeypatch.setattr(icpcohort, "__version__", "another")
    _run(capsys, "simulate", tmp_path)
    assert len(calls) == 3


def test_simulate_never_writes_among_files_that_are_not_its_own(tmp_path, capsys, calls):
    (tmp_path / "patients.csv").write_text("real", encoding="utf-8")
    code, _, err = _run(capsys, "simulate", tmp_path)
    assert (code, calls) == (2, [])
    assert "is not empty and was not written by this command; name another folder" in err
    assert (tmp_path / "patients.csv").read_text(encoding="utf-8") == "real"


def test_simulate_never_removes_a_file_that_was_added_to_its_folder(tmp_path, capsys, calls):
    _run(capsys, "simulate", tmp_path, "--seed", 1)
    (tmp_path / "recordings" / "mine.csv").write_text("mine", encoding="utf-8")
    code, _, err = _run(capsys, "simulate", tmp_path, "--seed", 2)
    assert code == 2
    assert (
        "holds 1 file(s) that no complete simulation wrote, such as recordings/mine.csv" in err
    )
    assert len(calls) == 1
    assert (tmp_path / "patients.csv").is_file()


def test_an_interrupted_simulation_is_not_taken_for_a_whole_one(tmp_path, capsys, monkeypatch):
    def write_cohort(folder, **arguments):
        (folder / "patients.csv").write_text("half", encoding="utf-8")
        raise KeyboardInterrupt

    monkeypatch.setattr(icpcohort, "simulate", SimpleNamespace(write_cohort=write_cohort))
    code, _, err = _run(capsys, "simulate", tmp_path)
    assert (code, err) == (130, "icpcohort simulate: interrupted\n")
    code, _, err = _run(capsys, "simulate", tmp_path)
    assert code == 2
    assert "an interrupted one leaves some" in err


@pytest.mark.parametrize("text", ["rubbish", "[]", '{"made_by": 1}'])
def test_a_marker_that_cannot_be_read_is_told_in_words(tmp_path, capsys, calls, text):
    (tmp_path / simulated_folder.MARKER).write_text(text, encoding="utf-8")
    code, _, err = _run(capsys, "simulate", tmp_path)
    assert (code, calls) == (2, [])
    assert "SIMULATED cannot be read; remove the folder, or name another" in err


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--patients", "ten"], "argument --patients: 'ten' is not a whole number from 0"),
        (["--patients", "0"], "--patients and --processes: write at least 1"),
        (["--patients", "3"], "--waveforms: 14 of 3 patients; write at most 3"),
        (
            ["--numeric-hours", "9", "8"],
            "--numeric-hours: 9 is longer than 8; write the shortest",
        ),
        (["--waveform-hours", "0", "8"], "'0' is not a number of hours above 0"),
        (["--waveform-hours", "nan", "8"], "'nan' is not a number of hours above 0"),
        (["--colour"], "unrecognized arguments: --colour"),
    ],
)
def test_bad_options_are_told_in_words(tmp_path, capsys, calls, options, words):
    code, _, err = _run(capsys, "simulate", tmp_path / "demo", *options)
    assert (code, calls) == (2, [])
    assert words in err
    assert not (tmp_path / "demo").exists()


def test_another_study_is_simulated_whole_with_its_settings(tmp_path, capsys):
    code, out, _ = _run(capsys, "simulate", tmp_path / "s", "--like", "sah", "--patients", 2)
    assert (code, out.splitlines()[0]) == (0, "2 patients, 2 recordings")
    written = _files(tmp_path / "s")
    assert {f"config/{name}.yaml" for name in ("config", "variables", "models")} <= {*written}
    assert "recordings/S002_r1.csv" in written
    code, out, _ = _run(capsys, "simulate", tmp_path / "s", "--like", "sah", "--patients", 2)
    assert out == f"{tmp_path / 's'}: the same cohort is there already; nothing to do\n"


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--waveforms", "3"], "--waveforms: the study like sah has none; leave it out, it"),
        (["--numeric-tier", "seconds"], "--numeric-tier: the study like sah has none"),
        (["--processes", "1"], "--processes: the study like sah has none"),
        (["--patients", "0"], "--patients: write at least 1"),
    ],
)
def test_what_another_study_does_not_have_is_refused(tmp_path, capsys, options, words):
    code, _, err = _run(capsys, "simulate", tmp_path / "s", "--like", "sah", *options)
    assert code == 2
    assert words in err
    assert not (tmp_path / "s").exists()


def test_a_file_is_no_folder_to_simulate_in(tmp_path, capsys, calls):
    (tmp_path / "demo").write_text("", encoding="utf-8")
    code, _, err = _run(capsys, "simulate", tmp_path / "demo")
    assert (code, err) == (
        2,
        f"icpcohort simulate: {tmp_path / 'demo'} is a file; name a folder\n",
    )


# --- new ---


def test_new_writes_settings_of_its_own_empty_tables_and_a_page_on_them(tmp_path, capsys):
    code, out, _ = _run(capsys, "new", tmp_path / 'my "study"')
    folder = tmp_path / 'my "study"'
    assert code == 0
    assert f"make check STUDY={folder}" in out
    assert _files(folder) == [
        "README.md",
        "config/config.yaml",
        "config/models.yaml",
        "config/variables.yaml",
        "events.csv",
        "monitors.csv",
        "patients.csv",
        "recordings.csv",
    ]
    written = yaml.safe_load((folder / "config" / "config.yaml").read_text(encoding="utf-8"))
    ours = yaml.safe_load((REPOSITORY / "config" / "config.yaml").read_text(encoding="utf-8"))
    changed = {"title": 'my "study"', "folder": "."}
    assert written == ours | {"study": ours["study"] | changed}


def test_a_new_study_has_only_its_rows_missing(tmp_path, capsys):
    _run(capsys, "new", tmp_path / "study")
    code, out, err = _run(capsys, "check", tmp_path / "study")
    assert (code, out) == (1, "")
    assert err.splitlines() == [
        "patients.csv: no rows; write one line for each of the study's patients",
        "recordings.csv: no rows; write one line for each of the study's recordings, or let "
        "icpcohort list write them, by recordings.patterns",
        "2 problem(s): tables 2 (a run stops at these)",
    ]


@pytest.mark.parametrize(
    ("like", "columns"),
    [
        ("sah", ["wfns", "aneurysm_treatment", "mrs_3m", "mrs_12m"]),
        ("ich", ["ich_volume_ml", "infratentorial", "mrs_3m"]),
        ("plain", ["age_years", "unfavourable"]),
    ],
)
def test_a_new_study_is_like_the_one_that_was_asked_for(tmp_path, capsys, like, columns):
    _run(capsys, "new", tmp_path / "study", "--like", like)
    header = (tmp_path / "study" / "patients.csv").read_text().strip().split(",")
    assert set(columns) <= set(header)
    assert not {"gose_6m", "marshall_class", "gcs_motor"} & set(header)
    code, _, err = _run(capsys, "check", tmp_path / "study")
    assert code == 1
    assert err.splitlines()[-1] == "2 problem(s): tables 2 (a run stops at these)"


def test_a_new_study_like_nothing_that_is_known_names_what_is(tmp_path, capsys):
    code, _, err = _run(capsys, "new", tmp_path / "study", "--like", "stroke")
    assert code == 2
    assert "--like stroke: known here: ich, plain, sah, tbi" in err


def test_new_never_overwrites(tmp_path, capsys):
    (tmp_path / "patients.csv").write_text("mine", encoding="utf-8")
    code, _, err = _run(capsys, "new", tmp_path)
    assert code == 2
    assert "holds patients.csv already and nothing is overwritten" in err
    assert _files(tmp_path) == ["patients.csv"]


def test_new_needs_the_checkout_and_says_so(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(cli, "REPOSITORY", tmp_path / "elsewhere")
    code, _, err = _run(capsys, "new", tmp_path / "study")
    assert code == 2
    assert "config.yaml is not there; the project is used from its checkout" in err


def test_the_page_on_the_tables_has_every_column_with_its_unit_and_values():
    contracts_of = tables.tables_of(DECLARED)
    page = new.readme(contracts_of, title="t", declared=DECLARED, main="unfavourable")
    needed = {**tables.NEEDED, "patients": (*tables.NEEDED["patients"], "gose_6m")}
    sections = page.split("## ")[1:]
    for section, (name, table) in zip(sections, contracts_of.items(), strict=True):
        assert section.startswith(f"{name}.csv\n{table.about}.")
        rows = [line.split(" | ") for line in section.splitlines() if line.startswith("| ")][1:]
        assert [row[0].removeprefix("| ") for row in rows] == list(table.columns)
        for row, (column_name, column) in zip(rows, table.columns.items(), strict=True):
            assert row[-1] == f"{column.about} |"
            assert row[1] == ("yes" if column_name in needed[name] else "")
            choices = values.CHOICES.get(column_name, column.levels)
            assert row[4] == ", ".join(choices) or row[4][-1].isdigit()
    lines = page.splitlines()
    assert "| age_years |  | number | years | 0 to 120 | Age at time zero |" in lines
    assert "| gose_6m | yes | whole number |  | 1, 2, 3, 4, 5, 6, 7, 8 | " in page
    assert "| zero_reference_mmhg |  | number | mmHg | -100 to 100 | " in page


# --- check ---


@pytest.fixture
def filled(tmp_path, capsys):
    """A study of one patient with a recording of two hours at one reading a minute."""
    folder = tmp_path / "study"
    _run(capsys, "new", folder)
    for name, row in (("patients", "P1,30"), ("recordings", "R1,P1,r1.csv,csv,0,,,mmHg")):
        header = (folder / f"{name}.csv").read_text(encoding="utf-8").strip()
        blanks = "," * (header.count(",") - row.count(","))
        if name == "patients":
            row = row.replace(",", ",,")
            blanks = blanks[1:]
        (folder / f"{name}.csv").write_text(f"{header}\n{row}{blanks}\n", encoding="utf-8")
    rows = "".join(f"{60 * i},{10 + i % 3}\n" for i in range(120))
    (folder / "r1.csv").write_text("t_s,ICP\n" + rows, encoding="utf-8")
    return folder


def test_check_says_what_was_found(filled, capsys):
    code, out, err = _run(capsys, "check", filled)
    assert (code, err) == (0, "")
    note, *rest = out.splitlines()
    assert note == (
        "note: signals.abp: none of 1 recordings has a channel of ABP; add its name to "
        "signals.abp.names, or remove the signal"
    )
    assert rest[0] == "1 patients, 1 recordings, 0 monitors, 0 events"
    assert rest[2].startswith("recordings (hours)")


def test_check_tells_what_is_not_used(filled, capsys):
    with (filled / "events.csv").open("a", encoding="utf-8") as file:
        file.write("P1,transport,100,200,,,\nP1,drain_open,300,400,,,\n")
    text = (filled / "patients.csv").read_text(encoding="utf-8").replace("hypoxia", "remarks")
    (filled / "patients.csv").write_text(text, encoding="utf-8")
    code, out, _ = _run(capsys, "check", filled)
    assert code == 0
    assert "note: patients.csv: columns not used: remarks" in out
    assert "note: events.csv: 'transport' (1 rows) changes nothing" in out
    assert "'drain_open'" not in out


def test_check_lists_every_recording_that_cannot_be_used(filled, capsys):
    with (filled / "recordings.csv").open("a", encoding="utf-8") as file:
        file.write("R2,P1,gone.csv,csv,0,,,mmHg,,,\nR3,P1,gone.hea,wfdb,0,,,,,,\n")
    code, out, err = _run(capsys, "check", filled)
    assert code == 1
    assert "\n1 patients, 3 recordings (2 cannot be used), " in out
    lines = err.splitlines()
    assert lines[0].startswith("recordings.csv row 3 (R2 of P1), gone.csv: not there; ")
    assert lines[1].startswith("recordings.csv row 4 (R3 of P1), gone.hea: not there; ")
    assert lines[2:] == ["2 problem(s): recordings 2 (left out of a run, with their reason)"]


def test_check_lists_the_problems_of_both_settings_files(filled, capsys):
    path = filled / "config" / "config.yaml"
    text = path.read_text(encoding="utf-8").replace("n_blocks: 30", "n_blocks: thirty")
    path.write_text(text, encoding="utf-8")
    (filled / "config" / "models.yaml").write_text("models: 1\n", encoding="utf-8")
    code, _, err = _run(capsys, "check", filled)
    assert code == 1
    assert err.splitlines() == [
        "config.yaml, reactivity.n_blocks: 'thirty' is not a whole number; "
        "write for example 30",
        "models.yaml, models: 1 is not a block of settings; write for example {}",
        "2 problem(s): settings 1, plan 1 (a run stops at these)",
    ]


def test_check_shows_all_problems_however_many(filled, capsys):
    rows = "".join(f"Q{i},old\n" for i in range(59))
    (filled / "patients.csv").write_text(
        "patient_id,age_years,gose_6m,death_h,left_unit_h\nP1,30,,,\n" + rows, encoding="utf-8"
    )
    _, _, err = _run(capsys, "check", filled)
    lines = err.splitlines()
    assert lines == [
        "patients.csv: 59 rows, such as 3, 4 and 5: 2 cells under 5 columns; put a text with a "
        "comma in quotes, and write decimals with a point",
        "1 problem(s): tables 1 (a run stops at these)",
    ]


def test_a_long_check_shows_its_progress_only_where_somebody_watches(capsys, monkeypatch):
    cli._show_progress(3, 100)
    assert capsys.readouterr().err == ""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    cli._show_progress(3, 100)
    cli._show_progress(100, 100)
    cli._show_progress(3, cli.MIN_SHOWN - 1)
    shown, cleared = "3 of 100 recordings".ljust(40), " " * 40
    assert capsys.readouterr().err == f"\r{shown}\r\r{cleared}\r"


def test_check_finds_the_tables_beside_config_wherever_it_is_called_from(
    filled, capsys, monkeypatch, tmp_path
):
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    assert _run(capsys, "check", "../study")[0] == 0


def test_check_of_a_folder_without_settings_is_bad_usage(tmp_path, capsys):
    code, _, err = _run(capsys, "check", tmp_path)
    assert code == 2
    assert err.endswith(f"or begin one: icpcohort new {tmp_path}\n")


# --- the command itself ---


def test_the_installed_command_runs_and_gives_its_version():
    command = shutil.which("icpcohort", path=str(Path(sys.executable).parent))
    assert command is not None
    done = subprocess.run([command, "--version"], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == icpcohort.__version__


@pytest.mark.parametrize("arguments", [[], ["chek", "x"], ["check"]])
def test_bad_usage_is_told_with_exit_code_2(capsys, arguments):
    code, out, err = _run(capsys, *arguments)
    assert (code, out) == (2, "")
    assert err.startswith("usage: icpcohort")


def test_a_folder_that_cannot_be_written_is_told_in_words(tmp_path, capsys):
    (tmp_path / "file").write_text("", encoding="utf-8")
    code, _, err = _run(capsys, "new", tmp_path / "file" / "study")
    assert code == 2
    assert err.startswith("icpcohort new: ")
    assert "look at the path, its permissions and the free space" in err


def test_the_marker_says_with_what_the_cohort_was_made(tmp_path, capsys, calls):
    _run(capsys, "simulate", tmp_path, "--patients", 20)
    marker = json.loads((tmp_path / simulated_folder.MARKER).read_text(encoding="utf-8"))
    assert marker["made_by"]["patients"] == 20
    assert marker["files"] == ["patients.csv", "recordings/20.csv"]
