from icpcohort import contracts
from icpcohort.contracts import job_log, store

job_log.keep(snakemake.log)

for table, paths, whole in (
    (
        contracts.SPECIFICATIONS,
        snakemake.input.specifications,
        snakemake.output.specifications,
    ),
    (contracts.SPECIFICATION_OPTIONS, snakemake.input.options, snakemake.output.options),
    (contracts.SPECIFICATION_CHOICES, snakemake.input.choices, snakemake.output.choices),
    (contracts.SPECIFICATION_SUMMARY, snakemake.input.summary, snakemake.output.summary),
):
    store.write(store.read_all(paths, table), table, whole)
