"""Provenance: a fingerprint of the code that a script reaches, with the libraries under it."""

import ast
import hashlib
import platform
import re
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any

PACKAGE = "icpcohort"
# where the import has another name than what is installed
DISTRIBUTIONS = {"yaml": "pyyaml", "docx": "python-docx", "PIL": "pillow"}
SOURCE = Path(__file__).parents[1]
_BODIES = ("body", "orelse", "finalbody", "handlers", "cases")


@dataclass(frozen=True)
class Reached:
    """What one definition adds to a fingerprint, and where it leads."""

    text: str
    references: tuple[tuple[str, str, str], ...]  # as it is spelled; module and name it means
    libraries: frozenset[str]
    digest: str

    def leads_to(self) -> set[tuple[str, str]]:
        """Return the module and the name of everything that it names."""
        return {(module_name, name) for _, module_name, name in self.references}


@dataclass(frozen=True)
class Module:
    """One file: what it defines at top level, and what its names stand for elsewhere."""

    definitions: dict[str, tuple[ast.stmt, ...]]
    modules: dict[str, str]  # alias -> module of this package
    names: dict[str, tuple[str, str]]  # alias -> (module, name)
    libraries: dict[str, str]  # alias -> distribution that it comes from


def code_of(script: str | Path) -> str:
    """Return a fingerprint of a script and of every definition of the package it reaches.

    A definition is reached when the script, or something reached, names it. Comments,
    docstrings, imports, what a field is annotated with and the layout of the text do not
    count; a changed `<` does. Nor does it count in which module a definition lies. What is
    looked up by a computed name would not be seen, so the package has no such look-up. The
    installed version of each library that is named on the way counts, and of those that it
    requires.
    """
    body = _parse(Path(script))
    main = _module_of(body)
    reached = [_reached_by(body, main, "")]
    todo = sorted(reached[0].leads_to())
    seen: set[tuple[str, str]] = set()
    while todo:
        here = todo.pop()
        if here not in seen:
            seen.add(here)
            reached.append(_reach(*here))
            todo += sorted(reached[-1].leads_to())
    parts = {_with_what_it_names(one) for one in reached if one.text}
    libraries = {library for one in reached for library in one.libraries}
    parts |= {f"library {name} {version}" for name, version in installed(libraries).items()}
    return hashlib.sha256("\n".join(sorted(parts)).encode()).hexdigest()[:16]


def _with_what_it_names(reached: Reached) -> str:
    """Return a definition's text, with the text of what each name in it means.

    So two definitions of one name that change places between modules are seen.
    """
    meant = {
        f"{spelled} {_reach(module_name, name).digest}"
        for spelled, module_name, name in reached.references
    }
    return "\n".join([reached.text, *sorted(meant)])


def code_of_all(scripts: Path) -> str:
    """Return one fingerprint of all scripts in a folder and all that they reach."""
    codes = [code_of(script) for script in sorted(scripts.glob("*.py"))]
    return hashlib.sha256("".join(codes).encode()).hexdigest()[:16]


@cache
def _reach(module_name: str, name: str) -> Reached:
    """Look at one definition, once for all scripts that reach it."""
    module = load(module_name)
    if name == "*":
        every = tuple((each, module_name, each) for each in module.definitions)
        return Reached("", every, frozenset(), "")
    if name not in module.definitions and name in module.names:
        return _reach(*module.names[name])
    return _reached_by(module.definitions.get(name, ()), module, module_name)


def _reached_by(nodes: Iterable[ast.stmt], module: Module, module_name: str) -> Reached:
    text = "".join(ast.dump(node) for node in nodes)
    inside = [inner for node in nodes for inner in ast.walk(node)]
    return Reached(
        text,
        tuple(_references(inside, module, module_name)),
        frozenset(_libraries(inside, module)),
        hashlib.sha256(text.encode()).hexdigest(),
    )


@cache
def load(module_name: str) -> Module:
    """Parse a module of the package."""
    path = SOURCE.joinpath(*module_name.split(".")[1:])
    file = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
    return _module_of(_parse(file))


def _module_of(body: list[ast.stmt]) -> Module:
    definitions: dict[str, tuple[ast.stmt, ...]] = {}
    modules: dict[str, str] = {}
    names: dict[str, tuple[str, str]] = {}
    libraries: dict[str, str] = {}
    imports: list[ast.AST] = []
    body[:] = _with_meaning(body, imports)
    for node in imports:
        _note_import(node, modules, names)
        _note_library(node, libraries)
    for node in body:
        for name in _defines(node):
            definitions[name] = (*definitions.get(name, ()), node)
    return Module(definitions, modules, names, libraries)


def _with_meaning(body: list[Any], imports: list[ast.AST]) -> list[Any]:
    """Leave out, at every depth, what does not count, and put the imports aside.

    Texts that do nothing, imports, and annotations of fields say where code lies, or only
    describe it. All of them are statements, so expressions need not be looked into.
    """
    kept = []
    for node in body:
        if isinstance(node, ast.Import | ast.ImportFrom):
            imports.append(node)
        elif not _is_text(node):
            if isinstance(node, ast.AnnAssign):
                node.annotation = ast.Constant(None)
            for part in _BODIES:
                if isinstance(inner := getattr(node, part, None), list):
                    setattr(node, part, _with_meaning(inner, imports))
            kept.append(node)
    return kept


def _defines(node: ast.stmt) -> list[str]:
    match node:
        case ast.FunctionDef(name=name) | ast.ClassDef(name=name):
            return [name]
        case ast.Assign(targets=targets):
            return [n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name)]
        case ast.AnnAssign(target=ast.Name(id=name)):
            return [name]
        case _:
            return []


def _note_import(
    node: ast.AST, modules: dict[str, str], names: dict[str, tuple[str, str]]
) -> None:
    if isinstance(node, ast.Import):
        for alias in node.names:
            if alias.name.split(".")[0] == PACKAGE:
                modules[alias.asname or alias.name] = alias.name
    if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == PACKAGE:
        for alias in node.names:
            whole = f"{node.module}.{alias.name}"
            if _is_module(whole):
                modules[alias.asname or alias.name] = whole
            else:
                names[alias.asname or alias.name] = (str(node.module), alias.name)


def _note_library(node: ast.AST, libraries: dict[str, str]) -> None:
    """Note where a name comes from, if it is neither of this package nor of Python's own."""
    if isinstance(node, ast.Import):
        names = {alias.asname or alias.name.split(".")[0]: alias.name for alias in node.names}
    elif isinstance(node, ast.ImportFrom):
        names = {alias.asname or alias.name: str(node.module) for alias in node.names}
    else:
        return
    for alias, whole in names.items():
        top = whole.split(".")[0]
        if top != PACKAGE and top not in sys.stdlib_module_names:
            libraries[alias] = DISTRIBUTIONS.get(top, top)


def _libraries(inside: list[ast.AST], module: Module) -> set[str]:
    """Return the distributions of every library that a piece of code names."""
    named = {inner.id for inner in inside if isinstance(inner, ast.Name)}
    return {module.libraries[name] for name in named & set(module.libraries)}


def installed(libraries: set[str]) -> dict[str, str]:
    """Return the versions of distributions and of all that they require, by name."""
    todo, versions = sorted(libraries), dict[str, str]()
    while todo:
        name = todo.pop()
        if name not in versions:
            version, required = _installed(name)
            versions[name] = version
            todo += required
    return {name: versions[name] for name in sorted(versions) if versions[name]}


@cache
def _installed(name: str) -> tuple[str, tuple[str, ...]]:
    """Return the version of a distribution, empty if it is not there, and what it requires."""
    try:
        distribution = metadata.distribution(name)
    except metadata.PackageNotFoundError:
        return "", ()
    required = (
        re.split(r"[^A-Za-z0-9._-]", line)[0]
        for line in distribution.requires or ()
        if "extra ==" not in line
    )
    return distribution.version, tuple(
        sorted({name.lower().replace("_", "-") for name in required})
    )


@cache
def _is_module(name: str) -> bool:
    path = SOURCE.joinpath(*name.split(".")[1:])
    return path.is_dir() or path.with_suffix(".py").is_file()


def _references(
    inside: list[ast.AST], module: Module, module_name: str
) -> list[tuple[str, str, str]]:
    """Return every name of the package in a piece of code: as spelled, its module, its name."""
    references = []
    qualified = set()
    for inner in inside:
        if isinstance(inner, ast.Attribute) and isinstance(
            inner.value, ast.Name | ast.Attribute
        ):
            prefix = _dotted(inner.value)
            if prefix in module.modules:
                references.append(
                    (f"{prefix}.{inner.attr}", module.modules[prefix], inner.attr)
                )
                qualified.add(id(inner.value))
    for inner in inside:
        if isinstance(inner, ast.Name) and id(inner) not in qualified:
            if inner.id in module.definitions and module_name:
                references.append((inner.id, module_name, inner.id))
            elif inner.id in module.names:
                references.append((inner.id, *module.names[inner.id]))
            elif inner.id in module.modules:
                references.append((inner.id, module.modules[inner.id], "*"))
    return references


def _dotted(node: ast.expr) -> str:
    """Return a name with its dots; empty for another expression."""
    if isinstance(node, ast.Name):
        return node.id
    prefix = _dotted(node.value) if isinstance(node, ast.Attribute) else ""
    return f"{prefix}.{node.attr}" if prefix and isinstance(node, ast.Attribute) else ""


def _parse(file: Path) -> list[ast.stmt]:
    return ast.parse(file.read_text(encoding="utf-8")).body


def _is_text(node: ast.AST) -> bool:
    return (
        isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    )


LIBRARIES = (
    *("polars", "pyarrow", "numpy", "scipy", "statsmodels"),
    *("soundfile", "wfdb", "edfio", "snakemake"),
)


def versions() -> dict[str, str]:
    """Return the versions of the project, of Python and of the libraries it computes with."""
    return {PACKAGE: metadata.version(PACKAGE), "python": platform.python_version()} | {
        library: metadata.version(library) for library in LIBRARIES
    }


def fingerprints(paths: Iterable[str | Path]) -> dict[str, str]:
    """Return the SHA-256 of each file by its name, in the order given."""
    return {
        Path(path).name: hashlib.sha256(Path(path).read_bytes()).hexdigest() for path in paths
    }
