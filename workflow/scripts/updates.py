from icpcohort import contracts
from icpcohort.contracts import declared_signals, job_log, store
from icpcohort.exposures import burden_settings, daily_burden

job_log.keep(snakemake.log)
settings = snakemake.params.settings
days = daily_burden.day_by_day(
    store.read_patients(
        snakemake.input.minutes,
        contracts.minutes(settings),
        columns=declared_signals.columns(settings),
    ),
    rules=burden_settings.Rules(**settings["burden"]),
    declared=settings,
)
store.write(days, contracts.updates(settings), snakemake.output.updates)
