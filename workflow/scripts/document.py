from pathlib import Path

from icpcohort.contracts import atomic_write, job_log
from icpcohort.report.formats import content_json, word

job_log.keep(snakemake.log)
report = content_json.from_json(Path(snakemake.input.content).read_text(encoding="utf-8"))
pictures = {Path(path).stem: Path(path) for path in snakemake.input.pictures}
atomic_write.write(snakemake.output.document, word.as_docx(report, pictures=pictures))
