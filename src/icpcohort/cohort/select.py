"""Cohort: who is in the analysis of each window, who left at which step, and why."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, NamedTuple, TypedDict

import polars as pl

from icpcohort import contracts
from icpcohort.cohort import attrition, eligibility
from icpcohort.cohort import outcomes as endpoints
from icpcohort.cohort.rules import KINDS, Rule, Step
from icpcohort.contracts import store
from icpcohort.contracts.setting import COMMON_PRACTICE, OF_THE_STUDY, Kinds, Setting
from icpcohort.exposures import burden
from icpcohort.exposures.window import Window


class TableOne(TypedDict):
    """The two groups of Table 1, and its rows."""

    rows: Annotated[
        Sequence[str],
        Setting(
            "Columns of the analysis table, in the order of Table 1; one that nobody has is "
            "not listed",
            OF_THE_STUDY,
            ["age_years", "sex"],
            each="A column",
        ),
    ]

    by: Annotated[
        Literal["outcome", "exposure"],
        Setting("Whether the groups are by outcome or by exposure", OF_THE_STUDY, "outcome"),
    ]
    exposure: Annotated[
        str,
        Setting(
            "Exposure that divides the groups when they are by exposure",
            OF_THE_STUDY,
            "icp_above_20_percent_time",
        ),
    ]
    exposed_above: Annotated[
        float,
        Setting(
            "Value in the exposure's unit above which a patient is in the second group",
            OF_THE_STUDY,
            10.0,
            at_least=-1000000,
            at_most=1000000,
        ),
    ]


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Who is in the study."""

    main_window: Annotated[
        str, Setting("Window of Table 1 and of the flow diagram", OF_THE_STUDY, "first_72_h")
    ]
    main_outcome: Annotated[
        str,
        Setting(
            "Outcome, a flag of variables.yaml, by which Table 1, the end of monitoring and "
            "the key findings count patients; maps of episodes correlate with the scale that "
            "it is derived from",
            OF_THE_STUDY,
            "unfavourable",
        ),
    ]
    eligibility: Annotated[
        Sequence[Rule],
        Setting(
            "Eligibility rules in their order; a patient leaves at the first one that is not "
            "met",
            "numbers and reasons at each stage: von Elm 2007, items 13a and 13b (from memory, "
            "high)",
            [{"rule": "usable_recording"}],
        ),
        Kinds(
            KINDS,
            "One eligibility rule; `rule` says which settings it has",
            "variable",
            "eligible_",
        ),
    ]
    table_one: TableOne
    monitoring_end_tolerance_h: Annotated[
        float,
        Setting(
            "An event within this many hours of the end of the last recording explains why it"
            " ended",
            COMMON_PRACTICE,
            6.0,
            at_least=0,
            at_most=168,
        ),
    ]


class Cohort(NamedTuple):
    """Contracts `analysis(...)`, FLOW and DROPPED."""

    analysis: pl.DataFrame
    flow: pl.DataFrame
    dropped: pl.DataFrame


def select(
    patients: pl.DataFrame,
    outcomes: pl.DataFrame,
    summary: pl.DataFrame,
    burdens: pl.DataFrame,
    facts: pl.DataFrame,
    *,
    repeated: pl.DataFrame,
    left_out: Mapping[str, str],
    windows: Mapping[str, Window],
    rules: Sequence[Mapping[str, Any]],
    declared: Mapping[str, Any],
) -> Cohort:
    """Form the cohort of each window.

    Parameters
    ----------
    patients, outcomes, summary, burdens
        Contracts `patients`, `outcomes`, SUMMARY and BURDEN.
    facts
        As `eligibility.facts` gives them.
    repeated
        Contract `repeated_summary` of what is declared; without rows where there is none.
    left_out : mapping of patient to reason
        Whom the group leaves out; they leave first, and where there is nobody, no step asks.
    windows : Window by its name
    rules
        `cohort.eligibility` of the settings; see `eligibility.steps_of`.
    declared : see `contracts.analysis`

    Returns
    -------
    Cohort
        Each window begins with every patient of `patients`; kept and dropped add up to it.
    """
    wide = burden.widen(burdens, declared)
    table = contracts.analysis(declared)
    analyses = [store.empty(table)]
    flows = [store.empty(contracts.FLOW)]
    drops = [store.empty(contracts.DROPPED)]
    of_outcomes: endpoints.Entries = declared["outcomes"]
    derived = [c for c in outcomes.columns if c == "patient_id" or c not in patients.columns]
    known = patients.join(
        outcomes.select(derived), on="patient_id", how="left", validate="1:1"
    ).join(facts, on="patient_id", how="left", validate="1:1")
    for name, window in windows.items():
        exposures = summary.filter(pl.col("window") == name).join(
            wide.filter(pl.col("window") == name).drop("window"),
            on="patient_id",
            how="left",
            validate="1:1",
        )
        of_window = repeated.filter(pl.col("window") == name).drop("window")
        rows = known.join(exposures, on="patient_id", how="left", validate="1:1")
        rows = rows.join(of_window, on="patient_id", how="left", validate="1:1").with_columns(
            has_recording=pl.col("monitored_h").is_not_null(),
            monitored_h=pl.col("monitored_h").fill_null(0.0),
            window=pl.lit(name),
            **endpoints.survival_columns(of_outcomes, landmark_h=window["end_h"]),
            scored_dead=endpoints.scored_dead(of_outcomes),
        )
        asked = eligibility.steps_of(rules, window=window, columns=table.columns)
        kept, flow, dropped = follow(rows, [*eligibility.left_out(left_out), *asked])
        analyses.append(kept.select(list(table.columns)))
        flows.append(flow.select(pl.lit(name).alias("window"), pl.all()))
        drops.append(dropped.select(pl.lit(name).alias("window"), pl.all()))
    return Cohort(
        pl.concat(analyses),
        pl.concat([f.select(list(contracts.FLOW.columns)) for f in flows]),
        pl.concat([d.select(list(contracts.DROPPED.columns)) for d in drops]),
    )


def follow(
    rows: pl.DataFrame, steps: list[Step]
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Take `rows` through `steps`; return who is kept, the flow, and who left at which step."""
    flow: list[dict[str, Any]] = [_count(1, "Patients listed", rows.height, rows.height, None)]
    left = [pl.DataFrame(schema=_LEFT)]
    for number, step in enumerate(steps, start=2):
        split = attrition.split(rows, drop_when=step.drop_when, reason=step.reason)
        flow.append(_count(number, step.name, rows.height, split.kept.height, step.reason))
        left.append(
            split.dropped.select(
                "patient_id",
                pl.lit(number, pl.Int64()).alias("step"),
                "reason",
                step.detail.alias("detail"),
            )
        )
        rows = split.kept
    return rows, pl.DataFrame(flow, schema=_COUNTS), pl.concat(left)


_LEFT = {name: c.dtype for name, c in contracts.DROPPED.columns.items() if name != "window"}
_COUNTS = {name: c.dtype for name, c in contracts.FLOW.columns.items() if name != "window"}


def _count(step: int, name: str, n_in: int, n_out: int, reason: str | None) -> dict[str, Any]:
    return {
        "step": step,
        "name": name,
        "n_in": n_in,
        "n_out": n_out,
        "n_dropped": n_in - n_out,
        "reason": reason,
    }


def methods_sentence(
    *,
    windows: Mapping[str, Window],
    rules: Sequence[Mapping[str, Any]],
    time_zero: str,
    columns: Mapping[str, contracts.Column],
) -> str:
    """Return the report's sentences for `select`."""
    spans = "; ".join(
        f"{span['start_h']:g} to {span['end_h']:g} h (at least {span['min_monitored_h']:g} h of"
        " valid ICP)"
        for span in windows.values()
    )
    asked = "; ".join(eligibility.in_words(rules, columns=columns))
    return (
        f"Exposure windows were fixed, counted from {time_zero.replace('_', ' ')}: {spans}. The"
        " end of a window was its landmark (Anderson 1983): patients who had died or left the"
        " unit before it, or who died at a time not known, are not in its analysis; a patient"
        " without a time of discharge was taken to be in the unit. Patients with a usable"
        f" recording of ICP were eligible{f', with: {asked}' if asked else ''}."
    )
