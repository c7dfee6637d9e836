from pathlib import Path

import polars as pl

from icpcohort import contracts, coverage, store, whole

recordings = store.read(snakemake.input.recordings, contracts.RECORDINGS)
quality = store.read(snakemake.input.quality, contracts.QUALITY)
hours = {}
for minutes, artefacts in zip(snakemake.input.minutes, snakemake.input.artefacts, strict=True):
    patient = Path(minutes).stem
    hours[patient] = coverage.patient_hours(
        patient,
        minutes=store.read(minutes, contracts.MINUTES),
        artefacts=store.read(artefacts, contracts.ARTEFACTS),
        recordings=recordings,
    )
cohort = coverage.cohort_picture(
    pl.concat(hours.values()),
    patients=list(hours),
    quality=quality,
    time_zero=snakemake.params.time_zero,
)
whole.write(snakemake.output.cohort, cohort)
