from icpcohort import contracts, store, study

own = {"folder": snakemake.params.folder, "columns": snakemake.params.columns}
tables = study.read_study({"study": own | snakemake.params.names})
store.write(tables.patients, contracts.PATIENTS, snakemake.output.patients)
store.write(tables.monitors, contracts.MONITORS, snakemake.output.monitors)
store.write(tables.events, contracts.EVENTS, snakemake.output.events)
