"""A small simulated study, run once, and the means to ask what would run after a change."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest
import yaml

from icpcohort import simulate

HOME = Path(__file__).parents[2]


def _option(label: str, **does: object) -> dict[str, object]:
    return {"label": label, "reason": "to be tried", "source": "no source"} | does


QUESTIONS = {
    "dose": {
        "question": "Does dose go with outcome?",
        "model": "unfavourable_by_dose",
        "seed": 1,
        "n_permutations": 99,
        "choices": {
            "threshold": {
                "words": "Threshold",
                "main": _option("20 mmHg"),
                "options": [
                    _option("22 mmHg", plan={"exposure": "icp_above_22_dose_per_h_mmhg"})
                ],
            },
            "sensor": {
                "words": "Zero of the sensor",
                "main": _option("as recorded"),
                "options": [_option("reads 2 mmHg high", shift={"icp_mmhg": -2.0})],
            },
            "adjustment": {
                "words": "Adjusted for",
                "main": _option("IMPACT core risk"),
                "options": [_option("nothing", plan={"adjust_for": []})],
            },
        },
    }
}


class Run(NamedTuple):
    """What a call of snakemake left."""

    code: int
    text: str

    def jobs(self) -> set[str]:
        """Return the jobs of a dry run, as "rule" or "rule wildcard"."""
        names = set()
        for rule, block in self.job_blocks():
            named = re.search(r"wildcards: (?:patient|model)=(\S+)", block)
            names.add(f"{rule} {named[1]}" if named else rule)
        return names

    def job_blocks(self) -> list[tuple[str, str]]:
        """Return each job of a dry run but `all`: its rule and the text of its block."""
        blocks = re.split(r"\n(?=\s*(?:local)?rule \w+:)", self.text)
        named = [(re.match(r"\s*(?:local)?rule (\w+):", block), block) for block in blocks]
        return [(rule[1], block) for rule, block in named if rule and rule[1] != "all"]


class Place:
    """A study folder with its own copy of the project, so that either may be edited."""

    def __init__(self, root: Path) -> None:
        self.root, self.study, self.project = root, root / "study", root / "project"

    def snakemake(self, *arguments: str, cores: int = 2) -> Run:
        done = subprocess.run(
            [
                sys.executable,
                *("-m", "snakemake", "--snakefile", str(self.project / "Snakefile")),
                *("--workflow-profile", "none", "--cores", str(cores), "--nocolor"),
                *arguments,
            ],
            cwd=self.study,
            env=os.environ | {"PYTHONPATH": str(self.project / "src")},
            capture_output=True,
            text=True,
            check=False,
        )
        return Run(done.returncode, done.stdout + done.stderr)

    def would_run(self) -> set[str]:
        run = self.snakemake("--dry-run")
        assert run.code == 0, run.text
        return run.jobs()

    def copy(self, root: Path) -> "Place":
        shutil.copytree(self.root, root, copy_function=shutil.copy2)
        return Place(root)

    def edit(self, name: str, old: str, new: str) -> None:
        path = self.root / name
        text = path.read_text(encoding="utf-8")
        assert old in text, f"{old!r} is not in {name}"
        path.write_text(text.replace(old, new), encoding="utf-8")


def set_up(root: Path, *, n_patients: int = 24, n_waveforms: int = 5) -> Place:
    """Simulate patients, some of them with waveforms of two hours, with their settings."""
    place = Place(root)
    for name in ("Snakefile", "src", "workflow"):
        source = HOME / name
        target = place.project / name
        if source.is_dir():
            shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(source, target)
    simulate.write_cohort(
        place.study / "demo",
        n_patients=n_patients,
        n_waveforms=n_waveforms,
        waveform_h=(2.0, 2.5),
        numeric_h=(30.0, 40.0),
        seed=4,
        n_processes=1,
        progress=lambda _: None,
    )
    (place.study / "config").mkdir()
    for name in ("config.yaml", "variables.yaml", "models.yaml"):
        settings = yaml.safe_load((HOME / "config" / name).read_text(encoding="utf-8"))
        settings.get("models", {}).pop("unfavourable_by_time_below_llr", None)
        (place.study / "config" / name).write_text(yaml.safe_dump(settings, sort_keys=False))
    specifications = yaml.safe_dump({"questions": QUESTIONS}, sort_keys=False)
    (place.study / "config/specifications.yaml").write_text(specifications, encoding="utf-8")
    return place


@pytest.fixture
def unrun(tmp_path) -> Place:
    """A small study of its own that has not run."""
    return set_up(tmp_path / "unrun", n_patients=6, n_waveforms=2)


@pytest.fixture(scope="session")
def finished(tmp_path_factory) -> Place:
    """A study that has run; tests read it, and copy it before they change anything."""
    place = set_up(tmp_path_factory.mktemp("study") / "first")
    run = place.snakemake()
    assert run.code == 0, run.text
    return place


@pytest.fixture
def place(finished, tmp_path) -> Place:
    """A copy of the finished study, to change."""
    return finished.copy(tmp_path / "copy")
