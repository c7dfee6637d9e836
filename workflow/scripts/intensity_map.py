from icpcohort import contracts
from icpcohort.contracts import job_log, store
from icpcohort.exposures import intensity_duration

job_log.keep(snakemake.log)
settings = snakemake.params.settings
table = intensity_duration.against_outcome(
    store.read(snakemake.input.intensity, contracts.INTENSITY),
    store.read(snakemake.input.analysis, contracts.analysis(settings)),
    score=intensity_duration.score_of(settings["cohort"]["main_outcome"], settings["outcomes"]),
    min_patients=settings["intensity_duration"]["min_patients"],
)
transition = intensity_duration.transition(table)
store.write(table, contracts.INTENSITY_MAP, snakemake.output.table)
store.write(transition, contracts.TRANSITION, snakemake.output.transition)
