from pathlib import Path

from icpcohort.report import reads
from icpcohort.report.figures import canvas, draw_all

thresholds = {
    "icp_above_mmhg": snakemake.params.icp_above_mmhg,
    "cpp_below_mmhg": snakemake.params.cpp_below_mmhg,
}
results = reads.read(snakemake.input, reads.FIGURES, thresholds=thresholds)
pictures = draw_all.all_pictures(
    results.tables,
    results.of_models,
    models=snakemake.params.models,
    window=snakemake.params.main_window,
    impaired_prx=snakemake.params.impaired_prx,
)
folder = Path(snakemake.output.files[0]).parent
for picture in pictures.values():
    canvas.save(picture, folder)
