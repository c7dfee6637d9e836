"""Outcomes: endpoints with their direction stated, as the study declares them."""

from collections.abc import Mapping
from typing import Any, NamedTuple

import polars as pl

from icpcohort import contracts
from icpcohort.cohort import published_scores, sliding_dichotomy
from icpcohort.contracts import store
from icpcohort.study import reversed_scale

Entry = Mapping[str, Any]
Entries = Mapping[str, Entry]


class Endpoints(NamedTuple):
    """Contracts `outcomes(...)` and BANDS."""

    outcomes: pl.DataFrame
    bands: pl.DataFrame


def derive(patients: pl.DataFrame, *, declared: Mapping[str, Any]) -> Endpoints:
    """Derive the endpoints and the published scores of every patient.

    Parameters
    ----------
    patients : DataFrame of `contracts.patients(declared)`
        Null in a recorded outcome gives null in what is derived from it. Null in a part of a
        score gives a null score.
    declared : mapping
        Sections `variables`, `outcomes` and `scores` of the settings.

    Returns
    -------
    Endpoints
        The first has one row per patient, in the order of `patients`.

    Raises
    ------
    ValueError
        If a value is no level of its scale, or a scale seems to be reversed.

    Source: each entry of the dictionary names its own.
    """
    outcomes: Entries = declared["outcomes"]
    for name, entry in outcomes.items():
        if not entry.get("of"):
            _refuse_other_levels(patients, name, entry)
    for name, entry in reversed_scale.scales_with_death(outcomes).items():
        deaths_h, scores = patients["death_h"].to_list(), patients[name].to_list()
        if words := reversed_scale.words(name, entry, deaths_h=deaths_h, scores=scores):
            raise ValueError(f"outcomes.derive: {words}")
    derived = published_scores.add(patients, declared=declared)
    bands = [store.empty(contracts.BANDS)]
    for name, entry in outcomes.items():
        if entry.get("sliding_by"):
            scale = outcomes[entry["of"]]
            derived, chosen = sliding_dichotomy.add(derived, name, entry, scale=scale)
            bands.append(chosen)
        elif expression := _expression(entry, outcomes):
            derived = derived.with_columns(expression[0].alias(name))
    table = contracts.outcomes(declared)
    return Endpoints(derived.select(list(table.columns)), pl.concat(bands))


def _refuse_other_levels(patients: pl.DataFrame, name: str, entry: Entry) -> None:
    if entry["kind"] != "ordered":
        return
    levels = [int(level) for level in entry["levels"]]
    outside = patients.filter(~pl.col(name).is_in(levels))
    if outside.height:
        raise ValueError(
            f"outcomes.derive: {name} is {outside[name][0]} for patient "
            f"{outside['patient_id'][0]} ({outside.height} row(s) outside {_span(levels)}); "
            "write a level of the scale, or nothing if unknown"
        )


def _expression(entry: Entry, outcomes: Entries) -> tuple[pl.Expr] | None:
    """Return how an outcome follows from another or from the times; None if it is recorded."""
    if horizon_h := entry.get("death_by_h"):
        return (_dead_by(horizon_h, outcomes),)
    if not entry.get("of"):
        return None
    score, better = pl.col(entry["of"]), outcomes[entry["of"]]["better"]
    if merge := entry.get("merge"):
        return (score.replace({int(old): int(new) for old, new in merge.items()}),)
    if equals := entry.get("equals"):
        return (score == int(equals),)
    return (worse(score, int(entry["favourable_from"]), better=better),)


def worse(score: pl.Expr, than: int | pl.Expr, *, better: str) -> pl.Expr:
    """Return whether a score is worse than another; null where one of them is null."""
    return score < than if better == "higher" else score > than


def last_alive_h(outcomes: Entries) -> pl.Expr:
    """Return when a patient was last known to be alive [h]; null if never.

    The latest of `last_known_h`, discharge alive, and, with a score that does not mean dead,
    the hour before which a death would have been scored (`deaths_before_h`).

    Source: our own choice; without it, who was scored months later would be censored at
    discharge.
    """
    scored = [
        pl.when(pl.col(name) != int(entry["dead"])).then(
            pl.lit(float(entry["deaths_before_h"]))
        )
        for name, entry in reversed_scale.scales_with_death(outcomes).items()
    ]
    return pl.max_horizontal("last_known_h", "left_unit_h", *scored)


def scored_dead(outcomes: Entries) -> pl.Expr:
    """Return whether any scale says that the patient is dead; never null."""
    dead = [
        pl.col(name).eq_missing(int(entry["dead"]))
        for name, entry in outcomes.items()
        if entry["kind"] == "ordered" and entry.get("dead") and not entry.get("of")
    ]
    return pl.any_horizontal(pl.lit(False), *dead)


def _dead_by(horizon_h: float, outcomes: Entries) -> pl.Expr:
    dead = pl.col("death_h") <= horizon_h
    alive = pl.when(last_alive_h(outcomes) >= horizon_h).then(pl.lit(False))
    return pl.coalesce(dead, alive)


def survival_columns(outcomes: Entries, *, landmark_h: float) -> dict[str, pl.Expr]:
    """Return `survival_h` and `died`, and those of each outcome of several events.

    Counted from the landmark. Who died ends at death, who did not at the moment last known
    alive (`last_alive_h`). Both are null where neither is known, where a scale says dead
    without a time of death (a censoring there would be informative), and where that moment lies
    before the landmark. Of several events the first counts.

    Source: landmark analysis: Anderson 1983.
    """
    columns: dict[str, pl.Expr] = {}
    for name, entry in outcomes.items():
        if entry["kind"] == "event":
            columns |= _first_event(name, entry["events"], outcomes, landmark_h=landmark_h)
    end_h, died = _ended(("death_h",), outcomes, landmark_h=landmark_h)
    known = end_h >= 0
    return columns | {
        "survival_h": pl.when(known).then(end_h),
        "died": pl.when(known).then(died.is_not_null()),
    }


def _ended(
    times: tuple[str, ...], outcomes: Entries, *, landmark_h: float
) -> tuple[pl.Expr, pl.Expr]:
    """Return the hours from the landmark to the first of the times, or the last one known."""
    first_h = pl.min_horizontal(*times)
    undated = scored_dead(outcomes) & pl.col("death_h").is_null()
    alive_h = pl.when(~undated).then(last_alive_h(outcomes))
    return pl.coalesce(first_h, alive_h) - landmark_h, first_h


def _first_event(
    name: str, events: Mapping[str, str], outcomes: Entries, *, landmark_h: float
) -> dict[str, pl.Expr]:
    end_h, first_h = _ended(tuple(events.values()), outcomes, landmark_h=landmark_h)
    known = end_h >= 0
    which = pl.coalesce(
        pl.when(pl.col(column) == first_h).then(pl.lit(event))
        for event, column in events.items()
    )
    return {
        f"{name}_h": pl.when(known).then(end_h),
        f"{name}_event": pl.when(known).then(which),
    }


def _span(levels: list[int]) -> str:
    is_run = levels == list(range(levels[0], levels[-1] + 1))
    shown = f"{levels[0]}-{levels[-1]}" if is_run else ", ".join(map(str, levels))
    return str(levels[0]) if len(levels) == 1 else shown


def methods_sentence(declared: Mapping[str, Any]) -> str:
    """Return the report's sentences for `derive`."""
    outcomes: Entries = declared["outcomes"]
    sentences = [_in_words(entry, outcomes) for entry in outcomes.values()]
    sentences.append(
        "Survival was counted from the landmark (Anderson 1983); survivors were censored when "
        "last known to be alive."
    )
    return " ".join(
        [*filter(None, sentences), published_scores.methods_sentence(declared)]
    ).strip()


def _in_words(entry: Entry, outcomes: Entries) -> str:
    source = f" ({entry['source']})" if entry.get("source") else ""
    in_full = f"{entry.get('in_full') or entry['label']}{source}"
    if horizon_h := entry.get("death_by_h"):
        return f"{entry['label']} is death by {horizon_h:g} h."
    if events := entry.get("events"):
        return (
            f"{entry['label']} is the first of {', '.join(events)}; the others compete with "
            "the one that a model is about."
        )
    if not entry.get("of"):
        return _of_scale(in_full, entry)
    scale = outcomes[entry["of"]]
    if cut := entry.get("favourable_from"):
        return _of_cut(scale, int(cut))
    if merge := entry.get("merge"):
        pairs = " and ".join(f"{old} was counted as {new}" for old, new in merge.items())
        return f"For analyses of the whole scale, {scale['label']} {pairs}."
    if entry.get("sliding_by"):
        return sliding_dichotomy.methods_sentence(entry, score=scale["label"])
    return ""


def _of_scale(in_full: str, entry: Entry) -> str:
    if entry["kind"] != "ordered":
        return f"An outcome was {in_full}."
    levels, dead = entry["levels"], entry.get("dead")
    first = f"{levels[0]}{' (dead)' if dead == levels[0] else ''}"
    last = f"{levels[-1]}{' (dead)' if dead == levels[-1] else ''}"
    return (
        f"An outcome was {in_full}, from {first} to {last}, a {entry['better']} score being "
        "better."
    )


def _of_cut(source: Entry, cut: int) -> str:
    levels = [int(level) for level in source["levels"]]
    is_worse = [x < cut if source["better"] == "higher" else x > cut for x in levels]
    bad = [x for x, is_bad in zip(levels, is_worse, strict=True) if is_bad]
    good = [x for x, is_bad in zip(levels, is_worse, strict=True) if not is_bad]
    return (
        f"Scores {_span(bad)} of {source['label']} were called unfavourable and {_span(good)} "
        "favourable."
    )
