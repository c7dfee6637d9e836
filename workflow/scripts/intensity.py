from icpcohort import contracts
from icpcohort.contracts import job_log, store

job_log.keep(snakemake.log)

table = store.read_all(snakemake.input.intensity, contracts.INTENSITY)
store.write(table, contracts.INTENSITY, snakemake.output.intensity)
