from pathlib import Path

from icpcohort.contracts import atomic_write, job_log
from icpcohort.provenance import fingerprint
from icpcohort.report import reads
from icpcohort.report.formats import content_json, html_page
from icpcohort.report.sections import methods

job_log.keep(snakemake.log)
settings, models = snakemake.params.settings, snakemake.params.models
results = reads.read(snakemake.input, reads.REPORT, declared=settings)
report, pictures = html_page.build_report(
    title=settings["study"]["title"],
    settings=settings,
    models=models,
    tables=results.tables,
    fits=results.of_models,
    methods=methods.paragraphs(settings, models),
    plan=snakemake.params.locked,
    is_blinded=snakemake.params.is_blinded,
    versions=snakemake.params.versions,
    fingerprints=fingerprint.fingerprints(snakemake.input.study),
)
template = Path(snakemake.input.template).read_text(encoding="utf-8")
page = html_page.page(report, template=template, pictures=pictures)
atomic_write.write(snakemake.output.report, page)
atomic_write.write(snakemake.output.content, content_json.as_json(report))
