from icpcohort import contracts
from icpcohort.contracts import job_log, store
from icpcohort.exposures import summary
from icpcohort.indices import index_settings

job_log.keep(snakemake.log)
settings = snakemake.params.settings
summaries = summary.summarise(
    store.read_patients(snakemake.input.minutes, contracts.minutes(settings)),
    windows=settings["windows"],
    indices=index_settings.rules_of(settings),
    settings=summary.Settings(**settings["summary"]),
    declared=settings,
)
store.write(summaries, contracts.summary(settings), snakemake.output.summary)
