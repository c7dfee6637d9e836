from icpcohort import contracts
from icpcohort.cohort import eligibility, select
from icpcohort.contracts import job_log, store

job_log.keep(snakemake.log)
settings, read = snakemake.params.settings, snakemake.input
cohort = select.select(
    store.read(read.patients, contracts.patients(settings)),
    store.read(read.outcomes, contracts.outcomes(settings)),
    store.read(read.summary, contracts.summary(settings)),
    store.read(read.burden, contracts.BURDEN),
    eligibility.facts(
        store.read(read.recordings, contracts.recordings(settings)),
        store.read(read.monitors, contracts.MONITORS),
        store.read(read.events, contracts.EVENTS),
    ),
    repeated=store.read_all(read.repeated, contracts.repeated_summary(settings)),
    left_out=snakemake.params.left_out,
    windows=settings["windows"],
    rules=settings["cohort"]["eligibility"],
    declared=settings,
)
analysis = contracts.analysis(settings)
store.write(cohort.analysis, analysis, snakemake.output.analysis)
store.write(cohort.flow, contracts.FLOW, snakemake.output.flow)
store.write(cohort.dropped, contracts.DROPPED, snakemake.output.dropped)
