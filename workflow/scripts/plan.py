from icpcohort import contracts, plan_lock, store

read, asked = snakemake.input, snakemake.params
now = None
if asked.locked:
    now = plan_lock.Now(
        asked.settings,
        asked.models,
        asked.specifications,
        asked.scripts,
        plan_lock.inputs(
            store.read(read.patients, contracts.PATIENTS),
            store.read(read.monitors, contracts.MONITORS),
            store.read(read.events, contracts.EVENTS),
            store.read(read.recordings, contracts.RECORDINGS),
        ),
    )
changes = plan_lock.changes(asked.locked, now, reasons=asked.reasons)
status = plan_lock.status(changes, asked.locked, models=list(asked.models or ()))
store.write(changes, contracts.PLAN_CHANGES, snakemake.output.changes)
store.write(status, contracts.PLAN_STATUS, snakemake.output.status)
