from icpcohort import contracts
from icpcohort.cohort import eligibility, monitoring_end
from icpcohort.contracts import job_log, store
from icpcohort.study import left_out

job_log.keep(snakemake.log)
settings, read = snakemake.params.settings, snakemake.input
ends = monitoring_end.describe(
    left_out.without(
        store.read(read.patients, contracts.patients(settings)), snakemake.params.left_out
    ),
    eligibility.facts(
        store.read(read.recordings, contracts.recordings(settings)),
        store.read(read.monitors, contracts.MONITORS),
        store.read(read.events, contracts.EVENTS),
    ),
    windows=settings["windows"],
    tolerance_h=settings["cohort"]["monitoring_end_tolerance_h"],
)
counts = monitoring_end.by_outcome(
    ends,
    store.read(read.outcomes, contracts.outcomes(settings)),
    main_outcome=settings["cohort"]["main_outcome"],
)
store.write(ends, contracts.MONITORING_END, snakemake.output.ends)
store.write(counts, contracts.MONITORING_END_BY_OUTCOME, snakemake.output.by_outcome)
