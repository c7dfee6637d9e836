"""Promise: what the pages link to, name and tell to type is there, and no paragraph is long."""

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from page_faults import (
    MOST_WORDS,
    commands,
    dead_links,
    long_paragraphs,
    rooms,
    strangers,
    unknown_commands,
    unknown_names,
    verbs,
)

from icpcohort import cli
from icpcohort.contracts import readme
from icpcohort.study import readme as settings_readme

HOME = Path(__file__).parents[2]
PAGES = [
    *(HOME / name for name in ("README.md", "DEVELOPERS.md")),
    *sorted((HOME / "docs").rglob("*.md")),
    *(HOME / folder / "README.md" for folder in ("config", "results")),
]
IDS = [page.relative_to(HOME).as_posix() for page in PAGES]
MOST_LINES = {"README.md": 100, "DEVELOPERS.md": 170}

# Commands of the pages that are not run here: what they would need, or why not.
NOT_RUN = {
    "make demo": "minutes",
    "make test": "this is one of its tests",
    "make bench": "an hour",
    "make faults": "half an hour",
    "make lint": "the first step of make test",
    "make format": "writes",
    "make generate": "writes; other tests ask that it would change nothing",
    "make new": "a study",
    "make check": "a study",
    "make run": "a study",
    "make model": "a study",
    "make verify": "a study",
    "make sbom": "the network",
    "make audit": "the network",
    "icpcohort simulate": "a folder; other tests simulate",
    "icpcohort check": "a study",
    "icpcohort new": "a folder; another test begins a study",
    "icpcohort list": "a study",
    "icpcohort forget": "a study",
    "icpcohort run": "a study",
    "icpcohort verify": "a study",
    "icpcohort why": "a study",
    "icpcohort plan lock": "a study",
    "python tests/bench/arterial.py": "needs recordings of patients",
    "python tests/bench/asymmetry.py": "minutes",
    "python tests/bench/coverage.py": "minutes",
    "python tests/bench/lags.py": "minutes",
    "python tests/bench/detection.py": "minutes",
    "python tests/bench/families.py": "minutes",
    "python tests/bench/mechanistic.py": "minutes",
    "python tests/bench/scale.py": "minutes",
    "python tests/bench/specifications.py": "minutes",
    "python tests/bench/uncertainty.py": "minutes",
    "python tests/assurance/validate_crate.py": "a study",
    "snakemake results/models/unfavourable_by_dose/estimates.parquet": "a study",
    "Rscript replicate.R": "a study",
    "grep": "a study",
}
WHAT_RUNS = (
    "make",
    *(f"python -m icpcohort.{name}" for name in ("study.readme", "commands.catalogue")),
    "python -m icpcohort.contracts.bibliography_page",
)


# --- the pages ---------------------------------------------------------------------------

WRITTEN = [page for page in PAGES if page.parent.name not in ("config", "results")]


@pytest.mark.parametrize("page", PAGES, ids=IDS)
def test_every_link_leads_to_something(page):
    assert dead_links(page.read_text("utf-8"), page=page) == []


@pytest.mark.parametrize("page", WRITTEN, ids=IDS[: len(WRITTEN)])
def test_every_file_module_and_setting_that_a_page_names_is_there(page):
    assert unknown_names(page.read_text("utf-8")) == []


@pytest.mark.parametrize("head", [readme.HEAD, settings_readme.HEAD], ids=["results", "config"])
def test_every_file_that_the_head_of_a_generated_page_names_is_there(head):
    assert unknown_names(head) == []


@pytest.mark.parametrize("page", PAGES, ids=IDS)
def test_every_command_of_a_page_is_one(page):
    assert unknown_commands(page.read_text("utf-8")) == []


@pytest.mark.parametrize("page", PAGES, ids=IDS)
def test_no_paragraph_and_no_cell_is_long(page):
    assert long_paragraphs(page.read_text("utf-8")) == []


@pytest.mark.parametrize("name", MOST_LINES)
def test_the_two_first_pages_are_short(name):
    assert len((HOME / name).read_text("utf-8").splitlines()) <= MOST_LINES[name]


# --- what is typed -----------------------------------------------------------------------


def test_every_command_of_the_pages_runs_here_or_is_listed_and_no_list_is_stale():
    typed = {command for page in PAGES for command in commands(page.read_text("utf-8"))}
    assert typed == {*NOT_RUN, *WHAT_RUNS}
    assert not set(NOT_RUN) & set(WHAT_RUNS)


@pytest.mark.parametrize("command", WHAT_RUNS)
def test_a_command_that_needs_no_study_runs(command):
    words = command.replace("python", sys.executable).split()
    run = subprocess.run(words, cwd=HOME, capture_output=True, text=True, check=False)
    assert (run.returncode, run.stderr) == (0, "")
    assert len(run.stdout.splitlines()) > 10


@pytest.mark.parametrize("command", [c for c in NOT_RUN if c.startswith("make ")])
def test_make_knows_what_it_would_do(command):
    words = ["make", "--dry-run", *command.split()[1:], "STUDY=.", "MODEL=any"]
    run = subprocess.run(words, cwd=HOME, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    assert run.stdout


@pytest.mark.parametrize("verb", sorted(verbs()))
def test_every_verb_says_how_it_is_used(verb, capsys):
    with pytest.raises(SystemExit) as ended:
        cli.main([verb, "--help"])
    assert ended.value.code == 0
    assert f"icpcohort {verb}" in capsys.readouterr().out


def test_a_new_study_can_be_begun_as_the_pages_say(tmp_path):
    assert cli.main(["new", str(tmp_path / "my_study")]) == 0
    text = (HOME / "docs/data-scientist.md").read_text("utf-8")
    for path in sorted((tmp_path / "my_study").rglob("*.*")):
        if path.is_file() and path.suffix in (".csv", ".yaml"):
            assert path.name in text, f"{path.name} is not in docs/data-scientist.md"


# --- the rooms ---------------------------------------------------------------------------


def test_the_table_of_rooms_has_every_room_and_a_line_that_lives_there():
    lines = rooms((HOME / "DEVELOPERS.md").read_text("utf-8"))
    contracts = tomllib.loads((HOME / "pyproject.toml").read_text("utf-8"))["tool"][
        "importlinter"
    ]
    layers = " | ".join(contracts["contracts"][0]["layers"]).split(" | ")
    of_report = [f"report/{layer}" for layer in contracts["contracts"][-1]["layers"]]
    named = [room.removesuffix(".py") for room in lines]
    assert sorted(named) == sorted([*of_report, *(set(layers) - {"report"})])
    assert strangers(lines) == []


# --- what these tests see ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("link", "words"),
    [
        ("[a](nowhere.md)", "no such file"),
        ("[a page\nof two lines](docs/nowhere.md)", "no such file"),
        ("![a picture](docs/images/nowhere.png)", "no such file"),
        ("[a](results/nowhere.html)", "no such file"),
        ("[a](docs/methods.md#nowhere)", "no such heading"),
        ("[a](#nowhere)", "no such heading"),
    ],
)
def test_a_dead_link_is_seen(link, words):
    fine = "# Here\n[a](docs/methods.md#amp) [b](#here) [c](results/report.html)\n"
    problems = dead_links(fine + link, page=HOME / "README.md")
    assert [problem.split(": ")[1] for problem in problems] == [words]


@pytest.mark.parametrize(
    "name",
    [
        *("src/icpcohort/nowhere.py", "contracts/nowhere.py", "nowhere.py", "tests/nowhere/"),
        *("results/nowhere.parquet", "nowhere.parquet", "nowhere.csv", "logs/nowhere.log"),
        *("docs/nowhere.md", "truth/nowhere.csv", "results/models/NAME/nowhere.csv"),
        *("store.nowhere", "nowhere.write", "trends.nowhere", "numbers.nowhere_*"),
    ],
)
def test_a_name_of_nothing_is_seen(name):
    fine = "`store.write` `contracts/store.py` `results/models/NAME/data.csv` `trends.block_s`"
    assert [p.split(": ")[0] for p in unknown_names(f"{fine} `{name}`")] == [name]


@pytest.mark.parametrize(
    "line", ["make nowhere STUDY=.", "icpcohort nowhere .", "python tests/bench/nowhere.py 3"]
)
def test_a_command_that_is_none_is_seen(line):
    fine = "```\nmake run STUDY=.   # all\n$ icpcohort why . P1\n```\n`make`, `icpcohort`\n"
    assert unknown_commands(fine) == []
    assert len(unknown_commands(f"{fine}\n`{line}`")) == 1
    assert len(unknown_commands(f"{fine}\n```\n{line}\n```\n")) == 1


@pytest.mark.parametrize("before", ["", "* ", "1. ", "> ", "| cell | ", "* item\n* "])
def test_a_long_paragraph_is_seen_and_one_at_the_limit_is_not(before):
    words = "word " * MOST_WORDS
    assert long_paragraphs(before + words) == []
    assert len(long_paragraphs(before + words + "two more")) == 1


def test_a_line_that_lives_elsewhere_is_seen():
    assert strangers({"signals": "unfavourable=score < best[0]"}) != []
