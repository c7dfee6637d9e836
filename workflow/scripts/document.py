from pathlib import Path

from icpcohort.contracts import atomic_write as whole
from icpcohort.report.formats import content_json as content_text
from icpcohort.report.formats import word as document

said = content_text.from_json(Path(snakemake.input.content).read_text(encoding="utf-8"))
pictures = {Path(path).stem: Path(path) for path in snakemake.input.pictures}
whole.write(snakemake.output.document, document.as_docx(said, pictures=pictures))
