from icpcohort import contracts
from icpcohort.contracts import job_log, store
from icpcohort.exposures import repeated_summary

job_log.keep(snakemake.log)
settings = snakemake.params.settings
summaries = repeated_summary.summarise(
    store.read(snakemake.input.repeated, contracts.REPEATED_VALUES),
    windows=settings["windows"],
    declared=settings,
)
store.write(summaries, contracts.repeated_summary(settings), snakemake.output.summary)
