from icpcohort import contracts
from icpcohort.contracts import job_log, store
from icpcohort.exposures import summary
from icpcohort.indices import correlation

job_log.keep(snakemake.log)
settings = snakemake.params.settings
summaries = summary.summarise(
    store.read_patients(snakemake.input.minutes, contracts.MINUTES),
    windows=settings["windows"],
    scale=correlation.Scale(**settings["reactivity"]),
    settings=summary.Settings(**settings["summary"]),
)
store.write(summaries, contracts.SUMMARY, snakemake.output.summary)
