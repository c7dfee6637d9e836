from icpcohort import contracts
from icpcohort.cohort import eligibility, monitoring_end
from icpcohort.contracts import store

ends = monitoring_end.describe(
    store.read(snakemake.input.patients, contracts.PATIENTS),
    eligibility.facts(
        store.read(snakemake.input.recordings, contracts.RECORDINGS),
        store.read(snakemake.input.monitors, contracts.MONITORS),
        store.read(snakemake.input.events, contracts.EVENTS),
    ),
    windows=snakemake.params.windows,
    tolerance_h=snakemake.params.tolerance_h,
)
counts = monitoring_end.by_outcome(
    ends, store.read(snakemake.input.outcomes, contracts.OUTCOMES)
)
store.write(ends, contracts.MONITORING_END, snakemake.output.ends)
store.write(counts, contracts.MONITORING_END_BY_OUTCOME, snakemake.output.by_outcome)
