from pathlib import Path

from icpcohort.contracts import job_log
from icpcohort.report import reads
from icpcohort.report.figures import canvas, draw_all

job_log.keep(snakemake.log)
settings = snakemake.params.settings
results = reads.read(snakemake.input, reads.FIGURES, declared=settings)
pictures = draw_all.all_pictures(
    results.tables,
    results.of_models,
    models=snakemake.params.models,
    settings=settings,
    columns=results.columns,
)
folder = Path(snakemake.output.files[0]).parent
for picture in pictures.values():
    canvas.save(picture, folder)
