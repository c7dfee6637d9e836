from icpcohort import contracts
from icpcohort.contracts import store

table = store.read_all(snakemake.input.intensity, contracts.INTENSITY)
store.write(table, contracts.INTENSITY, snakemake.output.intensity)
