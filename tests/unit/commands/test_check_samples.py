"""What `check` says of the first minutes of each recording, by small files."""

import shutil
from pathlib import Path

import numpy as np
import pytest

from icpcohort.commands import check
from icpcohort.commands import new as study_folder

HOME = Path(__file__).parents[3]
SCHEMAS = HOME / "workflow" / "schemas"
HOURS = 4


def _csv(path, icp, abp):
    rows = [
        f"{60 * i},{one:.2f},{other:.2f}"
        for i, (one, other) in enumerate(zip(icp, abp, strict=True))
    ]
    path.write_text("\n".join(["t_s,ICP [mmHg],ABP [mmHg]", *rows]) + "\n")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A study of one number a minute: P1 as usual, P2 in kPa, P3 exchanged."""
    folder = tmp_path_factory.mktemp("study")
    draw = np.random.default_rng(2)
    n = 60 * HOURS
    for name, text in study_folder.texts(title="t", like="tbi", repository=HOME).items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    header = (folder / "patients.csv").read_text().splitlines()[0]
    cells = "," * header.count(",")
    patients = [f"P{number}{cells}" for number in (1, 2, 3)]
    assert header.startswith("patient_id,")
    (folder / "patients.csv").write_text("\n".join([header, *patients]) + "\n")
    lines = ["recording_id,patient_id,path,format,start_s"]
    for number in (1, 2, 3):
        icp = 14 + 2 * np.sin(np.arange(n) / 20) + draw.normal(size=n)
        abp = 90 + 5 * np.sin(np.arange(n) / 30) + draw.normal(size=n)
        if number == 2:
            icp, abp = icp / 7.5, abp / 7.5
        if number == 3:
            icp, abp = abp, icp
        _csv(folder / f"r{number}.csv", icp, abp)
        lines.append(f"R{number},P{number},r{number}.csv,csv,7200")
    (folder / "recordings.csv").write_text("\n".join(lines) + "\n")
    yield folder
    shutil.rmtree(folder)


def _named(folder):
    checked = check.check(folder, schema_folder=SCHEMAS, progress=lambda *_: None)
    notes = [line for part in checked.notes for line in part]
    return [line for line in notes if "look at" in line and "(medians)" in line]


def test_recordings_that_cannot_be_right_are_named_with_what_to_do(made):
    lines = _named(made)
    assert len(lines) == 3
    assert not [line for line in lines if "R1 of P1" in line]
    of_units = [line for line in lines if "(R2 of P2)" in line]
    assert len(of_units) == 2 and all("kPa taken as mmHg" in line for line in of_units)
    (exchanged,) = (line for line in lines if "(R3 of P3)" in line)
    assert "whether the two channels are exchanged" in exchanged


def test_a_study_without_limits_of_its_own_is_judged_by_the_usual_ones(made):
    path = made / "config" / "config.yaml"
    text = path.read_text(encoding="utf-8")
    before, _, rest = text.partition("plausibility:")
    path.write_text(before + rest[rest.index("\nminutes:") + 1 :], encoding="utf-8")
    lines = _named(made)
    path.write_text(text, encoding="utf-8")
    assert len(lines) == 3


def test_obeying_leaves_nothing_to_say(made):
    path = made / "recordings.csv"
    text = path.read_text()
    lines = text.splitlines()
    mended = [f"{lines[0]},icp_channel,abp_channel"]
    mended += [f"{lines[1]},,", f"{lines[3]},ABP,ICP"]
    path.write_text("\n".join(mended) + "\n")
    remaining = _named(made)
    path.write_text(text)
    assert remaining == []
