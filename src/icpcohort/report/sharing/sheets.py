"""Share sheets: the aggregated tables that may leave the group, and the people they count."""

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import burden_columns
from icpcohort.contracts.burden_columns import Threshold
from icpcohort.report.sharing import cells as share_cells
from icpcohort.report.sharing.cells import Cell, People, Sheet
from icpcohort.report.sharing.disclosure import HIDDEN, Sum
from icpcohort.report.tables import descriptive
from icpcohort.report.tables.grid import reactivity_columns
from icpcohort.report.tables.monitors import COMPLICATIONS
from icpcohort.report.tables.numbers import format_p
from icpcohort.study.families import EVENT_SUFFIX

FEW_VALUES = 10  # an exposure with no more distinct values is counted like a category


def flow(listed: People, steps: pl.DataFrame, dropped: pl.DataFrame, *, min_cell: int) -> Sheet:
    """Return the flow of each window; steps are joined until none or `min_cell` left."""
    rows, people = [], {"listed": listed}
    for (window,), part in steps.sort("window", "step").group_by("window", maintain_order=True):
        gone = dropped.filter(window=window)
        after = {
            step: listed - share_cells.ids(gone.filter(pl.col("step") <= step))
            for step in part["step"]
        }
        names = dict(part.select("step", "name").iter_rows())
        before = "listed"
        rows.append(
            [
                Cell(str(window)),
                Cell("Patients listed"),
                Cell(""),
                share_cells.count(listed, before),
            ]
        )
        first, *others = names
        for joined in _joined([first, *others], after, min_cell=min_cell):
            key = f"flow, {window}, after step {joined[-1]}"
            people[key] = after[joined[-1]]
            left = len(people[before]) - len(people[key])
            steps_joined = "; ".join(names[step] for step in joined)
            cells = [Cell(str(left), (before, key)), share_cells.count(people[key], key)]
            rows.append([Cell(str(window)), Cell(steps_joined), *cells])
            before = key
    head = ("window", "steps", "n_left", "n")
    about = "Patients after each step; steps at which few left are told together"
    return Sheet(about, head, rows, people)


def _joined(
    steps: Sequence[int], after: Mapping[int, People], *, min_cell: int
) -> list[list[int]]:
    """Join steps until none or at least `min_cell` patients left at each, where possible."""
    first, *others = steps
    runs: list[list[int]] = []
    at, current = first, list[int]()
    for step in others:
        current.append(step)
        if len(after[at]) - len(after[step]) >= min_cell:
            runs.append(current)
            at, current = step, []
    if current and runs and len(after[at]) > len(after[current[-1]]):
        current = [*runs.pop(), *current]
    return [*runs, current] if current else runs


def burden(table: pl.DataFrame, *, min_cell: int, declared: Mapping[str, Any]) -> Sheet:
    """Return dose per hour and percentage of time by window and threshold."""
    rows, people = [], {}
    keys = ["window", "signal", "side", "threshold", "upper_threshold"]
    ordered = table.filter(pl.col("dose_per_h").is_not_null()).sort(*keys, "patient_id")
    for key, part in ordered.group_by(keys, maintain_order=True):
        window, beyond = str(key[0]), Threshold(*key[1:])
        name = f"burden, {window}, {beyond.signal} {beyond.side} {beyond.values()}"
        people[name] = share_cells.ids(part)
        rows.append(
            [
                *map(Cell, (window, burden_columns.beyond(beyond, declared))),
                share_cells.count(people[name], name),
                *_quartiles(part, contracts.BURDEN, "dose_per_h", min_cell=min_cell),
                *_quartiles(part, contracts.BURDEN, "percent_time", min_cell=min_cell),
            ]
        )
    dose = [f"dose_per_h_{one}" for one in ("median", "q1", "q3")]
    time = [f"time_{one}_percent" for one in ("median", "q1", "q3")]
    about = "Pressure burden of the patients of each analysis with valid minutes"
    return Sheet(about, ("window", "threshold", "n", *dose, *time), rows, people)


def _quartiles(
    part: pl.DataFrame, table: contracts.Table, name: str, *, min_cell: int
) -> list[Cell]:
    """Return median and quartiles of a column of a table, with the column's decimals."""
    decimals = table.columns[name].decimals or 0
    return share_cells.quartiles(part[name], decimals=decimals, min_cell=min_cell)


def reactivity(summary: pl.DataFrame, *, min_cell: int, declared: Mapping[str, Any]) -> Sheet:
    """Return indices and CPPopt by window, of the patients of the analysis who have them."""
    rows, people = [], {}
    for (window,), part in summary.sort("window", "patient_id").group_by(
        "window", maintain_order=True
    ):
        for column, about_column in reactivity_columns(declared).items():
            name = f"reactivity, {window}, {column}"
            known = part.filter(pl.col(column).is_not_null())
            people[name] = share_cells.ids(known)
            rows.append(
                [
                    Cell(str(window)),
                    Cell(about_column.heading()),
                    share_cells.count(people[name], name),
                    *share_cells.quartiles(
                        known[column],
                        decimals=about_column.decimals or 0,
                        min_cell=min_cell,
                    ),
                ]
            )
    about = "Reactivity indices and optimal CPP of the patients of each analysis"
    return Sheet(about, ("window", "quantity", "n", "median", "q1", "q3"), rows, people)


def recorded(quality: pl.DataFrame, *, labels: Mapping[str, str], min_cell: int) -> Sheet:
    """Return hours recorded, valid, masked and missing by signal, called by its label."""
    seconds = ("recorded_s", "valid_s", "masked_s", "missing_s")
    rows, people = [], {}
    for (signal,), part in quality.sort("signal", "patient_id").group_by(
        "signal", maintain_order=True
    ):
        name = f"recorded, {signal}"
        people[name] = share_cells.ids(part)
        enough = len(people[name]) >= min_cell
        hours = [
            share_cells.number(float(part[one].sum()) / 3600, decimals=0)
            if enough
            else Cell(HIDDEN)
            for one in seconds
        ]
        rows.append([Cell(labels[str(signal)]), share_cells.count(people[name], name), *hours])
    head = ("signal", "n", "recorded_h", "valid_h", "masked_h", "missing_h")
    return Sheet("Recorded hours of all patients", head, rows, people)


def monitors(table: pl.DataFrame, *, min_cell: int) -> Sheet:
    """Return kinds and complications, counted in patients, and drift at removal."""
    people = {"monitors": share_cells.ids(table)}
    rows, sums, zeros = list[list[Cell]](), list[Sum](), set[str]()
    n, never = dict[str, int](), set[str]()
    kinds = {
        f"monitors, {kind}": share_cells.ids(part)
        for (kind,), part in table.with_columns(pl.col("kind").fill_null("not known"))
        .sort("kind")
        .group_by("kind", maintain_order=True)
    }
    people |= kinds
    if sum(map(len, kinds.values())) == len(people["monitors"]):
        sums.append(Sum("monitors", tuple(kinds)))
    for name, who in kinds.items():
        rows.append(
            _monitor_row(
                "kind",
                name.removeprefix("monitors, "),
                name,
                who,
                people["monitors"],
                "monitors",
            )
        )
    for column in COMPLICATIONS:
        words = contracts.MONITORS.columns[column].label
        had = share_cells.ids(table.filter(pl.col(column)))
        known = had | (
            people["monitors"] - share_cells.ids(table.filter(pl.col(column).is_null()))
        )
        names = [f"{words}, {one}" for one in ("known", "yes", "no")]
        people[names[0]] = known
        n |= {names[1]: len(had), names[2]: len(known - had)}
        sums.append(share_cells.sum_of(names))
        zeros |= {names[2]} if known else set()
        never.add(names[2])
        rows.append(_monitor_row("complication", words, names[1], had, known, names[0]))
    middle = _quartiles(table, contracts.MONITORS, "drift_at_removal_mmhg", min_cell=min_cell)
    rows.append([Cell("drift at removal, mmHg"), *[Cell("")] * 6, *middle])
    head = ("quantity", "level", "n", "n_of", "percent", "exact_low", "exact_high")
    about = "Monitors, counted in patients; exact 95 % limits of complications, in percent"
    return Sheet(
        *(about, (*head, "median", "q1", "q3"), rows, people, n, sums),
        *(frozenset(zeros), frozenset(never)),
    )


def _monitor_row(
    quantity: str, level: str, key: str, who: People, whole: People, whole_key: str
) -> list[Cell]:
    n, n_of = len(who), len(whole)
    limits = [Cell("")] * 2
    if quantity == "complication" and n_of:
        limits = [
            Cell(share_cells.number(100 * limit, decimals=1).text, (key, whole_key))
            for limit in descriptive.interval(n, n_of, method="exact")
        ]
    share = share_cells.percent(key, n, whole_key, n_of)
    counts = [share_cells.count(who, key), share_cells.count(whole, whole_key)]
    return [Cell(quantity), Cell(level), *counts, share, *limits, *[Cell("")] * 3]


def estimates(
    analysis: pl.DataFrame,
    *,
    models: Mapping[str, Mapping[str, Any]],
    fitted: Mapping[str, pl.DataFrame],
    dropped: Mapping[str, pl.DataFrame],
    min_cell: int,
) -> Sheet:
    """Return the exposure's estimate of each model, unadjusted and adjusted.

    Other terms stay inside: with few levels they would count people. A count that the analysis
    table does not confirm (outcomes drawn, values of a time-dependent model) stays hidden.
    """
    rows, sums = list[list[Cell]](), list[Sum]()
    people, zeros, never = dict[str, People](), set[str](), set[str]()
    for model, plan in models.items():
        cohort = analysis.filter(window=plan["window"])
        stayed = cohort.filter(~pl.col("patient_id").is_in(share_cells.ids(dropped[model])))
        names = [f"model {model}{one}" for one in ("", ", events", ", no events")]
        sets = [share_cells.ids(stayed)]
        happened = _happened(stayed, plan)
        if happened is not None:
            had = share_cells.ids(stayed.filter(happened))
            sets += [had, sets[0] - had]
            sums.append(share_cells.sum_of(names))
            zeros |= set(names[1:])
            never.add(names[2])
        people |= dict(zip(names, sets, strict=False))
        safe = _enough(stayed, plan, sets, min_cell=min_cell)
        rows += [
            _estimate_row(model, plan, row, names=names, sets=sets, safe=safe)
            for row in fitted[model].filter(term=plan["exposure"]).sort("adjustment").to_dicts()
        ]
    head = ("model", "outcome", "exposure", "unit_of_effect", "adjustment", "scale", "effect")
    about = "The exposure of each model; effects on the scale of ratios where scale begins log_"
    return Sheet(
        *(about, (*head, "ci_low", "ci_high", "p", "n", "n_events"), rows, people, {}, sums),
        *(frozenset(zeros), frozenset(never)),
    )


def _outcome_column(plan: Mapping[str, Any]) -> str:
    """Return the column of a plan's outcome; of several events, the one that says which."""
    return str(plan["outcome"]) + (EVENT_SUFFIX if plan.get("event") else "")


def _happened(stayed: pl.DataFrame, plan: Mapping[str, Any]) -> pl.Series | None:
    """Return who had the outcome, null where unknown; None if it is no event and no flag."""
    outcome = stayed[_outcome_column(plan)]
    if plan.get("event"):
        return outcome == str(plan["event"])
    return outcome if outcome.dtype == pl.Boolean() else None


def _enough(
    stayed: pl.DataFrame, plan: Mapping[str, Any], sets: Sequence[People], *, min_cell: int
) -> bool:
    """Say whether a fit rests on enough people, in each value of an exposure with few."""
    exposed = stayed[plan["exposure"]].drop_nulls()
    counts = [len(who) for who in sets]
    if exposed.n_unique() <= FEW_VALUES:
        both = [plan["exposure"], _outcome_column(plan)]
        crossed = stayed.drop_nulls(both).group_by(both).len()
        counts += crossed["len"].to_list()
    return min(counts) >= min_cell


def _estimate_row(
    model: str,
    plan: Mapping[str, Any],
    row: Mapping[str, Any],
    *,
    names: Sequence[str],
    sets: Sequence[People],
    safe: bool,
) -> list[Cell]:
    texts = (model, plan["outcome"], plan["exposure"], f"{plan['unit_of_effect']:g}")
    numbers = [
        share_cells.number(row[one], decimals=2)
        for one in ("effect", "effect_ci_low", "effect_ci_high")
    ]
    numbers.append(Cell("" if row["p"] is None else format_p(row["p"])))
    counts = [
        Cell(str(n), (name,)) if n == len(who) else Cell("" if n is None else HIDDEN)
        for name, who, n in zip(names, sets, (row["n"], row["n_events"]), strict=False)
    ]
    counts += [Cell("")] * (2 - len(counts))
    shown = numbers if safe else [Cell(HIDDEN)] * len(numbers)
    return [*map(Cell, texts), Cell(row["adjustment"]), Cell(row["scale"]), *shown, *counts]
