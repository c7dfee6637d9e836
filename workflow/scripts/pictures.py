from pathlib import Path

from icpcohort import contracts, pictures, store

files = zip(
    snakemake.input.recordings,
    snakemake.input.quality,
    snakemake.input.minutes,
    snakemake.input.artefacts,
    snakemake.input.intervals,
    snakemake.output.patients,
    strict=True,
)
for recordings, quality, minutes, artefacts, intervals, picture in files:
    drawn = pictures.patient_picture(
        Path(picture).stem,
        recordings=store.read(recordings, contracts.RECORDINGS),
        quality=store.read(quality, contracts.QUALITY),
        minutes=store.read(minutes, contracts.MINUTES),
        artefacts=store.read(artefacts, contracts.ARTEFACTS),
        intervals=store.read(intervals, contracts.INTERVALS),
        time_zero=snakemake.params.time_zero,
    )
    Path(picture).write_text(drawn, encoding="utf-8")
