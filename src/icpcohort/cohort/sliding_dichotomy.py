"""Sliding dichotomy: a favourable outcome defined for each prognostic band by itself."""

import itertools
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from icpcohort import contracts


def add(
    outcomes: pl.DataFrame, name: str, entry: Mapping[str, Any], *, scale: Mapping[str, Any]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the outcomes with the flag `name` and its band, and the cuts (contracts.BANDS).

    Parameters
    ----------
    outcomes : DataFrame, one row per patient
        Has the score and the risk that the entry names.
    name, entry
        A declared outcome: `of` is the score, `sliding_by` the risk, higher being worse.
    scale
        The declared outcome that is the score: its levels, and which way is better.
    """
    better: str = scale["better"]
    risk, score, band = entry["sliding_by"], entry["of"], f"{name}_band"
    banded = outcomes.with_columns(bands(outcomes[risk], n_bands=entry["n_bands"]).alias(band))
    chosen = cuts(
        banded.select(band=band, score=score, risk=risk),
        levels=[int(level) for level in scale["levels"]],
        better=better,
    )
    flag = unfavourable(banded.select(band=band, score=score), chosen, better=better)
    named = chosen.select(pl.lit(name).alias("outcome"), pl.all())
    return banded.with_columns(flag.alias(name)), named


def bands(risks: pl.Series, *, n_bands: int) -> pl.Series:
    """Return each patient's band, 1 for the lowest risk; null where the risk is null.

    Bands hold equal numbers of the patients whose risk is known; equal risks share a band.

    Source: quantiles by linear interpolation, type 7 of Hyndman 1996.
    """
    limits = [risks.quantile(i / n_bands, interpolation="linear") for i in range(1, n_bands)]
    above = [
        (pl.col(risks.name) > limit).cast(pl.Int64()) for limit in limits if limit is not None
    ]
    band = pl.sum_horizontal(pl.lit(1, pl.Int64()), *above, ignore_nulls=False)
    known = pl.when(pl.col(risks.name).is_not_null()).then(band).cast(pl.Int64())
    return risks.to_frame().select(band=known)["band"]


def cuts(patients: pl.DataFrame, *, levels: Sequence[int], better: str) -> pl.DataFrame:
    """Choose the cut of each band, so that together they divide the bands nearest to half.

    Parameters
    ----------
    patients : DataFrame, one row per patient
        `band`, `score` and `risk`; patients without a band or a score choose no cut.
    levels : sequence of int
        Of the score, in ascending order; the worst one is no cut.
    better : {"higher", "lower"}

    Returns
    -------
    DataFrame of `contracts.BANDS` without the outcome's name
        A band of higher risk has no better cut than one of lower risk. Of cuts equally near
        to half the lower are chosen. A band without any score has no cut.

    Source: Murray 2005 (bands of prognosis, each divided near its median).
    There the cuts are fixed before the trial; here they are chosen in the data at hand, without
    looking at any exposure.
    """
    groups = dict(patients.drop_nulls("band").group_by("band"))
    bands_ = sorted(groups)
    scores = [groups[band]["score"].drop_nulls() for band in bands_]
    possible = levels[1:] if better == "higher" else levels[:-1]
    ordered = sorted(possible, reverse=better == "higher")  # the best for the lowest risk
    n_worse = [
        {cut: int(((s < cut) if better == "higher" else (s > cut)).sum()) for cut in possible}
        for s in scores
    ]
    chosen = min(
        itertools.combinations_with_replacement(ordered, len(bands_)),
        key=lambda asked: (
            sum(
                abs(2 * count[cut] - band_scores.len())
                for cut, count, band_scores in zip(asked, n_worse, scores, strict=True)
            ),
            asked,
        ),
    )
    rows = [
        {
            "band": band[0],
            "risk_low": groups[band]["risk"].min(),
            "risk_high": groups[band]["risk"].max(),
            "n": band_scores.len(),
            "cut": cut if band_scores.len() else None,
            "n_unfavourable": count[cut],
        }
        for band, band_scores, count, cut in zip(bands_, scores, n_worse, chosen, strict=True)
    ]
    columns = contracts.BANDS.columns.items()
    schema = {name: column.dtype for name, column in columns if name != "outcome"}
    return pl.DataFrame(rows, schema=schema)


def unfavourable(patients: pl.DataFrame, chosen: pl.DataFrame, *, better: str) -> pl.Series:
    """Return whether each score is worse than the cut of the band; null if unknown."""
    cut_of = dict(chosen.select("band", "cut").iter_rows())
    cut = pl.col("band").replace_strict(cut_of, default=None, return_dtype=pl.Int64())
    is_worse = pl.col("score") < cut if better == "higher" else pl.col("score") > cut
    return patients.select(flag=is_worse)["flag"]


def methods_sentence(entry: Mapping[str, Any], *, score: str) -> str:
    """Return the report's sentence on one sliding dichotomy of a score."""
    source = f" ({entry['source']})" if entry.get("source") else ""
    return (
        f"For the sliding dichotomy{source}, patients were divided into {entry['n_bands']} "
        f"bands of equal size by {entry['sliding_by']}, and each band at the level of {score} "
        "that divides it nearest to half."
    )
