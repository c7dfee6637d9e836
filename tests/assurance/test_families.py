"""A family of models is a record and what computes it; nothing asks for one by its name."""

import ast
import runpy
from dataclasses import replace
from pathlib import Path

import pytest
from published_settings import DECLARED

import icpcohort
from icpcohort import jobs
from icpcohort.models import fit, replication, wording
from icpcohort.models.registry import COMPUTING
from icpcohort.report.formats import model_page
from icpcohort.study.families import FAMILIES

COHORT = runpy.run_path(str(Path(__file__).parents[1] / "reference" / "test_replication.py"))
SOURCE = Path(icpcohort.__file__).parent
WORKFLOW = [SOURCE.parents[1] / "Snakefile", *SOURCE.parents[1].glob("workflow/rules/*.smk")]
HOMES = {
    SOURCE / "study/families.py",
    SOURCE / "models/registry.py",
    SOURCE / "models/proportional_odds.py",  # its test of proportional odds has the same name
}


def names_asked_for(text):
    """Return the lines in which the name of a family stands, or what such names begin with.

    "linear" is a word of axes and of interpolation too: it counts where it is compared.
    """
    begins = {f"{name.split('_')[0]}_" for name in FAMILIES if "_" in name}
    asked = (set(FAMILIES) | begins) - {"linear"}
    tree = ast.parse(text)
    compared = [
        part
        for node in ast.walk(tree)
        if isinstance(node, ast.Compare)
        for part in ast.walk(node)
    ]
    constants = [node for node in ast.walk(tree) if isinstance(node, ast.Constant)]
    lines = {node.lineno for node in constants if node.value in asked}
    return sorted(
        lines | {node.lineno for node in compared if getattr(node, "value", "") == "linear"}
    )


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ('if plan.family == "gee":\n    pass', [1]),
        ('x = 1\ny = plan["family"] in ("linear", "other")', [2]),
        ('WORDS = {"cox_landmark": "hazard"}', [1]),
        ('f(plan.family == "linear")', [1]),
        ('plan.family.startswith("cox_")', [1]),
        ('values.quantile(0.5, interpolation="linear")', []),
        ('axis.set_xscale("log" if many else "linear")', []),
    ],
)
def test_a_question_for_a_family_by_name_is_seen(text, lines):
    assert names_asked_for(text) == lines


def test_nothing_asks_for_a_family_by_its_name():
    files = [path for path in SOURCE.rglob("*.py") if path not in HOMES]
    assert len(files) > 100
    asked = {
        f"{path.relative_to(SOURCE)}:{line}"
        for path in files
        for line in names_asked_for(path.read_text(encoding="utf-8"))
    }
    assert asked == set()
    for path in WORKFLOW:
        text = path.read_text(encoding="utf-8")
        assert not [name for name in FAMILIES if f'"{name}"' in text], path


def test_every_family_is_computed_under_its_name():
    assert set(COMPUTING) == set(FAMILIES)
    assert all(family.name == name for name, family in FAMILIES.items())


def test_only_a_changing_exposure_and_one_of_several_events_give_no_absolute_risk():
    without = {name for name, computing in COMPUTING.items() if computing.risk is None}
    assert without == {
        family.name
        for family in FAMILIES.values()
        if family.time_dependent or family.events == "needed"
    }


def test_what_is_fitted_at_each_cut_of_a_score_takes_a_flag():
    cut = [family for family in FAMILIES.values() if family.each_cut]
    assert [family.outcome.kind for family in cut] == ["score"]
    assert [FAMILIES[family.each_cut].outcome.kind for family in cut] == ["flag"]


@pytest.mark.parametrize("name", FAMILIES)
def test_a_family_of_another_name_gives_the_same_tables_and_words(name, monkeypatch):
    """So a new family needs its record, what computes it, and no other file."""
    rows = COHORT["patients"](150, seed=7)
    days = COHORT["days"](rows, seed=7)
    changes = {"interaction": "hypoxia", "unit_of_effect": 2.0}
    if COMPUTING[name].risk:
        changes["risks_at"] = (0.0, 2.0)
    asked = COHORT["planned"](name, **changes)
    monkeypatch.setitem(FAMILIES, "invented", replace(FAMILIES[name], name="invented"))
    monkeypatch.setitem(COMPUTING, "invented", COMPUTING[name])
    plans = (asked, replace(asked, family="invented"))
    made, again = (
        fit.fit_model(rows, plan=one, landmark_h=72.0, updates=days) for one in plans
    )
    assert made.estimates["estimate"].null_count() == 0
    assert all(a.equals(b) for a, b in zip(made[:-1], again[:-1], strict=True))
    for words in (
        lambda one: wording.methods_sentence(one, columns={}),
        lambda one: model_page.markdown(
            again, plan=one, methods="", columns={}, declared=DECLARED
        ),
        lambda one: replication.script(again, plan=one),
        lambda one: replication.data(again, plan=one).write_csv(),
        lambda one: jobs.of_family({"family": one.family}, updates="updates.parquet"),
    ):
        assert words(plans[0]) == words(plans[1])
