"""What could be decided otherwise: read, checked, combined; and what moves the answer."""

import copy
import math
from pathlib import Path

import polars as pl
import pytest
import yaml
from published_settings import DECLARED

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.report.figures import canvas, specifications
from icpcohort.specifications import analyses, choices, exposures, fits, shares
from icpcohort.study import settings

HOME = Path(__file__).parents[3]
SCHEMAS = HOME / "workflow/schemas"


@pytest.fixture(scope="module")
def main():
    return settings.load(
        HOME / "config/config.yaml", HOME / "config/models.yaml", schema_folder=SCHEMAS
    )


def option(label, **does):
    return {"label": label, "reason": "it is defensible", "source": "no source"} | does


def question(**choice):
    return {
        "question": "Does it go with outcome?",
        "model": "unfavourable_by_dose",
        "seed": 1,
        "n_permutations": 99,
        "choices": {
            name: {"words": name, "main": option("as planned"), "options": options}
            for name, options in choice.items()
        },
    }


def load(tmp_path, main, asked):
    path = tmp_path / "specifications.yaml"
    path.write_text(yaml.safe_dump({"questions": {"q": asked}}), encoding="utf-8")
    return choices.load(path, settings=main[0], models=main[1], schema_folder=SCHEMAS)


GOSE = option("GOSE 1-3", settings={"outcomes.unfavourable.favourable_from": "4"})
SHIFT = option("2 mmHg high", shift={"icp_mmhg": -2.0})
DOSE = option("22", plan={"exposure": "icp_above_22_dose_per_h_mmhg"})


def test_the_demo_has_at_least_200_specifications_of_its_first_question(main):
    asked = choices.load(
        HOME / "config/specifications.yaml",
        settings=main[0],
        models=main[1],
        schema_folder=SCHEMAS,
    )
    made = choices.expand(asked["dose_and_outcome"], settings=main[0], models=main[1])
    assert len(made) >= 200
    assert len({tuple(one.options.values()) for one in made}) == len(made)


def test_no_file_asks_no_question(tmp_path, main):
    path = tmp_path / "specifications.yaml"
    assert choices.load(path, settings=main[0], models=main[1], schema_folder=SCHEMAS) == {}


def test_every_combination_comes_once_the_main_one_first_and_unchanged(tmp_path, main):
    asked = load(tmp_path, main, question(cut=[GOSE], sensor=[SHIFT], dose=[DOSE]))["q"]
    before = copy.deepcopy(main)
    made = choices.expand(asked, settings=main[0], models=main[1])
    assert [one.number for one in made] == list(range(1, 9))
    assert [one.is_main for one in made] == [True] + 7 * [False]
    assert (made[0].settings, made[0].plan) == (main[0], main[1]["unfavourable_by_dose"])
    assert made[0].shift == {"icp_mmhg": 0.0, "abp_unless_tragus_mmhg": 0.0}
    last = made[-1]
    assert last.settings["outcomes"]["unfavourable"]["favourable_from"] == "4"
    assert last.shift["icp_mmhg"] == -2.0
    assert last.plan["exposure"] == "icp_above_22_dose_per_h_mmhg"
    assert main == before


def test_what_shares_its_minutes_is_made_once(tmp_path, main):
    asked = load(tmp_path, main, question(cut=[GOSE], sensor=[SHIFT], dose=[DOSE]))
    made = choices.alternatives(asked, settings=main[0], models=main[1])
    assert [(len(one.exposures), len(one.cohorts)) for one in made.values()] == [(1, 2), (1, 2)]
    assert sorted(one.shift["icp_mmhg"] for one in made.values()) == [-2.0, 0.0]


def test_exposures_that_were_not_made_are_no_patient_without_a_recording(main):
    name = choices.exposures_of(main[0])
    made = pl.DataFrame({"signals": ["a"], "exposures": [name], "patient_id": ["P1"]})
    whole = exposures.Exposures(made, made)
    assert analyses._of_settings(whole, "a", main[0]).summary.height == 1
    with pytest.raises(ValueError, match="make them again"):
        analyses._of_settings(whole, "b", main[0])
    nobody = exposures.Exposures(made.clear(), made.clear())  # a study without minutes
    assert analyses._of_settings(nobody, "b", main[0]).summary.is_empty()


def test_specifications_that_nobody_enters_have_a_reason_and_no_estimate(tmp_path, main):
    asked = load(tmp_path, main, question(cut=[GOSE], dose=[DOSE]))
    thresholds = {"thresholds": main[0]["burden"]["thresholds"]}
    nobody = contracts.analyses(DECLARED | {"burden": thresholds})
    answers = fits.answer_question(
        "q",
        asked["q"],
        settings=main[0],
        model=main[1]["unfavourable_by_dose"],
        analyses=store.empty(nobody),
        patients=[],
    ).specifications
    assert answers.height == 4
    assert answers["estimate"].null_count() == 4
    assert answers["reason"].null_count() == 0


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        (question(a=[option("x")]), "changes nothing"),
        (
            question(a=[option("x", settings={"trends.min_valid_fraction": 0.6})]),
            "would read the waveforms again",
        ),
        (
            question(a=[option("x", settings={"burden.inequalty": "or_equal"})]),
            "no setting of config.yaml",
        ),
        (
            question(a=[option("x", settings={"burden.inequality": "strict"})]),
            "has this value already",
        ),
        (
            question(a=[option("x", settings={"burden.thresholds.icp.above": [19.0]})]),
            "list all of them",
        ),
        (
            question(a=[option("x", settings={"reactivity.n_blocks": -3})]),
            "reactivity.n_blocks: -3 is out of range",
        ),
        (question(a=[option("x", plan={"exposure": "icp_dose"})]), "exposure"),
        (question(a=[option("x", plan={"exposure": "death_h"})]), "only after the window"),
        (question(a=[DOSE], b=[option("y", plan={"exposure": "prx_mean"})]), "join the two"),
        (question(a=[option("as planned", shift={"icp_mmhg": 1.0})]), "stands twice"),
        (question(a=[GOSE]) | {"model": "unfavorable_by_dose"}, "did you mean"),
        (question(a=[GOSE]) | {"model": "gose_by_dose"}, "no joint test"),
        (
            question(**{f"c{i}": [option("x", shift={"icp_mmhg": 1.0})] for i in range(13)}),
            "8192",
        ),
    ],
)
def test_what_cannot_be_asked_is_refused_in_words(tmp_path, main, asked, words):
    with pytest.raises(settings.SettingsError, match=words):
        load(tmp_path, main, asked)


def test_a_shift_moves_icp_and_cpp_and_abp_only_where_it_is_not_of_the_tragus():
    trends = pl.DataFrame(
        {
            "icp_mmhg": [10.0, 12.0, None],
            "abp_mmhg": [90.0, 91.0, 92.0],
            "cpp_mmhg": [80.0, 79.0, None],
            "abp_level_used": ["tragus", "unknown", None],
        }
    )
    moved = exposures._shifted(
        trends, {"icp_mmhg": -2.0, "abp_unless_tragus_mmhg": -10.0}, declared={}
    )
    assert moved["icp_mmhg"].to_list() == [8.0, 10.0, None]
    assert moved["abp_mmhg"].to_list() == [90.0, 81.0, 82.0]
    assert moved["cpp_mmhg"].to_list() == [82.0, 71.0, None]
    still = {"icp_mmhg": 0.0, "abp_unless_tragus_mmhg": 0.0}
    assert exposures._shifted(trends, still, declared={}) is trends


def effects(values):
    """Return a table of 2 x 2 specifications with these odds ratios, and their options."""
    table = pl.DataFrame(
        {
            "question": "q",
            "specification": [1, 2, 3, 4],
            "is_main": [True, False, False, False],
            "effect": values,
            "effect_ci_low": [v and v / 2 for v in values],
            "effect_ci_high": [v and v * 2 for v in values],
        },
        schema_overrides={"effect": pl.Float64},
    )
    taken = [("a", "p"), ("b", "p")], [("a", "p"), ("b", "x")]
    taken += [("a", "x"), ("b", "p")], [("a", "x"), ("b", "x")]
    rows = [
        {"question": "q", "specification": i, "choice": choice, "option": label}
        for i, pairs in enumerate(taken, start=1)
        for choice, label in pairs
    ]
    return table, pl.DataFrame(rows)


def asked_of_two():
    block = {"words": "w", "main": option("p"), "options": [option("x", plan={"window": "w"})]}
    return question() | {"choices": {"a": block, "b": block}}


def test_the_shares_of_additive_choices_add_up_to_all():
    # log effects 0, 1, 3, 4: choice a moves by 3, b by 1: 9 : 1 of the variance
    values = [math.exp(v) for v in (0, 1, 3, 4)]
    table, taken = effects(values)
    described = shares.of_choices("q", asked_of_two(), table, taken)
    share = described["choice_variance_percent"].to_list()
    assert share == pytest.approx([90, 90, 10, 10])
    assert described["effect_median"][0] == pytest.approx((1 + math.e) / 2)
    whole = shares.together("q", asked_of_two(), table, taken, joint=None).row(0, named=True)
    assert whole["interactions_percent"] == pytest.approx(0, abs=1e-9)
    assert whole["effect_main"] == 1.0
    assert whole["percent_above_1"] == 75.0
    assert whole["n_excluding_1"] == 3  # e / 2 > 1
    assert whole["p_joint"] is None


def test_a_share_has_the_same_last_digit_each_time():
    effects = [math.exp(math.sin(i)) for i in range(400)]
    options = [f"option {i % 4}" for i in range(400)]
    known = pl.DataFrame({"choice": "c", "option": options, "effect": effects})
    assert len({shares.first_order_percent(known, "c") for _ in range(50)}) == 1


def test_an_interaction_is_nobodys_share_and_one_missing_estimate_is_counted():
    table, taken = effects([math.exp(v) for v in (0, 1, 1, 0)])
    whole = shares.together("q", asked_of_two(), table, taken, joint=None).row(0, named=True)
    assert whole["interactions_percent"] == pytest.approx(100)
    table, taken = effects([1.0, 2.0, 3.0, None])
    whole = shares.together("q", asked_of_two(), table, taken, joint=None).row(0, named=True)
    assert (whole["n_specifications"], whole["n_estimated"]) == (4, 3)
    assert whole["interactions_percent"] is None
    described = shares.of_choices("q", asked_of_two(), table, taken)
    assert described["n_specifications"].to_list() == [2, 1, 2, 1]


def test_the_figure_says_its_numbers_in_words_and_survives_any_label():
    table, taken = effects([math.exp(v) for v in (0, 1, 3, 4)])
    asked = asked_of_two()
    long = "<b>" + 200 * "x" + "\u202e &"
    asked["choices"]["a"]["main"]["label"] = long
    taken = taken.with_columns(
        option=pl.when((pl.col("choice") == "a") & (pl.col("option") == "p"))
        .then(pl.lit(long))
        .otherwise("option")
    )
    picture = specifications.specification_curve(
        "q",
        specifications=table,
        options=taken,
        choices=shares.of_choices("q", asked, table, taken),
        summary=shares.together("q", asked, table, taken, joint=None),
    )
    assert "from 1.00 to 54.60" in picture.description
    assert "a 90 %, b 10 %" in picture.description
    text = canvas.inline(picture)
    assert "<b>" not in text and "&lt;b&gt;" in text
