from pathlib import Path

from icpcohort.contracts import job_log
from icpcohort.report.formats import content_json, table_files

job_log.keep(snakemake.log)
report = content_json.from_json(Path(snakemake.input.content).read_text(encoding="utf-8"))
table_files.write(table_files.as_csv(report), Path(snakemake.output.csv))
table_files.write(table_files.as_latex(report), Path(snakemake.output.latex))
