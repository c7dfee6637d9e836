from icpcohort import contracts
from icpcohort.contracts import job_log, store
from icpcohort.study import tables

job_log.keep(snakemake.log)
study = tables.read_study(snakemake.params.settings)
store.write(study.repeated, contracts.REPEATED_VALUES, snakemake.output.repeated)
