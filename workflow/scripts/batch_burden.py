from icpcohort import contracts
from icpcohort.contracts import job_log, store
from icpcohort.exposures import burden, burden_settings

job_log.keep(snakemake.log)
declared = snakemake.params.settings
windows = declared["windows"]
settings = burden_settings.Settings(**declared["burden"])
minutes = store.read_patients(
    snakemake.input.minutes,
    contracts.minutes(declared),
    columns=burden.columns_of_minutes(declared),
)
total = burden.add_up(minutes, windows=windows, rules=settings, declared=declared)
by_state = burden.add_up_by_state(
    minutes, windows=windows, settings=settings, declared=declared
)
store.write(total, contracts.BURDEN, snakemake.output.burden)
store.write(by_state, contracts.BURDEN_BY_STATE, snakemake.output.by_state)
