from pathlib import Path

import polars as pl

from icpcohort import contracts, coverage, pictures, store, whole

time_zero = snakemake.params.time_zero
recordings = store.read(snakemake.input.recordings, contracts.RECORDINGS)
quality = store.read(snakemake.input.quality, contracts.QUALITY)
files = zip(
    snakemake.input.minutes,
    snakemake.input.artefacts,
    snakemake.input.intervals,
    snakemake.input.curves,
    snakemake.input.optima,
    snakemake.output.patients,
    strict=True,
)
hours = {}
for minutes_file, artefacts_file, intervals_file, curve_file, optimum_file, picture in files:
    patient = Path(picture).stem
    signals = {
        "minutes": store.read(minutes_file, contracts.MINUTES),
        "artefacts": store.read(artefacts_file, contracts.ARTEFACTS),
        "recordings": recordings,
    }
    hours[patient] = coverage.patient_hours(patient, **signals)
    drawn = pictures.patient_picture(
        patient,
        **signals,
        quality=quality,
        intervals=store.read(intervals_file, contracts.INTERVALS),
        curve=store.read(curve_file, contracts.CURVES),
        optimum=store.read(optimum_file, contracts.OPTIMA),
        time_zero=time_zero,
    )
    whole.write(picture, drawn)
cohort = coverage.cohort_picture(
    pl.concat(hours.values()), patients=list(hours), quality=quality, time_zero=time_zero
)
whole.write(snakemake.output.cohort, cohort)
