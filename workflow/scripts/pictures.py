from pathlib import Path

import polars as pl

from icpcohort import contracts
from icpcohort.contracts import atomic_write, job_log, store
from icpcohort.report.patients import cohort_picture, timeline

job_log.keep(snakemake.log)
files = zip(
    snakemake.input.recordings,
    snakemake.input.quality,
    snakemake.input.minutes,
    snakemake.input.artefacts,
    snakemake.input.intervals,
    snakemake.input.curves,
    snakemake.input.optima,
    snakemake.output.patients,
    strict=True,
)
hours = [store.empty(contracts.HOURS)]
for recordings, quality, minutes, artefacts, intervals, curve, optimum, picture in files:
    recorded = {
        "recordings": store.read(recordings, contracts.recordings(snakemake.params.settings)),
        "minutes": store.read(minutes, contracts.minutes(snakemake.params.settings)),
        "artefacts": store.read(artefacts, contracts.ARTEFACTS),
    }
    drawn = timeline.patient_picture(
        Path(picture).stem,
        **recorded,
        quality=store.read(quality, contracts.QUALITY),
        intervals=store.read(intervals, contracts.INTERVALS),
        curve=store.read(curve, contracts.CURVES),
        optimum=store.read(optimum, contracts.OPTIMA),
        time_zero=snakemake.params.settings["study"]["time_zero"],
        declared=snakemake.params.settings,
    )
    atomic_write.write(picture, drawn)
    hours.append(cohort_picture.patient_hours(Path(picture).stem, **recorded))
store.write(pl.concat(hours), contracts.HOURS, snakemake.output.hours)
