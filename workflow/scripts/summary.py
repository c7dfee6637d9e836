from icpcohort import contracts
from icpcohort.contracts import job_log, store

job_log.keep(snakemake.log)

table = store.read_all(snakemake.input.summary, contracts.SUMMARY)
store.write(table, contracts.SUMMARY, snakemake.output.summary)
