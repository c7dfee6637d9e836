"""Disclosure: what a reader with pencil and paper could work out from what is shown."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from icpcohort.report.sharing import disclosure
from icpcohort.report.sharing.disclosure import Counts, Sum


def _counts(n, sums, *, never=(), zeros=()):
    return Counts(n, [Sum(t, tuple(p)) for t, p in sums], frozenset(never), frozenset(zeros))


def _table(cells):
    """Return a two-way table with both margins and the grand total."""
    rows, columns = len(cells), len(cells[0])
    n = {f"{i},{j}": cells[i][j] for i in range(rows) for j in range(columns)}
    sums = [(f"row {i}", [f"{i},{j}" for j in range(columns)]) for i in range(rows)]
    sums += [(f"column {j}", [f"{i},{j}" for i in range(rows)]) for j in range(columns)]
    sums += [("all", [f"row {i}" for i in range(rows)])]
    sums += [("all", [f"column {j}" for j in range(columns)])]
    for total, parts in sums:
        n[total] = sum(n[part] for part in parts)
    return _counts(n, sums, zeros=n)


def _attack(name, counts, hidden):
    """Return the range of a hidden count by linear programming over all counts at once."""
    names = list(counts.n)
    matrix = np.zeros((len(counts.sums), len(names)))
    for row, one in enumerate(counts.sums):
        matrix[row, names.index(one.total)] = 1
        for part in one.parts:
            matrix[row, names.index(part)] -= 1
    bounds = [(0, None) if one in hidden else (counts.n[one],) * 2 for one in names]
    aim = np.array([float(one == name) for one in names])
    ends = [
        linprog(sign * aim, A_eq=matrix, b_eq=np.zeros(len(matrix)), bounds=bounds)
        for sign in (1, -1)
    ]
    assert ends[0].success
    return ends[0].fun, np.inf if ends[1].status == 3 else -ends[1].fun


def test_a_group_of_two_is_hidden_and_the_smallest_other_with_it():
    counts = _counts({"all": 60, "a": 2, "b": 18, "c": 40}, [("all", "abc")])
    assert disclosure.hide(counts, min_cell=5) == {"a", "b"}


def test_counts_at_the_minimum_and_zeros_that_tell_nothing_are_shown():
    counts = _counts({"all": 45, "a": 5, "b": 40, "c": 0}, [("all", "abc")])
    assert disclosure.hide(counts, min_cell=5) == frozenset()


def test_a_zero_that_tells_of_everybody_else_is_hidden():
    counts = _counts({"all": 45, "a": 5, "b": 40, "c": 0}, [("all", "abc")], zeros="c")
    assert disclosure.hide(counts, min_cell=5) == {"c", "a"}


def test_two_small_counts_whose_sum_is_small_take_a_third_with_them():
    counts = _counts({"all": 43, "a": 1, "b": 2, "c": 40}, [("all", "abc")])
    assert disclosure.hide(counts, min_cell=5) == {"a", "b", "c"}


def test_a_difference_of_two_shown_counts_is_not_left_open():
    counts = _counts({"listed": 120, "kept": 117, "left": 3}, [("listed", ("kept", "left"))])
    hidden = disclosure.hide(counts._replace(never=frozenset(["left"])), min_cell=5)
    assert hidden == {"left", "kept"}


def test_the_same_people_under_two_names_are_hidden_under_both():
    sums = [("listed", ("kept", "left")), ("kept", ("again",))]
    counts = _counts(
        {"listed": 120, "kept": 117, "left": 3, "again": 117}, sums, never=["left"]
    )
    assert {"kept", "again"} <= disclosure.hide(counts, min_cell=5)


def test_a_count_that_follows_from_what_is_never_shown_stops_with_words():
    counts = _counts({"a": 2, "b": 2}, [("a", ("b",)), ("b", ())])
    with pytest.raises(ValueError, match="b: 2 is not the sum of its parts"):
        disclosure.hide(counts, min_cell=5)
    counts = _counts({"a": 0, "b": 0}, [("a", ("b",)), ("b", ())], zeros="a")
    with pytest.raises(ValueError, match="'a' follows from what is known anyway"):
        disclosure.hide(counts, min_cell=5)


def test_an_audit_names_what_stands_open_and_what_sums_give_away_but_no_size():
    counts = _counts({"all": 43, "a": 3, "b": 40}, [("all", "ab")])
    assert disclosure.exposed(counts, set(), min_cell=5) == ["a: below 5 and shown; hide it"]
    assert disclosure.exposed(counts, {"a"}, min_cell=5) == [
        "a: can be worked out from what is shown; hide more around it"
    ]
    assert disclosure.exposed(counts, {"a", "b"}, min_cell=5) == []


def test_limits_are_those_of_trying_every_whole_number():
    counts = _table([[2, 7], [9, 30]])
    hidden = {"0,0", "0,1", "1,0", "1,1"}
    fits = [
        cells[0]
        for cells in itertools.product(range(50), repeat=2)
        if cells[0] + cells[1] == 9 and 11 - cells[0] >= 0 and 37 - cells[1] >= 0
    ]
    assert disclosure.limits("0,0", counts, hidden) == (min(fits), max(fits))


TABLES = st.integers(2, 4).flatmap(
    lambda columns: st.lists(
        st.lists(
            st.sampled_from([0, 1, 2, 3, 4, 5, 6, 9, 30]), min_size=columns, max_size=columns
        ),
        min_size=2,
        max_size=4,
    )
)


@given(TABLES)
@settings(max_examples=20, deadline=None)
def test_no_small_count_of_any_table_with_margins_can_be_worked_out(cells):
    counts = _table(cells)
    hidden = disclosure.hide(counts, min_cell=5)
    assert disclosure.exposed(counts, hidden, min_cell=5) == []
    for name in disclosure.small(counts, min_cell=5):
        assert name in hidden
        low, high = _attack(name, counts, hidden)
        assert low - 1e-6 <= counts.n[name] <= high + 1e-6
        assert high - low >= 5 - 1e-6


FILE = "n,n_left,median\n12,[c],3.5\n"


def _problems(text, name="flow.csv", identifiers=()):
    return disclosure.problems({name: text}, identifiers=identifiers, min_cell=5)


def test_a_sound_file_has_no_problem():
    assert _problems(FILE) == []


def test_a_small_count_a_column_of_people_and_an_identifier_are_named():
    assert _problems(FILE.replace("[c]", "2")) == [
        "flow.csv row 2, n_left: a count below 5; hide it"
    ]
    assert _problems(FILE.replace("median", "patient_id")) == [
        "flow.csv: column 'patient_id'; share no rows of people, no identifier, no date"
    ]
    assert _problems("level\nnorth\n", identifiers=["north"]) == [
        f"flow.csv row 2, level: the identifier 'north'; {disclosure.CURE}"
    ]


@pytest.mark.parametrize(
    "date",
    [
        "2024-03-01",
        "1/3/24",
        "01.03.2024",
        "1 March 2024",
        "Mar 1, 2024",
        "2024/3/1",
        "1.mar 2024",
    ],
)
def test_a_calendar_date_in_any_writing_is_found(date):
    assert _problems(f"Admitted {date}.", name="README.md") == [
        f"README.md: the date {date!r}; remove it"
    ]


@pytest.mark.parametrize(
    "text", ["PLoS Med 2008;5:e165", "1.64 (1.00 to 2.10)", "20-30-40", "v2.1"]
)
def test_numbers_that_are_no_date_are_left_alone(text):
    assert _problems(text, name="README.md") == []


def test_an_identifier_is_found_as_a_word_and_not_within_one():
    assert _problems("of P01 and", "README.md", ["P01"]) == [
        f"README.md: the identifier 'P01'; {disclosure.CURE}"
    ]
    assert _problems("of P012 and", "README.md", ["P01"]) == []
    assert _problems("of a+b1) and", "README.md", ["a+b1)"]) != []
    assert _problems("in 12 patients", "README.md", ["12"]) == []
    assert _problems("of 104233 and", "README.md", ["104233"]) != []
