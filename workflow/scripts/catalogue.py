from icpcohort.contracts import atomic_write, readme

atomic_write.write(snakemake.output.catalogue, readme.as_markdown())
