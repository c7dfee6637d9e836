from icpcohort import contracts
from icpcohort.cohort import export
from icpcohort.contracts import atomic_write, job_log, store

job_log.keep(snakemake.log)
table = contracts.analysis(snakemake.params.settings)
analysis = store.read(snakemake.input.analysis, table)
atomic_write.write(snakemake.output.csv, export.as_csv(analysis, table))
atomic_write.write(snakemake.output.stata, export.as_stata(analysis, table))
atomic_write.write(snakemake.output.feather, export.as_feather(analysis, table))
