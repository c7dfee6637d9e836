import polars as pl

from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.report.tables import reactivity


def _optima(rows):
    schema = {name: column.dtype for name, column in contracts.OPTIMA.columns.items()}
    return pl.DataFrame(
        [{name: row.get(name) for name in schema} for row in rows], schema=schema
    )


def _grid(optima):
    return reactivity.beside_chance(optima, decoupled=("ICP", "ABP"))


def _row(i, **known):
    values = {"cppopt_mmhg": 70.0, "cppopt_ci_low_mmhg": 69.0, "cppopt_ci_high_mmhg": 71.5}
    values |= {"cppopt_yield_percent": 60.0 + i, "chance_yield_percent": 5.0, "p_chance": 0.01}
    values |= {"cppopt_asymmetric_mmhg": 69.5, "parabola_bias_mmhg": 0.5}
    values |= {"p_rolled": 0.02, "rolled_yield_percent": 9.0}
    return values | {"patient_id": f"P{i}", "chance_percent": 4.0} | known


def test_the_recorded_yield_stands_beside_that_of_chance():
    none = {"cppopt_mmhg": None, "cppopt_ci_low_mmhg": None, "cppopt_ci_high_mmhg": None}
    none |= {"cppopt_asymmetric_mmhg": None, "parabola_bias_mmhg": None}
    rows = [
        _row(0),
        _row(1),
        _row(2, p_rolled=0.06),
        _row(3, p_rolled=0.4, p_chance=0.3, chance_percent=8.0, **none),
    ]
    unknown = {"patient_id": "P9", "cppopt_mmhg": 80.0}
    grid = _grid(_optima([*rows, unknown]))
    assert grid.rows == [
        ["CPPopt of the whole recording", "4", "3 (75 %)", "5.0 % of surrogates"],
        ["Yield, % of minutes with CPP", "4", "61.5 (60.8 to 62.3)", "5.0 (5.0 to 5.0)"],
        ["Width of the 95 % interval of CPPopt, mmHg", "3", "2.5 (2.5 to 2.5)", "–"],
        ["Lowest point of an asymmetric curve, mmHg", "3", "69.5 (69.5 to 69.5)", "–"],
        ["CPPopt less that lowest point, mmHg", "3", "0.5 (0.5 to 0.5)", "–"],
        [
            "A U beyond chance (p at most 0.05)",
            "4",
            "3 (75 %)",
            "at most 5 % expected",
        ],
        [
            "A U beyond an index that has nothing to do with CPP (p at most 0.05)",
            "4",
            "2 (50 %)",
            "at most 5 % expected",
        ],
        [
            "Yield with the index moved along CPP, % of minutes with CPP",
            "4",
            "–",
            "9.0 (9.0 to 9.0)",
        ],
    ]


def test_without_surrogates_there_is_no_row():
    assert _grid(store.empty(contracts.OPTIMA)).rows == []
    assert _grid(_optima([{"patient_id": "P1"}])).rows == []
