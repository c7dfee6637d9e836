"""Faults of pages: links, names, commands and lines that are not there; long paragraphs."""

import ast
import fnmatch
import re
from functools import cache
from pathlib import Path

import yaml
from published_settings import PUBLISHED

from icpcohort import cli
from icpcohort.contracts import readme
from icpcohort.provenance import plan_lock
from icpcohort.report.sharing import names as share_names

HOME = Path(__file__).parents[1]
LIBRARY = HOME / "src/icpcohort"
MOST_WORDS = 120
OF_OTHERS = ("cox.zph", "scipy.special")  # members of other projects that pages name


def prose(text):
    """Return a page without its blocks of code."""
    return re.sub(r"^```.*?^```$", "", text, flags=re.MULTILINE | re.DOTALL)


# --- links -------------------------------------------------------------------------------


def anchors(text):
    headings = re.findall(r"^#+ (.+)$", prose(text), re.MULTILINE)
    kept = ["".join(c for c in h.lower() if c.isalnum() or c in "-_ ") for h in headings]
    return {heading.replace(" ", "-") for heading in kept}


def dead_links(text, *, page):
    """List the links that lead to no file, heading, or result of a run."""
    problems = []
    for target in re.findall(r"\[[^\[\]]+\]\(([^()\s]+)\)", prose(text)):
        if re.match(r"[a-z]+:", target):
            continue
        name, _, anchor = target.partition("#")
        path = (page.parent / name).resolve() if name else page
        if not path.exists():
            if not is_made_by_a_run(path.relative_to(HOME).as_posix()):
                problems.append(f"{target}: no such file")
        elif anchor and anchor not in anchors(
            text if path == page else path.read_text("utf-8")
        ):
            problems.append(f"{target}: no such heading")
    return problems


# --- names -------------------------------------------------------------------------------


@cache
def paths_of_a_run():
    """Return what rules write, with a star for each part that depends on the study."""
    places = [*(HOME / "workflow/rules").glob("*.smk"), HOME / "profiles/slurm/config.yaml"]
    text = "".join(path.read_text("utf-8") for path in places)
    found = set(re.findall(r"\b(?:results|logs)/[^\s\"',\]]+", text))
    found |= {f"results/{table.path}" for table in readme.results_tables(PUBLISHED)}
    found |= {f"results/share/{name}" for name in share_names.FILES}
    found |= {plan_lock.FILE, plan_lock.CHANGES_FILE}
    return {re.sub(r"[{<][^}>]*[}>]", "*", path) for path in found}


def is_made_by_a_run(path):
    """Say whether a rule writes a file, or files below a folder; NAME and the like vary."""
    wanted = re.sub(r"<[^>]*>|NAME|RULE|PATIENT", "*", path).rstrip("/")
    return path in plain_names() or any(
        fnmatch.fnmatch(one, wanted)
        or fnmatch.fnmatch(wanted, one)
        or one.startswith(wanted + "/")
        for one in paths_of_a_run()
    )


@cache
def source(room="."):
    return "".join(path.read_text("utf-8") for path in (LIBRARY / room).rglob("*.py"))


@cache
def plain_names():
    """Return the name of every file of the project, of a study and of its results."""
    study = yaml.safe_load((HOME / "config/config.yaml").read_text("utf-8"))["study"]
    folders = ("src", "tests", "workflow", "config", "docs", "profiles")
    files = [*HOME.glob("*"), *(path for name in folders for path in (HOME / name).rglob("*"))]
    names = {Path(path).name for path in [*files, *paths_of_a_run()]}
    return names | {study[name] for name in ("patients", "recordings", "monitors", "events")}


@cache
def defined(stem):
    """Return the names that modules or packages of one name define or hand on."""
    files = [*LIBRARY.rglob(f"{stem}.py"), *LIBRARY.rglob(f"{stem}/__init__.py")]
    names = set()
    for node in (
        node for file in files for node in ast.walk(ast.parse(file.read_text("utf-8")))
    ):
        match node:
            case ast.FunctionDef() | ast.ClassDef():
                names.add(node.name)
            case ast.Name(ctx=ast.Store()):
                names.add(node.id)
            case ast.ImportFrom():
                names |= {alias.asname or alias.name for alias in node.names}
    names |= {path.stem for file in files for path in file.parent.glob("*")}
    return names


@cache
def sections():
    text = (HOME / "config/config.yaml").read_text("utf-8")
    return yaml.safe_load(text)


def unknown_names(text):
    """List what looks like a file, a module or a setting of the project and is none."""
    problems = []
    for name in re.findall(r"`([^`\s]+)`", prose(text)):
        if re.search(r"[()=\[\]:;,]|\.\.|^[.*/~-]|^10\^", name):
            continue
        if "/" in name:
            problems += [] if is_a_path(name) else [f"{name}: no such file"]
        elif re.search(
            r"\.(py|smk|md|ya?ml|json|toml|parquet|csv|dta|feather|html|docx|svg|R|sh)$", name
        ):
            known = name in plain_names() or f'"{name}"' in source()
            problems += [] if known else [f"{name}: no file has this name"]
        elif "." in name:
            problems += [] if is_a_member(name) else [f"{name}: no such member or setting"]
    return problems


def is_a_path(name):
    there = any(list(at.glob(name.rstrip("/"))) for at in (HOME, LIBRARY))
    made = is_made_by_a_run(name) or is_made_by_a_run(f"results/{name}")
    simulated = name.startswith("truth/") and f'"{Path(name).name}"' in source("simulate")
    return there or made or simulated


def is_a_member(name):
    *parts, last = name.removeprefix("icpcohort.").split(".")
    settings = sections()
    if parts[0] in settings:
        for part in [*parts, last]:
            settings = settings.get(part) if isinstance(settings, dict) else None
        if settings is not None:
            return True
    of_module = defined(parts[-1])
    return name in OF_OTHERS or bool(fnmatch.filter(of_module, last))


# --- commands ----------------------------------------------------------------------------


def commands(text):
    """Return the commands of a page, each as its words up to the first argument of a user."""
    code = re.findall(r"^```\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    lines = [line.removeprefix("$ ") for block in code for line in block.splitlines()]
    inline = [" ".join(one.split()) for one in re.findall(r"`([^`]+)`", prose(text))]
    lines += [one for one in inline if " " in one or one == "make"]
    return [shortened(line) for line in lines if re.match(TYPED, line)]


TYPED = r"(make|icpcohort|python|snakemake|Rscript|grep)( |$)"


def shortened(line):
    words = line.split("#")[0].split()
    if words[0] == "make":
        words = [word for word in words if re.fullmatch("[a-z]+", word)][:2]
    elif words[0] == "icpcohort":
        words = words[: 3 if words[1:2] == ["plan"] else 2]
    elif words[0] == "grep":
        words = words[:1]
    elif words[:2] != ["python", "-m"]:
        words = words[:2]
    else:
        words = words[:3]
    return " ".join(words)


@cache
def targets():
    makefile = (HOME / "Makefile").read_text("utf-8")
    return set(re.findall(r"^([a-z]+):", makefile, re.MULTILINE))


@cache
def verbs():
    parser = cli._parser()
    return set(next(a.choices for a in parser._actions if a.dest == "command"))


def unknown_commands(text):
    """List the commands whose target, verb or script is not there."""
    problems = []
    for command in commands(text):
        program, *rest = command.split()
        missing = rest and (
            (program == "make" and rest[0] not in targets())
            or (program == "icpcohort" and rest[0] not in verbs() and rest[0] != "--help")
            or (program == "python" and rest[0] != "-m" and not (HOME / rest[0]).is_file())
        )
        problems += [f"{command}: no such command"] if missing else []
    return problems


# --- lengths -----------------------------------------------------------------------------


def long_paragraphs(text):
    """List the first words of paragraphs, items of lists and cells that are too long."""
    blocks = []
    for block in re.split(r"\n\s*\n|\n(?=\s*(?:[*-]|\d+\.) )|\n(?=\|)", prose(text)):
        is_row = block.lstrip().startswith("|")
        blocks += re.split(r"(?<!\\)\|", block) if is_row else [block]
    words = [re.sub(r"^\s*(?:[*>-]|\d+\.) ", "", block).split() for block in blocks]
    return [" ".join(those[:6]) for those in words if len(those) > MOST_WORDS]


# --- rooms -------------------------------------------------------------------------------


def rooms(text):
    """Return the line that lives in each room, by the table of DEVELOPERS.md."""
    table = text.split("| room |")[1].split("\n\n")[0]
    rows = [line.split(" | ") for line in table.splitlines() if line.startswith("| `")]
    return {row[0].strip("| `"): row[2].removesuffix(" |").strip("`") for row in rows}


def strangers(lines):
    """List the lines that stand in no file of their room."""
    problems = []
    for room, line in lines.items():
        at = LIBRARY / room
        files = at.rglob("*.py") if at.is_dir() else [at.with_suffix(".py")]
        if not any(line in path.read_text("utf-8") for path in files):
            problems.append(f"{room}: {line}")
    return problems
