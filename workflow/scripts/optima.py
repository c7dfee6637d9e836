from icpcohort import contracts
from icpcohort.contracts import job_log, store

job_log.keep(snakemake.log)

optima = store.read_all(snakemake.input.optima, contracts.OPTIMA)
store.write(optima, contracts.OPTIMA, snakemake.output.optima)
