from icpcohort import contracts
from icpcohort.contracts import job_log, store
from icpcohort.specifications import analyses
from icpcohort.specifications.exposures import Exposures
from icpcohort.study import left_out

job_log.keep(snakemake.log)
read, declared = snakemake.input, snakemake.params.settings
made = analyses.form_all(
    Exposures(
        store.read_all(read.summary, contracts.exposed_summary(declared)),
        store.read_all(read.burden, contracts.EXPOSED_BURDEN),
    ),
    analyses.Tables(
        left_out.without(
            store.read(read.patients, contracts.patients(declared)), snakemake.params.left_out
        ),
        store.read(read.monitors, contracts.MONITORS),
        store.read(read.events, contracts.EVENTS),
        store.read(read.recordings, contracts.recordings(declared)),
        store.read_all(read.repeated, contracts.REPEATED_VALUES),
    ),
    cohorts=snakemake.params.cohorts,
    declared=declared,
)
store.write(made, contracts.analyses(declared), snakemake.output.analyses)
