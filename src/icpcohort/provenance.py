"""Provenance: a fingerprint of the code that a script reaches, with the libraries under it."""

import ast
import hashlib
import platform
import re
import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any

PACKAGE = "icpcohort"
# where the import has another name than what is installed
DISTRIBUTIONS = {"yaml": "pyyaml", "docx": "python-docx", "PIL": "pillow"}
SOURCE = Path(__file__).parent


@dataclass(frozen=True)
class Reached:
    """What one definition adds to a fingerprint, and where it leads."""

    text: str
    references: tuple[tuple[str, str], ...]  # (module, name) of this package
    libraries: frozenset[str]


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
    docstrings and the layout of the text do not count; a changed `<` does. What is looked
    up by a computed name would not be seen, so the package has no such look-up. The installed
    version of each library that is named on the way counts, and of those that it requires.
    """
    body = _parse(Path(script))
    main = _module_of(body)
    parts = {"script": _dump(body)}
    libraries = {found for node in body for found in _libraries(node, main)}
    todo = sorted({found for node in body for found in _references(node, main, "")})
    seen: set[tuple[str, str]] = set()
    while todo:
        here = todo.pop()
        if here in seen:
            continue
        seen.add(here)
        module_name, name = here
        reached = _reach(module_name, name)
        if reached.text:
            parts[f"{module_name}.{name}"] = reached.text
        todo += reached.references
        libraries |= reached.libraries
    parts |= {f"library {name}": version for name, version in installed(libraries).items()}
    text = "\n".join(f"{key} {parts[key]}" for key in sorted(parts))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def code_of_all(scripts: Path) -> str:
    """Return one fingerprint of all scripts in a folder and all that they reach."""
    codes = [code_of(script) for script in sorted(scripts.glob("*.py"))]
    return hashlib.sha256("".join(codes).encode()).hexdigest()[:16]


def named(params: Mapping[str, Any]) -> Callable[[Any], str]:
    """Return what fingerprints a rule's params with their names, given a job's wildcards.

    Snakemake 9.27 compares a job's params as a set of values: of two settings that change
    places, or one that takes the value of another, it sees nothing.
    """

    def of_a_job(wildcards: Any) -> str:
        values = {
            name: value(wildcards) if callable(value) else value
            for name, value in params.items()
        }
        return hashlib.sha256(repr(sorted(values.items())).encode()).hexdigest()[:16]

    return of_a_job


@cache
def _reach(module_name: str, name: str) -> Reached:
    """Look at one definition, once for all scripts that reach it."""
    module = load(module_name)
    if name == "*":
        return Reached(
            "", tuple((module_name, each) for each in module.definitions), frozenset()
        )
    nodes = module.definitions.get(name, ())
    if not nodes and name in module.names:
        return Reached("", (module.names[name],), frozenset())
    return Reached(
        _dump(nodes),
        tuple(found for node in nodes for found in _references(node, module, module_name)),
        frozenset(found for node in nodes for found in _libraries(node, module)),
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
    for node in body:
        for name in _defines(node):
            definitions[name] = (*definitions.get(name, ()), node)
        for inner in ast.walk(node):
            _note_import(inner, modules, names)
            _note_library(inner, libraries)
    return Module(definitions, modules, names, libraries)


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
        found = {alias.asname or alias.name.split(".")[0]: alias.name for alias in node.names}
    elif isinstance(node, ast.ImportFrom):
        found = {alias.asname or alias.name: str(node.module) for alias in node.names}
    else:
        return
    for alias, whole in found.items():
        top = whole.split(".")[0]
        if top != PACKAGE and top not in sys.stdlib_module_names:
            libraries[alias] = DISTRIBUTIONS.get(top, top)


def _libraries(node: ast.AST, module: Module) -> set[str]:
    """Return the distributions of every library that a piece of code names."""
    named = {inner.id for inner in ast.walk(node) if isinstance(inner, ast.Name)}
    return {module.libraries[name] for name in named & set(module.libraries)}


def installed(libraries: set[str]) -> dict[str, str]:
    """Return the versions of distributions and of all that they require, by name."""
    todo, found = sorted(libraries), dict[str, str]()
    while todo:
        name = todo.pop()
        if name not in found:
            version, required = _installed(name)
            found[name] = version
            todo += required
    return {name: found[name] for name in sorted(found) if found[name]}


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


def _references(node: ast.AST, module: Module, module_name: str) -> list[tuple[str, str]]:
    """Return every (module, name) of the package that a piece of code names."""
    found = []
    qualified = set()
    for inner in ast.walk(node):
        if isinstance(inner, ast.Attribute) and ast.unparse(inner.value) in module.modules:
            found.append((module.modules[ast.unparse(inner.value)], inner.attr))
            qualified.add(id(inner.value))
    for inner in ast.walk(node):
        if isinstance(inner, ast.Name) and id(inner) not in qualified:
            if inner.id in module.definitions and module_name:
                found.append((module_name, inner.id))
            elif inner.id in module.names:
                found.append(module.names[inner.id])
            elif inner.id in module.modules:
                found.append((module.modules[inner.id], "*"))
    return found


def _dump(nodes: Iterable[ast.AST]) -> str:
    return "".join(ast.dump(node) for node in nodes)


def _parse(file: Path) -> list[ast.stmt]:
    """Return the statements of a file without docstrings and other texts that do nothing."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        if isinstance(body, list):
            body[:] = [statement for statement in body if not _is_text(statement)]
    return tree.body


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
