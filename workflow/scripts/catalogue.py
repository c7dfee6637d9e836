from icpcohort.contracts import atomic_write as whole
from icpcohort.contracts import readme as catalogue

whole.write(snakemake.output.catalogue, catalogue.as_markdown())
