"""What was locked cannot change unseen, and a blinded run tells nothing of who had what."""

import copy
import json

import polars as pl
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st
from published_settings import DECLARED

from icpcohort import contracts
from icpcohort.cohort import blinding
from icpcohort.contracts import store
from icpcohort.provenance import plan_lock
from icpcohort.study import settings

OUTCOMES = blinding.outcomes_of(DECLARED)
NOW = plan_lock.Now(
    {"burden": {"inequality": "strict", "thresholds": {"icp": {"above": [18.0, 20.0]}}}},
    {"m": {"exposure": "a", "adjust_for": ["b"]}, "k": {"exposure": "c"}},
    {"q": {"choices": {"x": {"options": [{"label": "one"}]}}}},
    {"burden": "0123", "model": "4567"},
    {"monitors": "89ab"},
)


@pytest.fixture
def locked(tmp_path):
    path = tmp_path / "plan.lock.json"
    path.write_text(plan_lock.lock(NOW, locked_on="2026-01-02", was_blinded=True))
    return plan_lock.read(path)


def changed(**parts):
    return copy.deepcopy(NOW)._replace(**parts)


def names(locked, now):
    return plan_lock.changes(locked, now, reasons={})["what"].to_list()


def test_nothing_changed_is_as_planned(locked):
    table = plan_lock.changes(locked, NOW, reasons={})
    assert table.is_empty()
    assert store.problems(table, contracts.PLAN_CHANGES) == []
    status = plan_lock.status(table, locked, models=["m", "k"])
    assert status["status"].to_list() == ["as planned", "as planned"]
    assert "Nothing has changed" in plan_lock.in_words(locked, table)


@pytest.mark.parametrize(
    ("part", "value", "what", "concerned"),
    [
        (
            "settings",
            {
                "burden": {
                    "inequality": "or_equal",
                    "thresholds": {"icp": {"above": [18.0, 20.0]}},
                }
            },
            "settings: burden.inequality",
            ["m", "k"],
        ),
        (
            "settings",
            {"burden": {"inequality": "strict", "thresholds": {"icp": {"above": [18.0]}}}},
            "settings: burden.thresholds.icp.above",
            ["m", "k"],
        ),
        (
            "models",
            {"m": {"exposure": "z", "adjust_for": ["b"]}, "k": {"exposure": "c"}},
            "models: m.exposure",
            ["m"],
        ),
        ("models", {"m": NOW.models["m"]}, "models: k.exposure", []),
        ("code", {"burden": "0124", "model": "4567"}, "code: burden", ["m", "k"]),
        ("inputs", {"monitors": "89ac"}, "inputs: monitors", ["m", "k"]),
        (
            "specifications",
            {"q": {"choices": {"x": {"options": [{"label": "two"}]}}}},
            "specifications: q.choices.x.options, entry 1.label",
            [],
        ),
    ],
)
def test_a_change_is_named_and_concerns_the_models_that_it_reaches(
    locked, part, value, what, concerned
):
    now = changed(**{part: value})
    assert names(locked, now) == [what]
    table = plan_lock.changes(locked, now, reasons={what: plan_lock.Reason("2026-02-01", "w")})
    assert table.row(0, named=True)["why"] == "w"
    models = list(now.models)
    status = plan_lock.status(table, locked, models=models)
    status_of = dict(zip(status["model"], status["status"], strict=True))
    assert status_of == {
        m: "changed after the lock" if m in concerned else "as planned" for m in models
    }
    assert status["n_unexplained"].to_list() == [0] * len(models)


def test_a_new_model_is_added_and_unexplained_changes_are_counted(locked):
    now = changed(models=NOW.models | {"new": {"exposure": "d"}})
    table = plan_lock.changes(locked, now, reasons={})
    status = plan_lock.status(table, locked, models=list(now.models)).row(2, named=True)
    assert status == {
        "model": "new",
        "status": "added after the lock",
        "n_changes": 1,
        "n_unexplained": 1,
    }
    assert "1 of them without a reason" in plan_lock.in_words(locked, table)


def test_every_byte_of_a_lock_matters(tmp_path):
    path = tmp_path / "plan.lock.json"
    text = plan_lock.lock(NOW, locked_on="2026-01-02", was_blinded=True)
    for old, new in (("strict", "or_equal"), ("true", "false"), ("-01-02", "-01-03")):
        path.write_text(text.replace(old, new, 1))
        with pytest.raises(plan_lock.LockError, match="not as it was written"):
            plan_lock.read(path)
    for broken in ("", "[]", "{}", text[:-5]):
        path.write_text(broken)
        with pytest.raises(plan_lock.LockError):
            plan_lock.read(path)
    content = json.loads(text)
    assert len(content["fingerprint"]) == 64


def test_no_lock_says_so_and_gives_no_rows(tmp_path):
    assert plan_lock.read(tmp_path / "none.json") is None
    table = plan_lock.changes(None, NOW, reasons={})
    assert table.is_empty()
    assert plan_lock.status(table, None, models=["m"]).is_empty()
    assert "not locked" in plan_lock.in_words(None, table)


def patients(outcomes):
    n = len(outcomes)
    frame = pl.DataFrame({"patient_id": [f"p{i:02}" for i in range(n)], "age_years": 50.0})
    columns = dict(zip(OUTCOMES, zip(*outcomes, strict=True), strict=True))
    return frame.with_columns(
        pl.Series(name, list(values), dtype=pl.Int64 if name == "gose_6m" else pl.Float64)
        for name, values in columns.items()
    )


OUTCOME = st.tuples(
    st.none() | st.integers(1, 8), *3 * [st.none() | st.floats(0, 5000, width=32)]
)


@examples(max_examples=100, deadline=None)
@given(st.lists(OUTCOME, min_size=1, max_size=12), st.randoms(), st.integers(0, 99))
def test_a_blinded_table_does_not_depend_on_who_had_which_outcome(outcomes, random, seed):
    true = blinding.shuffled(patients(outcomes), outcomes=OUTCOMES, seed=seed)
    others = list(outcomes)
    random.shuffle(others)
    assert blinding.shuffled(patients(others), outcomes=OUTCOMES, seed=seed).equals(true)
    outcome_rows = sorted(true.select(OUTCOMES).rows(), key=repr)
    assert outcome_rows == sorted(patients(outcomes).select(OUTCOMES).rows(), key=repr)
    assert true["patient_id"].equals(patients(outcomes)["patient_id"])


def test_the_log_of_changes_is_read_or_refused_in_words(tmp_path):
    from pathlib import Path

    schemas = Path(__file__).parents[3] / "workflow/schemas"
    path = tmp_path / "plan.changes.yaml"
    assert plan_lock.read_reasons(path, schema_folder=schemas) == {}
    path.write_text("changes:\n  - {what: 'code: burden', when: 2026-02-01, why: A fault.}\n")
    reasons = plan_lock.read_reasons(path, schema_folder=schemas)
    assert reasons == {"code: burden": plan_lock.Reason("2026-02-01", "A fault.")}
    path.write_text("changes:\n  - {what: 'code: burden', why: A fault.}\n")
    with pytest.raises(settings.SettingsError, match="when: missing"):
        plan_lock.read_reasons(path, schema_folder=schemas)


def test_repeated_values_are_locked_where_a_study_has_any():
    others = [store.empty(contracts.patients({})), store.empty(contracts.MONITORS)]
    others += [store.empty(contracts.EVENTS), store.empty(contracts.recordings({}))]
    none = store.empty(contracts.REPEATED_VALUES)
    values = pl.DataFrame([("p1", "til", 0.0, None, 4.0)], none.schema, orient="row")
    before = plan_lock.inputs(*others, repeated=values)
    assert before == plan_lock.inputs(*others, repeated=values.clone())
    later = plan_lock.inputs(*others, repeated=values.with_columns(value=pl.lit(5.0)))
    assert {name for name in before if before[name] != later[name]} == {"repeated values"}
    assert "repeated values" not in plan_lock.inputs(*others, repeated=none)


OWN = {
    "variables": {
        "grade": {
            "label": "Grade",
            "kind": "ordered",
            "levels": ["1", "2", "3"],
            "known": "at_admission",
        },
        "delayed": {"label": "Delayed", "kind": "flag", "known": "afterwards"},
    },
    "outcomes": {
        "mrs_3m": {
            "label": "mRS",
            "kind": "ordered",
            "levels": ["0", "1", "2", "3", "4", "5", "6"],
            "better": "lower",
        },
        "mrs_bad": {"label": "Bad", "kind": "flag", "of": "mrs_3m", "favourable_from": "2"},
        "days": {"label": "Days", "kind": "count", "at_h": 2190.0},
    },
}


def test_a_blinded_run_hides_every_declared_outcome_and_what_is_known_afterwards():
    assert set(blinding.outcomes_of(OWN)) == {"delayed", "mrs_3m", "days", *contracts.TIMES}
    rows = pl.DataFrame(
        {
            "patient_id": [f"p{i}" for i in range(40)],
            "grade": [1 + i % 3 for i in range(40)],
            "delayed": [i % 2 == 0 for i in range(40)],
            "mrs_3m": [i % 7 for i in range(40)],
            "days": list(range(40)),
            **{name: [float(i) for i in range(40)] for name in contracts.TIMES},
        }
    )
    seen = blinding.shuffled(rows, outcomes=blinding.outcomes_of(OWN), seed=1)
    assert seen["grade"].equals(rows["grade"])
    for name in ("delayed", "mrs_3m", "days"):
        assert not seen[name].equals(rows[name])
        assert seen[name].sort().equals(rows[name].sort())


@pytest.mark.parametrize(
    ("section", "entry", "key", "value"),
    [
        ("outcomes", "mrs_bad", "favourable_from", "3"),
        ("variables", "grade", "known", "afterwards"),
    ],
)
def test_a_declaration_that_changes_after_the_lock_is_named(
    tmp_path, section, entry, key, value
):
    path = tmp_path / "plan.lock.json"
    now = changed(settings=NOW.settings | OWN)
    path.write_text(plan_lock.lock(now, locked_on="2026-01-02", was_blinded=True))
    later = copy.deepcopy(now)
    later.settings[section][entry][key] = value
    assert names(plan_lock.read(path), later) == [f"settings: {section}.{entry}.{key}"]
