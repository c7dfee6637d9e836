from icpcohort import contracts
from icpcohort.cohort import blinding
from icpcohort.contracts import store
from icpcohort.study import tables as study

own = {
    "folder": snakemake.params.folder,
    "columns": snakemake.params.columns,
    "codings": snakemake.params.codings,
    "gose_coding": snakemake.params.gose_coding,
}
tables = study.read_study({"study": own | snakemake.params.names})
patients = tables.patients
if snakemake.params.is_blinded:
    patients = blinding.shuffled(patients, seed=snakemake.params.seed)
store.write(patients, contracts.PATIENTS, snakemake.output.patients)
store.write(tables.monitors, contracts.MONITORS, snakemake.output.monitors)
store.write(tables.events, contracts.EVENTS, snakemake.output.events)
store.write(tables.recodings, contracts.RECODINGS, snakemake.output.recodings)
