from pathlib import Path

from icpcohort import catalogue

Path(snakemake.output.catalogue).write_text(catalogue.as_markdown(), encoding="utf-8")
