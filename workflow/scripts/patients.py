from pathlib import Path

from icpcohort.contracts import atomic_write
from icpcohort.report import reads
from icpcohort.report.patients import browser

thresholds = {
    "icp_above_mmhg": snakemake.params.icp_above_mmhg,
    "cpp_below_mmhg": snakemake.params.cpp_below_mmhg,
}
results = reads.read(snakemake.input, reads.PATIENT_PAGE, thresholds=thresholds)
page = browser.render(
    template=Path(snakemake.input.template).read_text(encoding="utf-8"),
    tables=results.tables,
    model_dropped=results.of_models["dropped"],
    models=snakemake.params.models,
    windows=snakemake.params.windows,
    main_window=snakemake.params.main_window,
)
atomic_write.write(snakemake.output.page, page)
