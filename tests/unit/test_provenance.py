from pathlib import Path

import pytest

from icpcohort import provenance


@pytest.fixture
def package(tmp_path, monkeypatch):
    """A package of four modules and a script that reaches part of it."""
    root = tmp_path / "src"
    root.mkdir()
    files = {
        "contracts.py": "KEPT = {'a': 1}\nOTHER = {'b': 2}\n",
        "stage.py": (
            '"""A stage."""\nfrom icpcohort import contracts\n'
            "from icpcohort.deep import LIMIT\n\n"
            "def drop(x):\n"
            '    """Drop."""\n    # why\n    return x < LIMIT and contracts.KEPT\n\n'
            "def methods_sentence():\n    return 'words'\n"
        ),
        "deep.py": "from icpcohort.deeper import LIMIT\n\nUNUSED = 4\n",
        "deeper.py": "LIMIT = 3\n",
    }
    for name, text in files.items():
        (root / name).write_text(text)
    script = tmp_path / "script.py"
    script.write_text("from icpcohort import stage\n\nprint(stage.drop(snakemake.input.x))\n")
    monkeypatch.setattr(provenance, "SOURCE", root)

    def code_after(name="", old="", new=""):
        if name:
            path = root / name if name != "script.py" else script
            text = path.read_text()
            assert old in text
            path.write_text(text.replace(old, new))
        provenance.load.cache_clear()
        provenance._is_module.cache_clear()
        return provenance.code_of(script)

    yield code_after
    provenance.load.cache_clear()
    provenance._is_module.cache_clear()


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("stage.py", "x < LIMIT", "x <= LIMIT"),
        ("deeper.py", "LIMIT = 3", "LIMIT = 2"),
        ("contracts.py", "'a': 1", "'a': 2"),
        ("script.py", "input.x", "input.y"),
    ],
)
def test_a_change_that_the_script_reaches_changes_the_fingerprint(package, name, old, new):
    assert package() != package(name, old, new)


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("stage.py", "# why", "# because"),
        ("stage.py", "Drop.", "Drop rows."),
        ("stage.py", "A stage.", "The stage."),
        ("stage.py", "x < LIMIT", "x  <  LIMIT"),
        ("stage.py", "'words'", "'other words'"),
        ("deep.py", "UNUSED = 4", "UNUSED = 5"),
        ("contracts.py", "'b': 2", "'b': 3"),
    ],
)
def test_a_change_that_computes_nothing_for_the_script_does_not(package, name, old, new):
    assert package() == package(name, old, new)


def test_the_workflows_scripts_reach_what_they_compute_with():
    scripts = Path(__file__).parents[2] / "workflow/scripts"
    provenance.load.cache_clear()
    codes = {path.name: provenance.code_of(path) for path in sorted(scripts.glob("*.py"))}
    assert len(set(codes.values())) == len(codes)
