from icpcohort import contracts
from icpcohort.contracts import store

table = store.read_all(snakemake.input.summary, contracts.SUMMARY)
store.write(table, contracts.SUMMARY, snakemake.output.summary)
