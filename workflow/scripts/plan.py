from icpcohort import contracts
from icpcohort.cohort import blinding
from icpcohort.contracts import job_log, store
from icpcohort.provenance import plan_lock

job_log.keep(snakemake.log)
read, locked, now = snakemake.input, snakemake.params.locked, snakemake.params.now
declared = snakemake.params.settings
if locked:
    now = plan_lock.Now(
        **now,
        inputs=plan_lock.inputs(
            store.read(read.patients, contracts.patients(declared)).drop(
                blinding.outcomes_of(declared)
            ),
            store.read(read.monitors, contracts.MONITORS),
            store.read(read.events, contracts.EVENTS),
            store.read(read.recordings, contracts.recordings(declared)),
        ),
    )
changes = plan_lock.changes(locked, now, reasons=snakemake.params.reasons)
models = snakemake.params.models if locked else []
status = plan_lock.status(changes, locked, models=models)
store.write(changes, contracts.PLAN_CHANGES, snakemake.output.changes)
store.write(status, contracts.PLAN_STATUS, snakemake.output.status)
