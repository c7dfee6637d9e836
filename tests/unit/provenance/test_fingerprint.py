from pathlib import Path

import pytest

from icpcohort.provenance import fingerprint


def _forget():
    for remembered in (fingerprint.load, fingerprint._is_module, fingerprint._reach):
        remembered.cache_clear()
    fingerprint._installed.cache_clear()


@pytest.fixture
def package(tmp_path, monkeypatch):
    """A package of five modules and a script that reaches part of it."""
    root = tmp_path / "src"
    root.mkdir()
    files = {
        "contracts.py": "KEPT = {'a': 1}\nOTHER = {'b': 2}\n",
        "stage.py": (
            '"""A stage."""\nfrom icpcohort import contracts\n'
            "from icpcohort.deep import LIMIT, least\nfrom icpcohort import other\n"
            "import polars as pl\n\n"
            "class Settings:\n    settle_s: Annotated[float, LARGEST] = 2.0\n\n"
            "LARGEST = 9\n\n"
            "def drop(x):\n"
            '    """Drop."""\n    # why\n    known = pl.len(x) < LIMIT and contracts.KEPT\n'
            "    return known, Settings.settle_s, least(x), other.least(x)\n\n"
            "def methods_sentence():\n    import numpy\n    return numpy, 'words'\n"
        ),
        "deep.py": (
            "from icpcohort.deeper import LIMIT\n\nUNUSED = 4\n\n"
            "def least(x):\n    return 'the first'\n"
        ),
        "other.py": "def least(x):\n    return 'the other'\n",
        "deeper.py": "LIMIT = 3\n",
    }
    for name, text in files.items():
        (root / name).write_text(text)
    script = tmp_path / "script.py"
    script.write_text("from icpcohort import stage\n\nprint(stage.drop(snakemake.input.x))\n")
    monkeypatch.setattr(fingerprint, "SOURCE", root)

    def code_after(*edits):
        for name, old, new in edits:
            path = root / name if name != "script.py" else script
            text = path.read_text()
            assert old in text
            path.write_text(text.replace(old, new))
        _forget()
        return fingerprint.code_of(script)

    yield code_after
    _forget()


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("stage.py", "x) < LIMIT", "x) <= LIMIT"),
        ("deeper.py", "LIMIT = 3", "LIMIT = 2"),
        ("contracts.py", "'a': 1", "'a': 2"),
        ("script.py", "input.x", "input.y"),
        ("stage.py", "= 2.0", "= 3.0"),
    ],
)
def test_a_change_that_the_script_reaches_changes_the_fingerprint(package, name, old, new):
    assert package() != package((name, old, new))


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("stage.py", "# why", "# because"),
        ("stage.py", "Drop.", "Drop rows."),
        ("stage.py", "A stage.", "The stage."),
        ("stage.py", "x) < LIMIT", "x)  <  LIMIT"),
        ("stage.py", "'words'", "'other words'"),
        ("deep.py", "UNUSED = 4", "UNUSED = 5"),
        ("contracts.py", "'b': 2", "'b': 3"),
        ("stage.py", "[float, LARGEST]", "[float, 7]"),
        ("stage.py", "LARGEST = 9", "LARGEST = 10"),
        ("script.py", "import stage", "import stage, contracts"),
    ],
)
def test_a_change_that_computes_nothing_for_the_script_does_not(package, name, old, new):
    assert package() == package((name, old, new))


def test_a_definition_that_moves_to_another_module_does_not(package):
    moved = [
        ("deeper.py", "LIMIT = 3\n", "OTHER = 1\n"),
        ("contracts.py", "KEPT", "LIMIT = 3\nKEPT"),
        ("stage.py", "from icpcohort.deep import LIMIT, ", "from icpcohort.deep import "),
        (
            "stage.py",
            "import contracts",
            "import contracts\nfrom icpcohort.contracts import LIMIT",
        ),
    ]
    assert package() == package(*moved)


def test_two_definitions_of_one_name_that_change_places_do(package):
    exchanged = [("deep.py", "the first", "the other"), ("other.py", "the other", "the first")]
    assert package() != package(*exchanged)


def test_the_workflows_scripts_reach_what_they_compute_with():
    scripts = Path(__file__).parents[3] / "workflow/scripts"
    _forget()
    codes = {path.name: fingerprint.code_of(path) for path in sorted(scripts.glob("*.py"))}
    assert len(set(codes.values())) == len(codes)


@pytest.fixture
def upgraded(tmp_path, monkeypatch):
    """Let a distribution seem to have another version, as another one on the path would."""

    def upgrade(name, requires=""):
        folder = tmp_path / "site" / f"{name.replace('-', '_')}-99.dist-info"
        folder.mkdir(parents=True)
        (folder / "METADATA").write_text(
            f"Metadata-Version: 2.1\nName: {name}\nVersion: 99\n{requires}"
        )
        monkeypatch.syspath_prepend(folder.parent)

    return upgrade


@pytest.mark.parametrize(
    ("library", "counts"),
    [
        ("polars", True),
        ("polars-runtime-32", True),  # what polars requires, and computes with
        ("numpy", False),  # named by a definition that is not reached
        ("scipy", False),
    ],
)
def test_the_version_of_a_library_counts_where_it_is_reached(
    package, upgraded, library, counts
):
    before = package()
    upgraded(library)
    assert (package() != before) == counts


def test_a_requirement_for_an_extra_or_of_nothing_installed_does_not_count(upgraded):
    upgraded("polars", 'Requires-Dist: scipy ; extra == "all"\nRequires-Dist: not-there >=1\n')
    _forget()
    assert fingerprint.installed({"polars"}) == {"polars": "99"}
    _forget()


def test_every_import_of_the_package_is_an_installed_distribution():
    imports = {
        library
        for path in fingerprint.SOURCE.rglob("*.py")
        for library in fingerprint._module_of(fingerprint._parse(path)).libraries.values()
    }
    assert {"polars", "numpy", "scipy", "pyyaml"} <= imports
    assert {name for name in imports if not fingerprint.installed({name})} == set()
