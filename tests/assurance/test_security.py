"""What comes from outside stays data: in the study's folder, of bounded size, never code."""

import ast
import gzip
import os
import re
import stat
from pathlib import Path

import pytest
import yaml
from published_settings import changed
from recording_files import pressures

from icpcohort import recordings
from icpcohort.commands import new
from icpcohort.contracts import atomic_write
from icpcohort.recordings import RecordingError
from icpcohort.study import read_table, settings, tables, yaml_files

HOME = Path(__file__).parents[2]
CODE = [
    *HOME.glob("src/**/*.py"),
    *HOME.glob("workflow/**/*.py"),
    *HOME.glob("workflow/rules/*.smk"),
    HOME / "Snakefile",
]
FORBIDDEN = {
    "calls": {"eval", "exec", "compile", "__import__"},
    "attributes": {
        *(
            "system",
            "popen",
            "read_pickle",
            "to_pickle",
            "unsafe_load",
            "full_load",
            "load_all",
        ),
        *("extractall", "unpack_archive", "mktemp", "read_html", "read_xml"),
    },
    "modules": {
        *("pickle", "cPickle", "dill", "joblib", "shelve", "marshal", "xml", "lxml"),
        *("tarfile", "zipfile", "ctypes", "socketserver", "http", "urllib.request", "requests"),
    },
}

FREE = {
    "word_xml.py": {"zipfile"},  # its own document
    "traces.py": {"zipfile"},  # parts in memory, of the study's own results
    "spreadsheets.py": {"zipfile"},  # parts in memory, once their size is known; no file
}


def _offences(text):
    """Return what a piece of code calls or imports that could make data into code."""
    offences = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Call):
            name = node.func.id if isinstance(node.func, ast.Name) else ""
            attribute = node.func.attr if isinstance(node.func, ast.Attribute) else ""
            offences += [f"{name}()"] if name in FORBIDDEN["calls"] else []
            offences += [f".{attribute}()"] if attribute in FORBIDDEN["attributes"] else []
            shell = [word for word in node.keywords if word.arg == "shell"]
            offences += ["shell="] if shell else []
            pickled = [word for word in node.keywords if word.arg == "allow_pickle"]
            offences += ["allow_pickle="] if pickled else []
            if ast.unparse(node.func) == "yaml.load":
                offences.append("yaml.load()")
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
        offences += [n for n in names if {n, n.split(".")[0]} & FORBIDDEN["modules"]]
    return offences


def test_no_data_can_become_code_or_a_command():
    assert len(CODE) > 100
    for path in CODE:
        text = path.read_text(encoding="utf-8")
        if path.suffix == ".py":
            assert not set(_offences(text)) - FREE.get(path.name, set()), path
        else:  # no rule hands a command to a shell, where a name from data could be one
            assert not re.search(
                r"^\s+(shell|run|notebook|wrapper|conda|container):", text, re.M
            )


@pytest.mark.parametrize(
    "text",
    [
        *("eval('1')", "import pickle", "from xml.etree import ElementTree", "yaml.load(text)"),
        *(
            "subprocess.run('ls', shell=True)",
            "os.system('ls')",
            "np.load(f, allow_pickle=True)",
        ),
    ],
)
def test_the_search_for_such_code_finds_it(text):
    assert len(_offences(text)) == 1


@pytest.mark.parametrize(
    "text",
    [
        "a: &a [1, 1]\nb: [*a, *a]\n",  # what grows a thousand times when it is read
        "a: !!python/object/apply:os.system ['true']\n",
        "a: !!binary aGk=\n",
    ],
)
def test_settings_know_no_references_and_no_objects(tmp_path, text):
    path = tmp_path / "config.yaml"
    path.write_text(text)
    files = settings.read(path, path, schema_folder=HOME / "workflow/schemas")
    assert files.settings is None
    assert any("not YAML" in line for line in files.settings_problems)


@pytest.mark.parametrize("folder", ["/srv/data", "../data", "a/../../b", "~/data", "C:/data"])
def test_the_folder_of_the_study_is_beside_or_below_its_settings(folder):
    texts = new.texts(title="t", like="tbi", repository=HOME)
    config = yaml.safe_load(texts["config/config.yaml"])
    schema = yaml_files.read_schema(HOME / "workflow/schemas/config.schema.json")
    assert settings.problems(config, schema, file="config.yaml") == []
    config["study"]["folder"] = folder
    [problem] = settings.problems(config, schema, file="config.yaml")
    assert "study.folder" in problem and "without .. and not absolute" in problem


def test_a_table_that_lies_outside_of_the_study_is_refused(tmp_path):
    (tmp_path / "study").mkdir()
    (tmp_path / "patients.csv").write_text("patient_id\nP1\n")
    (tmp_path / "study/patients.csv").symlink_to(tmp_path / "patients.csv")
    for name in ("patients.csv", "../patients.csv"):
        with pytest.raises(read_table.ExportError, match="leads out of the study folder"):
            read_table.read(tmp_path / "study" / name, within=tmp_path / "study")


def _describe(path):
    return recordings.describe(
        path,
        format="csv",
        timing=recordings.Timing(["t_s"]),
        wanted=pressures(icp_channel="ICP", icp_unit="mmHg"),
    )


def test_a_small_file_that_unpacks_to_very_much_is_refused(tmp_path):
    bomb, sound = tmp_path / "bomb.csv.gz", tmp_path / "sound.csv.gz"
    with gzip.open(bomb, "wb") as file:
        file.write(b"t_s,ICP\n0,12\n")
        for _ in range(12):
            file.write(b"60,12\n" * 2_000_000)
    assert bomb.stat().st_size < 500_000
    with pytest.raises(RecordingError) as caught:
        _describe(bomb)
    assert caught.value.reason == "unpacks_to_much"
    with gzip.open(sound, "wt") as file:
        file.write("t_s,ICP\n" + "".join(f"{60 * i},12\n" for i in range(3000)))
    assert _describe(sound).signals["icp"].fs_hz == pytest.approx(1 / 60)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="modes of files need POSIX")
def test_a_file_that_is_being_written_is_its_owners_alone(tmp_path):
    old = os.umask(0)
    try:
        with atomic_write.writing(tmp_path / "t.csv") as part:
            assert stat.S_IMODE(part.stat().st_mode) == 0o600
    finally:
        os.umask(old)


def test_a_name_that_a_shell_or_a_path_would_follow_is_refused_as_a_patient(tmp_path):
    """A patient's identifier becomes the name of files; it has letters, digits, _ and -."""
    texts = new.texts(title="t", like="tbi", repository=HOME)
    n_columns = len(texts["patients.csv"].split(","))
    for identifier in ("$(touch ran)", "../P1", "P1;ls", "P1/P2", "-rf .", ".hidden"):
        for name, text in texts.items():
            if name.endswith(".csv"):
                (tmp_path / name).write_text(text)
        with (tmp_path / "patients.csv").open("a") as file:
            file.write(identifier + "," * (n_columns - 1) + "\n")
        written = yaml.safe_load(texts["config/config.yaml"])["study"]
        config = changed(study=written | {"folder": str(tmp_path)})
        with pytest.raises(tables.StudyError, match=r"patients\.csv row 2, patient_id: "):
            tables.read_study(config)
