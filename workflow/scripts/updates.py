from icpcohort import contracts
from icpcohort.contracts import job_log, store
from icpcohort.exposures import burden, daily_burden

job_log.keep(snakemake.log)
settings = snakemake.params.settings
days = daily_burden.day_by_day(
    store.read_patients(
        snakemake.input.minutes, contracts.MINUTES, columns=("icp_mmhg", "cpp_mmhg")
    ),
    rules=burden.Rules(**settings["burden"]),
)
store.write(days, contracts.updates(settings), snakemake.output.updates)
