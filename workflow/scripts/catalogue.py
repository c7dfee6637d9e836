from icpcohort.contracts import atomic_write, job_log, readme

job_log.keep(snakemake.log)

atomic_write.write(snakemake.output.catalogue, readme.as_markdown(snakemake.params.settings))
