"""Values: a level that a study declares is a value, even where its word usually means none."""

from icpcohort.contracts import TEXT, Column
from icpcohort.study.values import understood

TREATMENT = Column(TEXT, "", "How the aneurysm was secured", levels=("clip", "coil", "none"))
UNIT = Column(TEXT, "", "Unit that treated the patient")


def _of(text, column):
    return understood(text, name="treatment", column=column, choices={})


def test_a_declared_level_none_is_a_value():
    assert _of("none", TREATMENT) == ("none", None)


def test_none_where_no_level_is_called_so_is_refused():
    words = "'none' is not a value; leave the cell empty for missing"
    value, fault = _of("none", UNIT)
    assert (value, fault.words) == (None, words)
    value, fault = _of("NA", TREATMENT)
    assert value is None
    assert fault.words == "'NA' is not a value; leave the cell empty for missing"
