from icpcohort import contracts
from icpcohort.contracts import store

optima = store.read_all(snakemake.input.optima, contracts.OPTIMA)
store.write(optima, contracts.OPTIMA, snakemake.output.optima)
