"""Value lists: the codes of a variable as a data dictionary lists them."""

import pytest

from icpcohort.study.value_lists import expanded

SEX = {"kind": "category", "levels": ["female", "male"]}


@pytest.mark.parametrize(
    "text", ["1, Male | 2, Female", "1,male|2,FEMALE", " 1 , Male|2, female "]
)
def test_a_value_list_is_the_codings_of_its_levels(text):
    entry, words = expanded(SEX | {"codings": text})
    assert entry == SEX | {"codings": {"1": "male", "2": "female"}}
    assert words is None


def test_a_level_may_hold_a_comma_and_a_flag_is_yes_or_no():
    entry, _ = expanded(
        {"kind": "category", "levels": ["a, b", "c"], "codings": "1, A, b | 2, c"}
    )
    assert entry["codings"] == {"1": "a, b", "2": "c"}
    assert expanded({"kind": "flag", "codings": "1, Yes | 0, No"})[0]["codings"] == {
        "1": "true",
        "0": "false",
    }


def test_what_does_not_match_is_listed_with_the_levels_that_are_left():
    entry, words = expanded(SEX | {"codings": "1, Male | 2, Woman | 9, Unknown"})
    assert "codings" not in entry
    assert words == (
        "2, Woman | 9, Unknown has no level of its own name; levels without a code: female. "
        'Write `codings: {"1": "male", "2": "WHAT_IT_MEANS", "9": "WHAT_IT_MEANS"}` with a '
        'level after each code, "" for missing'
    )


def test_a_code_that_stands_twice_is_refused():
    assert "a code that stands twice" in expanded(SEX | {"codings": "1, male | 1, female"})[1]


@pytest.mark.parametrize("codings", [{"1": "male"}, "male", 5, None])
def test_what_is_no_list_stays_for_the_schema(codings):
    entry = SEX | {"codings": codings}
    assert expanded(entry) == (entry, None)
