"""Sliding dichotomy: a favourable outcome defined for each prognostic band by itself."""

import itertools

import polars as pl

from icpcohort import contracts

CUTS = (2, 4, 5, 6, 7, 8)  # none between 2 and 3, which postal forms cannot tell apart


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
    return risks.to_frame().select(prognostic_band=known)["prognostic_band"]


def cuts(outcomes: pl.DataFrame) -> pl.DataFrame:
    """Choose the cut of each band, so that together they divide the bands nearest to half.

    Parameters
    ----------
    outcomes : DataFrame, one row per patient
        Needs `prognostic_band`, `gose_6m` and `impact_core_unfavourable`; patients without a
        band or a score choose no cut.

    Returns
    -------
    DataFrame of `contracts.BANDS`
        A band of higher risk has no higher cut than one of lower risk. Of cuts equally near
        to half the lower are chosen. A band without any score has no cut.

    Source: Murray 2005 (bands of prognosis, each divided near its median).
    There the cuts are fixed before the trial; here they are chosen in the data at hand, without
    looking at any exposure.
    """
    groups = dict(outcomes.drop_nulls("prognostic_band").group_by("prognostic_band"))
    bands_ = sorted(groups)
    scores = [groups[band]["gose_6m"].drop_nulls() for band in bands_]
    below = [{cut: int((band_scores < cut).sum()) for cut in CUTS} for band_scores in scores]
    chosen = min(
        itertools.combinations_with_replacement(reversed(CUTS), len(bands_)),
        key=lambda asked: (
            sum(
                abs(2 * count[cut] - band_scores.len())
                for cut, count, band_scores in zip(asked, below, scores, strict=True)
            ),
            asked,
        ),
    )
    rows = [
        {
            "band": band[0],
            "risk_low": groups[band]["impact_core_unfavourable"].min(),
            "risk_high": groups[band]["impact_core_unfavourable"].max(),
            "n": band_scores.len(),
            "cut_gose": cut if band_scores.len() else None,
            "n_unfavourable": count[cut],
        }
        for band, band_scores, count, cut in zip(bands_, scores, below, chosen, strict=True)
    ]
    schema = {name: column.dtype for name, column in contracts.BANDS.columns.items()}
    return pl.DataFrame(rows, schema=schema)


def unfavourable(outcomes: pl.DataFrame, chosen: pl.DataFrame) -> pl.Series:
    """Return whether each patient's score lies below the cut of the band; null if unknown."""
    cut_of = dict(chosen.select("band", "cut_gose").iter_rows())
    cut = pl.col("prognostic_band").replace_strict(
        cut_of, default=None, return_dtype=pl.Int64()
    )
    below = outcomes.select(unfavourable_sliding=pl.col("gose_6m") < cut)
    return below["unfavourable_sliding"]
