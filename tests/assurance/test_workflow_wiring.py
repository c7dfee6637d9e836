"""A script reads all that its rule declares, and a rule declares all that its script reads."""

import inspect
import re
import textwrap
from pathlib import Path

import pytest
import yaml

from icpcohort.cohort import blinding, outcomes, published_scores
from icpcohort.indices import curve_settings, index_settings, minutes
from icpcohort.provenance import plan_lock
from icpcohort.report.figures import draw_all
from icpcohort.report.patients import browser
from icpcohort.signals import ingest
from icpcohort.study import codings, dictionary_checks, rows, table_columns, tables

HOME = Path(__file__).parents[2]
RULES = "\n".join(path.read_text() for path in sorted(HOME.glob("workflow/rules/*.smk")))
SNAKEFILE = (HOME / "Snakefile").read_text(encoding="utf-8")
CONFIG = yaml.safe_load((HOME / "config/config.yaml").read_text(encoding="utf-8"))
DIRECTIVES = ("input", "output", "params")
# Read by rules in another way: `folder` and the tables through `inputs` and `study`.
THROUGH_THE_STUDY = {"study"}
COMPUTED, OF_DECLARED, OF_MINUTES = (
    re.findall(r'"([\w.]+)"', re.search(rf"\n{name} = .*?\((.*?)\)", SNAKEFILE, re.S)[1])
    for name in ("COMPUTED", "DECLARED", "OF_MINUTES")
)
DECLARED = [*OF_DECLARED, *COMPUTED]
OF_INDICES = inspect.getsource(index_settings.rules_of)
OF_CURVES = inspect.getsource(curve_settings.rules_of) + OF_INDICES
CONSTRUCTORS = {
    "ingest.sections_of": inspect.getsource(ingest.sections_of),
    "index_settings.rules_of": OF_INDICES,
    "minutes.rules_of": inspect.getsource(minutes.rules_of) + OF_CURVES,
}
# Modules, or functions, of what is handed all sections of a script, and read some by name.
HANDED_ALL = {
    "tables.read_study(": (
        *(tables, rows, table_columns, codings),
        *(dictionary_checks.main_column, dictionary_checks.recorded),
    ),
    "outcomes.derive(": (outcomes, published_scores),
    "draw_all.all_pictures(": (draw_all,),
    "browser.render(": (browser,),
    "blinding.outcomes_of(": (blinding,),
}
# Inputs that tell Snakemake when to rerun; the script finds the files through its params.
ONLY_FOR_SNAKEMAKE = {
    ("ingest", "input"): {"files"},
    ("ingest", "params"): {"stamps"},
    ("account", "input"): {"finished"},
    ("numbers", "input"): {"files"},
    ("numbers", "output"): {"files"},  # which are its params `tables` of its patients
    ("gallery", "input"): {"pictures"},
}


def _blocks():
    """Yield each rule; one without a name is made for each of several batches."""
    for begin in re.finditer(r"^( *)rule\b.*:\n(?:\1 .*\n|\n)+", RULES, re.M):
        block = textwrap.dedent(begin[0])
        if named := re.match(r"rule (\w+):", block) or re.search(r'name:\n +f"(\w+)_', block):
            yield named[1], block


def _declared(block, directive):
    match = re.search(rf"\n    {directive}:\n((?:        .*\n)+)", block)
    return set(re.findall(r"^        (\w+)=", match[1], re.M)) if match else set()


def _without_aliases(text):
    """Return a script with `snakemake.input` where it says `read`, and the like."""
    for names, values in re.findall(r"^([\w, ]+) = (.*)$", text, re.M):
        for name, value in zip(names.split(", "), values.split(", "), strict=False):
            if re.fullmatch(r"snakemake\.(input|output|params)", value):
                text = re.sub(rf"(?<![\w.]){name}\.", f"{value}.", text)
    return text


@pytest.mark.parametrize(
    ("rule", "block"), list(_blocks()), ids=[name for name, _ in _blocks()]
)
def test_a_rule_and_its_script_agree(rule, block):
    script = re.search(r'"\.\./scripts/(\w+)\.py"', block)
    assert script and script[1] == rule, "a script has the name of its rule"
    text = (HOME / f"workflow/scripts/{rule}.py").read_text(encoding="utf-8")
    text = _without_aliases(text)
    for directive in DIRECTIVES:
        declared = _declared(block, directive) - ({"code"} if directive == "params" else set())
        declared -= ONLY_FOR_SNAKEMAKE.get((rule, directive), set())
        assert set(re.findall(rf"snakemake\.{directive}\.(\w+)", text)) == declared, directive


def test_a_rule_and_its_script_read_the_same_selection_of_tables():
    selected = {}
    for rule, block in _blocks():
        named = re.findall(r"\breads\.files\(\s*reads\.(\w+)", block)
        text = (HOME / f"workflow/scripts/{rule}.py").read_text(encoding="utf-8")
        assert re.findall(r"reads\.read\(\s*snakemake\.input, reads\.(\w+)", text) == named, (
            rule
        )
        selected |= dict.fromkeys(named, rule)
    assert selected == {
        "REPORT": "report",
        "FIGURES": "figures",
        "PATIENT_PAGE": "patients",
        "SHARE": "share",
    }


def test_every_rule_has_a_sentence_and_the_fingerprint_of_its_own_script():
    blocks = list(_blocks())
    assert len(blocks) > 10
    for rule, block in blocks:
        assert re.search(r'"""[A-Z].*\."""', block), rule
        code = f'fingerprint.code_of(SCRIPTS / "{rule}.py")'
        once = f"{rule.upper()}_CODE"  # for the rules of all batches
        assert f"code={code}" in block or (
            f"code={once}" in block and f"{once} = {code}" in RULES
        ), rule


def test_every_rule_says_what_a_cluster_must_give_it():
    for rule, block in _blocks():
        if "localrule: True" not in block:
            assert _declared(block, "resources") == {"mem_mb", "runtime"}, rule
            assert rule == "model" or re.search(r'\n    group:\n        "\w+"\n', block), rule


def _handed(block):
    """Return the names that a rule hands on by `only`, and those that it leaves out."""
    calls = re.findall(r"only\(\s*SET,((?:[^()]|\([^()]*\))*)\)", block)
    names, left_out = set(), set()
    for call in calls:
        kept, _, without = call.partition("without=")
        names |= set(re.findall(r'"([\w.]+)"', kept))
        names |= set(DECLARED) if "*DECLARED" in kept else set()
        names |= set(COMPUTED) if "*COMPUTED" in kept else set()
        left_out |= set(re.findall(r'"([\w.]+)"', without))
    names |= set(OF_MINUTES) if "OF_MINUTES" in block else set()
    names |= {f"{a}.{b}" for a, b in re.findall(r'SET\["(\w+)"\]\["(\w+)"\]', block)}
    names |= {"plan.blinded_until_locked"} if "IS_BLINDED" in block else set()
    return names, left_out


def _reaches(block, group, name):
    names, left_out = _handed(block)
    return (group in names or f"{group}.{name}" in names) and f"{group}.{name}" not in left_out


@pytest.mark.parametrize(
    ("group", "name"),
    [
        (group, name)
        for group, values in CONFIG.items()
        if group not in THROUGH_THE_STUDY and group != "windows"
        for name in values
    ],
)
def test_every_setting_reaches_a_rule(group, name):
    assert any(_reaches(block, group, name) for _, block in _blocks())


@pytest.mark.parametrize(
    ("rule", "block"), list(_blocks()), ids=[name for name, _ in _blocks()]
)
def test_a_script_uses_the_sections_that_its_rule_hands_on_and_no_other(rule, block):
    handed = {name.partition(".")[0] for name in _handed(block)[0]}
    text = (HOME / f"workflow/scripts/{rule}.py").read_text(encoding="utf-8")
    for constructor, source in CONSTRUCTORS.items():
        text = text.replace(f"{constructor}(", f"{source} (")
    used = set(re.findall(r'(?:settings|made_with)\["(\w+)"\]', text))
    text = text.replace("snakemake.params.settings", "settings").replace(
        "(declared", "(settings"
    )
    for call, modules in HANDED_ALL.items():
        if call in text:
            source = "".join(map(inspect.getsource, modules))
            used |= set(re.findall(r'(?:settings|declared)(?:\[|\.get\()"(\w+)"[\],]', source))
    if re.search(r"contracts\.(patients|outcomes)\(settings\)", text):
        used |= {"variables", "outcomes"}
    if re.search(
        r"(contracts\.(?!patients|outcomes)\w+|as_markdown)\(settings\)|declared=settings\b",
        text,
    ):
        used |= {name.partition(".")[0] for name in DECLARED} & handed
    if "settings=only" in block:
        assert used == handed


def test_the_lock_of_the_plan_holds_every_script_that_an_estimate_rests_on():
    rests_on = {
        rule: set(re.findall(r"rules\.(\w+)\.output", block)) for rule, block in _blocks()
    }
    reached, todo = set(), ["model", "specifications"]
    while todo:
        rule = todo.pop()
        if rule not in reached:
            reached.add(rule)
            todo += rests_on[rule]
    assert reached == set(plan_lock.SCRIPTS)


def test_every_script_belongs_to_a_rule():
    scripts = {path.stem for path in HOME.glob("workflow/scripts/*.py")}
    assert scripts == {rule for rule, _ in _blocks()}
