"""Provenance: a fingerprint of the code that a script reaches, and of what it runs on."""

import ast
import hashlib
import platform
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib import metadata
from pathlib import Path

PACKAGE = "icpcohort"
SOURCE = Path(__file__).parent


@dataclass(frozen=True)
class Module:
    """One file: what it defines at top level, and what its names stand for elsewhere."""

    definitions: dict[str, tuple[ast.stmt, ...]]
    modules: dict[str, str]  # alias -> module of this package
    names: dict[str, tuple[str, str]]  # alias -> (module, name)


def code_of(script: str | Path) -> str:
    """Return a fingerprint of a script and of every definition of the package it reaches.

    A definition is reached when the script, or something reached, names it. Comments,
    docstrings and the layout of the text do not count; a changed `<` does. What is looked
    up by a computed name would not be seen, so the package has no such look-up.
    """
    body = ast.parse(Path(script).read_text(encoding="utf-8")).body
    main = _module_of(body)
    parts = {"script": _dump(statement for statement in body)}
    todo = sorted({found for node in body for found in _references(node, main, "")})
    seen: set[tuple[str, str]] = set()
    while todo:
        here = todo.pop()
        if here in seen:
            continue
        seen.add(here)
        module_name, name = here
        module = load(module_name)
        nodes = module.definitions.get(name, ())
        if nodes:
            parts[f"{module_name}.{name}"] = _dump(nodes)
        for node in nodes:
            todo += _references(node, module, module_name)
        if not nodes and name in module.names:
            todo.append(module.names[name])
        if name == "*":
            todo += [(module_name, defined) for defined in module.definitions]
    text = "\n".join(f"{key} {parts[key]}" for key in sorted(parts))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


@cache
def load(module_name: str) -> Module:
    """Parse a module of the package."""
    path = SOURCE.joinpath(*module_name.split(".")[1:])
    file = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
    return _module_of(ast.parse(file.read_text(encoding="utf-8")).body)


def _module_of(body: list[ast.stmt]) -> Module:
    definitions: dict[str, tuple[ast.stmt, ...]] = {}
    modules: dict[str, str] = {}
    names: dict[str, tuple[str, str]] = {}
    for node in body:
        for name in _defines(node):
            definitions[name] = (*definitions.get(name, ()), node)
        for inner in ast.walk(node):
            _note_import(inner, modules, names)
    return Module(definitions, modules, names)


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


def _dump(nodes: object) -> str:
    return "".join(ast.dump(_without_docstrings(node)) for node in nodes)  # type: ignore[attr-defined]


def _without_docstrings(node: ast.AST) -> ast.AST:
    class Strip(ast.NodeTransformer):
        def generic_visit(self, inner: ast.AST) -> ast.AST:
            super().generic_visit(inner)
            body = getattr(inner, "body", None)
            if isinstance(body, list):
                body[:] = [statement for statement in body if not _is_text(statement)]
            return inner

    return Strip().visit(ast.parse(ast.unparse(node)))  # type: ignore[no-any-return]


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
