from icpcohort import contracts
from icpcohort.contracts import job_log, store

job_log.keep(snakemake.log)

contract = contracts.summary(snakemake.params.settings)
table = store.read_all(snakemake.input.summary, contract)
store.write(table, contract, snakemake.output.summary)
