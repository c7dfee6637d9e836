from icpcohort import contracts
from icpcohort.contracts import job_log, store

job_log.keep(snakemake.log)

for table, paths, whole in (
    (contracts.BURDEN, snakemake.input.burden, snakemake.output.burden),
    (contracts.BURDEN_BY_STATE, snakemake.input.by_state, snakemake.output.by_state),
):
    store.write(store.read_all(paths, table), table, whole)
