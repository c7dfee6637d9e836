from pathlib import Path

from icpcohort import contracts, pictures, store, whole

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
for recordings, quality, minutes, artefacts, intervals, curve, optimum, picture in files:
    drawn = pictures.patient_picture(
        Path(picture).stem,
        recordings=store.read(recordings, contracts.RECORDINGS),
        quality=store.read(quality, contracts.QUALITY),
        minutes=store.read(minutes, contracts.MINUTES),
        artefacts=store.read(artefacts, contracts.ARTEFACTS),
        intervals=store.read(intervals, contracts.INTERVALS),
        curve=store.read(curve, contracts.CURVES),
        optimum=store.read(optimum, contracts.OPTIMA),
        time_zero=snakemake.params.time_zero,
    )
    whole.write(picture, drawn)
