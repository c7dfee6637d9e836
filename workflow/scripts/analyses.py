from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.specifications import analyses
from icpcohort.specifications.exposures import Exposures

read = snakemake.input
thresholds = {
    "icp_above_mmhg": snakemake.params.icp_above_mmhg,
    "cpp_below_mmhg": snakemake.params.cpp_below_mmhg,
}
made = analyses.form_all(
    Exposures(
        store.read_all(read.summary, contracts.EXPOSED_SUMMARY),
        store.read_all(read.burden, contracts.EXPOSED_BURDEN),
    ),
    analyses.Tables(
        store.read(read.patients, contracts.PATIENTS),
        store.read(read.monitors, contracts.MONITORS),
        store.read(read.events, contracts.EVENTS),
        store.read(read.recordings, contracts.RECORDINGS),
    ),
    cohorts=snakemake.params.cohorts,
    thresholds=thresholds,
)
table = contracts.analyses(thresholds)
store.write(made, table, snakemake.output.analyses)
