from icpcohort import contracts, store, study

tables = study.read_study({"study": snakemake.params.study})
store.write(tables.patients, contracts.PATIENTS, snakemake.output.patients)
store.write(tables.monitors, contracts.MONITORS, snakemake.output.monitors)
store.write(tables.events, contracts.EVENTS, snakemake.output.events)
