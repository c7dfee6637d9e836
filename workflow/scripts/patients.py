from pathlib import Path

from icpcohort.contracts import atomic_write, job_log
from icpcohort.report import reads
from icpcohort.report.patients import browser

job_log.keep(snakemake.log)
settings = snakemake.params.settings
results = reads.read(snakemake.input, reads.PATIENT_PAGE, declared=settings)
page = browser.render(
    template=Path(snakemake.input.template).read_text(encoding="utf-8"),
    tables=results.tables,
    model_dropped=results.of_models["dropped"],
    models=snakemake.params.models,
    windows=snakemake.params.windows,
    settings=settings,
)
atomic_write.write(snakemake.output.page, page)
