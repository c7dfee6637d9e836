"""Reactivity doses: time and dose beyond an index's thresholds, and beyond CPPopt and LLR."""

from icpcohort.contracts.columns import REAL, Column

# Of the main index; their sources stand in `exposures.reactivity_doses`.
ABOVE = (0.25, 0.35)
RAP = "rap"

_SIDES = {
    "below_llr": ("LLR - CPP", "CPP is below LLR", "LLR"),
    "below_cppopt": ("CPPopt - CPP", "CPP is below CPPopt", "CPPopt"),
    "above_cppopt": ("CPP - CPPopt", "CPP is above CPPopt", "CPPopt"),
}
OF_CPPOPT = {
    name: column
    for side, (excess, where, limit) in _SIDES.items()
    for name, column in {
        f"cpp_{side}_dose_mmhg_h": Column(
            REAL,
            "mm[Hg].h",
            f"Time integral of {excess} where {where}, over minutes with CPP and {limit}",
            f"Dose of CPP {side.split('_')[0]} {limit}",
        ),
        f"cpp_{side}_dose_per_h_mmhg": Column(
            REAL,
            "mm[Hg]",
            f"That dose / hours with CPP and {limit}",
            f"Dose of CPP {side.split('_')[0]} {limit} per hour with both",
            decimals=2,
        ),
    }.items()
}


def words_of(threshold: float) -> str:
    """Return a threshold in the name of a column: `0_25` of 0.25."""
    return f"{threshold:g}".replace(".", "_")


def of_index(index: str, label: str) -> dict[str, Column]:
    """Return what a window has of an index above `ABOVE`."""
    columns: dict[str, Column] = {}
    for threshold in ABOVE:
        above = f"{index}_above_{words_of(threshold)}"
        columns |= {
            f"percent_time_{above}": Column(
                REAL,
                "%",
                f"Minutes with {label} > {threshold:g} / minutes with {label}",
                f"Time with {label} above {threshold:g}",
            ),
            f"{above}_dose_h": Column(
                REAL,
                "h",
                f"Time integral of {label} - {threshold:g} where it is above 0",
                f"Dose of {label} above {threshold:g}",
                decimals=2,
            ),
            f"{above}_dose_per_h": Column(
                REAL,
                "1",
                f"That dose / hours with {label}",
                f"Dose of {label} above {threshold:g} per hour with {label}",
                decimals=3,
            ),
        }
    return columns


def of_rap(label: str) -> dict[str, Column]:
    """Return the shares of time in the zones of RAP."""
    words = {
        "0_4_to_1": f"0.4 <= {label} <= 1",
        "0_to_0_4": f"0 < {label} < 0.4",
        "below_0": f"-1 <= {label} <= 0",
    }
    return {
        f"percent_time_rap_{zone}": Column(
            REAL, "%", f"Minutes with {test} / minutes with {label}", f"Time with {test}"
        )
        for zone, test in words.items()
    }
