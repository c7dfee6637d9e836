from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.provenance import plan_lock

read = snakemake.input
now = None
if snakemake.params.locked:
    now = plan_lock.Now(
        snakemake.params.settings,
        snakemake.params.models,
        snakemake.params.specifications,
        snakemake.params.scripts,
        plan_lock.inputs(
            store.read(read.patients, contracts.PATIENTS),
            store.read(read.monitors, contracts.MONITORS),
            store.read(read.events, contracts.EVENTS),
            store.read(read.recordings, contracts.RECORDINGS),
        ),
    )
changes = plan_lock.changes(snakemake.params.locked, now, reasons=snakemake.params.reasons)
status = plan_lock.status(
    changes, snakemake.params.locked, models=list(snakemake.params.models or ())
)
store.write(changes, contracts.PLAN_CHANGES, snakemake.output.changes)
store.write(status, contracts.PLAN_STATUS, snakemake.output.status)
