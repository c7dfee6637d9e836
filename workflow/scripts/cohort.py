from icpcohort import contracts
from icpcohort.cohort import eligibility, select
from icpcohort.contracts import store

thresholds = {
    "icp_above_mmhg": snakemake.params.icp_above_mmhg,
    "cpp_below_mmhg": snakemake.params.cpp_below_mmhg,
}
facts = eligibility.facts(
    store.read(snakemake.input.recordings, contracts.RECORDINGS),
    store.read(snakemake.input.monitors, contracts.MONITORS),
    store.read(snakemake.input.events, contracts.EVENTS),
)
formed = select.select(
    store.read(snakemake.input.patients, contracts.PATIENTS),
    store.read(snakemake.input.outcomes, contracts.OUTCOMES),
    store.read(snakemake.input.summary, contracts.SUMMARY),
    store.read(snakemake.input.burden, contracts.BURDEN),
    facts,
    windows=snakemake.params.windows,
    rules=snakemake.params.rules,
    thresholds=thresholds,
)
analysis = contracts.analysis(thresholds)
store.write(formed.analysis, analysis, snakemake.output.analysis)
store.write(formed.flow, contracts.FLOW, snakemake.output.flow)
store.write(formed.dropped, contracts.DROPPED, snakemake.output.dropped)
