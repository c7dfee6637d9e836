"""ICH score: the sum of five parts at admission after intracerebral haemorrhage, 0 to 6."""

import polars as pl


def ich_score(patients: pl.DataFrame) -> pl.Series:
    """Return the ICH score of each patient.

    Parameters
    ----------
    patients : DataFrame, one row per patient
        `gcs_total` (3-15), `ich_volume_ml` [mL], `intraventricular_blood` and `infratentorial`
        (flags), `age_years` [a]. Null in any gives null.

    Source: Hemphill 2001, table 2: Glasgow Coma Scale 3-4 two points, 5-12 one; volume of 30 mL
    or more, intraventricular blood, infratentorial origin, age of 80 years or more one each.
    """
    coma, age = pl.col("gcs_total"), pl.col("age_years")
    points = (
        (coma <= 4).cast(pl.Int64)
        + (coma <= 12).cast(pl.Int64)
        + (pl.col("ich_volume_ml") >= 30).cast(pl.Int64)
        + pl.col("intraventricular_blood").cast(pl.Int64)
        + pl.col("infratentorial").cast(pl.Int64)
        + (age >= 80).cast(pl.Int64)
    )
    return patients.select(points.alias("ich_score"))["ich_score"]
