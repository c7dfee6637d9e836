from icpcohort import catalogue, whole

whole.write(snakemake.output.catalogue, catalogue.as_markdown())
