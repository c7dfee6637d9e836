from icpcohort import contracts
from icpcohort.contracts import job_log, store
from icpcohort.exposures import burden

job_log.keep(snakemake.log)
windows = snakemake.params.settings["windows"]
settings = burden.Settings(**snakemake.params.settings["burden"])
minutes = store.read_patients(
    snakemake.input.minutes,
    contracts.MINUTES,
    columns=("icp_mmhg", "cpp_mmhg", "prx", "llr_mmhg"),
)
total = burden.add_up(minutes, windows=windows, rules=settings)
by_state = burden.add_up_by_state(minutes, windows=windows, settings=settings)
store.write(total, contracts.BURDEN, snakemake.output.burden)
store.write(by_state, contracts.BURDEN_BY_STATE, snakemake.output.by_state)
